"""What happens along the fall line of each cell."""

from lastseen.terrain.fall.breaks import REACH_M, Breaks, reach_on, slope_breaks
from lastseen.terrain.fall.cliffs import LONGEST_M, WALL_DEG, cliff_drop_m

__all__ = ["LONGEST_M", "REACH_M", "WALL_DEG", "Breaks", "cliff_drop_m", "reach_on", "slope_breaks"]
