"""What the ground is: slope, aspect, curvature, roughness, position, openness, fall line and drainage.

Local layers need a cell and the ground around it as far as a stated radius: ``surface``, ``bending``, ``around``,
``fall``. Global ones need the whole elevation model at once: ``drainage``.
"""

from lastseen.terrain.bending import Curvature, curvature
from lastseen.terrain.smoothing import smoothed
from lastseen.terrain.surface import Terrain, derivatives, read_terrain

__all__ = ["Curvature", "Terrain", "curvature", "derivatives", "read_terrain", "smoothed"]
