"""How snow moves: friction laws, single bodies on the surface, statistical run-out, ensembles."""

from lastseen.motion.bodies import Bodies, Tracks, felt_ground, slide
from lastseen.motion.ensemble import Members, Run, run_ensemble, scouts
from lastseen.motion.statistical import AlphaBeta, Envelope, envelope

__all__ = [
    "AlphaBeta",
    "Bodies",
    "Envelope",
    "Members",
    "Run",
    "Tracks",
    "envelope",
    "felt_ground",
    "run_ensemble",
    "scouts",
    "slide",
]
