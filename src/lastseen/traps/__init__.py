"""What makes being caught worse: terrain traps, read from bare ground and from ground layers."""

from lastseen.traps.find import find_traps, invisible_note
from lastseen.traps.pile_up import (
    deposit_depth_between_m,
    deposit_depth_trapezoid_m,
    deposit_depth_v_m,
    deposit_depth_wedge_m,
)
from lastseen.traps.reach import TRAVEL_ANGLE_DEG, within_travel_angle
from lastseen.traps.trap import (
    WEIGHT_FORMULA,
    Consequence,
    Kind,
    Part,
    Trap,
    shares_sentence,
    with_deposit,
    with_person,
)

__all__ = [
    "TRAVEL_ANGLE_DEG",
    "WEIGHT_FORMULA",
    "Consequence",
    "Kind",
    "Part",
    "Trap",
    "deposit_depth_between_m",
    "deposit_depth_trapezoid_m",
    "deposit_depth_v_m",
    "deposit_depth_wedge_m",
    "find_traps",
    "invisible_note",
    "shares_sentence",
    "with_deposit",
    "with_person",
    "within_travel_angle",
]
