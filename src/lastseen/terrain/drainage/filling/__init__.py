"""Hollows filled to the level at which they spill."""

from lastseen.terrain.drainage.filling.basins import Filled, fill

__all__ = ["Filled", "fill"]
