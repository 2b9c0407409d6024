"""How deep a given cross-section of debris piles up in a trap. Plane geometry, derived.

The debris fills the trap to a level surface; its cross-section area is the same as on open ground.
"""

from __future__ import annotations

import math

from lastseen.errors import InputError


def deposit_depth_v_m(area_m2: float, side_slope_deg: float) -> float:
    """Depth at the axis of a V-shaped gully: ``sqrt(A tan(phi))``.

    Parameters
    ----------
    area_m2 : float
        Cross-section area of the debris, at least 0.
    side_slope_deg : float
        Slope of both sides, between 0 and 90 degrees.

    Returns
    -------
    float
        Metres.

    Raises
    ------
    InputError
        If the area is negative or the slope is not between 0 and 90 degrees.

    Examples
    --------
    >>> round(deposit_depth_v_m(10.0, 30.0), 3)
    2.403
    """
    _check(area_m2, side_slope_deg)
    return math.sqrt(area_m2 * math.tan(math.radians(side_slope_deg)))


def deposit_depth_trapezoid_m(area_m2: float, floor_width_m: float, side_slope_deg: float) -> float:
    """Depth in a gully with a level floor: ``(-b + sqrt(b² + 4 A / tan(phi))) tan(phi) / 2``.

    Parameters
    ----------
    area_m2 : float
        Cross-section area of the debris, at least 0.
    floor_width_m : float
        Width of the level floor, at least 0; 0 is a V.
    side_slope_deg : float
        Slope of both sides, between 0 and 90 degrees.

    Returns
    -------
    float
        Metres.

    Raises
    ------
    InputError
        If an input is negative or the slope is not between 0 and 90 degrees.
    """
    _check(area_m2, side_slope_deg)
    if not floor_width_m >= 0.0:
        raise InputError(f"floor width of {floor_width_m} m: give 0 or more")
    gradient = math.tan(math.radians(side_slope_deg))
    return 0.5 * gradient * (-floor_width_m + math.sqrt(floor_width_m**2 + 4.0 * area_m2 / gradient))


def deposit_depth_wedge_m(area_m2: float, counter_slope_deg: float) -> float:
    """Depth at a wall of a level wedge on a floor that rises away from it: ``sqrt(2 A tan(gamma))``.

    Parameters
    ----------
    area_m2 : float
        Cross-section area of the debris, at least 0.
    counter_slope_deg : float
        Angle between the floor and the top of the debris, between 0 and 90 degrees; the wall is vertical.

    Returns
    -------
    float
        Metres.

    Raises
    ------
    InputError
        If the area is negative or the angle is not between 0 and 90 degrees.
    """
    _check(area_m2, counter_slope_deg)
    return math.sqrt(2.0 * area_m2 * math.tan(math.radians(counter_slope_deg)))


def _check(area_m2: float, slope_deg: float) -> None:
    """Refuse areas and slopes without meaning."""
    if not 0.0 <= area_m2 < math.inf:
        raise InputError(f"cross-section area of {area_m2} m²: give 0 or more")
    if not 0.0 < slope_deg < 90.0:
        raise InputError(f"slope of {slope_deg} degrees: give more than 0 and less than 90")
