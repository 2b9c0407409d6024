"""Figures: thickness of the deposit, long profile, the event as it moves, receive range, clock."""

from lastseen.products.figures.clock import write_clock_figure
from lastseen.products.figures.moving import write_animation
from lastseen.products.figures.profile import write_profile
from lastseen.products.figures.receive import write_range_figure
from lastseen.products.figures.thickness import write_thickness

__all__ = ["write_animation", "write_clock_figure", "write_profile", "write_range_figure", "write_thickness"]
