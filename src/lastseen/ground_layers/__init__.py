"""What stands or lies on the ground and is not in a bare elevation model: trees, water, crevasses, rocks and more."""

from lastseen.ground_layers.layers import KINDS, GroundLayer, GroundLayers, LayerKind
from lastseen.ground_layers.reading import check_layers, read_layers

__all__ = ["KINDS", "GroundLayer", "GroundLayers", "LayerKind", "check_layers", "read_layers"]
