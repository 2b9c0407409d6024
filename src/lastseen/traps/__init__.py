"""What makes being caught worse: terrain traps of a first set, read from bare ground."""

from lastseen.traps.find import find_traps, invisible_note
from lastseen.traps.pile_up import deposit_depth_trapezoid_m, deposit_depth_v_m, deposit_depth_wedge_m
from lastseen.traps.trap import WEIGHT_FORMULA, Consequence, Kind, Trap, with_person

__all__ = [
    "WEIGHT_FORMULA",
    "Consequence",
    "Kind",
    "Trap",
    "deposit_depth_trapezoid_m",
    "deposit_depth_v_m",
    "deposit_depth_wedge_m",
    "find_traps",
    "invisible_note",
    "with_person",
]
