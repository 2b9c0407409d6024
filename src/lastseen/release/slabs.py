"""How large and how thick a slab of each destructive size is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lastseen.errors import InputError

SLAB_DENSITY_KG_M3 = 200.0  # EAWS size text: 2,000 m3 weigh about 400 t
DEPOSIT_DENSITY_KG_M3 = 400.0  # from memory: dry deposits 300-450, moist and wet ones 450-600
# Median human-triggered slab: 50 m wide, 80 m long, 0.45 m thick, 38 degrees (Schweizer & Luetschg 2001, CRST 33:147).
LENGTH_TO_WIDTH = 80.0 / 50.0
MEDIAN_SLOPE_DEG = 38.0


@dataclass(frozen=True)
class SlabClass:
    """A destructive size: released volume (EAWS size table) and slab thickness at 38 degrees."""

    size: int
    volume_m3: float
    thickness_at_38_m: float
    length_to_width: float = LENGTH_TO_WIDTH

    @property
    def area_m2(self) -> float:
        """Area on the slope of a slab of this volume and thickness."""
        return self.volume_m3 / self.thickness_at_38_m


# Volumes: EAWS size table (published, orders of magnitude). Thickness of size 2: median of human-triggered slabs (see
# above). Sizes 1, 3, 4: 5th, 75th and 95th percentile of crown thickness in reported accidents, France 2010-2020.
_CLASSES = (
    SlabClass(1, 100.0, 0.20),
    SlabClass(2, 1_000.0, 0.45),
    SlabClass(3, 10_000.0, 0.91),
    SlabClass(4, 100_000.0, 1.92),
)
SIZES = tuple(one.size for one in _CLASSES)


def slab_class(size: int) -> SlabClass:
    """The slab of a destructive size, 1 to 4."""
    if not 1 <= size <= len(_CLASSES):
        raise InputError(f"destructive size {size} is not known: choose 1, 2, 3 or 4")
    return _CLASSES[size - 1]


def slope_factor(slope_deg: float) -> float:
    """Slab thickness against that on 28 degrees: 0.291 / (sin - 0.202 cos).

    Salm, Burkard & Gubler (1990, SLF Mitteilung 47). Steep slopes carry thinner slabs. Slopes are held within 25 to
    60 degrees, outside which the law has no meaning.
    """
    slope = math.radians(min(max(slope_deg, 25.0), 60.0))
    return 0.291 / (math.sin(slope) - 0.202 * math.cos(slope))


def thickness_m(size: int, slope_deg: float) -> float:
    """Slab thickness normal to the slope, by destructive size, scaled with slope after Salm et al. (1990)."""
    return slab_class(size).thickness_at_38_m * slope_factor(slope_deg) / slope_factor(MEDIAN_SLOPE_DEG)


def deposit_volume_m3(released_m3: float, growth: float) -> float:
    """Volume of the deposit: mass released plus mass entrained (growth times released), at deposit density."""
    return released_m3 * (1.0 + growth) * SLAB_DENSITY_KG_M3 / DEPOSIT_DENSITY_KG_M3
