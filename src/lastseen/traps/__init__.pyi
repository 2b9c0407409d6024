from .find import describe_invisible_traps, find_traps
from .ground import TRAVEL_ANGLE_DEG, find_ground_in_travel_angle
from .pile_up import deposit_depth_between_m, deposit_depth_trapezoid_m, deposit_depth_v_m, deposit_depth_wedge_m
from .trap import LETTERS, WEIGHT_FORMULA, Kind, Trap, add_burial_depth, add_person_shares, describe_shares, severity

__all__ = [
    "LETTERS",
    "TRAVEL_ANGLE_DEG",
    "WEIGHT_FORMULA",
    "Kind",
    "Trap",
    "add_burial_depth",
    "add_person_shares",
    "deposit_depth_between_m",
    "deposit_depth_trapezoid_m",
    "deposit_depth_v_m",
    "deposit_depth_wedge_m",
    "describe_invisible_traps",
    "describe_shares",
    "find_ground_in_travel_angle",
    "find_traps",
    "severity",
]
