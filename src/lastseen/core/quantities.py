"""Numbers as people give and read them: the strip width, values with a range, shares and depths in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

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


@dataclass(frozen=True)
class Spread:
    """Low, typical and high value of one thing, in its own unit; low <= typical <= high.

    Raises
    ------
    InputError
        If a value is negative, not a number, or the order is wrong.

    Examples
    --------
    >>> Spread(1.0, 2.0, 4.0) + Spread(0.0, 1.0, 1.0)
    Spread(low=1.0, typical=3.0, high=5.0)
    """

    low: float
    typical: float
    high: float

    def __post_init__(self) -> None:
        if not (0.0 <= self.low <= self.typical <= self.high and math.isfinite(self.high)):
            raise InputError(
                f"low {self.low:g}, typical {self.typical:g}, high {self.high:g} is no range: "
                "give three numbers of 0 or more that do not fall"
            )

    def __add__(self, other: Spread) -> Spread:
        """All that is low together, all that is high together: an outer bracket, not a percentile."""
        return Spread(self.low + other.low, self.typical + other.typical, self.high + other.high)

    def times(self, factor: float) -> Spread:
        """The same in another unit, or a multiple of it."""
        return Spread(self.low * factor, self.typical * factor, self.high * factor)

    @property
    def three(self) -> tuple[float, float, float]:
        """The three values."""
        return self.low, self.typical, self.high


def exact_spread(value: float) -> Spread:
    """A value that is taken as known."""
    return Spread(value, value, value)


ROUNDING = 1e-9  # of sums of floats


def percent(share: float | None, decimals: int = 0) -> str:
    """A share in percent: ``20 %``, ``99.4 %``, ``no data``.

    What is not nothing is not called so, nor what is not all: ``under 1 %``, ``over 99 %``.
    """
    if share is None:
        return "no data"
    part, least = 100.0 * share, 10.0**-decimals
    if 0.0 < part < 0.5 * least:
        return f"under {least:g} %"
    if 100.0 - 0.5 * least <= part < 100.0 - ROUNDING:
        return f"over {100.0 - least:g} %"
    return f"{part:.{decimals}f} %"


def short_percent(share: float) -> str:
    """A share in percent, as short as it can be said: ``2.5 %``, ``20 %``, ``99.4 %``."""
    return percent(share, 1).replace(".0 %", " %")


COARSE_CELL_M = 10.0  # areas on wider cells are orders of magnitude, and burial is not worked out; design choice


def area_text(area_m2: float, cell_m: float, unit: str = "m2") -> str:
    """An area of debris to two figures; on cells wider than 10 m its order of magnitude alone."""
    if area_m2 <= 0.0:
        return f"0 {unit}"
    if cell_m > COARSE_CELL_M:
        low = 10 ** math.floor(math.log10(area_m2) + ROUNDING)
        return f"{low:,} to {10 * low:,} {unit} (cells of {cell_m:g} m tell the order of magnitude)"
    return f"{two_figures(area_m2)} {unit}"


def two_figures(value: float) -> str:
    """A number of 10 or more to two figures: ``2,300``."""
    return f"{float(f'{value:.2g}'):,.0f}"


def whole_minutes(seconds: float) -> str:
    """A time in whole minutes; some is never called none: ``under 1``, ``12``."""
    if not math.isfinite(seconds):
        return "no data"
    return "under 1" if seconds < 60.0 else f"{seconds / 60.0:.0f}"


def depth_text(depth_m: float) -> str:
    """A thickness of debris in tenths of a metre; some is never called none."""
    return "under 0.1 m" if 0.0 < depth_m < 0.05 else f"{depth_m:.1f} m"


_SHARES_IN_WORDS = (
    (0.03, "under one in thirty"),
    (0.07, "about one in twenty"),
    (0.15, "about one in ten"),
    (0.225, "about one in five"),
    (0.29, "about a quarter"),
    (0.42, "about a third"),
    (0.58, "about half"),
    (0.71, "about two thirds"),
    (0.85, "about three quarters"),
)


def share_words(share: float) -> str:
    """A share that is only known roughly, in words: ``about half``; ``none`` and ``most`` at the ends."""
    if share <= 0.0:
        return "none"
    return next((words for below, words in _SHARES_IN_WORDS if share < below), "most")
