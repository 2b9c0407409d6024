from .derived_layers import (
    DRAINAGE_GB_PER_MILLION_CELLS,
    DRAINAGE_LAYERS,
    DerivedLayer,
    LayerGroup,
    Layers,
    find_drainage_layers,
    local_layer_groups,
)
from .drainage import FilledGround, Method, accumulation_m2, facet_direction_deg, fill_hollows, find_drainage
from .elevation import HIGHEST_M, LOWEST_M, Box, Elevation, open_elevation, read_window, require_inside
from .ground_layers import GroundLayer, GroundLayers, LayerKind, check_layers, read_layers
from .height_findings import HeightFindings, find_doubtful_heights, find_doubts_in_rows
from .neighbourhood import WIDEST_CELLS, Ring, cliff_drop_m, openness, relative_position_m, ruggedness, slope_breaks
from .surface import Curvature, Terrain, curvature, derivatives, read_terrain, smooth_heights

__all__ = [
    "DRAINAGE_GB_PER_MILLION_CELLS",
    "DRAINAGE_LAYERS",
    "HIGHEST_M",
    "LOWEST_M",
    "WIDEST_CELLS",
    "Box",
    "Curvature",
    "DerivedLayer",
    "Elevation",
    "FilledGround",
    "GroundLayer",
    "GroundLayers",
    "HeightFindings",
    "LayerGroup",
    "LayerKind",
    "Layers",
    "Method",
    "Ring",
    "Terrain",
    "accumulation_m2",
    "check_layers",
    "cliff_drop_m",
    "curvature",
    "derivatives",
    "facet_direction_deg",
    "fill_hollows",
    "find_doubtful_heights",
    "find_doubts_in_rows",
    "find_drainage",
    "find_drainage_layers",
    "local_layer_groups",
    "open_elevation",
    "openness",
    "read_layers",
    "read_terrain",
    "read_window",
    "relative_position_m",
    "require_inside",
    "ruggedness",
    "slope_breaks",
    "smooth_heights",
]
