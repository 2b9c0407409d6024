"""What an ensemble of events leaves, whichever model ran it: the one form that everything after it reads."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from lastseen.core import BoolArray, FloatArray, Grid, IntArray, sample_bilinear
from lastseen.snow.friction import MemberDraws

ModelName = Literal["flow", "body"]
EventEnd = Literal["at rest", "left the model", "unfinished"]
Layer = NDArray[np.float32]
# Debris and persons are told for a footprint of this width, whatever the cells: cells of 10 m are one, finer ones are
# averaged over it. Design choice: as wide as the widest cells of the flow.
DEBRIS_WIDTH_M = 10.0
DEBRIS_M = 0.1  # thinner than this is not called debris; design choice
SIDES = ("west", "east", "south", "north")
NO_DATA_SIDE = "no data"
MOVING_SHARE = 0.01  # snow is at rest when less of it than this moves; design choice
LEFT_SHARE = 0.05  # with more snow than this beyond the ground the toe, which leaves a twentieth behind, is not known


def name_end(*, rested: bool, left_share: float) -> EventEnd:
    """How an event ended, from whether its snow came to rest and the share of it that left the ground with data."""
    if left_share > LEFT_SHARE:
        return "left the model"
    return "at rest" if rested else "unfinished"


@dataclass(frozen=True, kw_only=True)
class Member:
    """What one event left on a part of the lattice."""

    # the part
    rows: slice
    cols: slice
    thickness_m: Layer  # debris at the end over the footprint, vertical, at deposit density
    fastest_m_s: Layer  # greatest speed, 0 where nothing came
    arrival_s: Layer  # when the front came; NaN for never, or where the model does not know it
    toe_m: tuple[float, float]  # where all but the farthest twentieth of the snow has stopped, or left
    fastest: float  # greatest speed of any snow, m/s
    time_s: float  # until the event ended
    end: EventEnd  # unfinished: the time limit came first
    moving_share: float  # of its snow that still moved then
    # snow that left over the western, eastern, southern and northern edge and into no data, at deposit density
    left_m3: tuple[float, float, float, float, float]


@dataclass(frozen=True, kw_only=True)
class CarriedPersons:
    """Possible persons from the last-seen disc, member after member; one value each unless said otherwise."""

    member: IntArray
    # where they came to rest, or left
    x_m: FloatArray
    y_m: FloatArray
    # whether the snow took them along; those it never reached say nothing about a person who was caught
    taken: BoolArray
    left_grid: BoolArray
    in_no_data: BoolArray
    fall_m: FloatArray  # greatest fall through the air; NaN where the model does not know it
    # snow at their place in their event, and depth of snow above them; NaN where the model does not know it
    thickness_m: FloatArray
    burial_m: FloatArray
    # cells of the ground entered in turn (flat indices); person b owns visits offsets[b] to offsets[b + 1]
    cells: IntArray
    offsets: IntArray

    @property
    def count(self) -> int:
        """Number of persons."""
        return int(self.x_m.size)

    @property
    def index_of_visit(self) -> IntArray:
        """The person of each visit."""
        return np.repeat(np.arange(self.count, dtype=np.int32), np.diff(self.offsets))

    def stayed(self) -> BoolArray:
        """Those whom the snow took along and who came to rest on ground with data."""
        return self.taken & ~self.left_grid & ~self.in_no_data

    def left_over(self, bounds: tuple[float, float, float, float]) -> IntArray:
        """The edge that each of the taken left over: 0 to 3 as in ``SIDES``, 4 into no data, -1 for all others.

        Whoever left counts for the edge of ``bounds`` (west, south, east, north) that they are nearest to.
        """
        west, south, east, north = bounds
        away = np.stack([self.x_m - west, east - self.x_m, self.y_m - south, north - self.y_m])
        side = np.where(self.taken & self.left_grid, np.argmin(away, axis=0), -1)
        return np.where(self.taken & self.in_no_data, len(SIDES), side).astype(np.int32)


@dataclass(frozen=True, kw_only=True)
class CellError:
    """Some events again on cells twice as large: the error that the cells leave is about as large or smaller."""

    coarse_cell_m: float
    events: int
    overlap: float  # median of common over joint ground with debris
    runout_shift_m: float  # median change of the way to the toe with the finer cells; above 0: they run farther


GROUPS = 8  # of events, each left out in turn
OUTLINE_SHARE = 0.1  # of the events: the ground whose area is watched
# What another seed may change before an ensemble counts as settled: area as a share of it, share of persons, and
# run-out as a share of its median. Standard errors; design choice.
AREA_TOLERANCE, INSIDE_TOLERANCE, RUNOUT_TOLERANCE = 0.1, 0.03, 0.06


@dataclass(frozen=True, kw_only=True)
class SeedSpread:
    """How much another seed would change a plan: standard errors, from a jackknife over eight groups of events.

    Each group is left out in turn; the variance is 7/8 of the sum of the squared deviations of the eight answers from
    their mean. Groups, because leaving out single events does not work for percentiles (Shao & Tu 1995, The Jackknife
    and Bootstrap, from memory). From eight answers a standard error is known to about a quarter of itself; it is rather
    too large, since it knows nothing of the Latin hypercube that spreads the draws.
    """

    area: float  # of the ground with debris in a tenth of the events, as a share of it
    inside: float  # of the share of all persons who lie on that ground
    runout_p10_m: float
    runout_p90_m: float
    settled: bool  # whether all are within their tolerance


def estimate_seed_spread(
    lattice: Grid, members: Sequence[Member], person: CarriedPersons, top_m: tuple[float, float]
) -> SeedSpread:
    """The spread over seeds of an ensemble on a lattice, its lengths from the top of the release."""
    count = len(members)
    group = np.arange(count) % GROUPS
    rows, cols = extent_of(members)
    debris = np.zeros((GROUPS, rows.stop - rows.start, cols.stop - cols.start), np.int32)
    for g, event in zip(group, members, strict=True):
        debris[g, *(slice_within(event.rows, rows), slice_within(event.cols, cols))] += event.thickness_m > DEBRIS_M
    row, col = lattice.cell_of(person.x_m, person.y_m)
    stay = person.stayed() & (row >= rows.start) & (row < rows.stop) & (col >= cols.start) & (col < cols.stop)
    row, col = row[stay] - rows.start, col[stay] - cols.start
    of_taken, of_stay = group[person.member[person.taken]], group[person.member[stay]]
    lengths = np.array([math.dist(event.toe_m, top_m) for event in members])
    total, answers = debris.sum(axis=0), []
    for left_out in range(GROUPS):
        kept = group != left_out
        covered = total - debris[left_out] >= max(OUTLINE_SHARE * np.count_nonzero(kept), 1.0)
        held = int((covered[row, col] & (of_stay != left_out)).sum()) / max(int((of_taken != left_out).sum()), 1)
        ends = np.quantile(lengths[kept], [0.1, 0.9]) if kept.any() else np.full(2, np.nan)
        answers.append([int(covered.sum()), held, *ends])
    found = np.array(answers, float)
    errors = np.sqrt((GROUPS - 1) / GROUPS * ((found - found.mean(axis=0)) ** 2).sum(axis=0))
    area_cells, inside, p10_m, p90_m = errors.tolist()
    area = area_cells / max(float(found[:, 0].mean()), 1.0)
    least_m = max(RUNOUT_TOLERANCE * float(np.median(lengths)), 0.5 * lattice.cell_m)
    return SeedSpread(
        area=area,
        inside=inside,
        runout_p10_m=p10_m,
        runout_p90_m=p90_m,
        settled=area <= AREA_TOLERANCE and inside <= INSIDE_TOLERANCE and max(p10_m, p90_m) <= least_m,
    )


@dataclass(frozen=True, kw_only=True)
class Ensemble:
    """An ensemble that has run."""

    model: ModelName
    size: int  # destructive
    # the cells of the events, with the lightly smoothed ground, metres. Shares its north-western corner with the
    # ground; its cells are a whole number of the ground's cells wide.
    lattice: Grid
    draws: MemberDraws
    members: tuple[Member, ...]
    person: CarriedPersons
    reached: BoolArray  # shape (members,); whether the event took anybody of the last-seen disc
    stopped_early: bool  # whether fewer members ran than were allowed, because the answer had settled
    seed_spread: SeedSpread | None = None  # how much another seed would change
    cell_error: CellError | None = None  # what coarser cells change; None where no cells matter

    def count_ends(self) -> dict[EventEnd, int]:
        """How many events ended in each way."""
        ends = [event.end for event in self.members]
        return {end: ends.count(end) for end in get_args(EventEnd)}

    def extent(self) -> tuple[slice, slice]:
        """Rows and columns that hold all events."""
        return extent_of(self.members)

    def thickness(self) -> Layer:
        """Debris of all events over :meth:`extent`; shape (members, rows, columns)."""
        rows, cols = self.extent()
        out = np.zeros((len(self.members), rows.stop - rows.start, cols.stop - cols.start), np.float32)
        for layer, event in zip(out, self.members, strict=True):
            layer[slice_within(event.rows, rows), slice_within(event.cols, cols)] = event.thickness_m
        return out

    def left_share(self) -> tuple[dict[str, float], float]:
        """Share of all snow that left over each edge, and into no data."""
        total = sum(float(e.thickness_m.sum()) * self.lattice.cell_area_m2 + sum(e.left_m3) for e in self.members)
        left = np.sum([e.left_m3 for e in self.members], axis=0) / max(total, 1e-12)
        return dict(zip(SIDES, left[:4].tolist(), strict=True)), float(left[4])

    def person_left_share(self) -> dict[str, float]:
        """Share of all persons that the snow took who left over each edge, and into no data; 0 where it took nobody."""
        side, taken = self.person.left_over(self.lattice.bounds), max(int(self.person.taken.sum()), 1)
        return {name: int((side == k).sum()) / taken for k, name in enumerate((*SIDES, NO_DATA_SIDE))}

    def over(self, ground: Grid, values: FloatArray, *, outside: float = 0.0) -> Grid:
        """Values over :meth:`extent` brought onto the cells of the ground; straight lines between cell centres.

        Where a value is NaN, the nearest cell decides.
        """
        rows, cols = self.extent()
        whole = np.full(self.lattice.shape, outside)
        whole[rows, cols] = values
        return ground.with_values(resample_onto(ground, self.lattice, whole, outside))


def extent_of(members: Sequence[Member]) -> tuple[slice, slice]:
    """Rows and columns that hold some events."""
    return (
        slice(min(e.rows.start for e in members), max(e.rows.stop for e in members)),
        slice(min(e.cols.start for e in members), max(e.cols.stop for e in members)),
    )


def slice_within(part: slice, whole: slice) -> slice:
    """A slice counted from the start of another."""
    return slice(part.start - whole.start, part.stop - whole.start)


def resample_onto(ground: Grid, lattice: Grid, values: FloatArray, outside: float) -> FloatArray:
    """Values of a coarser lattice with the same corner on the cells of the ground."""
    ratio = round(lattice.cell_m / ground.cell_m)
    if ratio == 1 and values.shape == ground.shape:
        return values
    ny, nx = ground.shape
    row, col = (np.arange(n) + 0.5 for n in (ny, nx))
    out = np.empty((ny, nx))
    for first in range(0, ny, 512):  # keeps the arrays of places small
        part = slice(first, min(first + 512, ny))
        r, c = np.meshgrid(row[part] / ratio - 0.5, col / ratio - 0.5, indexing="ij")
        r, c = np.clip(r, 0, values.shape[0] - 1), np.clip(c, 0, values.shape[1] - 1)
        smooth = sample_bilinear(values, r, c)
        gap = np.isnan(smooth)
        if gap.any():
            smooth[gap] = values[np.rint(r[gap]).astype(np.intp), np.rint(c[gap]).astype(np.intp)]
        out[part] = smooth
    beyond = (row[:, None] > ratio * values.shape[0]) | (col[None, :] > ratio * values.shape[1])
    out[beyond] = outside
    return out


def box_around(shape: tuple[int, int], row: IntArray, col: IntArray, rim: int) -> tuple[slice, slice]:
    """Rows and columns that hold all given cells and a rim around them, cut at the edges of the grid."""
    ny, nx = shape
    return (
        slice(max(0, int(row.min()) - rim), min(ny, int(row.max()) + rim + 1)),
        slice(max(0, int(col.min()) - rim), min(nx, int(col.max()) + rim + 1)),
    )


def spread_counts(counts: FloatArray, sigma_cells: float) -> FloatArray:
    """Counts spread by a Gaussian that ends at four standard deviations; their sum is kept."""
    wide: FloatArray = ndimage.gaussian_filter(counts.astype(float), sigma_cells, mode="constant", truncate=4.0)
    kept: FloatArray = wide * (counts.sum() / max(float(wide.sum()), 1e-12))
    return kept


def footprint_sigma_cells(cell_m: float, width_m: float = DEBRIS_WIDTH_M) -> float:
    """Standard deviation in cells that, with what the cell itself averages, is that of a square of a width.

    A uniform square of side F has the variance F^2 / 12 along each side.
    """
    return math.sqrt(max(width_m**2 - cell_m**2, 0.0) / 12.0) / cell_m


def average_over_footprint(depth: FloatArray, ground: Grid) -> FloatArray:
    """A depth of snow averaged over the footprint; its volume is kept, and none comes onto no data."""
    sigma = footprint_sigma_cells(ground.cell_m)
    rows, cols = (np.flatnonzero((depth > 0.0).any(axis=axis)).astype(np.int32) for axis in (1, 0))
    if sigma == 0.0 or rows.size == 0:
        return depth
    part = box_around(depth.shape, rows, cols, math.ceil(4.0 * sigma) + 1)
    out = np.zeros_like(depth)
    wide = spread_counts(depth[part], sigma)
    wide[np.isnan(ground.values[part])] = 0.0
    out[part] = wide * (depth.sum() / max(float(wide.sum()), 1e-12))
    return out


def split_into_batches(count: int, size: int) -> Iterator[range]:
    """Members in batches, in their order."""
    for first in range(0, count, size):
        yield range(first, min(first + size, count))
