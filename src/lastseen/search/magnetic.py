"""Magnetic bearings: the declination of the World Magnetic Model."""

from __future__ import annotations

import datetime as dt
import math
import warnings
from functools import lru_cache


def decimal_year(date: dt.date) -> float:
    """A date as a year with a fraction."""
    first = dt.date(date.year, 1, 1)
    return date.year + (date - first).days / (dt.date(date.year + 1, 1, 1) - first).days


@lru_cache(maxsize=256)
def declination_deg(lon_deg: float, lat_deg: float, elevation_m: float, year: float) -> float:
    """Angle from true north to magnetic north, east positive; magnetic bearing = true bearing - declination.

    World Magnetic Model (NOAA and British Geological Survey, WMM2025), as the library of its makers works it out.
    The model is of the main field: the needle can be off by degrees beside iron, and local rock is not in it.

    Parameters
    ----------
    lon_deg, lat_deg : float
        WGS 84.
    elevation_m : float
        Above the ellipsoid; a hundred metres more or less do not matter.
    year : float
        With its fraction.

    Returns
    -------
    float
        Degrees; NaN ("no data") outside the years of the model, where nothing can be said.
    """
    from wmm import wmm_calc  # noqa: PLC0415  slow to import, and only needed when a date is given

    if not (math.isfinite(year) and math.isfinite(elevation_m)):
        return math.nan
    model = wmm_calc()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a weak horizontal field near the poles is answered as a number, too
        try:
            model.setup_time(dyear=year)
        except ValueError:
            return math.nan
        model.setup_env(lat_deg, lon_deg, elevation_m / 1000.0)
        return float(model.get_Bdec()[0])
