"""The map: one sheet that a person prints and walks by; it is also the first page of the sheet."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import matplotlib as mpl
from matplotlib.backends.backend_pdf import PdfPages

from lastseen import __version__
from lastseen.output.draw import furniture, labels, panel, parts, words
from lastseen.output.draw import parts as detail_maps
from lastseen.output.draw import parts as lanes
from lastseen.output.draw import words as blank
from lastseen.output.draw.drawing import DPI, SETTINGS, Drawing, start_drawing
from lastseen.output.draw.layout import Sheet
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.relief import drawn_lattice
from lastseen.output.draw.shown import Shown
from lastseen.output.result import FULL_CAUTION


@contextmanager
def own_look() -> Iterator[None]:
    """Independent of the settings of whoever runs it."""
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a name may hold letters that the font lacks
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS)  # type: ignore[arg-type]
        yield


def write_png(d: Drawing, path: Path) -> None:
    """Write a drawing; no software and no date in the file, so that the same plan gives the same bytes."""
    d.figure.savefig(path, format="png", dpi=DPI, metadata={"Software": None})


def write_pdf(pages: Iterable[Drawing], path: Path, title: str) -> None:
    """Write pages as one vector PDF that carries the caution; letters stay letters, and the same pages, same bytes.

    The file has no date but that of ``SOURCE_DATE_EPOCH`` where it is set.
    """
    about = {"Title": title, "Subject": FULL_CAUTION, "Creator": f"lastseen {__version__}", "Producer": None}
    if "SOURCE_DATE_EPOCH" not in os.environ:
        about["CreationDate"] = None
    with PdfPages(path, metadata=about) as file:
        for page in pages:
            file.savefig(page.figure, dpi=DPI)


def draw_map(shown: Shown, sheet: Sheet, *, mark: str = "") -> Drawing:
    """The map, drawn but not written; ``mark`` stands at the right of its title.

    The body shows debris and lanes as large as a round scale allows; where the release lies far above, an overview
    shows the whole way.
    """
    d = start_drawing(sheet, load_palette())
    details = detail_maps.find_details(sheet, shown)
    for detail in details:
        detail_maps.mark_detail(d, detail)
    contour_m = _draw_body(d, shown, details)
    for detail in details:
        inner = detail_maps.start_detail(d, detail)
        detail_maps.corners_taken(inner)
        _draw_body(inner, shown)
        detail_maps.finish_detail(inner, detail)
    furniture.draw_overview(d, shown)
    grid_m = furniture.draw_frame(d, shown.crs)
    search = shown.numbers.get("search", {})
    furniture.draw_under(
        d,
        shown.crs,
        grid_m,
        None if shown.flat else contour_m,
        declination_deg=search.get("declination_deg"),
        date=search.get("date"),
    )
    panel.draw_header(d, shown.title, words.header_lines(shown), mark=mark)
    panel.draw_write_in(d)
    if shown.blank:
        blank.fill_blank_panel(d, shown)
    else:
        words.fill_panel(d, shown)
    return d


def _draw_body(d: Drawing, shown: Shown, details: Sequence[detail_maps.Detail] | None = None) -> float:
    """All that lies on the ground, and its labels; returns the contour interval in metres."""
    sheet = d.sheet
    drawn = drawn_lattice(shown.ground, sheet.extent, sheet.metres_per_mm)
    if not shown.flat:
        parts.draw_relief(d.ground, drawn, d.palette)
    levels, steep = parts.draw_contours(d, drawn)
    parts.draw_debris(d.ground, shown, d.palette, 1.4)
    parts.draw_zones(d, shown)
    parts.draw_release(d.ground, shown, d.palette, fill=False)
    parts.draw_traps(d, shown.traps)
    parts.draw_poa(d, shown)
    lanes.draw_no_go(d, shown)
    lanes.draw_uncovered(d, shown)
    lanes.draw_lanes(d, shown)
    parts.draw_last_seen(d.ground, shown.at_m, shown.radius_m, d.palette, sheet.metres_per_mm, 2.6)
    labels.name_everything(d, shown, levels, steep, details)
    return levels.interval_m
