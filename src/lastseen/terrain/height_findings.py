"""Heights that are probably no heights: noted, never changed.

A model that does not declare its no-data value hides it among the heights: -9999 in single cells, 0 under a mountain. A
hole of that kind turns into a pit with walls, and every layer around it is wrong. What lies outside -500 to 9,000 m is
impossible. What is possible is doubtful where a single cell stands far below or above all its neighbours, or where many
cells share one exact lowest or highest height, far from all others.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce

import numpy as np

from lastseen.core import FloatArray, Grid, map_in_threads
from lastseen.terrain import surface_kernels
from lastseen.terrain.elevation import HIGHEST_M, LOWEST_M
from lastseen.terrain.surface import prepare_heights

LONE_M, LONE_CELLS = 30.0, 3.0  # a lone cell differs from all neighbours by this and by so many cells; design choice
APART_M = 100.0  # a shared extreme lies this far from the next height; design choice
BLOCK_ROWS = 256
_COUNTS = ("known", "missing", "impossible", "pits", "spikes")  # in the order of the kernel


@dataclass(frozen=True, kw_only=True)
class HeightFindings:
    """What was found on some rows; results of neighbouring rows can be joined."""

    # cells with a height, without, with an impossible one, and lone cells far below or above their neighbours
    known: int
    missing: int
    impossible: int
    pits: int
    spikes: int
    # tuple of (float, int, float); the extreme among the possible heights (m), how many cells have exactly that, and
    # the next height
    lowest: tuple[float, int, float]
    highest: tuple[float, int, float]

    def joined(self, other: HeightFindings) -> HeightFindings:
        """Both together."""
        counts = {name: getattr(self, name) + getattr(other, name) for name in _COUNTS}
        lowest, highest = _extreme(self.lowest, other.lowest, 1.0), _extreme(self.highest, other.highest, -1.0)
        return HeightFindings(lowest=lowest, highest=highest, **counts)

    @property
    def notes(self) -> tuple[str, ...]:
        """One clause for each doubt: what, how much, what to do."""
        found = []
        if self.known == 0:
            found.append("the elevation model has no heights at all: every cell is without data")
        if self.impossible:
            found.append(
                f"{_cells(self.impossible)} impossible (outside {LOWEST_M:.0f} to {HIGHEST_M:.0f} m): declare the "
                "no-data value of the file"
            )
        for count, what, extreme in ((self.pits, "below", self.lowest[0]), (self.spikes, "above", self.highest[0])):
            if count:
                found.append(
                    f"{_cells(count)} far {what} all neighbours (the most extreme is {extreme:.0f} m): look there, it "
                    "may be an undeclared no-data value"
                )
        for value, count, following in (self.lowest, self.highest):
            if count > 1 and abs(following - value) >= APART_M:
                found.append(
                    f"{count} cells are exactly {value:g} m and nothing else is within {abs(following - value):.0f} m "
                    "of that: it may be an undeclared no-data value"
                )
        return tuple(found)


def _cells(count: int) -> str:
    return "1 cell is" if count == 1 else f"{count} cells are"


def _extreme(left: tuple[float, int, float], right: tuple[float, int, float], sign: float) -> tuple[float, int, float]:
    """Lowest (sign 1) or highest (-1) of two, its count, and the value after it."""
    values = sorted({left[0], left[2], right[0], right[2]} - {sign * np.inf}, key=lambda value: sign * value)
    if not values:
        return left
    count = sum(side[1] for side in (left, right) if side[0] == values[0])
    return values[0], count, values[1] if len(values) > 1 else sign * np.inf


def find_doubtful_heights(elevation: Grid) -> HeightFindings:
    """Count heights that are probably none (metres, NaN is no data); nothing is changed."""
    return find_doubts_in_rows(prepare_heights(elevation), elevation.cell_m, 0, elevation.shape[0])


def find_doubts_in_rows(z: FloatArray, cell_m: float, first: int, last: int) -> HeightFindings:
    """The same for the rows first..last, which may see the rows beside them."""
    apart = max(LONE_M, LONE_CELLS * cell_m)
    blocks = [(row, min(row + BLOCK_ROWS, last)) for row in range(first, last, BLOCK_ROWS)]
    return reduce(HeightFindings.joined, map_in_threads(lambda block: _block(z, apart, *block), blocks))


def _block(z: FloatArray, apart_m: float, first: int, last: int) -> HeightFindings:
    """Doubts of one block of rows."""
    counts, extremes = np.zeros(7, np.int64), np.array([np.inf, np.inf, -np.inf, -np.inf])
    surface_kernels.doubts(z, LOWEST_M, HIGHEST_M, apart_m, first, last, counts, extremes)
    *cells, at_lowest, at_highest = (int(count) for count in counts)
    low, above_low, high, below_high = (float(value) for value in extremes)
    return HeightFindings(
        lowest=(low, at_lowest, above_low),
        highest=(high, at_highest, below_high),
        **dict(zip(_COUNTS, cells, strict=True)),
    )
