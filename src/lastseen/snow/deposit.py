"""Where snow stops: probability of debris, thickness, outline, and how deep a carried person lies."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from shapely import box, get_coordinates, union_all
from shapely.geometry import MultiPolygon

from lastseen.core import (
    COARSE_CELL_M,
    BoolArray,
    FloatArray,
    Grid,
    InputError,
    IntArray,
    NothingFoundError,
    cells_of_outline,
    keep_areas,
    outline_of_level,
    percent,
)
from lastseen.snow.carried import persons_block
from lastseen.snow.ensemble import DEBRIS_M, CarriedPersons, Ensemble, box_around, spread_counts
from lastseen.snow.sliding_ensemble import pile_sigma_cells

# ---- How deep a carried person lies: the snow above them in their event, as shares and as a map

# Snow above a person that covers all of them: about the thickness of a body that lies; design choice, no source.
FULLY_BURIED_M = 0.3
DEPTHS_M = (0.5, 1.0, 1.5)  # full burial possible, typical, deep: design choice after published median depths


@dataclass(frozen=True, kw_only=True)
class Burial:
    """How deep those lie who were caught: shares of all of them, also of those who left the model.

    A person's place in the snow is not modelled: the depth above them is the debris at their place times a relative
    depth drawn by a named law (:class:`lastseen.snow.BurialLaw`).
    """

    fully: float  # share with more than 0.3 m of snow above; of those who left the model it is not known
    deeper: tuple[tuple[float, float], ...]  # tuple of (depth_m, share); shares with more than 0.5, 1.0 and 1.5 m above
    # median and 90th percentile of the depth of those fully buried; NaN where nobody is
    p50_m: float
    p90_m: float
    # tuple of (depth_m, Grid); for 0.3, 0.5, 1.0 and 1.5 m: the probability of lying in the cell and deeper than that;
    # each sums to its share
    maps: tuple[tuple[float, Grid], ...]


def measure_burial(person: CarriedPersons, poa: Grid, sigma_cells: float) -> Burial | None:
    """Burial of the caught on the cells of ``poa``, each spread by ``sigma_cells``.

    None where the model has none, and on cells wider than 10 m, whose thickness says nothing of one place.
    """
    if poa.cell_m > COARSE_CELL_M:
        return None
    count, of = person.stayed(), int(person.taken.sum())
    depth = person.burial_m[count]
    if depth.size == 0 or np.isnan(depth).any():
        return None
    row, col = poa.cell_of(person.x_m[count], person.y_m[count])
    maps = tuple((level, _map(poa, row[depth > level], col[depth > level], of, sigma_cells))
                 for level in (FULLY_BURIED_M, *DEPTHS_M))  # fmt: skip
    deep = depth[depth > FULLY_BURIED_M]
    p50, p90 = np.quantile(deep, [0.5, 0.9]) if deep.size else (np.nan, np.nan)
    return Burial(
        fully=int((depth > FULLY_BURIED_M).sum()) / of,
        deeper=tuple((level, int((depth > level).sum()) / of) for level in DEPTHS_M),
        p50_m=float(p50),
        p90_m=float(p90),
        maps=maps,
    )


def _map(poa: Grid, row: IntArray, col: IntArray, of: int, sigma_cells: float) -> Grid:
    counts = np.zeros(poa.shape)
    inside = (row >= 0) & (row < poa.shape[0]) & (col >= 0) & (col < poa.shape[1])
    np.add.at(counts, (row[inside], col[inside]), 1.0 / of)
    if inside.any():
        part = box_around(poa.shape, row[inside], col[inside], int(np.ceil(4.0 * sigma_cells)) + 1)
        counts[part] = spread_counts(counts[part], sigma_cells)
    return poa.with_values(counts)


# ---- Where the snow stops: probability of debris, thickness, outline; and where a carried person would lie

PERSON_SPREAD_M = 4.0  # design choice: how far a person in the flow can lie from where a tracer does
LEAST_SPREAD_CELLS = 0.5
OUTLINE_SMOOTHING_M = 2.5  # of the probability of debris, before its outline is drawn; design choice
OUTLINE_LEVELS = (0.2, 0.1, 0.05, 0.025)  # design choice, tried in this order
WANTED_INSIDE = 0.9
LITTLE_LEFT = 0.05
ALMOST_ALL = 0.95  # where more than this leaves the model, what is left says nothing
LEAST_PIECE_SHARE = 0.01  # pieces and holes of the outline below this share of its area are left out


@dataclass(frozen=True, kw_only=True)
class Debris:
    """The deposit of all events."""

    probability: Grid  # share of events with debris thicker than 0.1 m
    # mean over all events, median and 90th percentile; vertical, at deposit density
    thickness_m: Grid
    thickness_p50_m: Grid
    thickness_p90_m: Grid
    outline: MultiPolygon  # where debris is at least as likely as ``level``; smoothed, holes kept
    level: float  # NaN for an observed outline
    area_m2: float  # map area of the outline
    left_share: float  # share of the snow that left the elevation model or ran into no data
    # whether the smallest ground that holds 90 % of the probability of area was added to the outline
    widened: bool = False


@dataclass(frozen=True, kw_only=True)
class Person:
    """Where a carried person would lie. Shares are of all whom the snow took, also of those who left the model."""

    poa: Grid  # probability of area per cell; sums over the grid to the share that stayed on the model
    inside_debris: float  # share inside the debris outline
    carried_p50_m: float  # median horizontal distance from the last-seen point; who left counts where they left
    fall_p90_m: float  # 90th percentile of the greatest fall through the air; NaN where the model does not know it
    left_share: float  # share that left the elevation model
    left_by_side: tuple[
        tuple[str, float], ...
    ]  # the same over its western, eastern, southern, northern edge, into gaps
    # share of the possible persons that the snow took along; the others say nothing about one who was caught
    caught_share: float
    burial: Burial | None  # how deep; None where the model does not know it


def find_debris(ensemble: Ensemble, ground: Grid, poa: Grid, outline_probability: float | None) -> Debris:
    """Debris of an ensemble on the cells of the ground.

    Debris at least as likely as ``outline_probability`` is inside the outline. None takes the highest of 20, 10, 5 and
    2.5 % whose outline holds 90 % of the probability of area that lies on the model; where none does, 2.5 % and the
    smallest ground that does.
    NothingFoundError if no ground is covered in that share of the events, or nearly all snow leaves the model.
    """
    edges, gap = ensemble.left_share()
    left = sum(edges.values()) + gap
    if left > ALMOST_ALL:
        raise NothingFoundError(
            f"{percent(left)} of the snow leaves the elevation model before it stops: use a model that holds "
            "the run-out, or a smaller size class"
        )
    stack = ensemble.thickness()
    probability = ensemble.over(ground, (stack > DEBRIS_M).mean(axis=0))
    p50, p90 = np.quantile(stack, [0.5, 0.9], axis=0, method="linear")
    outline, level, widened = _outline(probability, poa, outline_probability)
    if outline.is_empty:
        gone = f"{percent(left)} of it leaves the elevation model before it stops: use a model that holds the run-out"
        raise NothingFoundError(
            f"the snow stops nowhere as debris thicker than {DEBRIS_M:g} m; "
            + (gone if left > LITTLE_LEFT else "it is too thin for its way: choose a larger size or a thicker slab")
        )
    return Debris(
        probability=probability,
        thickness_m=ensemble.over(ground, stack.mean(axis=0, dtype=np.float64)),
        thickness_p50_m=ensemble.over(ground, p50),
        thickness_p90_m=ensemble.over(ground, p90),
        outline=outline,
        level=level,
        area_m2=float(outline.area),
        left_share=left,
        widened=widened,
    )


def _outline(probability: Grid, poa: Grid, wanted: float | None) -> tuple[MultiPolygon, float, bool]:
    """The outline, its level, and whether it was widened to hold the person."""
    sigma = OUTLINE_SMOOTHING_M / probability.cell_m
    smooth = probability.with_values(ndimage.gaussian_filter(probability.values, sigma, truncate=3.0))
    levels = OUTLINE_LEVELS if wanted is None else (wanted,)
    enough = WANTED_INSIDE * float(poa.values.sum())
    for level in levels:
        whole = outline_of_level(smooth, level)
        outline = outline_of_level(smooth, level, LEAST_PIECE_SHARE * whole.area)
        if share_inside(poa, outline) >= enough:
            break
    if outline.is_empty and wanted is not None:
        raise NothingFoundError(
            f"no ground carries debris in {percent(level, 1)} of the events (the most is "
            f"{percent(probability.values.max())}): lower search.outline_probability in the scenario"
        )
    widened = wanted is None and share_inside(poa, outline) < enough
    if widened:
        outline = keep_areas(union_all([outline, find_likeliest_ground(poa, enough)]))
    smoothed = outline.simplify(0.2 * probability.cell_m).intersection(box(*probability.bounds))
    return keep_areas(smoothed), level, widened


def draw_outlines_again(
    ensemble: Ensemble, ground: Grid, debris: Debris, number: int, generator: np.random.Generator
) -> tuple[MultiPolygon, ...]:
    """Outlines of the debris, at the level of one that was found, of as many events drawn with replacement (bootstrap).

    Ground that was added for the person is added to each. Those without any debris at that level are left out.
    """
    stack = ensemble.thickness() > DEBRIS_M
    sigma = OUTLINE_SMOOTHING_M / ground.cell_m
    made = []
    for _ in range(number):
        drawn = generator.integers(0, len(stack), len(stack))
        share = ensemble.over(ground, stack[drawn].mean(axis=0)).values
        smooth = ground.with_values(ndimage.gaussian_filter(share, sigma, truncate=3.0))
        outline = outline_of_level(smooth, debris.level, LEAST_PIECE_SHARE * debris.area_m2)
        if debris.widened:
            outline = keep_areas(union_all([outline, debris.outline]))
        tidy = keep_areas(outline.simplify(0.2 * ground.cell_m).intersection(box(*ground.bounds)))
        made += [] if tidy.is_empty else [tidy]
    return tuple(made)


def find_likeliest_ground(poa: Grid, share: float) -> MultiPolygon:
    """The smallest ground that holds a share of a probability of area."""
    falling = np.sort(poa.values.ravel())[::-1]
    level = float(falling[min(int(np.searchsorted(np.cumsum(falling), share)), falling.size - 1)])
    return outline_of_level(poa, level, poa.cell_area_m2) if level > 0 else MultiPolygon()


def probability_of_area(ensemble: Ensemble, ground: Grid) -> Grid:
    """Where a person carried from the last-seen disc comes to rest: probability per cell.

    Sums over the grid to the share, of all whom the snow took, who stayed on it: those who left are not spread over
    the rest.
    """
    person = ensemble.person
    stay = person.stayed() & ground.contains(person.x_m, person.y_m)
    poa = np.zeros(ground.shape)
    if stay.any():
        row, col = ground.cell_of(person.x_m[stay], person.y_m[stay])
        sigma = _spread_cells(ensemble, ground)
        part = box_around(ground.shape, row, col, int(np.ceil(4.0 * sigma)) + 2)
        counts = np.zeros(poa[part].shape)
        np.add.at(counts, (row - part[0].start, col - part[1].start), 1.0)
        wide = ndimage.gaussian_filter(counts, sigma, mode="constant", truncate=4.0)
        poa[part] = wide * (int(stay.sum()) / int(person.taken.sum()) / wide.sum())
    return ground.with_values(poa)


def locate_person(ensemble: Ensemble, poa: Grid, at_m: tuple[float, float], outline: MultiPolygon) -> Person:
    """What the probability of area means for a person carried from the last-seen point.

    NothingFoundError if the snow takes nobody along.
    """
    person = ensemble.person
    if not person.taken.any():
        raise NothingFoundError("the snow takes nobody along from the last-seen point: nobody's way is known")
    away = np.hypot(person.x_m - at_m[0], person.y_m - at_m[1])[person.taken]
    falls, left = person.fall_m[person.taken], ensemble.person_left_share()
    return Person(
        poa=poa,
        inside_debris=share_inside(poa, outline),
        carried_p50_m=float(np.median(away)),
        fall_p90_m=float(np.quantile(falls, 0.9)),
        left_share=sum(left.values()),
        left_by_side=tuple(left.items()),
        caught_share=float(person.taken.mean()),
        burial=measure_burial(person, poa, _spread_cells(ensemble, poa)),
    )


@dataclass(frozen=True, kw_only=True)
class MissingPersons:
    """Where several missing persons of one event lie, drawn again and again; arrays of shape (draws, missing)."""

    # map metres
    x_m: FloatArray
    y_m: FloatArray
    stayed: BoolArray  # false for those who left the elevation model


def draw_missing_persons(
    ensemble: Ensemble, ground: Grid, missing: int, draws: int, rng: np.random.Generator
) -> MissingPersons:
    """Draw where all missing persons lie, those of a draw taken by the same event.

    NothingFoundError if no event takes all of them.
    """
    person, each = ensemble.person, ensemble.person.count // len(ensemble.members)
    taken = person.taken.reshape(-1, each)
    blocks = [persons_block(each, missing, number) for number in range(missing)]
    events = np.flatnonzero(np.stack([taken[:, block].any(axis=1) for block in blocks]).all(axis=0))
    if events.size == 0:
        raise NothingFoundError(
            f"no event takes all {missing} missing persons from their last-seen points: plan a search for each of them"
        )
    event = events[rng.integers(0, events.size, draws)]
    chosen = np.empty((draws, missing), np.int64)
    for number, block in enumerate(blocks):
        for m in events.tolist():
            of_event = np.flatnonzero(event == m)
            people = block.start + np.flatnonzero(taken[m, block])
            chosen[of_event, number] = m * each + people[rng.integers(0, people.size, of_event.size)]
    spread_m = _spread_cells(ensemble, ground) * ground.cell_m
    stayed = person.stayed() & ground.contains(person.x_m, person.y_m)
    return MissingPersons(
        x_m=person.x_m[chosen] + rng.normal(0.0, spread_m, chosen.shape),
        y_m=person.y_m[chosen] + rng.normal(0.0, spread_m, chosen.shape),
        stayed=stayed[chosen],
    )


def taken_shares(ensemble: Ensemble, missing: int) -> tuple[float, ...]:
    """Share of the possible persons of each missing person whom the snow takes."""
    each = ensemble.person.count // len(ensemble.members)
    taken = ensemble.person.taken.reshape(-1, each)
    return tuple(float(taken[:, persons_block(each, missing, number)].mean()) for number in range(missing))


def _spread_cells(ensemble: Ensemble, ground: Grid) -> float:
    """Standard deviation of one possible person, cells."""
    if ensemble.model == "body":  # samples that slide alone do not spread as snow does
        return pile_sigma_cells(float(np.median(ensemble.draws.deposit_m3)), ground.cell_m)
    beside_the_cell = math.sqrt(max(PERSON_SPREAD_M**2 - ground.cell_m**2 / 12.0, 0.0))
    return max(LEAST_SPREAD_CELLS, beside_the_cell / ground.cell_m)


def share_inside(poa: Grid, outline: MultiPolygon) -> float:
    """Share of a probability of area inside an outline."""
    return float(min(1.0, poa.values.ravel()[cells_of_outline(outline, poa)].sum()))


# ---- The debris of a plan held against an outline that somebody mapped

COMPARED_LEVELS = (0.025, 0.05, 0.1, 0.2, 0.5, 0.8)


@dataclass(frozen=True, kw_only=True)
class ContourMatch:
    """One contour of the probability of debris beside an observed outline; areas on the map."""

    level: float  # debris is at least this likely inside
    area_m2: float
    observed_inside: float  # share of the observed area inside the contour
    covered: float  # share of the contour's area that carried debris; NaN where there is no such ground


@dataclass(frozen=True, kw_only=True)
class OutlineMatch:
    """How far the debris of a plan is from an observed outline. Lengths and areas on the map."""

    observed_m2: float
    modelled_m2: float
    overlap: float  # common over joint area
    observed_inside: float  # share of the observed area inside the outline of the plan
    modelled_outside: float  # share of the plan's outline without observed debris
    observed_off_ground: float  # share of the observed area where the plan has no ground
    # from the top of the release to the farthest point: observed, and of the plan's outline
    observed_runout_m: float
    modelled_runout_m: float
    # breadth across the line from the release to the farthest observed point
    observed_width_m: float
    modelled_width_m: float
    contours: tuple[ContourMatch, ...]

    @property
    def runout_misfit_m(self) -> float:
        """Plan less observed; above 0 the plan runs farther."""
        return self.modelled_runout_m - self.observed_runout_m

    @property
    def width_misfit_m(self) -> float:
        """Plan less observed; above 0 the plan is wider."""
        return self.modelled_width_m - self.observed_width_m


def compare_outline(
    probability: Grid, modelled: MultiPolygon, observed: MultiPolygon, top_m: tuple[float, float]
) -> OutlineMatch:
    """Hold the debris of a plan against an observed outline, both in map metres.

    ``probability`` is the share of events with debris in each cell, ``top_m`` the highest point of the release. The
    observed outline should be that of the deposit, not of the track.

    Raises
    ------
    InputError
        If the observed outline lies wholly beside the ground of the plan.
    """
    window = box(*probability.bounds)
    on_ground = observed.intersection(window).area / observed.area
    if on_ground <= 0.0:
        raise InputError(
            "the observed outline lies wholly beside the ground of the plan: check its CRS, or plan nearer to it"
        )
    common = modelled.intersection(observed).area
    observed_runout, far = _farthest(observed, top_m)
    modelled_runout, _ = _farthest(modelled, top_m)
    seen = np.zeros(probability.values.size, bool)
    seen[cells_of_outline(observed, probability)] = True
    chance = np.nan_to_num(probability.values.ravel())
    contours = []
    for level in COMPARED_LEVELS:
        inside = chance >= level
        hit, count = int((inside & seen).sum()), int(inside.sum())
        contours.append(
            ContourMatch(
                level=level,
                area_m2=count * probability.cell_area_m2,
                observed_inside=on_ground * hit / max(int(seen.sum()), 1),
                covered=hit / count if count else float("nan"),
            )
        )
    return OutlineMatch(
        observed_m2=float(observed.area),
        modelled_m2=float(modelled.area),
        overlap=float(common / modelled.union(observed).area),
        observed_inside=float(common / observed.area),
        modelled_outside=float(1.0 - common / modelled.area),
        observed_off_ground=float(1.0 - on_ground),
        observed_runout_m=observed_runout,
        modelled_runout_m=modelled_runout,
        observed_width_m=_breadth(observed, top_m, far),
        modelled_width_m=_breadth(modelled, top_m, far),
        contours=tuple(contours),
    )


def _farthest(outline: MultiPolygon, top_m: tuple[float, float]) -> tuple[float, tuple[float, float]]:
    """Distance and place of the corner of an outline that is farthest from a point."""
    corners = get_coordinates(outline)
    away = np.hypot(corners[:, 0] - top_m[0], corners[:, 1] - top_m[1])
    at = int(np.argmax(away))
    return float(away[at]), (float(corners[at, 0]), float(corners[at, 1]))


def _breadth(outline: MultiPolygon, top_m: tuple[float, float], far_m: tuple[float, float]) -> float:
    """Extent of an outline across the line from one point to another."""
    east, north = far_m[0] - top_m[0], far_m[1] - top_m[1]
    long = float(np.hypot(east, north))
    corners = get_coordinates(outline)
    across = (corners[:, 1] * east - corners[:, 0] * north) / max(long, 1e-9)
    return float(across.max() - across.min())
