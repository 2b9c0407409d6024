from .find import find_traps, invisible_note
from .ground import TRAVEL_ANGLE_DEG, within_travel_angle
from .pile_up import deposit_depth_between_m, deposit_depth_trapezoid_m, deposit_depth_v_m, deposit_depth_wedge_m
from .trap import LETTERS, WEIGHT_FORMULA, Kind, Trap, severity, shares_sentence, with_deposit, with_person

__all__ = [
    "LETTERS",
    "TRAVEL_ANGLE_DEG",
    "WEIGHT_FORMULA",
    "Kind",
    "Trap",
    "deposit_depth_between_m",
    "deposit_depth_trapezoid_m",
    "deposit_depth_v_m",
    "deposit_depth_wedge_m",
    "find_traps",
    "invisible_note",
    "severity",
    "shares_sentence",
    "with_deposit",
    "with_person",
    "within_travel_angle",
]
