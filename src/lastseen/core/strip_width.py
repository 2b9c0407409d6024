"""Strip width: one range and one default for every door."""

from __future__ import annotations

from lastseen.core.errors import InputError

# Most often taught (rescue handbooks give 20 to 50 m, makers their own); the user's own number counts.
DEFAULT_STRIP_WIDTH_M = 40.0
NARROWEST_ASKED_M = 2.0  # design choice: the least that the local page asks for; narrower lanes take minutes to lay
WIDEST_STRIP_M = 100.0  # design choice: beyond the range of a receiver


def check_strip_width_m(strip_width_m: float) -> None:
    """Raise InputError unless a strip can be that wide."""
    if not 0.0 < strip_width_m <= WIDEST_STRIP_M:
        raise InputError(
            f"the strip width is {strip_width_m} m: give more than 0 and at most {WIDEST_STRIP_M:.0f} m on the snow"
        )
