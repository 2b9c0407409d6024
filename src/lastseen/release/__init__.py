"""Where snow could start, and the release that belongs to a last-seen point."""

from lastseen.release.slabs import (
    DEPOSIT_DENSITY_KG_M3,
    SLAB_DENSITY_KG_M3,
    deposit_volume_m3,
    slab_class,
    slope_factor,
    thickness_m,
)
from lastseen.release.start_zones import Release, drawn_release, find_release, start_zone_terrain

__all__ = [
    "DEPOSIT_DENSITY_KG_M3",
    "SLAB_DENSITY_KG_M3",
    "Release",
    "deposit_volume_m3",
    "drawn_release",
    "find_release",
    "slab_class",
    "slope_factor",
    "start_zone_terrain",
    "thickness_m",
]
