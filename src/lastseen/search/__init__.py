"""How to look: lanes for a signal search over a debris outline, the walk along them, and what it covers.

Examples
--------
>>> import numpy as np
>>> from pyproj import CRS
>>> from shapely import box
>>> from lastseen.grid import Grid
>>> flat = Grid(np.zeros((100, 100)), 0.0, 200.0, 2.0, CRS("EPSG:32632"))
>>> plan = lay_out(box(50.0, 50.0, 150.0, 150.0), flat, strip_width_m=40.0)
>>> len(plan.lanes), plan.coverage.fraction >= 0.99
(3, True)
"""

from lastseen.search.clock import approach_time_h, walking_speed_m_s
from lastseen.search.coverage import measure_coverage
from lastseen.search.layout import lay_out, lay_pass, second_pass
from lastseen.search.magnetic import declination_deg
from lastseen.search.model import Coverage, Lane, Leg, Pattern, SearchPlan
from lastseen.search.patterns import StripPattern, strip_pattern
from lastseen.search.trial import Reception, Trial, dipole_range_m, falk_1994

__all__ = [
    "Coverage",
    "Lane",
    "Leg",
    "Pattern",
    "Reception",
    "SearchPlan",
    "StripPattern",
    "Trial",
    "approach_time_h",
    "declination_deg",
    "dipole_range_m",
    "falk_1994",
    "lay_out",
    "lay_pass",
    "measure_coverage",
    "second_pass",
    "strip_pattern",
    "walking_speed_m_s",
]
