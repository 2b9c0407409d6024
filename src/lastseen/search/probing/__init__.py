"""Probing: the spiral after the transceiver, lines without one, and how likely a grid of holes is to hit a body.

Examples
--------
>>> round(holes_for_radius(1.0, 0.25)), round(holes_per_100_m2(0.5, 0.5))
(50, 400)
"""

from lastseen.search.probing.body import BODY, SHAPES, Body, Shape, grid_pod
from lastseen.search.probing.lines import PROBE_LINES, LinePlan, ProbeLine, holes_per_100_m2, plan_line
from lastseen.search.probing.spiral import PROBE_NOTES, Spiral, holes_for_radius, probe_notes, spiral_holes

__all__ = [
    "BODY",
    "PROBE_LINES",
    "PROBE_NOTES",
    "SHAPES",
    "Body",
    "LinePlan",
    "ProbeLine",
    "Shape",
    "Spiral",
    "grid_pod",
    "holes_for_radius",
    "holes_per_100_m2",
    "plan_line",
    "probe_notes",
    "spiral_holes",
]
