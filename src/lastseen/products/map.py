"""The map: one A4 sheet that a person prints and walks by."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib as mpl

from lastseen import __version__
from lastseen.products import map_details, map_furniture, map_lanes, map_names, map_panel, map_parts, map_words
from lastseen.products.map_drawing import DPI, SETTINGS, Drawing, start_drawing
from lastseen.products.map_ground import drawn_lattice, ground_around
from lastseen.products.map_layout import lay_out_sheet
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
    details = map_details.find_details(d.sheet, plan)
    for one in details:
        map_details.mark_detail(d, one)
    contour_m = _draw_body(d, plan, details)
    for one in details:
        inner = map_details.start_detail(d, one)
        map_details.corners_taken(inner)
        _draw_body(inner, plan)
        map_details.finish_detail(inner, one)
    map_furniture.draw_overview(d, plan)
    grid_m = map_furniture.draw_frame(d)
    map_furniture.draw_under(d, plan, grid_m, contour_m)
    map_panel.draw_header(d, plan.scenario.name or "Signal search", map_words.header_lines(plan))
    map_panel.draw_footer(d, f"lastseen {__version__}")
    map_words.fill_panel(d, plan)
    return d


def _draw_body(d: Drawing, plan: Plan, details: Sequence[map_details.Detail] | None = None) -> float:
    """All that lies on the ground, and its labels; returns the contour interval in metres."""
    sheet = d.sheet
    drawn = drawn_lattice(ground_around(plan, sheet.extent), sheet.extent, sheet.metres_per_mm)
    map_parts.draw_relief(d.ground, drawn, d.palette)
    levels, steep = map_parts.draw_contours(d, drawn)
    map_parts.draw_debris(d.ground, plan, d.palette, 1.4)
    if plan.model is not None:
        map_parts.draw_zones(d, plan.model)
        map_parts.draw_release(d.ground, plan.model, d.palette, fill=False)
        map_parts.draw_traps(d, plan.model)
        map_parts.draw_poa(d, plan.model)
    map_lanes.draw_uncovered(d, plan)
    map_lanes.draw_lanes(d, plan)
    map_parts.draw_last_seen(d.ground, plan, d.palette, sheet.metres_per_mm, 2.6)
    map_names.name_everything(d, plan, levels, steep, details)
    return levels.interval_m
