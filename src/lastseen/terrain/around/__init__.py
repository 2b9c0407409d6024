"""A cell and the ground around it, as far as a stated radius or window."""

from lastseen.terrain.around.openness import OPENNESS_M, Openness, openness
from lastseen.terrain.around.position import BROAD, FINE, Ring, relative_position_m, ring_on
from lastseen.terrain.around.roughness import RUGGEDNESS_CELLS, ruggedness

__all__ = [
    "BROAD", "FINE", "OPENNESS_M", "RUGGEDNESS_CELLS", "Openness", "Ring", "openness", "relative_position_m", "ring_on",
    "ruggedness",
]  # fmt: skip
