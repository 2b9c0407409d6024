"""The map of an area: how often snow comes over the ground, and the start zones that do most harm."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
from matplotlib.collections import PatchCollection
from matplotlib.colors import BoundaryNorm, ListedColormap
from pyproj import CRS
from rasterio.windows import Window

from lastseen.core import Grid, percent
from lastseen.jobs import INCIDENT_SLOPES_DEG, START_QUANTITIES, zone_sentence
from lastseen.output.draw.drawing import Drawing, area_patch, draw_area, fixed_look, write_png
from lastseen.output.draw.furniture import finish_map, start_map
from lastseen.output.draw.labels import name_area
from lastseen.output.draw.layout import Extent, fit_sheet
from lastseen.output.draw.panel import Entry, Item, Pen, draw_first_fit, line_symbol, patch_symbol, share_levels
from lastseen.output.draw.plan_panel import ground_entries
from lastseen.output.draw.relief import draw_cells

if TYPE_CHECKING:
    from lastseen.jobs import AreaView, Heights

MOST_PIXELS = 2_000  # of a side of what is drawn; larger areas are read at less detail
STRIP_CELLS = 4_000_000
MOST_NAMED = 40
QUIET_MM = 2.0  # an area fills its map: nothing goes on beyond its edge
EDGE_DASHES = (9.0, 2.0)  # of the area that was asked for
SIZES = (7.0, 6.4, 5.8)
HARM, HARM_ALPHA = (0.1, 0.3, 0.6, 0.85), (0.18, 0.36, 0.58, 0.85)  # shares of those caught, from here on
RAMP_TITLE = "Snow from any start zone, share of the events:"


def write_area_map(view: AreaView, folder: Path) -> None:
    """Draw ``map.png`` from the rasters of a folder on an A4 sheet; the same area gives the same bytes."""
    with fixed_look():
        write_png(draw_area_map(view, folder).figure, folder / "map.png")


def draw_area_map(view: AreaView, folder: Path) -> Drawing:
    """The sheet, drawn but not written."""
    window, crs = view.request.shown, view.heights.crs
    sheet = fit_sheet(view.heights.on(window, np.empty(window.shape, np.int8)).bounds, quiet_mm=QUIET_MM)
    d, levels = start_map(sheet, _ground(view.heights, sheet.extent))
    _draw_reached(d, at_less_detail(folder / "reached.tif", crs, MOST_PIXELS))
    if view.outline is not None:
        look = {"facecolor": "none", "edgecolor": d.palette.ground.frame, "linewidth": 0.8, "zorder": 2.2}
        draw_area(d.ground, view.outline, linestyle=(0.0, EDGE_DASHES), **look)
    named = _fill_panel(d, view)
    _draw_zones(d, view, named)
    for number, (_, outline) in enumerate(view.zones[:named], start=1):
        name_area(d, str(number), outline, d.palette.snow.release, size=6.6, boxed="round")
    finish_map(d, crs, levels, view.scenario.name or "Pre-read area", _header(view))
    return d


def _header(view: AreaView) -> list[str]:
    first = (
        f"What comes over the ground: snow of size {view.scenario.snow.size} from all start zones, "
        f"{view.request.members} events, {view.samples} bodies"
    )
    return [first, "Start zones by terrain alone, numbered by what they do to somebody who is caught in them"]


def _ground(heights: Heights, extent: Extent) -> Grid:
    """Heights under the whole sheet, at less detail where it is large: every so many cells is read."""
    shown = heights.window_of(*extent)
    step = max(1, -(-max(shown.shape) // MOST_PIXELS))
    west, north = heights.corner_m(shown)
    if step == 1:
        return heights.grid(shown)
    rows = []
    for top in range(shown.top, shown.bottom, 256 * step):
        window = replace(shown, top=top, bottom=min(top + 256 * step, shown.bottom))
        rows.append(heights.grid(window).values[::step, ::step])
    return Grid(np.concatenate(rows), west, north, heights.cell_m * step, heights.crs)


def at_less_detail(path: Path, crs: CRS, most_cells: int) -> Grid:
    """A raster of so many rows and columns at most: the greatest value of each so many cells (no narrow way is lost).

    NaN where no cell is known.
    """
    with rasterio.open(path) as data:
        step = max(1, -(-max(data.shape) // most_cells))
        rows, cols = -(-data.height // step), -(-data.width // step)
        out = np.full((rows, cols), np.nan)
        strip = max(1, STRIP_CELLS // (step * data.width))  # rows of the result at once
        for first in range(0, rows, strip):
            top, bottom = first * step, min((first + strip) * step, data.height)
            part = data.read(1, window=Window(0, top, data.width, bottom - top), masked=True).filled(np.nan)
            wide = np.pad(part, ((0, -len(part) % step), (0, cols * step - data.width)), constant_values=np.nan)
            out[first : first + strip] = np.fmax.reduce(wide.reshape(-1, step, cols, step), axis=(1, 3))
        return Grid(out, data.bounds.left, data.bounds.top, data.res[0] * step, crs)


def _draw_reached(d: Drawing, reached: Grid) -> None:
    ink = d.palette.snow
    values = np.ma.masked_less(np.ma.masked_invalid(reached.values), ink.reached_levels[0])
    norm = BoundaryNorm([*ink.reached_levels, 1.001], len(ink.reached))
    look = {"cmap": ListedColormap(list(ink.reached)), "norm": norm, "alpha": 0.72, "zorder": 1.0}
    draw_cells(d.ground, reached, values, interpolation="nearest", **look)


def _draw_zones(d: Drawing, view: AreaView, named: int) -> None:
    """Filled by the share of those caught who meet any of the four; those that are named have a thicker edge."""
    shares = [row.values[START_QUANTITIES.index("any")] for row, _ in view.zones]
    patches = [area_patch(outline) for _, outline in view.zones]
    for low, high, alpha in zip(HARM, (*HARM[1:], 1.01), HARM_ALPHA, strict=True):
        filled = [area_patch(zone[1]) for share, zone in zip(shares, view.zones, strict=True) if low <= share < high]
        look: dict[str, Any] = {"facecolor": d.palette.person.line, "edgecolor": "none", "alpha": alpha, "zorder": 1.6}
        d.ground.add_collection(PatchCollection(filled, **look))
    edge: dict[str, Any] = {"facecolor": "none", "edgecolor": d.palette.snow.release}
    d.ground.add_collection(PatchCollection(patches[named:], linewidth=0.25, alpha=0.6, zorder=2.5, **edge))
    d.ground.add_collection(PatchCollection(patches[:named], linewidth=0.9, zorder=2.8, **edge))


def _fill_panel(d: Drawing, view: AreaView) -> int:
    """Write what there is room for beside the map; returns how many start zones stand there with their number."""
    counts = []

    def choices() -> Iterator[list[Item]]:
        for size in SIZES:
            pen = Pen(d, d.sheet.columns[0].width, size)
            fixed = [*_legend(pen, view), *_slopes(pen, view)]
            notes = [pen.heading("Notes"), *pen.marked(view.notes)]
            each = [
                pen.paragraph(zone_sentence(row), hang=5.0, mark=str(number))
                for number, (row, _) in enumerate(view.zones[:MOST_NAMED], start=1)
            ]
            head = [pen.heading("Start zones, worst first")] if each else []
            for most in range(len(each), (len(each) if size > SIZES[-1] else 0) - 1, -1):
                counts.append(most)
                yield [*fixed, *head, *chain(*each[:most]), *notes]

    drawn = draw_first_fit(d.sheet.columns, choices())
    return 0 if drawn is None else counts[drawn]


def _legend(pen: Pen, view: AreaView) -> list[Item]:
    d, ink, caught = pen.d, pen.d.palette.snow, pen.d.palette.person.line
    entries: list[Entry] = [
        (patch_symbol(d, facecolor=caught, alpha=alpha, linewidth=0), f"{percent(low)} or more of those caught")
        for low, alpha in zip(HARM[::-1], HARM_ALPHA[::-1], strict=True)
    ]
    entries += [
        (patch_symbol(d, fill=False, edgecolor=ink.release, linewidth=0.9), "start zone with a number"),
        (patch_symbol(d, fill=False, edgecolor=ink.release, linewidth=0.25), "other start zone"),
        *ground_entries(d),
    ]
    if view.outline is not None:
        entries.append((line_symbol(d, d.palette.ground.frame, 0.8, EDGE_DASHES), "edge of the area"))
    return [
        pen.heading("Legend"),
        pen.ramp(RAMP_TITLE, ink.reached, share_levels(ink.reached_levels), end="100 %"),
        *pen.paragraph("Start zones: burial, trauma, water or no way out for"),
        *pen.legend(entries, in_order=True),
    ]


def _slopes(pen: Pen, view: AreaView) -> list[Item]:
    low, mid, high = view.slope_percentiles_deg()
    if not np.isfinite(mid):
        return []
    a, b, c = INCIDENT_SLOPES_DEG
    return pen.paragraph(
        f"Slope of start cells, 5th, 50th, 95th percentile: {low:.0f}, {mid:.0f}, {high:.0f} degrees; of reported "
        f"incidents (Tirol 1993-2024): {a:.0f}, {b:.0f}, {c:.0f}."
    )
