"""What lies on the map of a search: taken from a result, and drawn. Shapes are in map metres."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.patches import Circle
from scipy import ndimage
from shapely.geometry import LineString, MultiPolygon, box
from shapely.geometry.base import BaseGeometry

from lastseen.core import FloatArray, Grid, keep_areas, outline_of_level, percent, poa_areas
from lastseen.output.draw.drawing import Drawing, draw_area, stroke
from lastseen.search import Leg

if TYPE_CHECKING:
    from lastseen.jobs import TrapView
    from lastseen.output.draw.palette import Palette
    from lastseen.output.result import Result
    from lastseen.traps import Trap

THIN_LEVEL = 0.05
NOTHING = MultiPolygon()
TRAP_OPACITY = 0.7


@dataclass(frozen=True, kw_only=True)
class LaneMark:
    """The middle of a strip, in the direction of the walk."""

    line: LineString
    number: int
    searcher: int


@dataclass(frozen=True, kw_only=True)
class TrapMark:
    """A terrain trap."""

    outline: MultiPolygon
    letter: str
    number: int
    kind: str
    consequences: str
    person_passes: float
    person_ends: float
    reason: str

    @property
    def name(self) -> str:
        """Letter and number."""
        return f"{self.letter}{self.number}"

    @property
    def sentence(self) -> str:
        """What it does, and why it is one."""
        return f"{self.consequences.capitalize()}. {self.reason}"

    @property
    def met(self) -> tuple[str, str]:
        """Shares of carried persons who enter it and who stop in it, per cent."""
        return percent(self.person_passes), percent(self.person_ends)

    @property
    def met_sentence(self) -> str:
        """The same as a sentence."""
        return f"{self.met[0]} of carried persons enter it, {self.met[1]} stop in it."


@dataclass(frozen=True, kw_only=True)
class ZoneMark:
    """A deposition zone."""

    outline: MultiPolygon
    number: int
    place: str
    poa: float
    reason: str


@dataclass(frozen=True, eq=False, kw_only=True)
class MapContent:
    """What a map shows. What is not there is None or empty."""

    numbers: Mapping[str, Any]  # as in ``plan.json``; empty for traps on their own
    ground: Grid
    crs: Any
    at_m: tuple[float, float] | None = None  # the last-seen point
    also_m: tuple[tuple[float, float], ...] = ()  # those of further missing persons
    radius_m: float = 0.0
    modelled: bool = False  # whether a model made the debris
    outline: MultiPolygon = NOTHING  # debris that is searched
    probability: Grid | None = None
    poa: tuple[tuple[float, MultiPolygon], ...] = ()  # smallest areas that hold so much of the probability of area
    release: MultiPolygon = NOTHING
    path: LineString | None = None
    corridors: tuple[tuple[float, MultiPolygon], ...] = ()
    zones: tuple[ZoneMark, ...] = ()
    traps: tuple[TrapMark, ...] = ()
    lanes: tuple[LaneMark, ...] = ()
    legs: tuple[Leg, ...] = ()  # their magnetic bearings may be None
    first_lanes: tuple[LineString, ...] = ()  # of the pass before, where this is the second
    uncovered: MultiPolygon = NOTHING
    no_go: MultiPolygon = NOTHING
    release_areas: MultiPolygon = NOTHING  # of a map of traps without a last-seen point
    # whether only ground, grid and last-seen point are shown; ``ground_m`` is then what must be seen
    blank: bool = False
    ground_m: BaseGeometry = field(default=NOTHING)

    @property
    def flat(self) -> bool:
        """Whether no elevation was given."""
        return bool(self.numbers.get("flat", False))

    @property
    def title(self) -> str:
        """Name of the plan, or what it is."""
        return title_of(self.numbers)

    @property
    def searchers(self) -> int:
        """How many were asked for."""
        return int(self.numbers["search"]["searchers"])

    def walk(self, searcher: int) -> tuple[Leg, ...]:
        """Legs of a searcher in the order of the walk."""
        return tuple(leg for leg in self.legs if leg.searcher == searcher)

    def focus(self) -> BaseGeometry:
        """What must be seen well: debris, lanes and joins."""
        if self.blank:
            return self.ground_m
        return shapely.unary_union([self.outline, *[leg.line for leg in self.legs if leg.kind != "approach"]])

    def thin_debris(self) -> BaseGeometry:
        """Debris that is drawn but too unlikely to be searched; it should not be cut off by the frame."""
        grid = self.probability
        return NOTHING if grid is None else outline_of_level(grid, THIN_LEVEL, 4.0 * grid.cell_area_m2)

    def whole(self) -> BaseGeometry:
        """All of it: also the release, the last-seen point and the approaches."""
        parts: list[BaseGeometry] = [self.focus(), *(leg.line for leg in self.legs), self.release]
        if self.at_m is not None:
            parts.append(shapely.Point(self.at_m).buffer(self.radius_m))
        return shapely.unary_union(parts)


def read_map_content(result: Result) -> MapContent:
    """What the map of a plan or of a search over a drawn outline shows."""
    rasters = result.rasters
    seen = [((point.coords[0][0], point.coords[0][1]), row) for point, row in result.records("last_seen")]
    paths = result.records("flow_paths")
    corridors = ((line, row) for line, row in paths if row["kind"] == "corridor")
    return MapContent(
        numbers=result.numbers,
        ground=result.ground,
        crs=result.crs,
        at_m=seen[0][0] if seen else None,
        also_m=tuple(at for at, _ in seen[1:]),
        radius_m=float(seen[0][1]["radius_m"]) if seen else 0.0,
        modelled=result.numbers.get("model") is not None,
        outline=next((keep_areas(area) for area, row in result.records("debris") if row["searched"]), NOTHING),
        probability=rasters["debris_probability"].bands[0] if "debris_probability" in rasters else None,
        poa=poa_areas(rasters["poa"].bands[0]) if "poa" in rasters else (),
        release=_areas_of(result, "release"),
        path=next((cast("LineString", shapely.line_merge(line)) for line, row in paths if row["kind"] == "main"), None),
        corridors=tuple((float(row["share"]), keep_areas(shapely.build_area(line))) for line, row in corridors),
        zones=_area_marks(ZoneMark, result.records("deposition_zones")),
        traps=trap_marks(result.records("terrain_traps")),
        lanes=tuple(
            LaneMark(line=LineString(line.coords), **_fields_of(LaneMark, row)) for line, row in result.records("lanes")
        ),
        legs=tuple(
            Leg(line=LineString(line.coords), **_fields_of(Leg, {**row, "danger": row["danger"] or ""}))
            for line, row in result.records("route")
        ),
        first_lanes=tuple(LineString(line.coords) for line in result.shapes("first_lanes")),
        uncovered=_areas_of(result, "uncovered"),
        no_go=_areas_of(result, "no_go"),
    )


def read_trap_content(view: TrapView) -> MapContent:
    """What a map of traps shows: those of a last-seen point with its release, or those of all ground."""
    from lastseen.output.results.layers import trap_layer  # noqa: PLC0415
    from lastseen.output.results.plan import result_of_plan  # noqa: PLC0415  only with a plan

    traps = trap_marks(trap_layer(view.traps).records())
    if view.plan is not None and view.plan.model is not None:
        return replace(read_map_content(result_of_plan(view.plan)), traps=traps)
    ground = view.terrain.elevation
    areas = MultiPolygon([part for area in view.areas for part in area.outline.geoms])
    return MapContent(numbers={}, ground=ground, crs=ground.crs, traps=traps, release_areas=areas)


def keep_blank(content: MapContent) -> MapContent:
    """Ground and last-seen point alone, on the same piece of ground."""
    keys = ("schema_version", "program", "name", "inputs", "grid", "last_seen", "search", "flat")
    numbers = {key: content.numbers[key] for key in keys if key in content.numbers}
    numbers["search"] = {key: content.numbers["search"][key] for key in ("searchers", "declination_deg", "date")}
    at = {name: getattr(content, name) for name in ("ground", "crs", "at_m", "radius_m")}
    return MapContent(numbers=numbers, blank=True, ground_m=box(*content.whole().bounds), **at)


def trap_marks(records: Iterable[tuple[BaseGeometry, dict[str, Any]]]) -> tuple[TrapMark, ...]:
    """Traps from the records of their layer."""
    return _area_marks(TrapMark, records)


def _area_marks(kind: Any, records: Iterable[tuple[BaseGeometry, dict[str, Any]]]) -> tuple[Any, ...]:
    return tuple(kind(outline=keep_areas(area), **_fields_of(kind, row)) for area, row in records)


def title_of(numbers: Mapping[str, Any]) -> str:
    """Name of a plan, or what it is."""
    if numbers["name"] or numbers.get("model"):
        return str(numbers["name"] or "Search plan")
    return "Signal search, second pass" if numbers["search"].get("second_pass") else "Signal search"


def _fields_of(record: Any, row: Mapping[str, Any]) -> dict[str, Any]:
    return {field.name: row[field.name] for field in fields(record) if field.name in row}


def _areas_of(result: Result, layer: str) -> MultiPolygon:
    return MultiPolygon([part for shape in result.shapes(layer) for part in keep_areas(shape).geoms])


def draw_search(d: Drawing, content: MapContent, arm_m: float) -> None:
    """All of a search on its ground, from the debris to the cross of the last-seen point."""
    draw_debris(d.ground, content, d.palette, 1.4)
    edge = {"edgecolor": d.palette.debris.outline, "linewidth": 0.4, "linestyle": (0, (1.0, 1.0)), "zorder": 2.6}
    for zone in content.zones:
        draw_area(d.ground, zone.outline, fill=False, **edge)
    draw_paths(d.ground, content, d.palette, fill=False)
    draw_traps(d, content.traps)
    _draw_poa(d, content)
    if not content.no_go.is_empty:
        ink = d.palette.lanes
        look = {"facecolor": "none", "edgecolor": ink.colour, "linewidth": 0.9, "zorder": 5.9}
        draw_area(d.ground, content.no_go, hatch=ink.no_go, **look)
    _draw_uncovered(d, content)
    _draw_lanes(d, content)
    for at in (content.at_m, *content.also_m):
        draw_last_seen(d.ground, d.palette, at, radius_m=content.radius_m, arm_m=arm_m)


def draw_steps(axes: Axes, grid: Grid, levels: Sequence[float], colours: Sequence[str], **look: Any) -> None:
    """A colour for the ground between one level and the next."""
    axes.contourf(*centres_of(grid), grid.values, levels=levels, colors=list(colours), **look)


def centres_of(grid: Grid) -> tuple[FloatArray, FloatArray]:
    """Middles of the columns and of the rows, map metres."""
    x, _ = grid.centre_of(0, np.arange(grid.shape[1]))
    _, y = grid.centre_of(np.arange(grid.shape[0]), 0)
    return x, y


def draw_debris(axes: Axes, content: MapContent, palette: Palette, width: float) -> None:
    """Steps of probability in one ramp, and the outline that is searched."""
    ink = palette.debris
    if content.probability is None:
        draw_area(axes, content.outline, facecolor=ink.observed, alpha=ink.opacity, linewidth=0, zorder=1)
    else:
        grid = content.probability
        smooth = grid.with_values(ndimage.gaussian_filter(np.nan_to_num(grid.values), 1.0, truncate=3.0))
        draw_steps(axes, smooth, (*ink.levels, 1.0001), ink.ramp, alpha=ink.opacity, zorder=1)
    draw_area(axes, content.outline, fill=False, edgecolor=ink.outline, linewidth=width, zorder=5)


def draw_paths(axes: Axes, content: MapContent, palette: Palette, *, fill: bool) -> None:
    """Release, paths and corridors."""
    ink = palette.snow
    for share, area in content.corridors:
        width = 0.9 if share == 0.5 else 0.5
        look = {"edgecolor": ink.corridor, "linewidth": width, "linestyle": (0, ink.dashes["corridor"]), "zorder": 1.5}
        draw_area(axes, area, fill=False, **look)
        if fill and share == 0.1:
            draw_area(axes, area, facecolor=ink.corridor, alpha=0.18, linewidth=0, zorder=0.9)
    if content.path is not None:
        axes.add_line(stroke(content.path.coords, ink.path, 0.9, ink.dashes["path"], zorder=1.6))
    draw_release_outline(axes, content.release, palette, 1.5)


def draw_release_outline(axes: Axes, release: BaseGeometry, palette: Palette, width: float) -> None:
    """The edge of the release."""
    ink = palette.snow
    look = {"edgecolor": ink.release, "linewidth": width, "linestyle": (0, ink.dashes["release"]), "zorder": 4}
    draw_area(axes, release, fill=False, **look)


def draw_traps(d: Drawing, traps: Iterable[TrapMark | Trap]) -> None:
    """Traps by hatch."""
    signs, colour = d.palette.traps.signs, d.palette.traps.colour
    look = {"facecolor": "none", "edgecolor": colour, "linewidth": 0.7, "zorder": 3, "alpha": TRAP_OPACITY}
    for trap in traps:
        draw_area(d.ground, trap.outline, hatch=signs[trap.kind].hatch, **look)


def _draw_poa(d: Drawing, content: MapContent) -> None:
    ink = d.palette.person
    for (_, area), key, width in zip(content.poa, ("half", "most"), (1.5, 1.1), strict=False):
        draw_area(d.ground, area, fill=False, edgecolor=d.palette.ground.paper, linewidth=width + 1.0, zorder=5.1)
        dashes = ink.dashes[key]
        look = {"edgecolor": ink.line, "linewidth": width, "linestyle": (0, dashes) if dashes else "-", "zorder": 5.2}
        draw_area(d.ground, area, fill=False, **look)


def draw_last_seen(
    axes: Axes, palette: Palette, at_m: tuple[float, float] | None, *, radius_m: float, arm_m: float
) -> None:
    """The last-seen point: a cross in a ring, and the circle of its uncertainty to scale."""
    if at_m is None:
        return
    ink, paper = palette.person, palette.ground.paper
    (x, y), arm = at_m, arm_m
    look = {"facecolor": "none", "edgecolor": ink.line, "linewidth": 1.0, "linestyle": (0, (3, 1.5)), "zorder": 8}
    axes.add_patch(Circle(at_m, radius_m, **look))
    for width, colour in ((3.2, paper), (1.6, ink.line)):
        for dx, dy in ((arm, 0.0), (0.0, arm)):
            axes.add_line(stroke([(x - dx, y - dy), (x + dx, y + dy)], colour, width, zorder=9))
    for width, colour in ((2.6, paper), (1.2, ink.line)):
        look = {"facecolor": "none", "edgecolor": colour, "linewidth": width, "zorder": 9.1}
        axes.add_patch(Circle(at_m, 0.62 * arm, **look))


# ---- Lanes, joins, approaches and what they leave uncovered

LANE_WIDTH, JOIN_WIDTH, APPROACH_WIDTH, FIRST_WIDTH = 1.5, 0.75, 1.5, 0.9
ARROW_MM, SMALL_ARROW_MM = 2.7, 1.8
LONG_LANE_MM, SHORT_LANE_MM = 32.0, 6.0
SEEN_MM = 4.0  # a smaller uncovered piece gets a ring
RING_MM = 1.3
MOST_RINGS = 40  # more would hide the map
ENTRY_MM = 5.0


def _draw_lanes(d: Drawing, content: MapContent) -> None:
    ink = d.palette.lanes
    for line in content.first_lanes:
        d.ground.add_line(stroke(line.coords, ink.colour, FIRST_WIDTH, ink.first, zorder=6.5))
    for leg in sorted(content.legs, key=lambda leg: leg.kind == "lane"):
        _draw_leg(d, leg)
    for leg in content.legs:
        _draw_arrows(d, leg)
        d.room.ink(d.on_page(leg.line), 3.0 if leg.kind == "lane" else 1.0)
    start = start_of(content)
    if start is not None and d.inside(*(at := d.sheet.on_page(*start)), 1.5):
        (x, y), r = at, 1.3
        ring = [(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r), (x - r, y - r)]
        d.line(ring, ink.casing, 2.6, zorder=8.5)
        d.line(ring, ink.colour, 1.2, zorder=8.6)


def _draw_uncovered(d: Drawing, content: MapContent) -> None:
    """What no lane reaches; a ring marks pieces too small to see."""
    ink, k = d.palette.lanes, d.sheet.metres_per_mm
    small = []
    for geom in content.uncovered.geoms:
        west, south, east, north = geom.bounds
        if max(east - west, north - south) >= SEEN_MM * k:
            look = {"facecolor": ink.casing, "edgecolor": ink.colour, "linewidth": 0.6, "zorder": 6}
            draw_area(d.ground, geom, hatch=ink.uncovered, **look)
        elif geom.area > 0:
            draw_area(d.ground, geom, facecolor=ink.colour, edgecolor=ink.colour, linewidth=0.5, zorder=6)
            small.append(geom.representative_point().buffer(RING_MM * k))
    near = 1.5 * RING_MM * k  # pieces side by side share a ring
    rings = shapely.unary_union(small).buffer(near).buffer(-near)
    for colour, width, zorder in ((ink.casing, 1.5, 6.1), (ink.colour, 0.6, 6.2)) if len(small) <= MOST_RINGS else ():
        draw_area(d.ground, rings, fill=False, edgecolor=colour, linewidth=width, zorder=zorder)


def _draw_leg(d: Drawing, leg: Leg) -> None:
    ink, points = d.palette.lanes, leg.line.coords
    if leg.kind == "lane":
        d.ground.add_line(stroke(points, ink.casing, LANE_WIDTH + 1.4, zorder=7))
        d.ground.add_line(stroke(points, ink.colour, LANE_WIDTH, ink.of_searcher(leg.searcher), zorder=7.1))
    elif leg.kind in ("join", "track"):
        d.ground.add_line(stroke(points, ink.casing, JOIN_WIDTH + 1.0, zorder=6.8))
        d.ground.add_line(stroke(points, ink.colour, JOIN_WIDTH, zorder=6.9))
    else:
        look = {"dash_capstyle": "round", "zorder": 6.9}
        d.ground.add_line(stroke(points, ink.casing, APPROACH_WIDTH + 1.0, ink.approach, **look))
        d.ground.add_line(stroke(points, ink.colour, APPROACH_WIDTH, ink.approach, **look))


def _draw_arrows(d: Drawing, leg: Leg) -> None:
    (x0, y0), (x1, y1) = d.on_page(leg.line)[[0, -1]]
    length = math.hypot(x1 - x0, y1 - y0)
    shares: tuple[float, ...] = (0.55,) if length > SHORT_LANE_MM else ()
    if leg.kind == "lane":
        shares = (0.3, 0.8) if length > LONG_LANE_MM else (0.62,) if length > SHORT_LANE_MM else (1.0,)
    size = ARROW_MM if leg.kind == "lane" else SMALL_ARROW_MM
    for share in shares if length >= 1e-6 else ():
        x, y = x0 + share * (x1 - x0), y0 + share * (y1 - y0)
        if d.inside(x, y, 1.5):
            d.arrow(x, y, math.atan2(y1 - y0, x1 - x0), size, d.palette.lanes.colour)


def start_of(content: MapContent) -> tuple[float, float] | None:
    """The searchers' start, where it is not the last-seen point."""
    first = next((leg for leg in content.legs if leg.kind in ("approach", "track")), None)
    if first is None or (content.at_m is not None and math.dist(first.line.coords[0][:2], content.at_m) < 1.0):
        return None
    x, y = first.line.coords[0][:2]
    return float(x), float(y)


def entering(d: Drawing, content: MapContent) -> list[tuple[float, float, Leg]]:
    """Where ways in that begin off the sheet come onto it, in page millimetres."""
    b = d.sheet.body
    frame = box(b.left + 0.5, b.bottom + 0.5, b.right - 0.5, b.top - 0.5)
    found = []
    for leg in content.legs:
        points = d.on_page(leg.line)
        if leg.kind not in ("approach", "track") or d.inside(*points[0]) or not d.inside(*points[-1]):
            continue
        seen = LineString(points).intersection(frame)
        if isinstance(seen, LineString) and not seen.is_empty:
            inward = seen.interpolate(min(ENTRY_MM, seen.length))
            found.append((float(inward.x), float(inward.y), leg))
    return found
