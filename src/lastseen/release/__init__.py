"""Where snow could start, and the release that belongs to a last-seen point."""

from lastseen.release.areas import ReleaseArea, release_areas
from lastseen.release.grades import SOURCES, StartZones, grade_start_zones
from lastseen.release.slabs import (
    DEPOSIT_DENSITY_KG_M3,
    SIZES,
    SLAB_DENSITY_KG_M3,
    deposit_volume_m3,
    slab_class,
    slope_factor,
    thickness_m,
)
from lastseen.release.start_zones import Release, drawn_release, find_release, start_zone_terrain

__all__ = [
    "DEPOSIT_DENSITY_KG_M3",
    "SIZES",
    "SLAB_DENSITY_KG_M3",
    "SOURCES",
    "Release",
    "ReleaseArea",
    "StartZones",
    "deposit_volume_m3",
    "drawn_release",
    "find_release",
    "grade_start_zones",
    "release_areas",
    "slab_class",
    "slope_factor",
    "start_zone_terrain",
    "thickness_m",
]
