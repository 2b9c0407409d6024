"""Statistical run-out: how far extreme events went on other slopes. An outer envelope for small ones, never a forecast.

The beta point is where a smoothed profile, going down, first eases to 10 degrees. Profiles are resampled to 20 m first,
or benches of a fine elevation model would trigger it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lastseen.grid import FloatArray

PROFILE_STEP_M = 20.0
BETA_SLOPE_DEG = 10.0
LEAST_DROP_M = 150.0  # design choice: the paths behind the regressions are larger, mostly by far
BENCH_CHECK_M = 100.0  # design choice: the mean slope over this length below a beta point must be easy too


@dataclass(frozen=True)
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
    AlphaBeta("western Norway", 0.96, -1.4, 2.3, "Bakkehoi, Domaas & Lied 1983, Ann. Glaciol. 4:24 (n = 206)"),
    AlphaBeta("Austria", 0.946, -0.83, 1.5, "Lied et al. 1995 (from memory)"),
    AlphaBeta("Iceland", 0.85, 0.0, 2.2, "Johannesson 1998 (from memory)"),
)


@dataclass(frozen=True)
class Envelope:
    """Where extreme events would end on a profile.

    Attributes
    ----------
    beta_deg : float
        NaN where the profile never eases to 10 degrees.
    beta_m : float
        Horizontal distance from the top to the beta point.
    ends : tuple of (name, alpha_deg, sd_deg, distance_m, source)
        Distance is horizontal, from the top; NaN where the profile ends before.
    note : str
    """

    beta_deg: float
    beta_m: float
    ends: tuple[tuple[str, float, float, float, str], ...]
    note: str


def resampled(
    distance_m: FloatArray, height_m: FloatArray, step_m: float = PROFILE_STEP_M
) -> tuple[FloatArray, FloatArray]:
    """A profile at even horizontal steps."""
    even = np.arange(0.0, distance_m[-1] + 1e-9, step_m)
    return even, np.interp(even, distance_m, height_m)


def envelope(distance_m: FloatArray, height_m: FloatArray) -> Envelope:
    """Statistical run-out on a profile that begins at the top of the release.

    Parameters
    ----------
    distance_m, height_m : ndarray, shape (n,)
        Horizontal distance, rising, and elevation.
    """
    x, z = resampled(distance_m, height_m)
    if x.size < 3:
        return Envelope(math.nan, math.nan, (), "the profile is too short for a statistical run-out")
    slope = np.degrees(np.arctan(-np.diff(z) / np.diff(x)))
    steep = np.flatnonzero(slope > BETA_SLOPE_DEG)
    easy = np.flatnonzero(slope <= BETA_SLOPE_DEG)
    easy = easy[easy > steep[0]] if steep.size else easy[:0]
    easy = np.array([i for i in easy if not _is_bench(x, z, int(i))], dtype=np.intp)
    if easy.size == 0:
        return Envelope(math.nan, math.nan, (), "the profile never eases to 10 degrees: there is no beta point on it")
    at = int(easy[0])
    if z[0] - z[at] < LEAST_DROP_M:
        drop = f"{z[0] - z[at]:.0f} m to its beta point, less than {LEAST_DROP_M:.0f} m"
        text = f"not applied: it describes large paths, and this one drops {drop}"
        return Envelope(math.nan, math.nan, (), text)
    beta = math.degrees(math.atan2(z[0] - z[at], x[at]))
    ends = tuple(
        (one.name, one.alpha_deg(beta), one.sd_deg, _distance_at(x, z, one.alpha_deg(beta)), one.source)
        for one in REGRESSIONS
    )
    note = (
        "outer envelope: these regressions describe extreme events of large paths, about one in 100 years; "
        "events of size 1 to 3 stop well before"
    )
    return Envelope(beta, float(x[at]), ends, note)


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
