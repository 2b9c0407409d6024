"""Depth-averaged flow: one event over the ground, with its deposit, its mass balance and the people it carries."""

from lastseen.motion.flow.bed import Bed, lay_bed
from lastseen.motion.flow.carried import TracerRest, Tracers
from lastseen.motion.flow.model import FlowEnd, FlowResult, FlowSnow, MassBalance
from lastseen.motion.flow.run import run_flow

__all__ = [
    "Bed",
    "FlowEnd",
    "FlowResult",
    "FlowSnow",
    "MassBalance",
    "TracerRest",
    "Tracers",
    "lay_bed",
    "run_flow",
]
