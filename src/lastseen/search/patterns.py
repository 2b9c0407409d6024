"""The taught patterns on a rectangle, to compare with what they really cover."""

from __future__ import annotations

import math
from typing import Literal

from shapely import LineString

from lastseen.errors import InputError

StripPattern = Literal["square", "zigzag_successive", "zigzag_same_side"]


def strip_pattern(
    width_m: float, length_m: float, strip_width_m: float, pattern: StripPattern, inset_m: float
) -> LineString:
    """The walk of a taught pattern on a flat rectangle, from the top (y = length) to the toe (y = 0).

    ``square``: level legs in the middle of equal strips, joined down the side. ``zigzag_successive``: slanting legs,
    each turn at most one strip width below the turn before. ``zigzag_same_side``: slanting legs, each turn at most
    one strip width below the last turn on the same side. The taught rule "turn half a strip from the edge"
    (inset = half a strip) leaves corners out of range: measure the coverage, do not trust the rule.

    Parameters
    ----------
    width_m, length_m : float
        Sides of the rectangle across and down the fall line, metres.
    strip_width_m : float
        Metres.
    pattern : {"square", "zigzag_successive", "zigzag_same_side"}
        How the legs run.
    inset_m : float
        Distance of the turns from the side edges, metres.

    Returns
    -------
    LineString
        In metres, lower left corner of the rectangle at (0, 0).

    Raises
    ------
    InputError
        If a length is not positive or the inset leaves no leg.
    """
    if not (width_m > 0.0 and length_m > 0.0 and strip_width_m > 0.0):
        raise InputError(f"a field of {width_m} x {length_m} m with strips of {strip_width_m} m: give positive lengths")
    if not 0.0 <= 2.0 * inset_m < width_m:
        raise InputError(f"an inset of {inset_m} m leaves no leg on a field {width_m} m wide: choose a smaller inset")
    left, right = inset_m, width_m - inset_m
    if pattern == "square":
        n = math.ceil(length_m / strip_width_m)
        heights = [length_m - (i + 0.5) * length_m / n for i in range(n)]
        ends = [(left, right) if i % 2 == 0 else (right, left) for i in range(n)]
        return LineString([(x, y) for y, pair in zip(heights, ends, strict=True) for x in pair])
    drop = strip_width_m if pattern == "zigzag_successive" else 0.5 * strip_width_m
    n = math.ceil(length_m / drop)
    return LineString([(left if i % 2 == 0 else right, length_m - i * length_m / n) for i in range(n + 1)])
