"""How snow moves: friction laws, single bodies, the depth-averaged flow, statistical run-out, ensembles."""

from lastseen.motion.bodies import Bodies, Tracks, felt_ground, slide
from lastseen.motion.body_events import run_bodies, scouts
from lastseen.motion.choice import Choice, choose_model, expected
from lastseen.motion.events import Carried, Event, Events, ModelName
from lastseen.motion.flow_events import replay, run_flows
from lastseen.motion.members import Members
from lastseen.motion.statistical import AlphaBeta, Envelope, envelope

__all__ = [
    "AlphaBeta",
    "Bodies",
    "Carried",
    "Choice",
    "Envelope",
    "Event",
    "Events",
    "Members",
    "ModelName",
    "Tracks",
    "choose_model",
    "envelope",
    "expected",
    "felt_ground",
    "replay",
    "run_bodies",
    "run_flows",
    "scouts",
    "slide",
]
