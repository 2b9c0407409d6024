from .derived_layers import (
    DRAINAGE_GB_PER_MILLION_CELLS,
    DRAINAGE_LAYERS,
    DerivedLayer,
    Family,
    Layers,
    drainage_layers,
    local_families,
)
from .doubts import Doubts, doubtful_heights, doubts_between
from .drainage import Filled, Method, accumulation_m2, drain, facet_direction_deg, fill
from .elevation import HIGHEST_M, LOWEST_M, Box, Elevation, open_elevation, read_window, require_inside
from .ground_layers import GroundLayer, GroundLayers, LayerKind, check_layers, read_layers
from .neighbourhood import WIDEST_CELLS, Ring, cliff_drop_m, openness, relative_position_m, ruggedness, slope_breaks
from .surface import Curvature, Terrain, curvature, derivatives, read_terrain, smoothed

__all__ = [
    "DRAINAGE_GB_PER_MILLION_CELLS",
    "DRAINAGE_LAYERS",
    "HIGHEST_M",
    "LOWEST_M",
    "WIDEST_CELLS",
    "Box",
    "Curvature",
    "DerivedLayer",
    "Doubts",
    "Elevation",
    "Family",
    "Filled",
    "GroundLayer",
    "GroundLayers",
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
    "doubtful_heights",
    "doubts_between",
    "drain",
    "drainage_layers",
    "facet_direction_deg",
    "fill",
    "local_families",
    "open_elevation",
    "openness",
    "read_layers",
    "read_terrain",
    "read_window",
    "relative_position_m",
    "require_inside",
    "ruggedness",
    "slope_breaks",
    "smoothed",
]
