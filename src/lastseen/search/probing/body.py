"""How likely a grid of probe holes is to hit a body that lies anywhere, turned anyhow: geometry, tuned to nothing.

Published values (70, 76, 88, about 95 %) come from body models that were not all seen. These stand beside them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import BoolArray, FloatArray

Shape = Literal["rectangle, flat", "ellipse, flat", "ellipsoid, any way"]
SHAPES: tuple[Shape, ...] = ("rectangle, flat", "ellipse, flat", "ellipsoid, any way")
_DRAWS_LOG2 = 14  # even draws (Sobol): the answer moves by less than 0.3 points between 2^13 and 2^15


@dataclass(frozen=True)
class Body:
    """Length, shoulder width and thickness of a stretched-out adult, metres.

    Round numbers for an average adult without equipment, from memory.
    """

    length_m: float = 1.75
    width_m: float = 0.50
    thickness_m: float = 0.25


BODY = Body()


@lru_cache(maxsize=256)
def grid_pod(across_m: float, along_m: float, shape: Shape, body: Body = BODY) -> float:
    """Share of bodies that at least one probe hits, on a square or oblong grid of holes.

    The body lies anywhere in the grid and points anywhere: flat in the snow (seen from above a rectangle, or an ellipse
    of the same length and width), or turned any way in space (an ellipsoid, which looks like a smaller ellipse from
    above the more upright it is). Within probing depth; every touch is felt.

    Parameters
    ----------
    across_m, along_m : float
        Spacing of the holes, 0.1 to 5 m.
    shape : {"rectangle, flat", "ellipse, flat", "ellipsoid, any way"}
    body : Body

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    InputError
        If a spacing, a length or the shape cannot be used.

    Examples
    --------
    >>> round(grid_pod(2.0, 2.0, "rectangle, flat"), 2)  # no two holes can hit: area of the body over area of a hole
    0.22
    """
    if not (0.1 <= across_m <= 5.0 and 0.1 <= along_m <= 5.0):
        raise InputError(f"holes every {across_m:g} by {along_m:g} m: give spacings of 0.1 to 5 m")
    sides = (body.length_m, body.width_m, body.thickness_m)
    if not all(0.0 < one <= 3.0 for one in sides):
        raise InputError(f"a body of {' x '.join(f'{one:g}' for one in sides)} m: give lengths above 0 and at most 3 m")
    if shape not in SHAPES:
        raise InputError(f"no shape is called '{shape}': choose one of {'; '.join(SHAPES)}")
    from scipy.stats import qmc  # noqa: PLC0415  slow to import

    draws = qmc.Sobol(5, scramble=False).random_base2(_DRAWS_LOG2)
    centre = (draws[:, :2] - 0.5) * np.array([across_m, along_m])
    cols, rows = (math.ceil(0.5 * math.hypot(*sides) / spacing) + 1 for spacing in (across_m, along_m))
    hit = np.zeros(len(draws), dtype=np.bool_)
    outline = _outline(draws[:, 2:], shape, body)
    for i in range(-cols, cols + 1):
        for j in range(-rows, rows + 1):
            hit |= outline(np.array([i * across_m, j * along_m]) - centre)
    return float(hit.mean())


class _Flat:
    """A rectangle or ellipse that points at an even angle."""

    def __init__(self, angle: FloatArray, shape: Shape, body: Body) -> None:
        self.cos, self.sin, self.shape = np.cos(angle), np.sin(angle), shape
        self.half = 0.5 * body.length_m, 0.5 * body.width_m

    def __call__(self, place: FloatArray) -> BoolArray:
        u = (self.cos * place[:, 0] + self.sin * place[:, 1]) / self.half[0]
        v = (self.cos * place[:, 1] - self.sin * place[:, 0]) / self.half[1]
        if self.shape == "rectangle, flat":
            return np.asarray((np.abs(u) <= 1.0) & (np.abs(v) <= 1.0))
        return np.asarray(u**2 + v**2 <= 1.0)


class _Turned:
    """The shadow from above of an ellipsoid that is turned any way: an ellipse, from the top left of R D^2 R^T."""

    def __init__(self, draws: FloatArray, body: Body) -> None:
        turn = _rotations(draws)[:, :2, :]
        half = 0.5 * np.array([body.length_m, body.width_m, body.thickness_m])
        shadow = (turn * half**2) @ turn.transpose(0, 2, 1)
        self.inverse = np.linalg.inv(shadow)

    def __call__(self, place: FloatArray) -> BoolArray:
        return np.asarray(np.einsum("ni,nij,nj->n", place, self.inverse, place) <= 1.0)


def _outline(draws: FloatArray, shape: Shape, body: Body) -> _Flat | _Turned:
    if shape == "ellipsoid, any way":
        return _Turned(draws, body)
    return _Flat(math.pi * draws[:, 0], shape, body)


def _rotations(draws: FloatArray) -> FloatArray:
    """Even rotations in space from three even numbers each (K. Shoemake 1992, uniform random rotations)."""
    r, s = np.sqrt(1.0 - draws[:, 0]), np.sqrt(draws[:, 0])
    a, b = 2.0 * math.pi * draws[:, 1], 2.0 * math.pi * draws[:, 2]
    x, y, z, w = r * np.sin(a), r * np.cos(a), s * np.sin(b), s * np.cos(b)
    return np.stack(
        [
            np.stack([1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)], axis=-1),
            np.stack([2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)], axis=-1),
            np.stack([2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)], axis=-1),
        ],
        axis=-2,
    )
