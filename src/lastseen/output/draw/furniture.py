"""What every map on paper has: ground, frame, grid, scale bar, norths, header, footer with the caution."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from shapely.geometry import LineString, box

from lastseen import __version__
from lastseen.core import GEOD, WGS84, FloatArray, Grid, InputError, convergence_deg, to_lonlat, transformer, utm_crs
from lastseen.output.draw.drawing import Drawing, start_drawing, stroke
from lastseen.output.draw.labels import name_contours
from lastseen.output.draw.layout import TICKS_MM, Box, Extent, Sheet
from lastseen.output.draw.panel import LEAST_TEXT, TEXT, line_mm, shortened, wrapped
from lastseen.output.draw.relief import Contours, draw_contours, draw_relief, drawn_lattice
from lastseen.output.result import FULL_CAUTION

TITLE = 14.0
WRITE_IN = (("Date", 0.16), ("Time", 0.13), ("Team", 0.41), ("Lead", 0.3))  # with their shares of the width
ROUND_M = tuple(m * 10**p for p in range(5) for m in (1, 2, 5))
GRID_STEPS_M = (100, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000, 100_000)
GRID_MM, BAR_MM = 19.0, 38.0  # least distance of grid lines, longest scale bar
LONG_STEP_MM = 45.0  # a longer step of the grid is split in ten on the frame, a shorter one in five
SMALL = LEAST_TEXT
NORTHS_MM = 25.0  # width of the three arrows
Line = tuple[int, LineString]


def start_map(sheet: Sheet, ground: Grid | None) -> tuple[Drawing, Contours | None]:
    """A page with relief and contours on its map, where there is ground; the contours are still to be named."""
    d = start_drawing(sheet)
    if ground is None:
        return d, None
    drawn = drawn_lattice(ground, sheet.extent, sheet.metres_per_mm)
    draw_relief(d.ground, drawn, d.palette)
    return d, draw_contours(d, drawn)[0]


def finish_map(
    d: Drawing, crs: Any, levels: Contours | None, title: str, lines: Sequence[str],
    *, declination_deg: float | None = None, date: str | None = None,
) -> None:  # fmt: skip
    """Heights of the contours, frame, grid, scale bar, norths, header and footer."""
    if levels is not None:
        name_contours(d, levels)
    contour_m = levels.interval_m if levels is not None else None
    draw_under(d, crs, draw_frame(d, crs), contour_m, declination_deg=declination_deg, date=date)
    draw_header(d, title, lines)
    draw_footer(d)


def draw_frame(d: Drawing, crs: Any) -> int:
    """Frame, and the UTM grid with its numbers; returns its spacing in metres."""
    b, k, ink = d.sheet.body, d.sheet.metres_per_mm, d.palette.ground
    step = next((metres for metres in GRID_STEPS_M if metres / k >= GRID_MM), GRID_STEPS_M[-1])
    for axis in (0, 1):
        for _, line in _grid_lines(d, crs, step, axis):
            d.ground.add_line(stroke(line.coords, ink.grid, 0.4, zorder=2.3))
    parts = 10 if step / k > LONG_STEP_MM else 5
    for axis in (0, 1):
        for number, line in _grid_lines(d, crs, step / parts, axis):
            _tick(d, line, axis, number if number % step == 0 else None)
    d.box(b, fill=False, edgecolor=ink.frame, linewidth=0.9, zorder=12)
    return int(step)


def _grid_lines(d: Drawing, crs: Any, step: float, axis: int) -> list[Line]:
    """Lines of equal easting (axis 0) or northing (1) across the body, in map metres."""
    west, south, east, north = d.sheet.extent
    grid = grid_crs(crs, d.sheet.extent)
    body = box(west, south, east, north)
    there = _moved(np.array(body.segmentize(max(east - west, north - south) / 8.0).exterior.coords), crs, grid)
    low, high = there.min(axis=0), there.max(axis=0)
    along = np.linspace(low[1 - axis], high[1 - axis], 9)
    found = []
    for number in np.arange(math.ceil(low[axis] / step), math.floor(high[axis] / step) + 1) * step:
        points = np.empty((along.size, 2))
        points[:, axis], points[:, 1 - axis] = number, along
        line = LineString(_moved(points, grid, crs)).intersection(body)
        if isinstance(line, LineString) and not line.is_empty:
            found.append((round(number), line))
    return found


def grid_crs(crs: Any, extent: Extent) -> Any:
    """The CRS of the grid: the map's own where it is a UTM zone, else the zone of its middle; none near the poles."""
    if crs.utm_zone is not None:
        return crs
    try:
        return utm_crs(to_lonlat(0.5 * (extent[0] + extent[2]), 0.5 * (extent[1] + extent[3]), crs))
    except InputError:
        return crs


def _moved(points: FloatArray, source: Any, target: Any) -> FloatArray:
    if source == target:
        return points
    return np.stack(transformer(source, target).transform(points[:, 0], points[:, 1]), axis=1)


def _tick(d: Drawing, line: LineString, axis: int, number: int | None) -> None:
    """Both ends of a grid line at the frame, with its number at the lower or left one."""
    b, ink = d.sheet.body, d.palette.ground.frame
    length, width = (1.3, 0.6) if number is not None else (0.8, 0.4)
    dx, dy = (0.0, -length) if axis == 0 else (-length, 0.0)
    low, high = (b.bottom, b.top) if axis == 0 else (b.left, b.right)
    half = 0.5 * d.width_mm(f"{number}", SMALL)
    for x, y in d.on_page(line)[[0, -1]]:
        at = y if axis == 0 else x
        if abs(at - low) < 0.01:
            d.line([(x, y), (x + dx, y + dy)], ink, width)
            if number is not None and axis == 0:
                d.text(x, y - 1.6, f"{number}", SMALL, ha="center", va="top")
            elif number is not None and b.bottom - TICKS_MM <= y - half and y + half <= b.top:
                d.text(x - 1.6, y, f"{number}", SMALL, ha="right", va="center", rotation=90, rotation_mode="default")
        elif abs(at - high) < 0.01:
            d.line([(x, y), (x + dx, y + dy)], ink, width, zorder=11)


def draw_under(
    d: Drawing, crs: Any, grid_m: int, contour_m: float | None,
    *, declination_deg: float | None = None, date: str | None = None,
) -> None:  # fmt: skip
    """Scale bar, what the map is drawn in, and the three norths; no contours are named where there are none."""
    west, south, east, north = d.sheet.extent
    middle = to_lonlat(0.5 * (west + east), 0.5 * (south + north), crs)
    grid = grid_crs(crs, d.sheet.extent)
    grid_deg, map_deg = convergence_deg(grid, middle), convergence_deg(crs, middle)
    u = d.sheet.under
    magnetic = [("MN", map_deg - declination_deg)] if declination_deg is not None else []
    _draw_norths(d, u.left + 3.5, u.top - 5.2, [("N", map_deg), ("GN", map_deg - grid_deg), *magnetic])
    left = u.left + NORTHS_MM
    end = _scale_bar(d, crs, left, u.top - 2.4)
    scale = f"1:{spaced(d.sheet.scale)} on {d.sheet.paper}, printed without scaling"
    if d.width_mm(scale, 7.0) >= u.right - end:
        scale = scale[: scale.index(",")]
    d.text(u.right, u.top - 1.6, scale, 7.0, ha="right", va="center", weight="bold")
    sentences = [
        f"Grid: {grid.name}, {spaced(grid_m)} m" + ("" if grid == crs else f"; map in {crs.name}"),
        f"N true north. GN grid north, {_aside(grid_deg)}. {_magnetic(declination_deg, date)}",
    ]
    if contour_m is not None:
        sentences[0] += f"; contours every {contour_m:g} m"
    y = u.top - 7.2
    for sentence in sentences:
        for line in wrapped(d, f"{sentence}.", u.right - left, SMALL):
            d.text(left, y, line, SMALL, va="center")
            y -= line_mm(SMALL)


def _aside(turn_deg: float) -> str:
    if abs(turn_deg) < 0.05:
        return "on it"
    return f"{abs(turn_deg):.1f}° {'east' if turn_deg > 0 else 'west'} of it"


def _magnetic(declination_deg: float | None, date: str | None) -> str:
    """Magnetic north and its date; where neither is known, a line to write it on. No date is ever made up."""
    if declination_deg is not None:
        return f"MN magnetic north, {_aside(declination_deg)} on {date} (World Magnetic Model 2025)"
    why = "no date was given" if date is None else f"the magnetic model says nothing about {date}"
    return f"MN magnetic north: {why}; write it in: ______° E / W of N on ____________"


def spaced(number: float) -> str:
    """Whole thousands parted by spaces."""
    return f"{number:,.0f}".replace(",", " ")


def _draw_norths(d: Drawing, x: float, y: float, arrows: Sequence[tuple[str, float]]) -> None:
    """Arrows by name and direction, degrees to the left of the upper edge of the sheet."""
    ink = d.palette.ground.frame
    for number, (name, left_deg) in enumerate(arrows):
        angle, cx = math.radians(90.0 + left_deg), x + 7.0 * number
        c, s = math.cos(angle), math.sin(angle)
        d.line([(cx - 4.2 * c, y - 4.2 * s), (cx + 3.0 * c, y + 3.0 * s)], ink, 1.1 if name == "N" else 0.6)
        d.arrow(cx + 3.0 * c, y + 3.0 * s, angle, 3.2 if name == "N" else 2.2, ink)
        d.text(cx, y - 6.2, name, 7.0 if name == "N" else SMALL, ha="center", va="center", weight="bold")


def _scale_bar(d: Drawing, crs: Any, x: float, y: float) -> float:
    """True lengths on the ground; returns the right end."""
    mm_per_m = 1.0 / (d.sheet.metres_per_mm * _true_per_map(d, crs))
    step = max((metres for metres in ROUND_M if 4 * metres * mm_per_m <= BAR_MM), default=ROUND_M[0])
    width, ink = step * mm_per_m, d.palette.ground
    for part in range(4):
        fill = ink.frame if part % 2 == 0 else ink.paper
        d.box(Box(x + part * width, y, width, 1.6), facecolor=fill, edgecolor=ink.frame, linewidth=0.6)
    for part in (0, 1, 2, 4):
        label = f"{part * step}" + (" m" if part == 4 else "")
        d.text(x + part * width, y - 0.6, label, SMALL, ha="center" if part else "left", va="top")
    return float(x + 4 * width + 4.0)


def _true_per_map(d: Drawing, crs: Any) -> float:
    """Metres on the ellipsoid for a metre of the map, at the middle of the sheet."""
    west, south, east, north = d.sheet.extent
    x, y = 0.5 * (west + east), 0.5 * (south + north)
    lon, lat = transformer(crs, WGS84).transform([x - 500.0, x + 500.0], [y, y])
    return float(GEOD.line_length(lon, lat)) / 1000.0


def draw_header(d: Drawing, title: str, lines: Sequence[str], *, mark: str = "") -> None:
    """Title over the sheet, what it is about, and at the right what kind of sheet it is."""
    h = d.sheet.header
    if mark:
        d.text(h.right, h.top - 2.8, mark, 9.0, weight="bold", va="center", ha="right")
    room = h.width - (d.width_mm(mark, 9.0, "bold") + 6.0 if mark else 0.0)
    short = shortened(d, " ".join(title.split()), room, TITLE, "bold")
    d.text(h.left, h.top - 2.8, short, TITLE, weight="bold", va="center")
    for number, line in enumerate(lines):
        d.text(h.left, h.top - 7.8 - 3.2 * number, shortened(d, line, h.width, 7.0), 7.0, va="center")


def draw_write_in(d: Drawing) -> None:
    """Lines to write on: the sheet is filled in by hand."""
    h, ink = d.sheet.header, d.palette.ground.frame
    y, x = h.bottom + 2.6, h.left
    for name, share in WRITE_IN:
        width = share * h.width
        d.text(x, y, name, 7.0, va="bottom", weight="bold")
        d.line([(x + d.width_mm(name, 7.0, "bold") + 1.2, y), (x + width - 3.0, y)], ink, 0.5)
        x += width


def draw_footer(d: Drawing, page: int = 0, pages: int = 0) -> None:
    """The caution, boxed, over the whole width; version, and page where there are several."""
    f = d.sheet.footer
    d.box(f, facecolor="none", edgecolor=d.palette.ground.frame, linewidth=0.9)
    lines = wrapped(d, FULL_CAUTION, f.width - 4.0, TEXT)
    if len(lines) * line_mm(TEXT) > f.height - 1.4:
        lines = wrapped(d, FULL_CAUTION, f.width - 4.0, LEAST_TEXT)
    top = f.bottom + 0.5 * (f.height + len(lines) * line_mm(TEXT))
    for number, line in enumerate(lines):
        d.text(f.left + 2.0, top - (number + 0.5) * line_mm(TEXT), line, TEXT, va="center")
    version = f"lastseen {__version__}" + (f", page {page} of {pages}" if pages else "")
    d.text(f.right - 2.0, top - (len(lines) - 0.5) * line_mm(TEXT), version, TEXT, va="center", ha="right")
