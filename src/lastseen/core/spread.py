"""A value that is not known exactly: low, typical, high."""

from __future__ import annotations

import math
from dataclasses import dataclass

from lastseen.core.errors import InputError


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
