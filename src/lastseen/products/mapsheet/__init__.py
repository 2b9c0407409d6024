"""The map: one A4 sheet that a person prints and walks by."""

from lastseen.products.mapsheet.sheet import draw_map, write_map

__all__ = ["draw_map", "write_map"]
