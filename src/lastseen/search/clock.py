"""How long walking takes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from lastseen.errors import InputError
from lastseen.grid import FloatArray

OFF_PATH_FACTOR = 0.6


def walking_speed_m_s(slope: npt.ArrayLike, off_path: bool = True) -> FloatArray:  # noqa: FBT001, FBT002
    """Walking speed on a slope.

    ``v = 6 exp(-3.5 |S + 0.05|)`` km/h, times 0.6 off the path (W. Tobler, 1993, Three presentations on geographical
    analysis and modeling, NCGIA Technical Report 93-1, after E. Imhof). The rule was made for paths and long walks:
    on rough debris people are slower.

    Parameters
    ----------
    slope : array_like
        Rise over run along the walk, up is positive.
    off_path : bool
        Whether the walk is off the path.

    Returns
    -------
    ndarray
        Metres per second, same shape as ``slope``.

    Examples
    --------
    >>> round(float(walking_speed_m_s(0.0, off_path=False)) * 3.6, 3)
    5.037
    """
    speed = 6.0 / 3.6 * np.exp(-3.5 * np.abs(np.asarray(slope, dtype=np.float64) + 0.05))
    return np.asarray(speed * (OFF_PATH_FACTOR if off_path else 1.0), dtype=np.float64)


def approach_time_h(distance_m: float, up_m: float, down_m: float) -> float:
    """Time on a mountain path: the larger of level and vertical time plus half the smaller (DIN 33466).

    4 km/h level, 300 m/h up, 500 m/h down.

    Parameters
    ----------
    distance_m, up_m, down_m : float
        Map distance, sum of ascents and sum of descents, metres, all 0 or more.

    Returns
    -------
    float
        Hours.

    Raises
    ------
    InputError
        If a length is negative or not a number.

    Examples
    --------
    >>> approach_time_h(8_000.0, 1_200.0, 0.0)
    5.0
    """
    for name, value in (("distance", distance_m), ("ascent", up_m), ("descent", down_m)):
        if not value >= 0.0:
            raise InputError(f"the {name} of an approach is {value} m: give 0 or more metres")
    level, vertical = distance_m / 4000.0, up_m / 300.0 + down_m / 500.0
    return max(level, vertical) + 0.5 * min(level, vertical)
