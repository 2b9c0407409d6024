"""How far snow goes: main path, run-out over the ensemble, and the statistical envelope."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from shapely.geometry import LineString, MultiPolygon

from lastseen.core import BoolArray, FloatArray, Grid, outline_of_level
from lastseen.snow import sliding_mass_kernels
from lastseen.snow.ensemble import SIDES, Ensemble, slice_within
from lastseen.snow.release import Release
from lastseen.snow.sliding_mass import Samples, slide_samples

# ---- Where the snow goes: the steepest path, the ground that events pass, the profile of the main path

CORRIDOR_SHARES = (0.1, 0.5, 0.9)
PATH_END = ("a pit or flat ground", "the edge of the elevation model", "no data", "its longest length")
# The main path is that of a heavy, slippery sample: it runs on past where any member of the ensemble stops.
MAIN_FRICTION, MAIN_DRAG_PER_M = 0.12, 1.0 / 45.0


@dataclass(frozen=True, kw_only=True)
class FlowPaths:
    """Where the snow goes."""

    steepest: LineString  # steepest descent from the top of the release
    steepest_end: str  # why it ends
    main: LineString  # path of a slippery sample from the top of the release, for the profile
    profile_m: FloatArray  # shape (n, 2); horizontal distance along the main path and elevation
    passage: Grid  # share of events that pass each cell
    # tuple of (share, MultiPolygon); ground that at least 10, 50 and 90 % of the events pass
    corridors: tuple[tuple[float, MultiPolygon], ...]
    # mean over the events that pass a cell of their highest speed there, and the highest of all. NaN where none pass.
    peak_speed_m_s: Grid
    highest_speed_m_s: Grid
    # earliest arrival of the front in any event. NaN where none comes, or where the model does not know it.
    arrival_s: Grid

    def reach(self, margin_m: float) -> BoolArray:
        """Cells within a margin of ground that any event passes."""
        away: FloatArray = ndimage.distance_transform_edt(self.passage.values <= 0) * self.passage.cell_m
        return np.asarray(away <= margin_m)


def trace_flow_paths(surface: Grid, release: Release, ensemble: Ensemble) -> FlowPaths:
    """Paths, corridors and speeds of an ensemble that has run over a lightly smoothed ground."""
    steepest, end = trace_steepest_descent(surface, *release.top_m)
    main = _main_path(surface, release)
    passage, mean_speed, highest, arrival = _passed(surface, ensemble)
    corridors = tuple(
        (share, outline_of_level(passage, share, 4.0 * surface.cell_area_m2)) for share in CORRIDOR_SHARES
    )
    points = np.asarray(main.coords)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    profile = np.column_stack([along, surface.sample(points[:, 0], points[:, 1])])
    return FlowPaths(
        steepest=steepest,
        steepest_end=end,
        main=main,
        profile_m=profile,
        passage=passage,
        corridors=corridors,
        peak_speed_m_s=mean_speed,
        highest_speed_m_s=highest,
        arrival_s=arrival,
    )


def trace_steepest_descent(
    surface: Grid, x_m: float, y_m: float, longest_m: float = 10_000.0
) -> tuple[LineString, str]:
    """The path of steepest descent from a point and the reason why it ends."""
    step = 0.5 * surface.cell_m
    path = np.empty((int(longest_m / step), 3))
    n, code = sliding_mass_kernels.descend(
        surface.values, surface.cell_m, x_m - surface.west_m, surface.north_m - y_m, step, path
    )
    return _line(surface, path[:n, 0] + surface.west_m, surface.north_m - path[:n, 1]), PATH_END[code]


def _main_path(surface: Grid, release: Release) -> LineString:
    unit = np.ones(1)
    samples = Samples(
        x_m=release.top_m[0] * unit,
        y_m=release.top_m[1] * unit,
        east_m_s=0 * unit,
        north_m_s=0 * unit,
        friction=MAIN_FRICTION * unit,
        drag_per_m=MAIN_DRAG_PER_M * unit,
    )
    tracks = slide_samples(surface, samples)
    x, y = surface.centre_of(tracks.cells // surface.shape[1], tracks.cells % surface.shape[1])
    # Cell centres zigzag; a running mean over five cells gives back the smooth way.
    smooth = [ndimage.uniform_filter1d(axis, 5, mode="nearest") for axis in (x, y)]
    return _line(surface, smooth[0], smooth[1])


def _line(surface: Grid, x: FloatArray, y: FloatArray) -> LineString:
    points = list(zip(x.tolist(), y.tolist(), strict=True))
    while len(points) < 2:  # a path that ends where it begins still has a direction to draw
        points.append(
            (points[-1][0] + 0.01 * surface.cell_m, points[-1][1]) if points else (surface.west_m, surface.north_m)
        )
    return LineString(LineString(points).simplify(0.05 * surface.cell_m).coords)


def _passed(surface: Grid, ensemble: Ensemble) -> tuple[Grid, Grid, Grid, Grid]:
    """Share of events that pass each cell, mean peak speed of those that do, highest of all, first arrival."""
    rows, cols = ensemble.extent()
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    count, total, highest = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    first = np.full(shape, np.nan)
    for event in ensemble.members:
        part = slice_within(event.rows, rows), slice_within(event.cols, cols)
        count[part] += event.fastest_m_s > 0.0
        total[part] += event.fastest_m_s
        highest[part] = np.maximum(highest[part], event.fastest_m_s)
        first[part] = np.fmin(first[part], event.arrival_s)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(count > 0, total / count, np.nan)
    highest[count == 0] = np.nan
    speed, fastest, arrival = (ensemble.over(surface, values, outside=np.nan) for values in (mean, highest, first))
    return ensemble.over(surface, count / len(ensemble.members)), speed, fastest, arrival


@dataclass(frozen=True)
class Range:
    """10th, 50th and 90th percentile."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, kw_only=True)
class Runout:
    """Travel of an ensemble, from the top of the release to the toe of each event."""

    travel_angle_deg: Range  # from the toe up to the top of the release
    length_m: Range  # horizontal distance between the two
    drop_m: Range  # height between the two
    fastest_m_s: Range  # greatest speed in an event
    time_s: Range  # until an event was at rest, or ran out of time


def measure_runout(surface: Grid, release: Release, ensemble: Ensemble) -> Runout:
    """Measure the travel of each event of an ensemble; snow that left the model counts where it left it."""
    x, y = (np.array([event.toe_m[k] for event in ensemble.members]) for k in (0, 1))
    length = np.hypot(x - release.top_m[0], y - release.top_m[1])
    drop = float(surface.sample(*release.top_m)) - surface.sample(*surface.centre_of(*_clipped(surface, x, y)))
    return Runout(
        travel_angle_deg=_range(np.degrees(np.arctan2(drop, length))),
        length_m=_range(length),
        drop_m=_range(drop),
        fastest_m_s=_range(np.array([event.fastest for event in ensemble.members])),
        time_s=_range(np.array([event.time_s for event in ensemble.members])),
    )


MISSING_QUANTILE = 0.9


def measure_missing_ground(surface: Grid, release: Release, ensemble: Ensemble) -> dict[str, float]:
    """Metres of ground that are missing beyond each edge that persons left over, at least.

    The way on, from where nine in ten of them left, to where the energy line of their event (Heim 1932; from the top
    of the release, with its Coulomb friction) meets ground that goes on level: ground that falls needs more.
    """
    person = ensemble.person
    side = person.left_over(ensemble.lattice.bounds)
    x, y = person.x_m, person.y_m
    top_z = float(surface.sample(*release.top_m))
    drop = top_z - surface.sample(*surface.centre_of(*_clipped(surface, x, y)))
    way = np.hypot(x - release.top_m[0], y - release.top_m[1])
    more = np.maximum(np.nan_to_num(drop / ensemble.draws.friction[person.member] - way), 0.0)
    return {
        name: float(np.quantile(more[side == k], MISSING_QUANTILE)) for k, name in enumerate(SIDES) if (side == k).any()
    }


def find_middle_member(release: Release, ensemble: Ensemble) -> int:
    """The event nearest to the median in length and in volume, each against its spread: one that can be shown."""
    toes = (member.toe_m for member in ensemble.members)
    length = np.array([np.hypot(x - release.top_m[0], y - release.top_m[1]) for x, y in toes])
    away = np.zeros(length.size)
    for values in (length, ensemble.draws.deposit_m3):
        away += np.abs(values - np.median(values)) / max(float(values.std()), 1e-9)
    return int(np.argmin(away))


def _clipped(surface: Grid, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    row, col = surface.cell_of(x, y)
    return np.clip(row, 0, surface.shape[0] - 1), np.clip(col, 0, surface.shape[1] - 1)


def _range(values: FloatArray) -> Range:
    p10, p50, p90 = np.nanquantile(values, [0.1, 0.5, 0.9])
    return Range(float(p10), float(p50), float(p90))


# ---- Statistical run-out: how far extreme events went on other slopes. An outer envelope for small ones
# The beta point is where a smoothed profile, going down, first eases to 10 degrees. Profiles are resampled to 20 m
# first, or benches of a fine elevation model would trigger it.

PROFILE_STEP_M = 20.0
BETA_SLOPE_DEG = 10.0
LEAST_DROP_M = 150.0  # design choice: the paths behind the regressions are larger, mostly by far
BENCH_CHECK_M = 100.0  # design choice: the mean slope over this length below a beta point must be easy too


@dataclass(frozen=True, kw_only=True)
class AlphaBeta:
    """A regression alpha = slope * beta + offset, degrees, with its standard deviation."""

    name: str
    slope: float
    offset_deg: float
    sd_deg: float
    source: str

    def alpha_deg(self, beta_deg: float) -> float:
        """Angle from the outermost deposit up to the top of the release."""
        return self.slope * beta_deg + self.offset_deg


REGRESSIONS = (
    AlphaBeta(
        name="western Norway",
        slope=0.96,
        offset_deg=-1.4,
        sd_deg=2.3,
        source="Bakkehoi, Domaas & Lied 1983, Ann. Glaciol. 4:24 (n = 206)",
    ),
    AlphaBeta(name="Austria", slope=0.946, offset_deg=-0.83, sd_deg=1.5, source="Lied et al. 1995 (from memory)"),
    AlphaBeta(name="Iceland", slope=0.85, offset_deg=0.0, sd_deg=2.2, source="Johannesson 1998 (from memory)"),
)


@dataclass(frozen=True, kw_only=True)
class RunoutEnvelope:
    """Where extreme events would end on a profile."""

    beta_deg: float  # NaN where the profile never eases to 10 degrees
    beta_m: float  # horizontal distance from the top to the beta point
    # tuple of (name, alpha_deg, sd_deg, distance_m, source); distance is horizontal, from the top; NaN where the
    # profile ends before
    ends: tuple[tuple[str, float, float, float, str], ...]
    note: str


def resample_profile(
    distance_m: FloatArray, height_m: FloatArray, step_m: float = PROFILE_STEP_M
) -> tuple[FloatArray, FloatArray]:
    """A profile at even horizontal steps."""
    even = np.arange(0.0, distance_m[-1] + 1e-9, step_m)
    return even, np.interp(even, distance_m, height_m)


def estimate_envelope(distance_m: FloatArray, height_m: FloatArray) -> RunoutEnvelope:
    """Statistical run-out on a profile (rising horizontal distance, elevation) from the top of the release."""
    x, z = resample_profile(distance_m, height_m)
    if x.size < 3:
        return _no_envelope("the profile is too short for a statistical run-out")
    slope = np.degrees(np.arctan(-np.diff(z) / np.diff(x)))
    steep = np.flatnonzero(slope > BETA_SLOPE_DEG)
    easy = np.flatnonzero(slope <= BETA_SLOPE_DEG)
    easy = easy[easy > steep[0]] if steep.size else easy[:0]
    easy = np.array([i for i in easy if not _is_bench(x, z, int(i))], dtype=np.intp)
    if easy.size == 0:
        return _no_envelope("the profile never eases to 10 degrees: there is no beta point on it")
    at = int(easy[0])
    if z[0] - z[at] < LEAST_DROP_M:
        drop = f"{z[0] - z[at]:.0f} m to its beta point, less than {LEAST_DROP_M:.0f} m"
        return _no_envelope(f"not applied: it describes large paths, and this one drops {drop}")
    beta = math.degrees(math.atan2(z[0] - z[at], x[at]))
    ends = tuple(
        (fit.name, fit.alpha_deg(beta), fit.sd_deg, _distance_at(x, z, fit.alpha_deg(beta)), fit.source)
        for fit in REGRESSIONS
    )
    note = (
        "outer envelope: these regressions describe extreme events of large paths, about one in 100 years; "
        "events of size 1 to 3 stop well before"
    )
    return RunoutEnvelope(beta_deg=beta, beta_m=float(x[at]), ends=ends, note=note)


def _no_envelope(note: str) -> RunoutEnvelope:
    return RunoutEnvelope(beta_deg=math.nan, beta_m=math.nan, ends=(), note=note)


def _is_bench(x: FloatArray, z: FloatArray, at: int) -> bool:
    """Whether the ground below a flattening is steep again, so that it is a bench and not the foot of the slope."""
    end = min(at + round(BENCH_CHECK_M / PROFILE_STEP_M), x.size - 1)
    return bool(z[at] - z[end] > math.tan(math.radians(BETA_SLOPE_DEG)) * (x[end] - x[at]))


def _distance_at(x: FloatArray, z: FloatArray, alpha_deg: float) -> float:
    """Where the line down from the top at an angle last meets the profile; NaN where the profile ends above it."""
    gap = (z[0] - x * math.tan(math.radians(alpha_deg))) - z
    crossed = np.flatnonzero((gap[:-1] > 0) & (gap[1:] <= 0))
    if crossed.size == 0:
        return math.nan
    i = int(crossed[0])
    return float(x[i] + (x[i + 1] - x[i]) * gap[i] / (gap[i] - gap[i + 1]))
