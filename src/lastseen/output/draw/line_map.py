"""The map of a line: relief, the line as wide as it is exposed, start zones, traps below, where to regroup."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from matplotlib.collections import LineCollection
from matplotlib.patches import Rectangle

from lastseen import __version__
from lastseen.core import Grid
from lastseen.jobs import regroup_sentence, short_stretch_sentence, trap_sign
from lastseen.output.draw import furniture, labels, panel, parts
from lastseen.output.draw.drawing import Drawing, area_patch, start_drawing, stroke
from lastseen.output.draw.layout import fit_sheet
from lastseen.output.draw.map import own_look, write_png
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.panel import Item, Pen
from lastseen.output.draw.relief import drawn_lattice

if TYPE_CHECKING:
    from lastseen.jobs import LineReading, LineView

WIDTHS = ((0.6, 3.4), (0.25, 2.3), (0.0, 1.4))  # exposure above this: width of the line in points
TRACKS = 90  # ways of those caught that are drawn
SIGN = 7.0
MOST_ZONES = 36  # with their number on the map; all are drawn ...
LEAST_ZONE_MM = 2.2  # ... but smaller ones on the paper than a square of this side, whose number would stand elsewhere
BEYOND_M = 700.0  # start zones and traps farther off than this do not shrink the map


def write_line_map(view: LineView, path: Path) -> None:
    """Draw the map on an A4 sheet at 200 dots per inch; the same reading gives the same bytes."""
    with own_look():
        d = start_drawing(fit_sheet(shown_bounds(view.reading)), load_palette())
        draw_map_body(d, view)
        draw_frame_of(d, view)
        panel.draw_header(d, view.scenario.name or "Pre-read line", header_lines(view))
        panel.draw_footer(d, 0, 0, __version__)
        _fill_panel(d, view)
        write_png(d, path)


def shown_bounds(reading: LineReading) -> tuple[float, float, float, float]:
    """What the map must show: the line, the start zones that reach it often, and the traps below it."""
    line = shapely.unary_union(reading.route.lines)
    near = line.buffer(BEYOND_M)
    shapes: list[Any] = [line, *(place.outline for place in reading.regroup)]
    shapes += [zone.outline for zone in reading.zones if zone.share >= 0.25]
    shapes += [trap.outline for trap in reading.traps]
    west, south, east, north = (float(side) for side in shapely.unary_union(shapes).intersection(near).bounds)
    return west, south, east, north


def header_lines(view: LineView) -> list[str]:
    """What the sheet is about."""
    r = view.reading
    return [
        (
            f"Line of travel, {r.route.length_m / 1000.0:.1f} km on the map; snow of size {view.scenario.snow.size}, "
            f"{r.draws.count} events, one start every {max(r.passing.spacing_m, r.heights.cell_m):.0f} m"
        ),
        "The line is as wide as it is exposed to snow from above; start zones by terrain alone",
    ]


def ground_of(view: LineView, extent: tuple[float, float, float, float]) -> Grid:
    """Heights of all that the sheet shows."""
    heights = view.reading.heights
    return heights.grid(heights.window_of(*extent).grown(2))


def draw_frame_of(d: Drawing, view: LineView) -> None:
    """Frame, grid, scale bar and north arrow."""
    crs = view.reading.heights.crs
    furniture.draw_under(d, crs, furniture.draw_frame(d, crs), contour_interval(d, view))


def contour_interval(d: Drawing, view: LineView) -> float:
    """Of the contours on the sheet."""
    from lastseen.output.draw.relief import contours  # noqa: PLC0415  only here

    drawn = drawn_lattice(ground_of(view, d.sheet.extent), d.sheet.extent, d.sheet.metres_per_mm)
    return contours(drawn, d.sheet.metres_per_mm).interval_m


def draw_map_body(d: Drawing, view: LineView) -> None:
    """All that lies on the map."""
    r = view.reading
    drawn = drawn_lattice(ground_of(view, d.sheet.extent), d.sheet.extent, d.sheet.metres_per_mm)
    parts.draw_relief(d.ground, drawn, d.palette)
    levels, _ = parts.draw_contours(d, drawn)
    _draw_zones(d, r)
    _draw_traps(d, r)
    _draw_ways(d, r)
    _draw_regroup(d, r)
    _draw_line(d, r)
    _name(d, r)
    labels.name_contours(d, levels)


def _draw_zones(d: Drawing, r: LineReading) -> None:
    ink = d.palette.snow
    for zone in r.zones:
        look = {"facecolor": ink.path, "alpha": 0.10 + 0.22 * zone.share, "linewidth": 0, "zorder": 2.3}
        d.ground.add_patch(area_patch(zone.outline, **look))
        d.ground.add_patch(area_patch(zone.outline, fill=False, edgecolor=ink.release, linewidth=0.7, zorder=2.8))


def _draw_traps(d: Drawing, r: LineReading) -> None:
    signs, colour = d.palette.traps.signs, d.palette.traps.colour
    for trap in r.traps:
        look = {"facecolor": "none", "edgecolor": colour, "linewidth": 0.7, "zorder": 3, "alpha": parts.TRAP_OPACITY}
        d.ground.add_patch(area_patch(trap.outline, hatch=signs[trap.kind].hatch, **look))


def _draw_ways(d: Drawing, r: LineReading) -> None:
    """Ways of some of those caught, evenly chosen along the line."""
    lines = [way for _, way in caught_ways(r, TRACKS)]
    d.ground.add_collection(
        LineCollection(lines, colors=d.palette.person.light, linewidths=0.7, alpha=0.75, zorder=3.4)
    )
    ends = np.array([way[-1] for way in lines])
    if len(ends):
        d.ground.plot(
            ends[:, 0],
            ends[:, 1],
            linestyle="none",
            marker="o",
            markersize=2.0,
            color=d.palette.person.line,
            zorder=3.5,
        )


def caught_ways(r: LineReading, most: int) -> list[tuple[int, Any]]:
    """Station and way (n, 2) of some bodies of each stretch, from the shortest to the longest."""
    each = max(2, most // max(1, len(r.stretches)))
    order = np.argsort(r.caught.station, kind="stable")
    at = r.caught.station[order]
    found = []
    for stretch in r.stretches:
        own = order[np.searchsorted(at, stretch.first) : np.searchsorted(at, stretch.last, side="right")]
        _, first = np.unique(r.caught.body[own], return_index=True)
        mine = own[np.sort(first)]
        mine = mine[np.argsort(np.nan_to_num(r.caught.distance_m[mine], nan=np.inf), kind="stable")]
        for k in mine[np.unique(np.linspace(0, mine.size - 1, min(each, mine.size)).astype(int))].tolist():
            way = _way(r, k)
            if len(way) > 2:
                found.append((int(r.caught.station[k]), way))
    return found


def _way(r: LineReading, record: int) -> Any:
    """Map places of a body from where it passes the line."""
    piece = slice(int(r.caught.visit[record]), int(r.passing.offsets[int(r.caught.body[record]) + 1]))
    offset, c = r.heights.offset, r.heights.cell_m
    way = np.column_stack(
        [(r.passing.cols[piece] + 0.5 + offset[1]) * c, -(r.passing.rows[piece] + 0.5 + offset[0]) * c]
    )
    return np.vstack([way[: -1 : max(1, int(8.0 / c))], way[-1:]]) if len(way) > 2 else way


def _draw_regroup(d: Drawing, r: LineReading) -> None:
    ink = d.palette.ground
    for place in r.regroup:
        look = {"fill": False, "edgecolor": ink.text, "linewidth": 1.0, "linestyle": (0, (1.2, 1.2)), "zorder": 3.2}
        d.ground.add_patch(area_patch(place.outline, **look))


def _draw_line(d: Drawing, r: LineReading) -> None:
    ink = d.palette.lanes
    for line in r.route.lines:
        d.ground.add_line(stroke(line.coords, ink.casing, 5.0, zorder=4.0))
    for stretch in r.stretches:
        xy = np.column_stack([r.route.x_m, r.route.y_m])[stretch.first : stretch.last + 2]
        if stretch.last + 1 >= r.route.x_m.size or r.route.part[stretch.last + 1] != stretch.part:
            xy = xy[: stretch.last - stretch.first + 1]
        if len(xy) < 2:
            continue
        if stretch.state == "no data":
            d.ground.add_line(stroke(xy, ink.colour, 0.8, (1.0, 2.0), zorder=4.2))
            continue
        if stretch.state == "starts here":
            d.ground.add_line(stroke(xy, ink.colour, 1.4, (4.0, 1.4), zorder=4.2))
            continue
        width = next((w for level, w in WIDTHS if stretch.exposure > level), 0.7)
        d.ground.add_line(stroke(xy, ink.colour, width, zorder=4.2, solid_capstyle="butt"))


def _name(d: Drawing, r: LineReading) -> None:
    """Numbers of stretches, letters of places, signs of traps and zones; the most important first."""
    black = d.palette.lanes.colour
    for k, line in enumerate(r.route.lines):
        d.room.ink(np.array([d.sheet.on_page(*p[:2]) for p in line.coords]), 3.0)
        _at_points(d, "start" if len(r.route.lines) == 1 else f"start {k + 1}", [line.coords[0][:2]], black)
    for stretch in r.stretches:
        places = [(float(r.route.x_m[k]), float(r.route.y_m[k])) for k in _middles(stretch.first, stretch.last)]
        _at_points(d, str(stretch.number), places, black, boxed="round")
    for place in r.regroup:
        _at_points(d, place.letter, [(place.x_m, place.y_m)], d.palette.ground.text, size=SIGN + 1.0, boxed="round")
    named = {id(met.trap): trap_sign(r, met) for stretch in r.stretches for met in stretch.traps}
    for trap in r.traps:
        _in_area(d, named[id(trap)], trap.outline, SIGN, d.palette.traps.colour, boxed="square")
    large = (LEAST_ZONE_MM * d.sheet.metres_per_mm) ** 2
    for zone in [zone for zone in r.zones if zone.area_m2 >= large][:MOST_ZONES]:
        _in_area(d, f"Z{zone.number}", zone.outline, SIGN - 0.6, d.palette.snow.release, leader=False)


def _at_points(d: Drawing, words: str, points: list[Any], color: str, *, size: float = SIGN, boxed: str = "") -> None:
    """A sign at the first of some map places that is free."""
    places = [place for place in (d.sheet.on_page(*point) for point in points) if d.inside(*place, 2.0)]
    if places:
        labels.place_sign(d, words, places, size, color, "bold", boxed=boxed)


def _in_area(d: Drawing, words: str, area: Any, size: float, color: str, **look: Any) -> None:
    """A sign in an area, as far as it can be seen."""
    places = labels.places_in(d, area)
    if places:
        labels.place_sign(d, words, places, size, color, "bold", **look)


def _middles(first: int, last: int) -> list[int]:
    return [round(first + share * (last - first)) for share in (0.5, 0.35, 0.65, 0.2, 0.8)]


def legend_entries(d: Drawing, r: LineReading) -> list[tuple[Any, str]]:
    """Symbols and names."""
    ink = d.palette
    kinds = dict.fromkeys(trap.kind for trap in r.traps)
    edge = {"facecolor": "none", "edgecolor": ink.traps.colour, "linewidth": 0.7, "alpha": parts.TRAP_OPACITY}
    found = [
        (_line(d, ink.lanes.colour, WIDTHS[0][1]), "reached in over 60 % of events"),
        (_line(d, ink.lanes.colour, WIDTHS[1][1]), "reached in 25 to 60 % of events"),
        (_line(d, ink.lanes.colour, WIDTHS[2][1]), "reached in under 25 % of events"),
        (_line(d, ink.lanes.colour, 1.4, (4.0, 1.4)), "snow can start here"),
        (_line(d, ink.lanes.colour, 0.7), "no start zone in this model reaches it"),
        (
            _patch(d, facecolor=ink.snow.path, alpha=0.3, edgecolor=ink.snow.release, linewidth=0.7),
            "start zone Z that reaches the line",
        ),
        (_line(d, ink.person.light, 0.9), "way of somebody caught; dot: stops"),
        (_line(d, ink.ground.text, 1.0, (1.2, 1.2)), "place to regroup A, B, ..."),
        (_line(d, ink.ground.contour_index, 0.8), "contour, m"),
        (_line(d, ink.ground.slope, 0.8, (0.8, 1.6)), "slope 30°, 40°"),
    ]
    if any(stretch.state == "no data" for stretch in r.stretches):
        found.append((_line(d, ink.lanes.colour, 0.8, (1.0, 2.0)), "no data"))
    return found + [
        (_patch(d, hatch=ink.traps.signs[kind].hatch, **edge), f"{ink.traps.signs[kind].letter}  {kind}")
        for kind in kinds
    ]


def _line(d: Drawing, color: str, width: float, dashes: tuple[float, ...] = ()) -> Any:
    return lambda x, y: d.line([(x, y), (x + 7.6, y)], color, width, dashes)


def _patch(d: Drawing, **look: Any) -> Any:
    return lambda x, y: d.page.add_patch(Rectangle((x, y - 1.3), 7.6, 2.6, **look))


def legend_items(pen: Pen, entries: list[tuple[Any, str]]) -> list[Item]:
    """One entry to a row, two where both names are short; long names go on below."""
    high = max(3.5, 1.15 * pen.line)
    room = 0.5 * pen.width - 9.8
    rows: list[list[tuple[Any, str]]] = []
    for entry in entries:  # in their order; two to a row where both are short
        short = pen.d.width_mm(entry[1], pen.size) <= room
        if short and rows and len(rows[-1]) == 1 and pen.d.width_mm(rows[-1][0][1], pen.size) <= room:
            rows[-1].append(entry)
        else:
            rows.append([entry])
    items = [pen.heading("Legend")]
    for pair in rows:
        told = [panel.wrapped(pen.d, words, pen.width / len(pair) - 9.6, pen.size) for _, words in pair]

        def draw(x: float, y: float, pair: list[tuple[Any, str]] = pair, told: list[list[str]] = told) -> None:
            for k, ((symbol, _), lines) in enumerate(zip(pair, told, strict=True)):
                at = x + k * 0.5 * pen.width
                symbol(at, y - 0.5 * high)
                for row, line in enumerate(lines):
                    pen.d.text(at + 9.5, y - 0.5 * high - row * pen.line, line, pen.size, va="center")

        items.append(Item(high + pen.line * (max(map(len, told)) - 1), draw))
    return items


def _fill_panel(d: Drawing, view: LineView) -> None:
    """Legend, one sentence for each stretch, places, notes: as much as fits in the largest text that holds all."""
    columns, count = d.sheet.columns, len(view.reading.stretches)
    tries = [(size, count, notes) for size in (7.2, 6.4, 5.6) for notes in (len(view.notes), 3)]
    for size, most, notes in [*tries, *((4.8, most, 0) for most in (count, 60, 40, 20, 10, 5))]:
        placed = panel.flow(_panel_items(Pen(d, columns[0].width, size), view, most, notes), columns)
        if placed is not None:
            for one in placed:
                one.draw()
            return


def _panel_items(pen: Pen, view: LineView, most: int, notes: int) -> list[Item]:
    r = view.reading
    items = [*legend_items(pen, legend_entries(pen.d, r)), pen.heading("Stretches")]
    for stretch in r.stretches[:most]:
        words = f"{stretch.from_m:.0f} to {stretch.to_m:.0f} m: {short_stretch_sentence(stretch)}"
        items += pen.paragraph(words, hang=5.0, mark=str(stretch.number))
    if most < len(r.stretches):
        items += pen.paragraph(f"{len(r.stretches) - most} more in stretches.csv")
    items.append(pen.heading("Places to regroup"))
    for place in r.regroup:
        items += pen.paragraph(f"At {place.along_m:.0f} m. {regroup_sentence(place)}", hang=5.0, mark=place.letter)
    if not r.regroup:
        items += pen.paragraph("None was found on or beside the line.")
    if notes:
        items.append(pen.heading("Notes"))
        for note in view.notes[:notes]:
            items += pen.paragraph(note, hang=2.6, mark="·")
    return items
