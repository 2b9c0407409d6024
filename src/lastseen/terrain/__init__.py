"""What the ground is: slope, aspect, curvature."""

from lastseen.terrain.surface import Curvature, Terrain, curvature, derivatives, read_terrain, smoothed

__all__ = ["Curvature", "Terrain", "curvature", "derivatives", "read_terrain", "smoothed"]
