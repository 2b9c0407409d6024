"""Figures of the flow: thickness of the deposit, profile of the main path, and the event as it moves."""

from lastseen.products.figures.moving import write_animation
from lastseen.products.figures.profile import write_profile
from lastseen.products.figures.thickness import write_thickness

__all__ = ["write_animation", "write_profile", "write_thickness"]
