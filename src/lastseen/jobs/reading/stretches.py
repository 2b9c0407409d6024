"""A line cut into stretches where something changes, and places to regroup along it."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.spatial import cKDTree
from shapely.geometry import MultiPolygon

from lastseen.core import BoolArray, FloatArray, Grid, IntArray, smooth_outline
from lastseen.jobs.reading.ground import PreparedGround
from lastseen.jobs.reading.line_exposure import BESIDE_M, CaughtRecords, LongArray, PassingSamples
from lastseen.jobs.reading.route import Route
from lastseen.terrain import read_terrain
from lastseen.traps import Kind, Trap, find_traps

# Shorter stretches join the neighbour that is most like them: this long, so many cells, a share of the line.
SHORTEST_M, SHORTEST_CELLS, SHORTEST_SHARE = 25.0, 3.0, 1.0 / 60.0  # design choices
STEPS = (0.0, 0.25, 0.6)  # exposure changes where its share crosses one of these; design choices
LEAST_SHARE = 0.1  # a consequence counts from this share of those who are caught; design choice
CONSEQUENCES = ("burial", "trauma", "water", "no_way_out")
MOST_ZONES = 5

State = Literal["no data", "not reached", "starts here", "reached"]


@dataclass(frozen=True, kw_only=True)
class ZoneAbove:
    """A start zone that can reach a stretch, and the share of the members in which it does."""

    block: tuple[int, int]
    number: int
    share: float


@dataclass(frozen=True, kw_only=True)
class TrapMet:
    """A trap below a stretch, with the shares of those caught here that pass it (as the worst) and that stop in it."""

    trap: Trap
    passes: float
    ends: float


@dataclass(frozen=True, eq=False, kw_only=True)
class Stretch:
    """A part of the line along which nothing much changes."""

    number: int  # from 1, along all lines
    part: int  # which line, from 0
    # stations, both included
    first: int
    last: int
    # from the beginning of the line; and from its end to the end of the line
    from_m: float
    to_m: float
    to_end_m: float
    state: State  # what snow does here; "starts here" where it comes from nowhere else
    slope_deg: float  # mean slope of the ground here; NaN where it is not known
    # height gained and lost along it
    climb_m: float
    descent_m: float
    in_start_zone: float  # share of its length that is start-zone terrain itself
    exposure: float  # share of the members in which snow from above comes over a place of it, mean over its length
    zones: tuple[ZoneAbove, ...]  # that can reach it, the likeliest first
    caught: int  # how many samples the numbers below rest on; 0 where nothing comes
    # (P10, P50, P90); of somebody caught here: how far, how much height, under how much debris, how fast it comes. NaN
    # where unknown.
    distance_m: tuple[float, float, float]
    drop_m: tuple[float, float, float]
    debris_m: tuple[float, float, float]
    speed_m_s: tuple[float, float, float]
    # shares of those caught here
    burial: float
    trauma: float
    water: float
    no_way_out: float
    leaves: float
    traps: tuple[TrapMet, ...]  # the worst first, at most three

    @property
    def length_m(self) -> float:
        """On the map."""
        return self.to_m - self.from_m

    @property
    def worst(self) -> str | None:
        """The consequence that most of those caught here meet; None under ``LEAST_SHARE``."""
        name = max(CONSEQUENCES, key=lambda consequence: float(getattr(self, consequence)))
        return name if getattr(self, name) >= LEAST_SHARE else None


@dataclass(frozen=True, eq=False, kw_only=True)
class Stations:
    """What is known at each station. Arrays of shape (stations,)."""

    slope_deg: FloatArray
    in_start_zone: npt.NDArray[np.bool_]
    exposure: FloatArray  # share of the members in which snow from above comes over it
    mask: npt.NDArray[np.uint64]  # of uint64; the members
    # mean debris where one stops, and shares, of all samples that pass it; NaN where none does
    debris_m: FloatArray
    burial: FloatArray
    trauma: FloatArray
    water: FloatArray
    no_way_out: FloatArray


def gather_at_stations(
    route: Route, caught: CaughtRecords, slope_deg: FloatArray, start_zone: BoolArray, near_m: float
) -> Stations:
    """Gather the records by station: each station stands for the line within ``near_m`` along it.

    A sample is counted at the station nearest to the cell that it enters, and cells can be wider than stations are
    apart.
    """
    n = route.x_m.size
    mask = np.zeros(n, np.uint64)
    above = ~caught.released_here
    np.bitwise_or.at(mask, caught.station[above], np.uint64(1) << caught.member[above].astype(np.uint64))
    reach = int(np.ceil(near_m / route.step_m))
    mask = _along(route, mask, reach, np.bitwise_or)

    def mean(values: npt.NDArray[Any]) -> FloatArray:
        known = np.isfinite(np.asarray(values, float))
        total = np.bincount(caught.station, np.where(known, np.asarray(values, float), 0.0), minlength=n)
        some = np.bincount(caught.station, known.astype(float), minlength=n)
        total, some = (_along(route, sums, reach, np.add) for sums in (total, some))
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(some > 0.0, total / some, np.nan)

    return Stations(
        slope_deg=slope_deg,
        in_start_zone=start_zone,
        exposure=np.where(np.isfinite(route.height_m), np.bitwise_count(mask) / float(caught.members), 0.0),
        mask=mask,
        debris_m=mean(caught.debris_m),
        **{name: mean(getattr(caught, name)) for name in CONSEQUENCES},
    )


def _along(route: Route, values: npt.NDArray[Any], reach: int, join: np.ufunc) -> npt.NDArray[Any]:
    """Values joined with those of the stations up to ``reach`` before and after on the same line."""
    out = values.copy()
    for k in range(1, reach + 1):
        one_line = route.part[k:] == route.part[:-k]
        out[k:] = np.where(one_line, join(out[k:], values[:-k]), out[k:])
        out[:-k] = np.where(one_line, join(out[:-k], values[k:]), out[:-k])
    return out


def cut_into_stretches(route: Route, stations: Stations, caught: CaughtRecords, cell_m: float) -> tuple[Stretch, ...]:
    """Cut the line where exposure, start-zone terrain or the main consequence changes, and describe each piece."""
    code = _codes(route, stations)
    order = np.argsort(caught.station, kind="stable")
    at = caught.station[order]
    found: list[Stretch] = []
    least_m = max(SHORTEST_M, SHORTEST_CELLS * cell_m, SHORTEST_SHARE * route.length_m)
    shortest = max(1, int(least_m / route.step_m))
    for part in range(len(route.lines)):
        of_part = np.flatnonzero(route.part == part)
        for first, last in _runs(code[of_part], stations.exposure[of_part], shortest):
            a, b = int(of_part[first]), int(of_part[last])
            records = order[np.searchsorted(at, a) : np.searchsorted(at, b, side="right")]
            found.append(_describe(route, stations, caught, records, number=len(found) + 1, first=a, last=b))
    return tuple(found)


def _codes(route: Route, stations: Stations) -> IntArray:
    """What must not change within a stretch, as one number for each station."""
    exposure = np.searchsorted(STEPS, stations.exposure)
    shares = np.nan_to_num(np.stack([getattr(stations, name) for name in CONSEQUENCES]))
    main = np.where(shares.max(axis=0) >= LEAST_SHARE, shares.argmax(axis=0) + 1, 0)
    starts = stations.in_start_zone | np.isfinite(stations.burial)  # somebody who stands here can release snow
    code = np.where(exposure > 0, exposure * 100 + main * 10 + stations.in_start_zone, starts)
    return np.where(np.isfinite(route.height_m), code, -1).astype(np.int32)


def _runs(code: IntArray, exposure: FloatArray, shortest: int) -> list[tuple[int, int]]:
    """Runs of equal codes; the shortest join the neighbour that is most like them, until none is too short.

    What is reached never joins what is not: a short gap between exposed places becomes exposed, and not the other
    way round. Ground without data stays apart.
    """
    edges = [0, *(np.flatnonzero(np.diff(code)) + 1).tolist(), code.size]
    runs = [(a, b - 1, int(code[a])) for a, b in itertools.pairwise(edges)]

    def mean(run: tuple[int, int, int]) -> float:
        return float(exposure[run[0] : run[1] + 1].mean())

    while True:
        choices = [
            (run[1] - run[0] + 1, k, abs(mean(runs[j]) - mean(run)), j)
            for k, run in enumerate(runs)
            for j in (k - 1, k + 1)
            if 0 <= j < len(runs) and _may_join(run[2], runs[j][2], short=run[1] - run[0] + 1 < shortest)
        ]
        if not choices:
            return [run[:2] for run in runs]
        _, k, _, j = min(choices)
        a, b = min(j, k), max(j, k)
        runs[a : b + 1] = [(runs[a][0], runs[b][1], runs[j][2])]


def _may_join(code: int, other: int, *, short: bool) -> bool:
    """Whether a run may become part of its neighbour."""
    return code == other or (short and code >= 0 and other >= 0 and (other > 0 or code == 0))


def _describe(
    route: Route, stations: Stations, caught: CaughtRecords, records: LongArray, *, number: int, first: int, last: int
) -> Stretch:
    """What the stations from first to last and the records of them say."""
    piece = slice(first, last + 1)
    part = int(route.part[first])
    known = np.isfinite(route.height_m[piece])
    steps = np.diff(route.height_m[piece][known])
    exposure = float(stations.exposure[piece].mean())
    _, once = np.unique(caught.sample[records], return_index=True)
    records = records[np.sort(once)]
    met: dict[str, Any] = {}
    for name in (*CONSEQUENCES, "leaves"):
        met[name] = float(getattr(caught, name)[records].mean()) if records.size else 0.0
    for name in ("distance_m", "drop_m", "debris_m", "speed_m_s"):
        met[name] = _spread(getattr(caught, name)[records])
    state: State = "no data" if not known.any() else "reached" if exposure > 0.0 else "not reached"
    if state == "not reached" and (records.size or stations.in_start_zone[piece].any()):
        state = "starts here"
    end, slope = _edge_m(route, last, last + 1), stations.slope_deg[piece]
    return Stretch(
        number=number,
        part=part,
        first=first,
        last=last,
        from_m=_edge_m(route, first, first - 1),
        to_m=end,
        to_end_m=route.lines[part].length - end,
        state=state,
        slope_deg=float(np.nanmean(slope)) if np.isfinite(slope).any() else float("nan"),
        climb_m=float(steps[steps > 0].sum()),
        descent_m=float(-steps[steps < 0].sum()),
        in_start_zone=float(stations.in_start_zone[piece].mean()),
        exposure=exposure,
        zones=_zones_above(caught, records[~caught.released_here[records]]),
        caught=int(records.size),
        traps=_traps_met(caught, records),
        **met,
    )


def _edge_m(route: Route, station: int, beyond: int) -> float:
    """Where a stretch ends along its line: midway to the next station, or at the last one of the line."""
    if not 0 <= beyond < route.along_m.size or route.part[beyond] != route.part[station]:
        return float(route.along_m[station])
    return 0.5 * float(route.along_m[station] + route.along_m[beyond])


def _spread(values: FloatArray) -> tuple[float, float, float]:
    known = values[np.isfinite(values)]
    if not known.size:
        return (float("nan"),) * 3
    low, mid, high = np.percentile(known, [10.0, 50.0, 90.0])
    return float(low), float(mid), float(high)


def _zones_above(caught: CaughtRecords, records: npt.NDArray[np.int64]) -> tuple[ZoneAbove, ...]:
    """Start zones of the samples, by the share of members in which one of theirs comes."""
    pairs = np.unique(np.stack([caught.zone[records], caught.member[records]]), axis=1)
    names, counts = np.unique(pairs[0], return_counts=True)
    found = [
        ZoneAbove(block=caught.zones[k][:2], number=caught.zones[k][2], share=n / caught.members)
        for k, n in zip(names.tolist(), counts.tolist(), strict=True)
    ]
    return tuple(sorted(found, key=lambda zone: (-zone.share, zone.block, zone.number)))


def _traps_met(caught: CaughtRecords, records: npt.NDArray[np.int64]) -> tuple[TrapMet, ...]:
    """The traps that weigh most for those caught here."""
    worst, ends_in = caught.trap[records], caught.ends_in[records]
    found = [
        TrapMet(trap=caught.traps[k], passes=float((worst == k).mean()), ends=float((ends_in == k).mean()))
        for k in np.unique(np.concatenate([worst, ends_in])).tolist()
        if k >= 0
    ]
    found = [met for met in found if max(met.passes, met.ends) >= 0.02]
    return tuple(sorted(found, key=lambda met: -(met.ends + 0.5 * met.passes))[:3])


# Places to regroup: ground on or beside the line that no start zone in this model reaches.
CLEAR_M = 10.0  # as far as this off any ground that a sample crossed; design choice
STEEPEST_DEG = 27.0  # nobody regroups on what is nearly start-zone terrain; design choice
LEAST_M2 = 150.0  # room for a small group with distance to each other; design choice
# Along the line: of several places closer than this, or this share of the line, the roomiest is taken.
APART_M, APART_SHARE = 120.0, 0.125
MOST_TOLD = 12
ENOUGH_M = 40.0  # more room than this is not better ...
BESIDE_COST = 0.3  # ... and a metre beside the line costs so many metres of room; design choices
EDGES: tuple[Kind, ...] = ("cliff", "crevasses", "water")  # what somebody who waits can fall into ...
NEAR_M = 50.0  # ... and how near it is named; design choice
EDGE_MARGIN_M = 60.0  # what lies around shows where a cliff ends; design choice
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, eq=False, kw_only=True)
class Regroup:
    """A place where a group can wait, as far as this model knows."""

    letter: str
    outline: MultiPolygon
    # its roomiest point
    x_m: float
    y_m: float
    part: int
    along_m: float  # where along the line it lies
    beside_m: float  # how far off the line
    area_m2: float  # of the ground that belongs to it and lies near the line
    slope_deg: float
    clear_m: float  # distance to the nearest ground that snow crosses in any member, as far as it was looked for
    edge: str  # the nearest terrain trap that somebody can fall into, where one lies within 50 m
    edge_m: float  # how far it is; NaN where there is none


def places_to_regroup(prepared: PreparedGround, route: Route, passing: PassingSamples) -> tuple[Regroup, ...]:
    """Find them beside the line, along the way; the roomiest of those that lie close together."""
    heights, window = prepared.heights, passing.ground.window
    tile = prepared.over(window)
    ground = heights.on(window, tile.smoothed_m)
    beside, station = _to_line(route, ground)
    crossed = (passing.ground.mask > 0) | (tile.zone > 0) | ~np.isfinite(tile.smoothed_m)
    clear = np.full(window.shape, 2.0 * BESIDE_M)
    if crossed.any():
        clear = ndimage.distance_transform_edt(~crossed, sampling=heights.cell_m)
    with np.errstate(invalid="ignore"):
        room = (beside <= BESIDE_M) & (clear >= max(CLEAR_M, passing.spacing_m)) & (tile.slope_deg < STEEPEST_DEG)
    score = np.where(room, np.minimum(clear, ENOUGH_M) - BESIDE_COST * beside, -np.inf)
    found: list[Regroup] = []
    apart = max(APART_M, APART_SHARE * route.length_m)
    while len(found) < MOST_TOLD and np.isfinite(score).any():
        row, col = (int(k) for k in np.unravel_index(int(np.argmax(score)), score.shape))
        at = int(station[row, col])
        away = np.abs(route.along_m[station] - route.along_m[at])
        away[route.part[station] != route.part[at]] = np.inf
        labels, _ = ndimage.label(room & (away <= 0.5 * APART_M))
        place: BoolArray = labels == labels[row, col]
        area = float(place.sum() * heights.cell_m**2)
        score[place & (away <= apart) if area < LEAST_M2 else away <= apart] = -np.inf
        if area >= LEAST_M2:
            x, y = (float(v) for v in ground.centre_of(row, col))
            edge, edge_m = _edge_near(prepared, x, y)
            found.append(
                Regroup(
                    letter="",
                    outline=smooth_outline(place, ground.west_m, ground.north_m, heights.cell_m),
                    x_m=x,
                    y_m=y,
                    part=int(route.part[at]),
                    along_m=float(route.along_m[at]),
                    beside_m=float(beside[row, col]),
                    area_m2=area,
                    slope_deg=float(tile.slope_deg[row, col]),
                    clear_m=float(clear[row, col]),
                    edge=edge,
                    edge_m=edge_m,
                )
            )
    found.sort(key=lambda regroup: (regroup.part, regroup.along_m))
    return tuple(replace(regroup, letter=letter) for regroup, letter in zip(found, LETTERS, strict=False))


def _edge_near(prepared: PreparedGround, x_m: float, y_m: float) -> tuple[str, float]:
    """What somebody at a place can fall into nearby, and how far it is. Gentle places have no trap of their own."""
    heights, reach = prepared.heights, NEAR_M + EDGE_MARGIN_M
    ground = heights.grid(heights.window_of(x_m - reach, y_m - reach, x_m + reach, y_m + reach))
    x, y = ground.centre_of(*np.indices(ground.shape))
    away = np.hypot(x - x_m, y - y_m)
    traps = find_traps(read_terrain(ground), away <= NEAR_M, prepared.layers_on(ground))
    found = [(float(away.ravel()[trap.cells].min()), trap.kind) for trap in traps if trap.kind in EDGES]
    edge_m, edge = min(found, default=(math.inf, ""))
    return (edge, edge_m) if edge_m <= NEAR_M else ("", math.nan)


def _to_line(route: Route, ground: Grid) -> tuple[FloatArray, npt.NDArray[np.int64]]:
    """Distance of each cell to the nearest station, and which one it is; infinite beyond what counts as beside."""
    known = np.flatnonzero(np.isfinite(route.height_m))
    tree = cKDTree(np.column_stack([route.x_m[known], route.y_m[known]]))
    rows, cols = np.indices(ground.shape).reshape(2, -1)
    x, y = ground.centre_of(rows, cols)
    away, nearest = tree.query(np.column_stack([x, y]), distance_upper_bound=2.0 * BESIDE_M)
    station = known[np.minimum(nearest, known.size - 1)]
    return np.asarray(away).reshape(ground.shape), station.reshape(ground.shape)
