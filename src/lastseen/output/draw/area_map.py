"""The map of an area: relief, how often snow comes over the ground, and the start zones that do most harm."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import rasterio
from matplotlib.collections import PatchCollection
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.patches import Rectangle
from pyproj import CRS
from rasterio.windows import Window

from lastseen import __version__
from lastseen.core import Grid, percent, short_percent
from lastseen.jobs import INCIDENT_SLOPES_DEG, START_QUANTITIES, zone_sentence
from lastseen.output.draw import furniture, labels, panel, parts
from lastseen.output.draw.drawing import Drawing, area_patch, start_drawing
from lastseen.output.draw.layout import fit_sheet
from lastseen.output.draw.line_map import legend_items
from lastseen.output.draw.map import own_look, write_png
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.panel import Item, Pen
from lastseen.output.draw.relief import drawn_lattice

if TYPE_CHECKING:
    from lastseen.jobs import AreaView, Heights

MOST_PIXELS = 2_000  # of a side of what is drawn; larger areas are read at less detail
STRIP_CELLS = 4_000_000
MOST_NAMED = 40
QUIET_MM = 2.0  # an area fills its map: nothing goes on beyond its edge
EDGE_DASHES = (9.0, 2.0)  # of the area that was asked for
SIZES = (7.0, 6.4, 5.8)
HARM, HARM_ALPHA = (0.1, 0.3, 0.6, 0.85), (0.18, 0.36, 0.58, 0.85)  # shares of those caught, from here on


def write_area_map(view: AreaView, folder: Path) -> None:
    """Draw ``map.png`` from the rasters of a folder on an A4 sheet; the same area gives the same bytes."""
    with own_look():
        write_png(draw_area_map(view, folder), folder / "map.png")


def draw_area_map(view: AreaView, folder: Path) -> Drawing:
    """The sheet, drawn but not written."""
    shown = view.request.shown
    box = view.heights.on(shown, np.empty(shown.shape, np.int8)).bounds
    d = start_drawing(fit_sheet(box, quiet_mm=QUIET_MM), load_palette())
    drawn = drawn_lattice(_ground(view.heights, d.sheet.extent), d.sheet.extent, d.sheet.metres_per_mm)
    parts.draw_relief(d.ground, drawn, d.palette)
    _draw_reached(d, at_less_detail(folder / "reached.tif", view.heights.crs, MOST_PIXELS))
    levels, _ = parts.draw_contours(d, drawn)
    if view.outline is not None:
        d.ground.add_patch(area_patch(view.outline, facecolor="none", zorder=2.2, **_edge_of_area(d)))
    named = _fill_panel(d, view)
    _draw_zones(d, view, named)
    for number, (_, outline) in enumerate(view.zones[:named], start=1):
        anchors = labels.places_in(d, outline)
        if anchors:
            labels.place_sign(d, str(number), anchors, 6.6, d.palette.snow.release, "bold", boxed="round")
    labels.name_contours(d, levels)
    crs = view.heights.crs
    furniture.draw_under(d, crs, furniture.draw_frame(d, crs), levels.interval_m)
    panel.draw_header(d, view.scenario.name or "Pre-read area", _header(view))
    panel.draw_footer(d, 0, 0, __version__)
    return d


def _header(view: AreaView) -> list[str]:
    return [
        (
            f"What comes over the ground: snow of size {view.scenario.snow.size} from all start zones, "
            f"{view.request.members} events, {view.samples} bodies"
        ),
        "Start zones by terrain alone, numbered by what they do to somebody who is caught in them",
    ]


def _ground(heights: Heights, extent: tuple[float, float, float, float]) -> Grid:
    """Heights under the whole sheet, at less detail where it is large: every so many cells is read."""
    shown = heights.window_of(*extent)
    step = max(1, -(-max(shown.shape) // MOST_PIXELS))
    west, north = heights.corner_m(shown)
    if step == 1:
        return heights.grid(shown)
    rows = []
    for top in range(shown.top, shown.bottom, 256 * step):
        window = type(shown)(top, shown.left, min(top + 256 * step, shown.bottom), shown.right)
        rows.append(heights.grid(window).values[::step, ::step])
    return Grid(np.concatenate(rows), west, north, heights.cell_m * step, heights.crs)


def at_less_detail(path: Path, crs: CRS, most_cells: int) -> Grid:
    """A raster; of a large one the greatest value of each so many cells, so that no narrow way is lost.

    Parameters
    ----------
    most_cells : int
        Rows and columns at most.

    Returns
    -------
    Grid
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
    """Steps of the share of events, in one ramp."""
    west, south, east, north = reached.bounds
    ink = d.palette.snow
    look = BoundaryNorm([*ink.reached_levels, 1.001], len(ink.reached))
    shown = np.ma.masked_less(np.ma.masked_invalid(reached.values), ink.reached_levels[0])
    d.ground.imshow(
        shown,
        cmap=ListedColormap(list(ink.reached)),
        norm=look,
        extent=(west, east, south, north),
        alpha=0.72,
        interpolation="nearest",
        aspect="auto",
        zorder=1.0,
    )


def _draw_zones(d: Drawing, view: AreaView, named: int) -> None:
    """Filled by the share of bodies that meet any of the four; those that are named have a thicker edge."""
    ink, person = d.palette.snow.release, d.palette.person.line
    shares = [row.values[START_QUANTITIES.index("any")] for row, _ in view.zones]
    patches = [area_patch(outline) for _, outline in view.zones]
    for low, high, alpha in zip(HARM, (*HARM[1:], 1.01), HARM_ALPHA, strict=True):
        some = [
            area_patch(outline) for share, (_, outline) in zip(shares, view.zones, strict=True) if low <= share < high
        ]
        d.ground.add_collection(PatchCollection(some, facecolor=person, edgecolor="none", alpha=alpha, zorder=1.6))
    look: dict[str, Any] = {"facecolor": "none", "edgecolor": ink}
    d.ground.add_collection(PatchCollection(patches[named:], linewidth=0.25, alpha=0.6, zorder=2.5, **look))
    d.ground.add_collection(PatchCollection(patches[:named], linewidth=0.9, zorder=2.8, **look))


def _edge_of_area(d: Drawing) -> dict[str, Any]:
    return {"edgecolor": d.palette.ground.frame, "linewidth": 0.8, "linestyle": (0.0, EDGE_DASHES)}


def _fill_panel(d: Drawing, view: AreaView) -> int:
    """Write what there is room for beside the map; returns how many start zones are told by a number."""
    for size in SIZES:
        pen = Pen(d, d.sheet.columns[0].width, size)
        fixed = [*_legend(pen, with_edge=view.outline is not None), *_slopes(pen, view)]
        notes = [
            pen.heading("Notes"),
            *(item for note in view.notes for item in pen.paragraph(note, hang=2.6, mark="·")),
        ]
        told = [
            pen.paragraph(zone_sentence(row), hang=5.0, mark=str(number))
            for number, (row, _) in enumerate(view.zones[:MOST_NAMED], start=1)
        ]
        for most in range(len(told), (len(told) if size > SIZES[-1] else 0) - 1, -1):
            head = [pen.heading("Start zones, worst first")] if told else []
            items: list[Item] = [*fixed, *head, *(item for one in told[:most] for item in one), *notes]
            placed = panel.flow(items, d.sheet.columns)
            if placed is not None:
                for one in placed:
                    one.draw()
                return most
    return 0


def _legend(pen: Pen, *, with_edge: bool) -> list[Item]:
    d, ink = pen.d, pen.d.palette.snow
    step = min(12.0, (pen.width - 4.0) / len(ink.reached))

    def draw(x: float, y: float) -> None:
        d.text(x, y - 0.5 * pen.line, "Snow from any start zone, share of the events:", pen.size, va="center")
        low = y - pen.line - 3.2
        for k, (colour, level) in enumerate(zip(ink.reached, ink.reached_levels, strict=True)):
            d.page.add_patch(
                Rectangle(
                    (x + k * step, low),
                    step,
                    2.8,
                    facecolor=colour,
                    edgecolor=d.palette.ground.faint_text,
                    linewidth=0.3,
                )
            )
            d.text(
                x + k * step,
                low - 1.6,
                short_percent(level).removesuffix(" %"),
                pen.size - 0.6,
                va="center",
                ha="center" if k else "left",
            )
        d.text(x + len(ink.reached) * step, low - 1.6, "100 %", pen.size - 0.6, va="center", ha="center")

    def edge(width: float) -> Any:
        return lambda x, y: d.page.add_patch(
            Rectangle((x, y - 1.3), 7.6, 2.6, fill=False, edgecolor=ink.release, linewidth=width)
        )

    def line(color: str, width: float, dashes: tuple[float, ...] = ()) -> Any:
        return lambda x, y: d.line([(x, y), (x + 7.6, y)], color, width, dashes)

    fills = [
        (_filled(d, alpha), f"{percent(low)} or more of those caught")
        for low, alpha in zip(HARM[::-1], HARM_ALPHA[::-1], strict=True)
    ]
    entries = [
        *fills,
        (edge(0.9), "start zone with a number"),
        (edge(0.25), "other start zone"),
        (line(d.palette.ground.contour_index, 0.8), "contour, m"),
        (line(d.palette.ground.slope, 0.8, (0.8, 1.6)), "slope 30°, 40°"),
    ]
    if with_edge:
        entries.append((line(d.palette.ground.frame, 0.8, EDGE_DASHES), "edge of the area"))
    told = pen.paragraph("Start zones: burial, trauma, water or no way out for")
    items = legend_items(pen, entries)
    return [items[0], Item(pen.line + 7.2, draw), *told, *items[1:]]


def _filled(d: Drawing, alpha: float) -> Any:
    """A start zone of a shade."""
    colour = d.palette.person.line
    return lambda x, y: d.page.add_patch(Rectangle((x, y - 1.3), 7.6, 2.6, facecolor=colour, alpha=alpha, linewidth=0))


def _slopes(pen: Pen, view: AreaView) -> list[Item]:
    low, mid, high = view.slope_percentiles_deg()
    if not np.isfinite(mid):
        return []
    a, b, c = INCIDENT_SLOPES_DEG
    return pen.paragraph(
        f"Slope of start cells, 5th, 50th, 95th percentile: {low:.0f}, {mid:.0f}, {high:.0f} degrees; of reported "
        f"incidents (Tirol 1993-2024): {a:.0f}, {b:.0f}, {c:.0f}."
    )
