"""How deep a given cross-section of debris piles up in a trap. Plane geometry, derived.

The debris fills the trap to a level surface; its cross-section area is the same as on open ground.
"""

from __future__ import annotations

import math

from lastseen.core import InputError

OPEN_DEBRIS_M, STRIP_M = (
    0.5,
    20.0,
)  # debris that traps are compared by: thickness and width on open ground; design choice


def deposit_depth_v_m(area_m2: float, side_slope_deg: float) -> float:
    """Depth at the axis of a V-shaped gully, metres: ``sqrt(A tan(phi))`` with phi the slope of both sides.

    InputError if the cross-section area of the debris is negative or the slope is not between 0 and 90 degrees.

    >>> round(deposit_depth_v_m(10.0, 30.0), 3)
    2.403
    """
    _check(area_m2, side_slope_deg)
    return math.sqrt(area_m2 * math.tan(math.radians(side_slope_deg)))


def deposit_depth_trapezoid_m(area_m2: float, floor_width_m: float, side_slope_deg: float) -> float:
    """Depth in a gully with a level floor, metres: ``(-b + sqrt(b² + 4 A / tan(phi))) tan(phi) / 2``.

    A floor of width 0 is a V. InputError if area or width is negative or the slope of the sides not between 0 and 90
    degrees.
    """
    _check(area_m2, side_slope_deg)
    if not floor_width_m >= 0.0:
        raise InputError(f"floor width of {floor_width_m} m: give 0 or more")
    gradient = math.tan(math.radians(side_slope_deg))
    return 0.5 * gradient * (-floor_width_m + math.sqrt(floor_width_m**2 + 4.0 * area_m2 / gradient))


def deposit_depth_wedge_m(area_m2: float, counter_slope_deg: float) -> float:
    """Depth at a vertical wall of a level wedge on a floor that rises away from it, metres: ``sqrt(2 A tan(gamma))``.

    InputError if the area is negative or the angle between floor and top of the debris not between 0 and 90 degrees.
    """
    _check(area_m2, counter_slope_deg)
    return math.sqrt(2.0 * area_m2 * math.tan(math.radians(counter_slope_deg)))


def deposit_depth_between_m(area_m2: float, slope_deg: float, counter_slope_deg: float) -> float:
    """Depth where a slope meets a counter-slope, metres: ``sqrt(2 A / (cot(slope) + cot(counter)))``.

    The wedge at a vertical wall (counter-slope 90) and the V of two like sides are special cases of it. InputError if
    the area is negative, the slope not between 0 and 90 degrees, or the counter-slope not above 0 and at most 90.
    """
    _check(area_m2, slope_deg)
    if not 0.0 < counter_slope_deg <= 90.0:
        raise InputError(f"counter-slope of {counter_slope_deg} degrees: give more than 0 and at most 90")
    away = 1.0 / math.tan(math.radians(slope_deg)) + math.tan(math.radians(90.0 - counter_slope_deg))
    return math.sqrt(2.0 * area_m2 / away)


def piled_in_channel_m(depth_m: float, width_m: float, section_m2: float) -> float:
    """Depth of the standard debris in a channel of this depth, width and cross-section area, at most its depth.

    The channel is taken for a trapezoid; a section smaller than a triangle's is taken for a V.
    """
    if not depth_m > 0.0 or not width_m > 0.0:
        return math.nan
    floor_m = min(max(0.0, 2.0 * section_m2 / depth_m - width_m), 0.9 * width_m)
    side_deg = math.degrees(math.atan(depth_m / (0.5 * (width_m - floor_m))))
    return min(depth_m, deposit_depth_trapezoid_m(OPEN_DEBRIS_M * STRIP_M, floor_m, side_deg))


def describe_pile_up(piled_m: float, depth_m: float) -> str:
    """What the standard debris does in a trap, as the end of a sentence; empty where it is not known."""
    if not math.isfinite(piled_m):
        return ""
    does = "fills it to the brim," if piled_m >= depth_m - 0.01 else "piles up to"
    return (
        f"; debris {OPEN_DEBRIS_M:g} m thick over {STRIP_M:g} m of open slope {does} {piled_m:.1f} m, "
        f"{piled_m / OPEN_DEBRIS_M:.1f} times the open slope"
    )


def _check(area_m2: float, slope_deg: float) -> None:
    """Refuse areas and slopes without meaning."""
    if not 0.0 <= area_m2 < math.inf:
        raise InputError(f"cross-section area of {area_m2} m²: give 0 or more")
    if not 0.0 < slope_deg < 90.0:
        raise InputError(f"slope of {slope_deg} degrees: give more than 0 and less than 90")
