"""The map: one A4 sheet that a person prints and walks by."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib as mpl

from lastseen import __version__
from lastseen.products.mapsheet import details as detail_maps
from lastseen.products.mapsheet import furniture, lanes, names, panel, parts, words
from lastseen.products.mapsheet.drawing import DPI, SETTINGS, Drawing, start_drawing
from lastseen.products.mapsheet.ground import drawn_lattice, ground_around
from lastseen.products.mapsheet.layout import lay_out_sheet
from lastseen.products.palette import load_palette

if TYPE_CHECKING:
    from lastseen.plan import Plan


def write_map(plan: Plan, path: Path) -> None:
    """Draw the plan on an A4 sheet at 200 dots per inch.

    The body shows debris and lanes as large as a round scale allows; where the release lies far above, an overview
    shows the whole way. Independent of any user settings; the same plan gives the same bytes.
    """
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a name may hold letters that the font lacks
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS)  # type: ignore[arg-type]
        drawing = draw_map(plan)
        # No software and no date in the file: the same plan, the same bytes.
        drawing.figure.savefig(path, format="png", dpi=DPI, metadata={"Software": None})


def draw_map(plan: Plan) -> Drawing:
    """The sheet, drawn but not written."""
    d = start_drawing(lay_out_sheet(plan), load_palette())
    details = detail_maps.find_details(d.sheet, plan)
    for one in details:
        detail_maps.mark_detail(d, one)
    contour_m = _draw_body(d, plan, details)
    for one in details:
        inner = detail_maps.start_detail(d, one)
        detail_maps.corners_taken(inner)
        _draw_body(inner, plan)
        detail_maps.finish_detail(inner, one)
    furniture.draw_overview(d, plan)
    grid_m = furniture.draw_frame(d)
    furniture.draw_under(d, plan, grid_m, contour_m)
    panel.draw_header(d, plan.scenario.name or "Signal search", words.header_lines(plan))
    panel.draw_footer(d, f"lastseen {__version__}")
    words.fill_panel(d, plan)
    return d


def _draw_body(d: Drawing, plan: Plan, details: Sequence[detail_maps.Detail] | None = None) -> float:
    """All that lies on the ground, and its labels; returns the contour interval in metres."""
    sheet = d.sheet
    drawn = drawn_lattice(ground_around(plan, sheet.extent), sheet.extent, sheet.metres_per_mm)
    parts.draw_relief(d.ground, drawn, d.palette)
    levels, steep = parts.draw_contours(d, drawn)
    parts.draw_debris(d.ground, plan, d.palette, 1.4)
    if plan.model is not None:
        parts.draw_zones(d, plan.model)
        parts.draw_release(d.ground, plan.model, d.palette, fill=False)
        parts.draw_traps(d, plan.model)
        parts.draw_poa(d, plan.model)
    lanes.draw_no_go(d, plan)
    lanes.draw_uncovered(d, plan)
    lanes.draw_lanes(d, plan)
    parts.draw_last_seen(d.ground, plan, d.palette, sheet.metres_per_mm, 2.6)
    names.name_everything(d, plan, levels, steep, details)
    return levels.interval_m
