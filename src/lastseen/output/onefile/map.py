"""The map of the one-file page: relief, contours, and one group for each layer."""

from __future__ import annotations

import base64
import io
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from PIL import Image
from scipy import ndimage
from shapely.geometry import LineString, MultiPolygon, Point
from shapely.geometry.base import BaseGeometry

from lastseen.core import Grid, outline_of_level, poa_areas
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.relief import CELL_MM, CONTOUR_GAP_MM, contours, drawn_lattice, relief
from lastseen.output.onefile.elements import Frame, dashes, element, hatch, mark, say, text
from lastseen.output.result import Result


def step_areas(grid: Grid, levels: Sequence[float]) -> list[MultiPolygon]:
    """The ground at or above each level, lightly smoothed as on the sheet."""
    smooth = grid.with_values(ndimage.gaussian_filter(np.nan_to_num(grid.values), 1.0, truncate=3.0))
    return [outline_of_level(smooth, level, grid.cell_area_m2) for level in levels]


LONGEST_PX = 1400  # of the picture of the relief
CONTOUR_PX = 700  # of the lattice that contours are drawn through
LABEL_EVERY_M = 0.4  # of the longer side of the map
_QUALITY = 60


FAR_PX = 9.0  # thin contours go where they come nearer than this


def _drawn(ground: Grid, longest_px: int) -> Grid:
    return drawn_lattice(ground, ground.bounds, _longest(ground) / longest_px / CELL_MM)


def contour_scale(ground: Grid, shown_m: float) -> float:
    """Metres of the ground for a millimetre that contours are drawn for: between what is shown first and all of it."""
    return math.sqrt(shown_m * _longest(ground)) / LONGEST_PX / CELL_MM


def far_m(ground: Grid, shown_m: float) -> float:
    """Metres for a pixel beyond which only every fifth contour is shown."""
    return round(CONTOUR_GAP_MM * contour_scale(ground, shown_m) / FAR_PX, 3)


def _longest(ground: Grid) -> float:
    west, south, east, north = ground.bounds
    return max(east - west, north - south)


def frame_of(ground: Grid) -> Frame:
    """The map shows all of the ground."""
    west, south, east, north = ground.bounds
    return Frame(west, north, east - west, north - south, finest_m=min(0.25, 0.1 * ground.cell_m))


def relief_picture(ground: Grid) -> str:
    """Relief in greys, as a picture inside the page; paper where no elevation is known."""
    drawn = _drawn(ground, LONGEST_PX)
    dark, light = (int(colour[1:3], 16) for colour in load_palette().ground.relief)
    shade = relief(drawn)
    greys = np.where(np.isnan(shade), 255.0, dark + (light - dark) * np.clip(shade / 0.95, 0.0, 1.0))
    stream = io.BytesIO()
    Image.fromarray(np.rint(greys).astype(np.uint8)).save(stream, "WEBP", quality=_QUALITY, method=3)
    data = base64.b64encode(stream.getvalue()).decode("ascii")
    height, width = (round(cells * drawn.cell_m, 2) for cells in drawn.shape)
    place = {"width": width, "height": height, "preserveAspectRatio": "none"}
    return element("image", class_="relief", x=0, y=0, **place, href=f"data:image/webp;base64,{data}")


def contour_lines(ground: Grid, frame: Frame, shown_m: float) -> str:
    """Contours, every fifth strong and with its height."""
    drawn = _drawn(ground, CONTOUR_PX)
    found = contours(drawn, contour_scale(ground, shown_m))
    thin = Frame(frame.west_m, frame.north_m, frame.width_m, frame.height_m, 0.2 * drawn.cell_m)
    plain = [thin.line(line) for height, line in found.lines if not found.is_index(height)]
    index = [(height, LineString(line)) for height, line in found.lines if found.is_index(height)]
    labels = [_contour_label(frame, line, height) for height, line in index for line in _pieces(line, frame)]
    return (
        element("path", d="".join(plain), class_="contour")
        + element("path", d="".join(thin.path(line) for _, line in index), class_="contour index")
        + "".join(labels)
    )


def _pieces(line: LineString, frame: Frame) -> list[LineString]:
    every = LABEL_EVERY_M * max(frame.width_m, frame.height_m)
    many = max(1, round(line.length / every)) if line.length > 0.25 * every else 0
    ends = [line.length * i / many for i in range(many + 1)] if many else []
    middle, near = [0.5 * (a + b) for a, b in itertools.pairwise(ends)], 0.01 * every
    return [LineString([line.interpolate(at - near), line.interpolate(at + near)]) for at in middle]


def _contour_label(frame: Frame, piece: LineString, height: float) -> str:
    (x0, y0), (x1, y1) = piece.coords
    turn = -((math.degrees(math.atan2(y1 - y0, x1 - x0)) + 90.0) % 180.0 - 90.0)
    at = frame.at(0.5 * (x0 + x1), 0.5 * (y0 + y1))
    return mark(at, element("text", text(f"{height:.0f}"), y=3.5), turn, class_="mark height")


GRID_STEPS_M = (50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0)
GRID_LINES = 16  # at most, along the longer side
CROSS = 0.07  # arm of a cross, of the step
FOCUS_MARGIN = 0.12
LEAST_SHOWN_M = 150.0
DRAWN_LAYERS = ("last_seen", "release", "debris", "lanes", "route")
RING_PX, MOST_RINGS = 14.0, 40  # pieces of the rest as near as this share a ring; more rings would hide the map
SCREEN_PX = 800.0
Box = tuple[float, float, float, float]
_ARROW = "M7 0L-5 4.6L-2.4 0L-5 -4.6z"


@dataclass(frozen=True)
class MapLayer:
    """A layer that can be switched: its name, what is drawn, its signs above all layers, whether it is on at first."""

    name: str
    drawn: str
    signs: str = ""
    shown: bool = True


def map_layers(result: Result) -> list[MapLayer]:
    """All layers that have something to show, the lowest first."""
    ground, flat, frame = result.ground, bool(result.numbers.get("flat")), frame_of(result.ground)
    shown_m, thick = max(search_box(result)[2:]), load_palette().thickness.levels_m
    layers = [
        MapLayer("relief", "" if flat else relief_picture(ground)),
        MapLayer("debris" if "debris_probability" in result.rasters else "given", _debris(result, frame)),
        MapLayer("thickness", _steps(result, frame, "debris_thickness", thick, "thick"), shown=False),
        MapLayer("contours", "" if flat else contour_lines(ground, frame, shown_m)),
        MapLayer("grid", _grid(frame)),
        MapLayer("corridors", _paths(result, frame, ("corridor",)), shown=False),
        MapLayer("paths", _paths(result, frame, ("steepest", "main"))),
        MapLayer("traps", *_traps(result, frame)),
        MapLayer("zones", *_zones(result, frame)),
        MapLayer("release", _release(result, frame)),
        MapLayer("outline", _outline(result, frame)),
        MapLayer("poa", _poa(result, frame)),
        MapLayer("uncovered", _uncovered(result, frame)),
        MapLayer("route", _route(result, frame)),
        MapLayer("lanes", *_lanes(result, frame)),
        MapLayer("last_seen", _last_seen(result, frame)),
    ]
    return [layer for layer in layers if layer.drawn]


def search_box(result: Result) -> Box:
    """What the map shows first, the searched debris and the lanes: left, top, width and height in metres."""
    searched = [area for area, row in result.records("debris") if row["searched"]]
    return _box_of(result, [*searched, *result.shapes("lanes")])


def drawn_box(result: Result) -> Box:
    """All that is drawn, as `search_box`."""
    return _box_of(result, [shape for name in DRAWN_LAYERS for shape in result.shapes(name)])


def _box_of(result: Result, shapes: list[BaseGeometry]) -> Box:
    west, south, east, north = (float(bound) for bound in shapely.total_bounds(np.array(shapes)))
    longest = max(east - west, north - south)
    more = max(FOCUS_MARGIN * longest, 0.5 * (LEAST_SHOWN_M - longest))
    left, top = frame_of(result.ground).at(west - more, north + more)
    return left, top, round(east - west + 2.0 * more, 1), round(north - south + 2.0 * more, 1)


def definitions(result: Result) -> str:
    """Hatches of the kinds of traps that are there, and of what is out of range."""
    palette, hatches = load_palette(), []
    signs, kinds = palette.traps.signs, dict.fromkeys(row["kind"] for _, row in result.records("terrain_traps"))
    for where in ("map", "key"):
        hatches += [hatch(hatch_id(kind, where), signs[kind].hatch, "var(--trap)", where) for kind in kinds]
        hatches.append(hatch(hatch_id("uncovered", where), palette.lanes.uncovered, "var(--lane)", where))
    return "".join(hatches)


def hatch_id(kind: str, where: str = "map") -> str:
    """Name of the hatch of a kind of trap: on the map, where the script gives it its scale, or in the key."""
    return f"{where}-hatch-" + kind.replace(" ", "-")


def _cased(d: str, kind: str, style: tuple[float, ...] = (), **more: Any) -> str:
    return element("path", d=d, class_=f"casing {kind}") + element(
        "path", d=d, class_=f"stroke {kind}", stroke_dasharray=dashes(style), **more
    )


def _tap(inside: str, title: str, reason: str, *, stop: bool = False) -> str:
    """Something that says what it is when it is tapped; ``stop`` for those that the keyboard stops at."""
    reach = {"tabindex": 0, "role": "button", "aria_label": f"{title}. {reason}"} if stop else {}
    return element("g", inside, class_="tap", data_title=title, data_reason=reason, **reach)


def _label(frame: Frame, shape: BaseGeometry, name: str, kind: str) -> str:
    inside = shape.representative_point()
    return _sign(frame.at(inside.x, inside.y), name, kind)


def _sign(at: tuple[float, float], name: str, kind: str) -> str:
    wide = 8.0 + 7.4 * len(name)
    box = element("rect", x=-0.5 * wide, y=-9, width=wide, height=18, rx=3)
    return mark(at, box + element("text", text(name), y=4.4), class_=f"mark sign {kind}", data_wide=f"{wide:.0f}")


def _steps(result: Result, frame: Frame, raster: str, levels: tuple[float, ...], kind: str) -> str:
    if raster not in result.rasters:
        return ""
    areas = step_areas(result.rasters[raster].bands[0], levels)
    drawn = [element("path", d=frame.path(a), class_=f"{kind}{i}") for i, a in enumerate(areas) if not a.is_empty]
    return element("g", "".join(drawn), class_="ramp") if drawn else ""


def _debris(result: Result, frame: Frame) -> str:
    ramp = _steps(result, frame, "debris_probability", load_palette().debris.levels, "step")
    given = "".join(frame.path(shape) for shape in result.shapes("debris"))
    return ramp or element("g", element("path", d=given, class_="observed"), class_="ramp")


def _outline(result: Result, frame: Frame) -> str:
    return "".join(
        _tap(element("path", d=frame.path(area), class_="outline"), say("outline"), row["reason"])
        for area, row in result.records("debris")
        if row["searched"]
    )


def _poa(result: Result, frame: Frame) -> str:
    if "poa" not in result.rasters:
        return ""
    ink, drawn = load_palette().person, ""
    areas = poa_areas(result.rasters["poa"].bands[0])
    for (_, area), key in zip(areas, ("half", "most"), strict=False):  # none for what the model does not hold
        drawn += _tap(_cased(frame.path(area), f"poa {key}", ink.dashes[key]), say("poa"), say(f"poa_{key}"))
    return drawn


def _paths(result: Result, frame: Frame, kinds: tuple[str, ...]) -> str:
    ink, drawn = load_palette().snow.dashes, ""
    for line, row in result.records("flow_paths"):
        if row["kind"] in kinds:
            kind = "corridor" if row["kind"] == "corridor" else "path"
            look = element("path", d=frame.path(line), class_=f"stroke {kind}", stroke_dasharray=dashes(ink[kind]))
            drawn += _tap(look, say(f"path_{row['kind']}"), row["reason"])
    return drawn


def _release(result: Result, frame: Frame) -> str:
    style = load_palette().snow.dashes["release"]
    return "".join(
        _tap(_cased(frame.path(area), "release", style), say("release"), row["reason"])
        for area, row in result.records("release")
    )


def _traps(result: Result, frame: Frame) -> tuple[str, str]:
    """Hatched areas, the lightest first, so that the heaviest lies on top; and their signs, the heaviest first."""
    drawn = signs = ""
    for shape, row in reversed(result.records("terrain_traps")):
        name, reason = f"{row['letter']}{row['number']}", f"{row['reason']} {row['shares']}"
        area = element("path", d=frame.path(shape), class_="trap", fill=f"url(#{hatch_id(row['kind'])})")
        what = f"{name} {row['kind']}: {row['consequences']}"
        drawn += _tap(area, what, reason)
        signs = _tap(_label(frame, shape, name, "trap-sign"), what, reason, stop=True) + signs
    return drawn, signs


def _zones(result: Result, frame: Frame) -> tuple[str, str]:
    drawn = signs = ""
    for shape, row in result.records("deposition_zones"):
        name = f"Z{row['number']}"
        title = f"{name} {row['place']}"
        drawn += _tap(element("path", d=frame.path(shape), class_="zone"), title, row["reason"])
        signs += _tap(_label(frame, shape, name, "zone-sign"), title, row["reason"], stop=True)
    return drawn, signs


def _uncovered(result: Result, frame: Frame) -> str:
    """What no lane reaches; a ring marks pieces too small to see, neighbours share one."""
    near = RING_PX * max(search_box(result)[2:]) / SCREEN_PX
    drawn, rings = "", list[Point]()
    for shape, row in result.records("uncovered"):
        look = element("path", d=frame.path(shape), class_="uncovered", fill=f"url(#{hatch_id('uncovered')})")
        inside = shape.representative_point()
        west, south, east, north = shape.bounds
        if max(east - west, north - south) < 2.0 * near and all(inside.distance(ring) > near for ring in rings):
            rings.append(inside)
            look += mark(frame.at(inside.x, inside.y), element("circle", r=7, class_="ring"), class_="mark rings")
        drawn += _tap(look, say("uncovered"), row["reason"])
    return drawn if len(rings) <= MOST_RINGS else drawn.replace("mark rings", "mark rings off")


def _route(result: Result, frame: Frame) -> str:
    styles, drawn = {"approach": load_palette().lanes.approach}, ""
    for line, row in result.records("route"):
        d, kind = frame.path(line), row["kind"]
        title = say("leg_of", kind=say(kind), searcher=row["searcher"])
        hidden = element("path", d=d, class_="hidden")
        look = hidden if kind == "lane" else _cased(d, kind, styles.get(kind, ()))
        leg = {"data_searcher": row["searcher"], "data_time": row["time_s"], "data_kind": row["kind"]}
        drawn += element("g", look, class_="tap leg", data_title=title, data_reason=row["reason"], **leg)
    return drawn


def _lanes(result: Result, frame: Frame) -> tuple[str, str]:
    ink = load_palette().lanes
    drawn = signs = ""
    for line, row in result.records("lanes"):
        title = say("lane_of", number=row["number"], searcher=row["searcher"])
        arrows = "".join(_arrow(frame, line, share) for share in ((0.3, 0.8) if line.length > 80.0 else (0.65,)))
        look = _cased(frame.path(line), "lane", ink.of_searcher(row["searcher"]))
        drawn += _tap(look + arrows, title, row["reason"])
        label = _sign(frame.at(*line.coords[0][:2]), str(row["number"]), "lane-sign")
        signs += _tap(label, title, row["reason"], stop=True)
    return drawn, signs


def _arrow(frame: Frame, line: Any, share: float) -> str:
    at, ahead = (line.interpolate(part, normalized=True) for part in (share, min(1.0, share + 0.02)))
    turn = -math.degrees(math.atan2(ahead.y - at.y, ahead.x - at.x))
    return mark(frame.at(at.x, at.y), element("path", d=_ARROW), turn, class_="mark arrow")


def _last_seen(result: Result, frame: Frame) -> str:
    drawn = ""
    for point, row in result.records("last_seen"):
        x, y = frame.at(*point.coords[0][:2])
        around = element("circle", cx=x, cy=y, r=row["radius_m"], class_="radius")
        cross = "".join(element("path", d="M-11 0H11M0 -11V11", class_=kind) for kind in ("casing", "stroke"))
        ring = "".join(element("circle", r=6.5, class_=kind) for kind in ("casing", "stroke"))
        sign = around + mark((x, y), cross + ring, class_="mark seen")
        drawn += _tap(sign, say("last_seen"), row["reason"], stop=True)
    return drawn


def _grid(frame: Frame) -> str:
    """Crosses of the metric grid, a path for each line; the script writes the numbers at the edge of the map."""
    longest = max(frame.width_m, frame.height_m)
    step = next((metres for metres in GRID_STEPS_M if longest / metres <= GRID_LINES), GRID_STEPS_M[-1])
    east = _rounds(frame.west_m, frame.west_m + frame.width_m, step)
    north = _rounds(frame.north_m - frame.height_m, frame.north_m, step)
    arm = round(CROSS * step, 1)
    drawn = ""
    for number in east:
        x, _ = frame.at(number, 0.0)
        d = "".join(f"M{x} {round(frame.north_m - at - arm, 1)}v{2 * arm}" for at in north)
        drawn += element("path", d=d, class_="gridline", data_at=x, data_number=round(number), data_way="x")
    for number in north:
        _, y = frame.at(0.0, number)
        d = "".join(f"M{round(at - frame.west_m - arm, 1)} {y}h{2 * arm}" for at in east)
        drawn += element("path", d=d, class_="gridline", data_at=y, data_number=round(number), data_way="y")
    return drawn


def _rounds(first: float, last: float, step: float) -> list[float]:
    return [i * step for i in range(math.ceil(first / step), math.floor(last / step) + 1)]
