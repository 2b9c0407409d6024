"""What is not known about an event, for start cells anywhere: the same members everywhere, and draws by place.

A member has one friction, turbulence, slab thickness and growth, drawn from literature ranges (Latin hypercube). What
varies from body to body (place in its cell, friction) comes from a hash of the seed, the row, the column and the
member, so that a cell draws the same numbers whatever is run beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import qmc

from lastseen.errors import InputError
from lastseen.grid import FloatArray
from lastseen.motion.members import SLAB_FACTOR, friction_range, triangular, uniform
from lastseen.release import DEPOSIT_DENSITY_KG_M3, SLAB_DENSITY_KG_M3, slab_class, thickness_m
from lastseen.scenario import Snow

MOST_MEMBERS = 63  # one bit each in a mask of 64
MEMBERS = 16  # where nothing else is said: shares come in steps of 6 %
_STEEPEST_DEG = 90

LongArray = npt.NDArray[np.uint64]


@dataclass(frozen=True)
class Ensemble:
    """Members that are the same for all start cells.

    Attributes
    ----------
    seed, size : int
    friction, turbulence_m_s2, slab_factor, growth : ndarray, shape (members,)
        Slab factor: thickness against that of the size and slope. Growth: entrained over released mass.
    slab_m : ndarray, shape (91,)
        Slab thickness by whole degrees of slope.
    """

    seed: int
    size: int
    friction: FloatArray
    turbulence_m_s2: FloatArray
    slab_factor: FloatArray
    growth: FloatArray
    slab_m: FloatArray

    @property
    def count(self) -> int:
        """Number of members."""
        return int(self.friction.size)

    @property
    def slab_area_m2(self) -> float:
        """Area on the slope of a slab of the size."""
        return slab_class(self.size).area_m2

    def thickness_m(self, slope_deg: FloatArray) -> FloatArray:
        """Middle slab thickness on slopes, normal to them."""
        return self.slab_m[np.clip(np.nan_to_num(slope_deg), 0.0, _STEEPEST_DEG).astype(np.int64)]

    def deposit_factor(self) -> FloatArray:
        """Volume of deposit for each volume released, by member."""
        return (1.0 + self.growth) * (SLAB_DENSITY_KG_M3 / DEPOSIT_DENSITY_KG_M3)


def draw_ensemble(snow: Snow, seed: int, members: int = MEMBERS) -> Ensemble:
    """Draw the members of a size.

    Raises
    ------
    InputError
        If there are fewer than 4 or more than 63 members.
    """
    if not 4 <= members <= MOST_MEMBERS:
        raise InputError(f"{members} members: choose 4 to {MOST_MEMBERS}")
    u = qmc.LatinHypercube(d=4, rng=np.random.default_rng(seed)).random(members)
    by_slope = np.array(
        [
            snow.slab_thickness_m if snow.slab_thickness_m is not None else thickness_m(snow.size, degree)
            for degree in range(_STEEPEST_DEG + 1)
        ]
    )
    return Ensemble(
        seed,
        snow.size,
        triangular(u[:, 0], friction_range(snow)),
        triangular(u[:, 1], snow.turbulence_m_s2),
        uniform(u[:, 2], *SLAB_FACTOR),
        triangular(u[:, 3], snow.growth),
        by_slope,
    )


def drawn(seed: int, rows: npt.NDArray[Any], cols: npt.NDArray[Any], members: int, what: int) -> FloatArray:
    """Numbers from 0 to below 1 for each cell and member, shape (cells, members), by a hash of whole numbers.

    The finaliser of splitmix64 (Steele, Lea & Flood 2014, OOPSLA, doi 10.1145/2660193.2660195), chained.
    """
    h = _mixed(np.array([seed & (2**64 - 1)], np.uint64) * _GOLDEN + np.uint64(what + 1))
    h = _mixed(h ^ rows.astype(np.int64).view(np.uint64))
    h = _mixed(h ^ (cols.astype(np.int64).view(np.uint64) * _GOLDEN))
    m = np.arange(1, members + 1, dtype=np.uint64)
    return (_mixed(h[:, None] + m[None, :] * _GOLDEN) >> np.uint64(11)).astype(np.float64) * 2.0**-53


_GOLDEN = np.uint64(0x9E3779B97F4A7C15)


def _mixed(x: LongArray) -> LongArray:
    """Whole numbers of 64 bits, whose products wrap around."""
    z = x + _GOLDEN
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))
