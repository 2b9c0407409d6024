"""The map: one sheet that a person prints and walks by, the first page of `lastseen.products.sheet`."""

from lastseen.products.mapsheet.sheet import draw_map

__all__ = ["draw_map"]
