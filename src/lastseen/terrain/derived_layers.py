"""The ground layers that are handed over: what each shows, in which unit, and how far it looks.

Local layers are worked in bands of rows with a halo, so that memory is bounded by the band. Global layers (drainage)
need the whole model.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from lastseen.core import Grid
from lastseen.terrain.drainage import (
    CHANNEL_M2,
    FREEMAN_EXPONENT,
    accumulation_m2,
    facet_direction_deg,
    fill_hollows,
    find_channels,
    find_drainage,
)
from lastseen.terrain.neighbourhood import (
    BROAD,
    FINE,
    LONGEST_M,
    OPENNESS_M,
    REACH_M,
    WALL_DEG,
    Ring,
    cliff_drop_m,
    openness,
    relative_position_m,
    ruggedness,
    slope_breaks,
    widen_reach_m,
    widen_ring,
)
from lastseen.terrain.surface import curvature, read_terrain

Layers = tuple["DerivedLayer", ...]
FRAME_CELLS = 1  # every local layer needs the cells beside it


@dataclass(frozen=True)
class DerivedLayer:
    """A ground layer: file name, what it shows, its unit as UDUNITS text, and how overviews are made of it."""

    name: str
    description: str
    unit: str
    overviews: str = "AVERAGE"


@dataclass(frozen=True)
class LayerGroup:
    """Layers that are worked out together on a band of rows."""

    layers: Layers
    halo_m: float  # how far the layers look beyond a cell, metres, on top of one cell
    work: Callable[[Grid], tuple[Grid, ...]]  # from the ground to one grid for each layer

    def halo_cells(self, cell_m: float) -> int:
        """Rows that a band needs above and below."""
        return FRAME_CELLS + int(np.ceil(self.halo_m / cell_m - 1e-9))


def local_layer_groups(cell_m: float) -> tuple[LayerGroup, ...]:
    """All local layers on cells of a size; radii that are too short for the cells are widened, and said so."""
    reach, sight = widen_reach_m(REACH_M, cell_m), max(OPENNESS_M, 2.0 * cell_m)
    row = DerivedLayer
    elevation = row("elevation_m", "elevation as used", "m")
    slopes = (
        row("slope_deg", "slope, Horn 1981", "degree"),
        row("aspect_deg", "downhill azimuth from grid north, Horn 1981", "degree", "NEAREST"),
    )
    curvatures = (
        row("profile_curvature", "curvature along the fall line, convex positive", "m-1"),
        row("tangential_curvature", "curvature along the contour, normal section, convex positive", "m-1"),
        row("plan_curvature", "curvature of the contour, convex positive", "m-1"),
    )
    rugged = row("ruggedness", "vector ruggedness of 3 x 3 cells, Sappington et al. 2007", "1")
    within = f"within {sight:g} m, Yokoyama et al. 2002"
    open_both = (
        row("openness_positive_deg", f"openness to the sky {within}", "degree"),
        row("openness_negative_deg", f"openness below {within}", "degree"),
    )
    text = f"slope above less slope below, means over {reach:g} m of fall line; above 0 it eases downhill"
    change = row("slope_change_deg", text, "degree")
    cliff = row("cliff_drop_m", f"height of the wall through the cell, steps above {WALL_DEG:g} degrees", "m")
    return (
        LayerGroup((elevation,), 0.0, lambda ground: (ground,)),
        LayerGroup(slopes, 0.0, _slopes),
        LayerGroup(curvatures, 0.0, _curvatures),
        LayerGroup((rugged,), cell_m, lambda ground: (ruggedness(ground),)),
        *(_position(name, widen_ring(ring, cell_m)) for name, ring in (("fine", FINE), ("broad", BROAD))),
        LayerGroup(open_both, sight, lambda ground: _opennesses(ground, sight)),
        LayerGroup((change,), reach, lambda ground: (slope_breaks(ground, reach_m=reach).change_deg,)),
        LayerGroup((cliff,), LONGEST_M + cell_m, lambda ground: (cliff_drop_m(ground),)),
    )


def _slopes(ground: Grid) -> tuple[Grid, Grid]:
    terrain = read_terrain(ground)
    return terrain.slope_deg, terrain.aspect_deg


def _curvatures(ground: Grid) -> tuple[Grid, Grid, Grid]:
    bend = curvature(ground)
    return bend.profile, bend.tangential, bend.plan


def _opennesses(ground: Grid, radius_m: float) -> tuple[Grid, Grid]:
    found = openness(ground, radius_m=radius_m)
    return found.positive_deg, found.negative_deg


def _position(name: str, ring: Ring) -> LayerGroup:
    """Relative position on one ring."""
    text = f"height above the mean of a ring from {ring.inner_m:g} to {ring.outer_m:g} m, after Weiss 2001"
    layer = DerivedLayer(f"position_{name}_m", text, "m")
    return LayerGroup((layer,), ring.outer_m, lambda ground: (relative_position_m(ground, ring),))


DRAINAGE_LAYERS: Layers = (
    DerivedLayer("fill_depth_m", "depth below the level at which the hollow spills (Barnes, Lehman & Mulla 2014)", "m"),
    DerivedLayer(
        "flow_d8_deg", "azimuth of steepest descent on filled ground, D8 (O'Callaghan & Mark 1984)", "degree", "NEAREST"
    ),
    DerivedLayer(
        "flow_dinf_deg", "azimuth of steepest descent on filled ground, D-infinity (Tarboton 1997)", "degree", "NEAREST"
    ),
    DerivedLayer("area_d8_m2", "area that drains through the cell, D8 (O'Callaghan & Mark 1984)", "m2"),
    DerivedLayer("channels", f"1 channel, 2 head of a channel: D8 area from {CHANNEL_M2:g} m2", "1", "MODE"),
    DerivedLayer("area_dinf_m2", "area that drains through the cell, D-infinity (Tarboton 1997)", "m2"),
    DerivedLayer(
        "area_multiple_m2",
        f"area that drains through the cell, multiple directions, exponent {FREEMAN_EXPONENT:g} (Freeman 1991)",
        "m2",
    ),
)
DRAINAGE_GB_PER_MILLION_CELLS = 0.045  # ground, filled ground, two layers, ways and basins; measured with the bench


def find_drainage_layers(ground: Grid) -> Iterator[tuple[DerivedLayer, Grid]]:
    """Work out the global layers one after the other, so that few are held at once."""
    layer = {layer.name: layer for layer in DRAINAGE_LAYERS}
    filled = fill_hollows(ground)
    yield layer["fill_depth_m"], filled.depth_m
    drainage = find_drainage(filled)
    yield layer["flow_d8_deg"], drainage.direction_deg
    yield layer["flow_dinf_deg"], facet_direction_deg(drainage)
    area = accumulation_m2(drainage, "D8")
    yield layer["area_d8_m2"], area
    kind = find_channels(drainage, area).kind
    del area
    yield layer["channels"], kind.with_values(np.where(kind.values == 255, np.nan, kind.values))
    yield layer["area_dinf_m2"], accumulation_m2(drainage, "D-infinity")
    yield layer["area_multiple_m2"], accumulation_m2(drainage, "multiple")
