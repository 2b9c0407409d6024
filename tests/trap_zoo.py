"""A zoo of small grounds for terrain traps: one for each kind, and grounds on which there is none.

All lie at an odd azimuth, so that no axis of the map is special. Layers are shapes in map metres.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from shapely import LineString, MultiPolygon, Point, Polygon, box
from shapely.affinity import affine_transform, translate

from lastseen.core.grid import Grid
from lastseen.terrain.ground_layers import GroundLayer, GroundLayers, covered_share
from traps.made_ground import axes, grid, profile, slope, trench

AZIMUTH = 33.0
MIDDLE = (600_150.0, 5_099_850.0)  # of made ground of 300 m


@dataclass(frozen=True)
class Animal:
    """Ground, its layers by kind, and the kinds of trap that are on it."""

    name: str
    ground: Grid
    kinds: tuple[str, ...]
    layers: dict = field(default_factory=dict)

    def ground_layers(self):
        """The layers on the lattice of the ground."""
        made = []
        for kind, area in self.layers.items():
            cover = covered_share(area, self.ground, all_touched=kind != "trees")
            made.append(
                GroundLayer(kind=kind, cover=self.ground.with_values(cover), outline=area, source=f"{kind}.gpkg")
            )
        return GroundLayers(layers=tuple(made))


def placed(shape):
    """A shape given across and down the slope from the middle, in map metres."""
    c, d = np.cos(np.radians(AZIMUTH)), np.sin(np.radians(AZIMUTH))
    moved = affine_transform(shape, (-c, d, d, c, *MIDDLE))
    return MultiPolygon([moved]) if isinstance(moved, Polygon) else moved


def lines(*pairs, width=1.0):
    """Lines widened to areas."""
    return placed(LineString(pairs).buffer(width))


def zoo(cell_m):
    """All animals on cells of one size; what is narrower than its cells is made wider."""
    across, down = axes(cell_m, AZIMUTH)
    wide = max(1.0, cell_m / 2.5)
    plain = slope(down, 25)
    rough = np.random.default_rng(11).normal(0.0, 0.3, down.shape)
    hollow = slope(down, 9) - np.clip(5.0 * wide * (1.0 - np.hypot(across, down) / (20.0 * wide)), 0.0, None)
    bank = profile(down, [(0, 35), (6 * wide, -22), (12 * wide, 0), (400, 8)])
    valley = slope(down, 6) + np.tan(np.radians(18)) * np.clip(np.abs(across) - 50.0, 0.0, None)
    bare = (
        ("gully", plain - trench(across, 6 * wide, 16 * wide), ("gully",)),
        ("closed hollow", hollow, ("closed hollow",)),
        ("abrupt flattening", profile(down, [(0, 35), (400, 4)]), ("abrupt flattening",)),
        ("bench", profile(down, [(0, 35), (30, 4), (400, 33)]), ("bench",)),
        ("bank", bank, ("bank",)),
        ("cliff", plain - np.where(down > 0.0, 10.0 * wide, 0.0), ("cliff",)),
        ("planar slope", slope(down, 34), ()),
        ("broad valley", valley, ()),
        ("rough but harmless", slope(down, 30) + rough, ()),
    )
    stand = placed(box(-60, -20, 60, 60))
    boulders = placed(MultiPolygon([Point(100, k * 9.0).buffer(4.0) for k in range(-3, 4)]))
    crack = lines((-70, -10), (60, 15))
    hut = placed(box(90, 20, 102, 32))
    creek = lines((0, -80), (0, 20), width=1.5)
    lake = placed(Point(0, 60).buffer(35))
    road = lines((-140, -40), (140, -40), width=2.5)
    waters = MultiPolygon([*translate_across(creek, -110).geoms, *lake.geoms])
    with_gully = profile(down, [(-30, 30), (30, 20), (400, 12)]) - trench(across + 110, 6 * wide, 16 * wide)
    layered = (
        ("wood and boulders", slope(down, 30), ("trees", "rocks"), {"trees": stand, "rocks": boulders}),
        ("glacier with a hut", slope(down, 28), ("crevasses", "building"), {"crevasses": crack, "buildings": hut}),
        ("creek, lake and road", with_gully, ("gully", "water", "road cut"), {"water": waters, "roads": road}),
    )
    return [
        *(Animal(name, grid(z, cell_m), kinds) for name, z, kinds in bare),
        *(Animal(name, grid(z, cell_m), kinds, shapes) for name, z, kinds, shapes in layered),
    ]


def translate_across(shape, metres):
    """A shape moved across the slope."""
    a = np.radians(AZIMUTH)
    return translate(shape, -metres * np.cos(a), metres * np.sin(a))
