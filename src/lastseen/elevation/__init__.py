"""Any raster, or several, to one metric, square-celled, north-up Grid around the place of interest."""

from lastseen.elevation.lattice import Box, Elevation, open_elevation, require_inside
from lastseen.elevation.reading import read_window

__all__ = ["Box", "Elevation", "open_elevation", "read_window", "require_inside"]
