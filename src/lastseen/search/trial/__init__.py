"""Simulated searches: hidden targets, walkers that hear them, and how long it takes."""

from lastseen.search.trial.simulate import (
    Reception,
    Targets,
    Trial,
    dipole_range_m,
    falk_1994,
    hide_targets,
    simulate,
)

__all__ = ["Reception", "Targets", "Trial", "dipole_range_m", "falk_1994", "hide_targets", "simulate"]
