"""Reference quantities of the search: one function for each."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from lastseen.search.clock import searching_speed_m_s
from lastseen.search.magnetic import declination_deg
from lastseen.search.trial import dipole_range_m, falk_1994


def falk_1994_percent(minutes: float) -> float:
    """Survival of fully buried people after some minutes, per cent."""
    return float(100.0 * falk_1994(np.array([minutes]))[0])


def dipole_range_ratio(phi_deg: float) -> float:
    """Range at an angle from the transmitter's axis, as a share of the best."""
    return dipole_range_m(1.0, phi_deg)


def magnetic_declination_deg(year: float, altitude_km: float, lat_deg: float, lon_deg: float) -> float:
    """Declination of the World Magnetic Model."""
    return declination_deg(lon_deg, lat_deg, 1000.0 * altitude_km, year)


QUANTITIES: dict[str, Callable[..., float]] = {
    "search_height_m_h": lambda slope: float(3600.0 * searching_speed_m_s(slope) * abs(slope) / math.hypot(1.0, slope)),
    "search_survival_falk_1994_percent": falk_1994_percent,
    "dipole_range_ratio": dipole_range_ratio,
    "magnetic_declination_deg": magnetic_declination_deg,
}
