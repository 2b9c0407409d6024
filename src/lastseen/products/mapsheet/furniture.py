"""Around the body: frame, grid, scale bar, north arrow, overview."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from shapely.geometry import box

from lastseen.place import GEOD, WGS84, convergence_deg, to_lonlat, transformer
from lastseen.products.mapsheet.drawing import Drawing, area_patch, stroke
from lastseen.products.mapsheet.ground import drawn_lattice, ground_around
from lastseen.products.mapsheet.layout import TICKS_MM, Box
from lastseen.products.mapsheet.parts import draw_debris, draw_last_seen, draw_release, draw_relief

if TYPE_CHECKING:
    from lastseen.plan import Plan
    from lastseen.trapview import TrapView

ROUND_M = tuple(m * 10**p for p in range(5) for m in (1, 2, 5))
GRID_MM, BAR_MM = 24.0, 44.0
SMALL = 5.8


def draw_frame(d: Drawing) -> int:
    """Frame and labelled grid of the map's CRS; returns the spacing in metres."""
    b, k, ink = d.sheet.body, d.sheet.metres_per_mm, d.palette.ground
    west, south, east, north = d.sheet.extent
    step = next((one for one in ROUND_M if one / k >= GRID_MM), ROUND_M[-1])
    xs = np.arange(math.ceil(west / step), math.floor(east / step) + 1) * step
    ys = np.arange(math.ceil(south / step), math.floor(north / step) + 1) * step
    for x in xs:
        px, _ = d.sheet.on_page(float(x), south)
        d.line([(px, b.bottom), (px, b.bottom - 1.2)], ink.frame, 0.6)
        d.line([(px, b.top), (px, b.top - 1.2)], ink.frame, 0.6)
        d.text(px, b.bottom - 1.6, f"{x:.0f}", SMALL, ha="center", va="top")
    for y in ys:
        _, py = d.sheet.on_page(west, float(y))
        d.line([(b.left, py), (b.left - 1.2, py)], ink.frame, 0.6)
        d.line([(b.right, py), (b.right - 1.2, py)], ink.frame, 0.6)
        words = f"{y:.0f}"
        half = 0.5 * d.width_mm(words, SMALL)
        if py + half > b.top or py - half < b.bottom - TICKS_MM:
            continue
        d.text(b.left - 1.6, py, words, SMALL, ha="right", va="center", rotation=90, rotation_mode="default")
    arm = 1.6 * k
    for x in xs:
        for y in ys:
            d.ground.add_line(stroke([(x - arm, y), (x + arm, y)], ink.grid, 0.6, zorder=2.5))
            d.ground.add_line(stroke([(x, y - arm), (x, y + arm)], ink.grid, 0.6, zorder=2.5))
    d.box(b, fill=False, edgecolor=ink.frame, linewidth=0.9, zorder=12)
    return int(step)


def draw_under(d: Drawing, plan: Plan | TrapView, grid_m: int, contour_m: float) -> None:
    """North arrow, scale bar and what the map is drawn in."""
    crs = plan.terrain.elevation.crs
    west, south, east, north = d.sheet.extent
    middle = to_lonlat(0.5 * (west + east), 0.5 * (south + north), crs)
    turn = convergence_deg(crs, middle)
    u = d.sheet.under
    _north_arrow(d, u.left + 4.0, u.bottom + 4.6, turn)
    end = _scale_bar(d, plan, u.left + 13.0, u.bottom + 5.0)
    side = "east" if turn > 0 else "west"
    lines = (
        f"1:{_spaced(d.sheet.scale)} printed on A4 without scaling",
        f"{crs.name}, grid {_spaced(grid_m)} m, contours {contour_m:g} m",
        f"N is true north; grid north is {abs(turn):.1f}° {side} of it",
    )
    size = SMALL
    while max(d.width_mm(one, size) for one in lines) > u.right - end - 5.0 and size > 4.2:
        size -= 0.2
    for row, words in enumerate(lines):
        d.text(u.right, u.bottom + 8.6 - 3.0 * row, words, size, ha="right", va="center")


def _spaced(number: float) -> str:
    return f"{number:,.0f}".replace(",", " ")


def _north_arrow(d: Drawing, x: float, y: float, turn_deg: float) -> None:
    """An arrow to true north."""
    angle = math.radians(90.0 + turn_deg)
    c, s = math.cos(angle), math.sin(angle)

    def at(along: float, across: float) -> tuple[float, float]:
        return x + along * c - across * s, y + along * s + across * c

    ink = d.palette.ground.frame
    d.line([at(-4.2, 0.0), at(3.0, 0.0)], ink, 0.9)
    d.arrow(*at(2.0, 0.0), angle, 3.2, ink)
    d.text(*at(5.4, 0.0), "N", 7.0, ha="center", va="center", weight="bold")


def _scale_bar(d: Drawing, plan: Plan | TrapView, x: float, y: float) -> float:
    """True lengths on the ground; returns the right end."""
    mm_per_m = 1.0 / (d.sheet.metres_per_mm * true_per_map(d, plan))
    step = max((one for one in ROUND_M if 4 * one * mm_per_m <= BAR_MM), default=ROUND_M[0])
    width, ink = step * mm_per_m, d.palette.ground
    for part in range(4):
        fill = ink.frame if part % 2 == 0 else ink.paper
        d.box(Box(x + part * width, y, width, 1.6), facecolor=fill, edgecolor=ink.frame, linewidth=0.6)
    for part in (0, 1, 2, 4):
        words = f"{part * step}" + (" m" if part == 4 else "")
        d.text(x + part * width, y - 0.8, words, SMALL, ha="center", va="top")
    return float(x + 4 * width + 3.0)


def true_per_map(d: Drawing, plan: Plan | TrapView) -> float:
    """Metres on the ellipsoid for a metre of the map, at the middle of the sheet."""
    west, south, east, north = d.sheet.extent
    x, y = 0.5 * (west + east), 0.5 * (south + north)
    lon, lat = transformer(plan.terrain.elevation.crs, WGS84).transform([x - 500.0, x + 500.0], [y, y])
    return float(GEOD.line_length(lon, lat)) / 1000.0


def draw_overview(d: Drawing, plan: Plan) -> None:
    """Release to toe, small, where the main map shows only the search."""
    place, extent = d.sheet.overview, d.sheet.overview_extent
    if place is None or extent is None:
        return
    k = (extent[2] - extent[0]) / place.width
    axes = d.axes_in(place, extent, 2.0)
    draw_relief(axes, drawn_lattice(ground_around(plan, extent), extent, k), d.palette)
    if plan.model is not None:
        draw_release(axes, plan.model, d.palette, fill=True)
    draw_debris(axes, plan, d.palette, 0.8)
    for leg in plan.search.legs:
        if leg.kind == "approach":
            look = {"dash_capstyle": "round", "zorder": 6}
            axes.add_line(stroke(leg.line.coords, d.palette.lanes.colour, 1.0, d.palette.lanes.approach, **look))
    draw_last_seen(axes, plan, d.palette, k, 2.0)
    axes.add_patch(
        area_patch(box(*d.sheet.extent), fill=False, edgecolor=d.palette.ground.frame, linewidth=0.8, zorder=7)
    )
    d.box(place, fill=False, edgecolor=d.palette.ground.frame, linewidth=0.9, zorder=12)
    words = f"overview 1:{_spaced(round(1000.0 * k, -2))}"
    d.text(place.left + 1.2, place.top - 1.2, words, SMALL, va="top", halo=True, zorder=12)
