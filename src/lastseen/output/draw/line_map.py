"""A line of travel on paper: its map, its strip of profile and exposure, and one page with both to take along."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from lastseen.core import FloatArray, percent
from lastseen.jobs import (
    CONSEQUENCE_NAMES,
    CONSEQUENCES,
    caught_text,
    consequence_text,
    find_caught_ways,
    regroup_sentence,
    short_stretch_sentence,
    trap_sign,
    zones_above,
    zones_text,
)
from lastseen.output.draw import drawing
from lastseen.output.draw.drawing import Drawing, draw_area, fixed_look, stroke, write_pdf, write_png
from lastseen.output.draw.features import draw_traps
from lastseen.output.draw.furniture import finish_map, start_map
from lastseen.output.draw.labels import SIGN_SIZE, name_area, place_sign
from lastseen.output.draw.layout import GAP_MM, MARGIN_MM, Extent, Sheet, bounds_of, fit_page, fit_sheet, lay_page
from lastseen.output.draw.palette import Palette, load_palette
from lastseen.output.draw.panel import Entry, Item, Pen, draw_first_fit, line_symbol, patch_symbol
from lastseen.output.draw.plan_panel import ground_entries, trap_entries

if TYPE_CHECKING:
    from lastseen.jobs import LineReading, LineView, Stretch

WIDTHS = ((0.6, 3.4), (0.25, 2.3), (0.0, 1.4))  # exposure above this: width of the line in points
SHARES = ("over 60 %", "25 to 60 %", "under 25 %")
START_DASHES, NO_DATA_DASHES = (4.0, 1.4), (1.0, 2.0)
TRACKS = 90  # ways of those caught that are drawn
MOST_ZONES = 36  # with their number on the map; all are drawn ...
LEAST_ZONE_MM = 2.2  # ... but smaller ones on the paper than a square of this side, whose number would stand elsewhere
BEYOND_M = 700.0  # start zones and traps farther off than this do not shrink the map


def write_line_map(view: LineView, path: Path) -> None:
    """Draw the map on an A4 sheet at 200 dots per inch; the same reading gives the same bytes."""
    with fixed_look():
        d = _draw_map(view, fit_sheet(_bounds(view.reading)))
        draw_first_fit(d.sheet.columns, _panel_choices(d, view))
        write_png(d.figure, path)


def _draw_map(view: LineView, sheet: Sheet) -> Drawing:
    r, heights = view.reading, view.reading.heights
    d, levels = start_map(sheet, heights.grid(heights.window_of(*sheet.extent).grown(2)))
    ink = d.palette
    for zone in r.zones:
        shade = 0.10 + 0.22 * zone.share
        draw_area(d.ground, zone.outline, facecolor=ink.snow.path, alpha=shade, linewidth=0, zorder=2.3)
        draw_area(d.ground, zone.outline, fill=False, edgecolor=ink.snow.release, linewidth=0.7, zorder=2.8)
    draw_traps(d, r.traps)
    _draw_ways(d, r)
    edge = {"edgecolor": ink.ground.text, "linewidth": 1.0, "linestyle": (0, (1.2, 1.2)), "zorder": 3.2}
    for place in r.regroup:
        draw_area(d.ground, place.outline, fill=False, **edge)
    _draw_line(d, r)
    _name(d, r)
    finish_map(d, heights.crs, levels, view.scenario.name or "Pre-read line", _header(view))
    return d


def _bounds(reading: LineReading) -> Extent:
    line = shapely.unary_union(reading.route.lines)
    often = [zone.outline for zone in reading.zones if zone.share >= 0.25]
    areas = [*(place.outline for place in reading.regroup), *often, *(trap.outline for trap in reading.traps)]
    return bounds_of(shapely.unary_union([line, *areas]).intersection(line.buffer(BEYOND_M)))


def _header(view: LineView) -> list[str]:
    r = view.reading
    first = (
        f"Line of travel, {r.route.length_m / 1000.0:.1f} km on the map; snow of size {view.scenario.snow.size}, "
        f"{r.draws.count} events, one start every {max(r.passing.spacing_m, r.heights.cell_m):.0f} m"
    )
    return [first, "The line is as wide as it is exposed to snow from above; start zones by terrain alone"]


def _draw_ways(d: Drawing, r: LineReading) -> None:
    lines, ink = [way for _, way in find_caught_ways(r, TRACKS)], d.palette.person
    d.ground.add_collection(LineCollection(lines, colors=ink.light, linewidths=0.7, alpha=0.75, zorder=3.4))
    if lines:
        x, y = np.array([way[-1] for way in lines]).T
        d.ground.plot(x, y, color=ink.line, linestyle="none", marker="o", markersize=2.0, zorder=3.5)


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
        width = next((w for level, w in WIDTHS if stretch.exposure > level), 0.7)
        states = {"no data": (0.8, NO_DATA_DASHES), "starts here": (1.4, START_DASHES)}
        width, dashes = states.get(stretch.state, (width, ()))
        d.ground.add_line(stroke(xy, ink.colour, width, dashes, zorder=4.2, solid_capstyle="butt"))


def _name(d: Drawing, r: LineReading) -> None:
    """Numbers of stretches, letters of places, signs of traps and zones; the most important first."""
    black, ink = d.palette.lanes.colour, d.palette
    for k, line in enumerate(r.route.lines):
        d.room.ink(d.on_page(line), 3.0)
        _name_places(
            d, "start" if len(r.route.lines) == 1 else f"start {k + 1}", [(line.coords[0][0], line.coords[0][1])], black
        )
    for stretch in r.stretches:
        middles = [round(stretch.first + s * (stretch.last - stretch.first)) for s in (0.5, 0.35, 0.65, 0.2, 0.8)]
        places = [(float(r.route.x_m[k]), float(r.route.y_m[k])) for k in middles]
        _name_places(d, str(stretch.number), places, black, boxed="round")
    for place in r.regroup:
        _name_places(d, place.letter, [(place.x_m, place.y_m)], ink.ground.text, size=SIGN_SIZE + 1.0, boxed="round")
    signs = {id(met.trap): trap_sign(r, met) for stretch in r.stretches for met in stretch.traps}
    for trap in r.traps:
        name_area(d, signs[id(trap)], trap.outline, ink.traps.colour, boxed="square")
    large = (LEAST_ZONE_MM * d.sheet.metres_per_mm) ** 2
    for zone in [zone for zone in r.zones if zone.area_m2 >= large][:MOST_ZONES]:
        name_area(d, f"Z{zone.number}", zone.outline, ink.snow.release, size=SIGN_SIZE - 0.6, leader=False)


def _name_places(d: Drawing, name: str, places: Sequence[tuple[float, float]], color: str, **look: Any) -> None:
    anchors = [place for place in (d.sheet.on_page(*place) for place in places) if d.inside(*place, 2.0)]
    if anchors:
        place_sign(d, name, anchors, color, **look)


def legend_items(pen: Pen, r: LineReading) -> list[Item]:
    """Symbols and names of what is on the map of a line."""
    d, ink, black = pen.d, pen.d.palette.snow, pen.d.palette.lanes.colour
    zone = {"facecolor": ink.path, "alpha": 0.3, "edgecolor": ink.release, "linewidth": 0.7}
    entries: list[Entry] = [
        *((line_symbol(d, black, k[1]), f"reached in {s} of events") for k, s in zip(WIDTHS, SHARES, strict=True)),
        (line_symbol(d, black, 1.4, START_DASHES), "snow can start here"),
        (line_symbol(d, black, 0.7), "no start zone in this model reaches it"),
        (patch_symbol(d, **zone), "start zone Z that reaches the line"),
        (line_symbol(d, d.palette.person.light, 0.9), "way of somebody caught; dot: stops"),
        (line_symbol(d, d.palette.ground.text, 1.0, (1.2, 1.2)), "place to regroup A, B, ..."),
        *ground_entries(d),
    ]
    if any(stretch.state == "no data" for stretch in r.stretches):
        entries.append((line_symbol(d, black, 0.8, NO_DATA_DASHES), "no data"))
    entries += trap_entries(d, (trap.kind for trap in r.traps))
    return [pen.heading("Legend"), *pen.legend(entries, in_order=True)]


def _panel_choices(d: Drawing, view: LineView) -> Iterator[list[Item]]:
    """Legend, one sentence for each stretch, places, notes, in smaller and smaller text."""
    count = len(view.reading.stretches)
    tries = [(size, count, notes) for size in (7.2, 6.4, 5.6) for notes in (len(view.notes), 3)]
    tries += [(4.8, most, 0) for most in (count, 60, 40, 20, 10, 5)]
    for size, most, notes in tries:
        yield _panel_items(Pen(d, d.sheet.columns[0].width, size), view, most, notes)


def _panel_items(pen: Pen, view: LineView, most: int, notes: int) -> list[Item]:
    r = view.reading
    rows = [(str(s.number), f"{_ends(s)}: {short_stretch_sentence(s)}") for s in r.stretches[:most]]
    items = [*legend_items(pen, r), pen.heading("Stretches"), *pen.named_lines(rows, hang=5.0)]
    if most < len(r.stretches):
        items += pen.paragraph(f"{len(r.stretches) - most} more in stretches.csv")
    none = [pen.heading("Places to regroup"), *pen.paragraph("None was found on or beside the line.")]
    return [*items, *(_regroup_items(pen, r, hang=5.0) or none), *pen.notes("Notes", view.notes[:notes])]


def _regroup_items(pen: Pen, r: LineReading, *, hang: float) -> list[Item]:
    rows = [(place.letter, f"At {place.along_m:.0f} m. {regroup_sentence(place)}") for place in r.regroup]
    return [pen.heading("Places to regroup"), *pen.named_lines(rows, hang=hang)] if rows else []


# ---- The strip: the profile with the start zones above it, and under it slope, exposure and consequences

STRIP_WIDTH_MM, STRIP_HEIGHT_MM = 250.0, 150.0
# Axes from the top: profile, slope, exposure, four consequences; shares of the height of the block.
ROWS = (0.40, 0.15, 0.16, 0.21)
GAP = 0.022
NUMBER_SHARE = 0.026  # of the line that a number of two digits takes; what stands closer is left out
MIDDLE: dict[str, Any] = {"ha": "center", "va": "center"}
SHADES = (0.1, 0.3, 0.6)  # of those caught: the lighter, the middle, the full shade


@dataclass(frozen=True, kw_only=True)
class Strip:
    """What the axes of a strip are drawn from."""

    reading: LineReading
    along_m: FloatArray  # distance of each station from the beginning of the first line; lines follow each other
    begins_m: tuple[float, ...]  # where each line begins on that axis
    palette: Palette
    small: float  # size of the text, points

    def span(self, stretch: Stretch) -> tuple[float, float]:
        """Where a stretch begins and ends on the axis."""
        before = self.begins_m[stretch.part]
        return before + stretch.from_m, before + stretch.to_m


def write_strip(view: LineView, path: Path) -> None:
    """Draw the strip to a PNG; the same reading gives the same bytes."""
    with fixed_look(drawing.SIZE):
        palette, figure = load_palette(), drawing.new_figure(STRIP_WIDTH_MM, STRIP_HEIGHT_MM)
        under = (
            f"Size {view.scenario.snow.size}, {view.reading.draws.count} events; friction tuned to "
            "reported lengths, not to this place. "
            "Stretches are numbered; letters are places to regroup: no start zone in this model reaches them."
        )
        drawing.draw_heading(figure, palette, f"{view.scenario.name or 'Line of travel'}: pre-read line", under)
        drawing.draw_footing(figure, palette, (), 190)
        _draw_strip(figure, view.reading, (0.14, 0.125, 0.842, 0.765), drawing.SMALL)
        write_png(figure, path)


def _draw_strip(figure: Figure, reading: LineReading, place: Extent, small: float) -> None:
    """Draw the axes of the strip into a place of a figure (left, bottom, width, height in shares of it)."""
    (left, bottom, width, height), route = place, reading.route
    begins = np.concatenate([[0.0], np.cumsum([line.length for line in route.lines])])
    along, begins_m = route.along_m + begins[route.part], tuple(begins.tolist())
    strip = Strip(reading=reading, along_m=along, begins_m=begins_m, palette=load_palette(), small=small)
    axes: list[Axes] = []
    top = bottom + height
    for share, draw in zip(ROWS, (_draw_profile, _draw_slope, _draw_exposure, _draw_consequences), strict=True):
        low = top - share * height
        row = figure.add_axes((left, low, width, share * height), sharex=axes[0] if axes else None)
        draw(row, strip)
        axes.append(row)
        top = low - GAP * height
    for row in axes:
        drawing.style_axes(row, strip.palette, tick=(0.6, 2.5), grid=False)
        row.tick_params(labelsize=small)
        row.yaxis.label.set_linespacing(1.15)
        _draw_edges(row, strip)
    for row in axes[:-1]:
        row.tick_params(labelbottom=False)
    axes[0].set_xlim(0.0, float(strip.along_m[-1]))
    axes[-1].set_xlabel("distance along the line, m on the map", size=small + 0.6)


def _draw_profile(axes: Axes, strip: Strip) -> None:
    reading, palette, along, small = strip.reading, strip.palette, strip.along_m, strip.small
    ink, z = palette.ground, reading.route.height_m
    low, high = float(np.nanmin(z)), max([float(np.nanmax(z)), *(zone.top_m for zone in reading.zones)])
    room = 0.12 * (high - low)
    for stretch in reading.stretches:
        a, b = strip.span(stretch)
        for zone, share in zones_above(reading, stretch)[:8]:
            shade: dict[str, Any] = {"color": palette.snow.path, "alpha": 0.10 + 0.22 * share, "linewidth": 0}
            axes.fill_between([a, b], zone.foot_m, zone.top_m, **shade)
    axes.fill_between(along, low - room, z, color=ink.relief[0], alpha=0.32, linewidth=0)
    axes.plot(along, z, color=ink.frame, linewidth=1.5)
    axes.set_ylim(low - room, high + 2.4 * room)  # a letter on the highest point stays under the numbers
    last = -np.inf
    for stretch in reading.stretches:
        middle = 0.5 * sum(strip.span(stretch))
        if middle - last > NUMBER_SHARE * float(along[-1]):
            last, at = middle, min(middle, 0.988 * float(along[-1]))
            look: dict[str, Any] = {"size": small + 0.6, "color": ink.text, **MIDDLE}
            axes.text(at, high + 1.9 * room, str(stretch.number), weight="bold", **look)
    circle = {"boxstyle": "circle,pad=0.25", "facecolor": ink.paper, "edgecolor": ink.text, "linewidth": 0.9}
    for place in reading.regroup:
        x = strip.begins_m[place.part] + place.along_m
        y = float(np.interp(x, along, np.nan_to_num(z, nan=low))) + 0.55 * room
        x = float(np.clip(x, 0.006 * along[-1], 0.994 * along[-1]))
        axes.text(x, y, place.letter, size=small, weight="bold", bbox=circle, zorder=6, **MIDDLE)
    _label(axes, "elevation, m", "shade: start zones\nthat reach it", small)


def _draw_slope(axes: Axes, strip: Strip) -> None:
    palette, along, stations = strip.palette, strip.along_m, strip.reading.stations
    ink = palette.ground
    top = max(50.0, float(np.nanmax(stations.slope_deg)) if np.isfinite(stations.slope_deg).any() else 50.0)
    look: dict[str, Any] = {"color": palette.snow.path, "alpha": 0.30, "linewidth": 0, "step": "mid"}
    axes.fill_between(along, 0.0, top * 1.05, where=stations.in_start_zone.tolist(), **look)
    for level in (30.0, 40.0):
        axes.axhline(level, color=ink.slope, linewidth=0.6, linestyle=(0, (0.8, 1.6)))
    axes.plot(along, stations.slope_deg, color=ink.frame, linewidth=1.0)
    axes.set(ylim=(0.0, top * 1.05), yticks=[0, 15, 30, 45])
    _label(axes, "slope, °", "shade: start zone", strip.small)


def _draw_exposure(axes: Axes, strip: Strip) -> None:
    palette, along = strip.palette, strip.along_m
    share = 100.0 * strip.reading.stations.exposure
    axes.fill_between(along, 0.0, share, color=palette.snow.reached[3], linewidth=0, step="mid")
    axes.step(along, share, color=palette.snow.release, linewidth=0.7, where="mid")
    _draw_no_data(axes, strip, 0.0, 100.0)
    axes.set(ylim=(0.0, 105.0), yticks=[0, 50, 100])
    _label(axes, "from above", "% of events", strip.small)


def _draw_consequences(axes: Axes, strip: Strip) -> None:
    palette, along, person = strip.palette, strip.along_m, strip.palette.person.line
    for row, name in enumerate(CONSEQUENCES):
        axes.axhline(row + 0.5, color=palette.ground.grid, linewidth=0.35)
        for stretch in strip.reading.stretches:
            share = float(getattr(stretch, name))
            if share < SHADES[0] or not stretch.caught:
                continue
            a, b = strip.span(stretch)
            shade = 0.28 if share < SHADES[1] else 0.6 if share < SHADES[2] else 1.0
            axes.fill_between([a, b], row - 0.4, row + 0.4, color=person, alpha=shade, linewidth=0)
            if (b - a) / float(along[-1]) > 0.022:
                colour = palette.ground.paper if shade > 0.5 else palette.ground.text
                axes.text(0.5 * (a + b), row, f"{100 * share:.0f}", size=strip.small - 0.4, color=colour, **MIDDLE)
    _draw_no_data(axes, strip, -0.6, 4.0)
    axes.set_ylim(3.6, -0.6)
    axes.set_yticks(range(4), [CONSEQUENCE_NAMES[name] for name in CONSEQUENCES])
    _label(axes, "", "% of those\ncaught", strip.small)


def _label(axes: Axes, title: str, under: str, small: float) -> None:
    place = {"xycoords": "axes fraction", "textcoords": "offset points", "annotation_clip": False}
    look: dict[str, Any] = {"ha": "right", "va": "top", **place}
    if title:
        axes.annotate(title, (0.0, 1.0), (-30.0, -1.0), size=small, weight="bold", **look)
    drop = -1.0 - (1.35 * small if title else 0.0)
    axes.annotate(under, (0.0, 1.0), (-30.0 if title else -44.0, drop), size=small - 0.6, linespacing=1.2, **look)


def _draw_no_data(axes: Axes, strip: Strip, low: float, top: float) -> None:
    missing = ~np.isfinite(strip.reading.route.height_m)
    if missing.any():
        look: dict[str, Any] = {"facecolor": "none", "edgecolor": strip.palette.ground.faint_text, "hatch": "////"}
        axes.fill_between(strip.along_m, low, top, where=missing.tolist(), linewidth=0, **look)


def _draw_edges(axes: Axes, strip: Strip) -> None:
    ink, stretches = strip.palette.ground, strip.reading.stretches
    for before, stretch in pairwise(stretches):
        new_line = stretch.part != before.part
        look: dict[str, Any] = {
            "color": ink.frame if new_line else ink.grid,
            "linewidth": 1.2 if new_line else 0.45,
            "zorder": 0.5,
        }
        axes.axvline(strip.span(stretch)[0], **look)


# ---- One page to print and take along: strip, map and stretches

STRIP_MM, TABLE_MM = 74.0, 70.0
STRIP_AXIS_MM = 30.0  # room for the words beside the strip
SIZES = (7.0, 6.6, 6.3, 6.0)  # points; smaller ones cannot be read outdoors


def write_line_sheet(view: LineView, path: Path) -> None:
    """Write the page as PDF at a round scale; the same reading gives the same bytes."""
    with fixed_look():
        write_pdf([draw_line_sheet(view)], path, view.scenario.name or "Pre-read line")


def draw_line_sheet(view: LineView) -> Drawing:
    """The page, drawn but not written: strip above, map in the middle, words below."""
    page = lay_page(above_mm=STRIP_MM + GAP_MM, below_mm=TABLE_MM, columns=3, gaps_mm=(2.0, 1.0))
    s = fit_page(page, _bounds(view.reading), quiet_mm=6.0)
    d = _draw_map(view, s)
    left, low = MARGIN_MM + STRIP_AXIS_MM, s.body.top + GAP_MM + 8.0
    width, height = s.width - MARGIN_MM - left - 2.0, s.header.bottom - low
    _draw_strip(d.figure, view.reading, (left / s.width, low / s.height, width / s.width, height / s.height), 6.6)
    draw_first_fit(s.columns, _page_choices(d, view.reading))
    return d


def _page_choices(d: Drawing, r: LineReading) -> Iterator[list[Item]]:
    """The stretches, all in smaller and smaller text; then the least exposed are left to the table."""
    ranked = sorted(r.stretches, key=lambda stretch: (-_harm(stretch), stretch.number))
    for size in SIZES:
        pen = Pen(d, d.sheet.columns[0].width, size)
        for most in (len(ranked),) if size > SIZES[-1] else range(len(ranked), 0, -1):
            yield _page_items(pen, r, {stretch.number for stretch in ranked[:most]})


def _harm(stretch: Stretch) -> float:
    """By which stretches are kept: what comes there, and what it does."""
    worst = max(stretch.burial, stretch.trauma, stretch.water, stretch.no_way_out)
    return stretch.exposure * worst + 0.01 * stretch.exposure


def _page_items(pen: Pen, r: LineReading, kept: set[int]) -> list[Item]:
    rows = [(str(stretch.number), _stretch_text(r, stretch)) for stretch in r.stretches if stretch.number in kept]
    items = [pen.heading("Stretches, % of events"), *pen.named_lines(rows, hang=4.4)]
    if len(kept) < len(r.stretches):
        items += pen.paragraph(f"{len(r.stretches) - len(kept)} less exposed ones in stretches.csv")
    return [*items, *_regroup_items(pen, r, hang=4.4)]


def _ends(stretch: Stretch) -> str:
    return f"{stretch.from_m:.0f} to {stretch.to_m:.0f} m"


def _stretch_text(r: LineReading, stretch: Stretch) -> str:
    where = _ends(stretch)
    if stretch.state in ("not reached", "no data"):
        return f"{where}: {'no data' if stretch.state == 'no data' else 'no start zone in this model reaches it'}."
    zones = f" ({zones_text(r, stretch)})" if stretch.zones else ""
    come = "snow can start here" if stretch.state == "starts here" else f"{percent(stretch.exposure)}{zones}"
    harm = caught_text(r, stretch) or consequence_text(stretch) or "nothing of the four in 10 %"
    return f"{where}, {stretch.slope_deg:.0f}°: {come}. {harm}"
