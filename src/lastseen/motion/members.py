"""What is not known about an event is drawn from published ranges: one draw is one member of the ensemble.

A *member* is one event: one friction, one turbulence, one cohesion, one slab thickness, one growth, one extent of the
release. Literature ranges, not calibrated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc, triang

from lastseen.grid import FloatArray, IntArray
from lastseen.release import Release, deposit_volume_m3
from lastseen.scenario import Snow

SLAB_FACTOR = (0.7, 1.4)  # design choice: about half a size class in mass to either side
EXTENT = (0.5, 1.5)  # design choice: share of the nominal release area that breaks
# Coulomb friction by destructive size: lowest, most likely, highest. For size 3 the literature range for small events
# (0.22 to 0.40, from memory). Smaller events stop on steeper ground and larger ones run on (EAWS size text); the steps
# between sizes are a design choice.
FRICTION = {1: (0.35, 0.50, 0.65), 2: (0.27, 0.36, 0.48), 3: (0.22, 0.30, 0.40), 4: (0.18, 0.25, 0.35)}
PERSON_SPEED = (0.8, 1.2)  # design choice: a carried person against the flow around


@dataclass(frozen=True)
class Members:
    """What each event of the ensemble draws; arrays of shape (members,)."""

    friction: FloatArray
    turbulence_m_s2: FloatArray
    cohesion_pa: FloatArray
    slab_m: FloatArray
    growth: FloatArray
    extent_cells: IntArray
    deposit_m3: FloatArray

    @property
    def count(self) -> int:
        """Number of members."""
        return int(self.friction.size)

    def first(self, count: int, deposit_m3: FloatArray) -> Members:
        """The first members, with the deposits that they left in the end."""
        cut = slice(count)
        return Members(
            self.friction[cut],
            self.turbulence_m_s2[cut],
            self.cohesion_pa[cut],
            self.slab_m[cut],
            self.growth[cut],
            self.extent_cells[cut],
            deposit_m3,
        )


def friction_range(snow: Snow) -> tuple[float, float, float]:
    """Lowest, most likely and highest friction: the scenario's, or by size."""
    return snow.friction or FRICTION[snow.size]


def draw_members(release: Release, snow: Snow, rng: np.random.Generator) -> Members:
    """Latin hypercube over friction, turbulence, slab thickness, growth, extent and cohesion."""
    u = qmc.LatinHypercube(d=6, rng=rng).random(snow.members)
    slab = release.thickness_m * uniform(u[:, 2], *SLAB_FACTOR)
    growth = triangular(u[:, 3], snow.growth)
    cells = np.clip(np.round(release.nominal_cells * uniform(u[:, 4], *EXTENT)), 1, release.cells.size).astype(np.int32)
    released = release.area_m2 * cells / release.nominal_cells * slab
    return Members(
        triangular(u[:, 0], friction_range(snow)),
        triangular(u[:, 1], snow.turbulence_m_s2),
        triangular(u[:, 5], snow.cohesion_pa),
        slab,
        growth,
        cells,
        np.array([deposit_volume_m3(float(v), float(g)) for v, g in zip(released, growth, strict=True)]),
    )


def uniform(u: FloatArray, low: float, high: float) -> FloatArray:
    """Numbers between 0 and 1 as numbers between two others."""
    return low + u * (high - low)


def triangular(u: FloatArray, low_mode_high: tuple[float, float, float]) -> FloatArray:
    """Numbers between 0 and 1 as draws from a triangular distribution: lowest, most likely, highest."""
    low, mode, high = low_mode_high
    if high == low:
        return np.full_like(u, low)
    drawn: FloatArray = triang.ppf(u, (mode - low) / (high - low), loc=low, scale=high - low)
    return drawn
