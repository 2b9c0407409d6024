"""What to believe and where to go on when the first pass found nobody; and where few people on big debris start."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from shapely import LineString

from lastseen.errors import InputError
from lastseen.grid import FloatArray, Grid
from lastseen.search.coverage import Outline, measure_coverage
from lastseen.search.detection import found_probability, updated_poa
from lastseen.search.survival import SurvivalCurve, survival_bounds_percent

RANKING_FORMULA = (
    "POA x POD x share that terrain lets survive x survival when dug out, per minute of search; "
    "the area with the most per minute is next"
)


@dataclass(frozen=True)
class SubArea:
    """A part of the debris that is searched at one go.

    Attributes
    ----------
    name : str
    poa : float
        Probability of area, 0 to 1.
    pod : float
        Probability of detection of the search that is planned there, or was walked.
    minutes : float
        What that search takes, above 0.
    survivable : float
        Share of people that the ground on the way there and at the end of it lets survive, 0 to 1: 1 on a smooth
        run-out, less where cliffs, trees or water wait. No source gives numbers: a weight that the user sets.
    """

    name: str
    poa: float
    pod: float
    minutes: float
    survivable: float = 1.0


@dataclass(frozen=True)
class Ranked:
    """One step of an order of search.

    Attributes
    ----------
    area : SubArea
        With its POA before anything is searched.
    poa_now : float
        After the areas before it were searched in vain.
    from_minute, to_minute : float
        Since the accident.
    survival_percent : (float, float)
        Least and greatest published survival of who is dug out after this search, half way through it.
    gain_per_minute : float
        POA x POD x survivable x survival (mean of the two) per minute, per cent; by it the order is made.
    """

    area: SubArea
    poa_now: float
    from_minute: float
    to_minute: float
    survival_percent: tuple[float, float]
    gain_per_minute: float


def parse_area(text: str) -> SubArea:
    """An area from ``name,POA,POD,minutes`` or ``name,POA,POD,minutes,survivable``.

    Raises
    ------
    InputError
        If the text has another form.
    """
    name, *numbers = (part.strip() for part in text.split(","))
    try:
        values = [float(one) for one in numbers]
    except ValueError:
        values = []
    if not name or len(values) not in {3, 4}:
        raise InputError(f"'{text}' is no area: write name,POA,POD,minutes or name,POA,POD,minutes,survivable")
    return SubArea(name, *values)


def walked_pod(
    area: Outline, walked: Sequence[LineString], ground: Grid, strip_width_m: float, heard: float = 1.0
) -> float:
    """POD of lanes that were planned, or of tracks that were recorded: definite range within half a strip.

    Parameters
    ----------
    area : Polygon or MultiPolygon
        Map metres.
    walked : sequence of LineString
        Map metres.
    ground : Grid
        Elevation.
    strip_width_m : float
        On the snow.
    heard : float
        Share of transmitters in range that a searcher hears; 1 is the definite range. User value.

    Returns
    -------
    float
        Share of the area's surface within half a strip, times ``heard``.

    Raises
    ------
    InputError
        As `measure_coverage`, or if ``heard`` is no share.
    """
    if not 0.0 <= heard <= 1.0:
        raise InputError(f"a share heard of {heard}: give 0 to 1")
    return heard * measure_coverage(area, walked, ground, 0.5 * strip_width_m).fraction


def updated_grid(poa: Grid, pod: FloatArray) -> Grid:
    """POA of every cell after a search that found nobody.

    What the grid lacks to 1 lies outside it and counts as not searched. No data stays no data and holds nothing.

    Parameters
    ----------
    poa : Grid
        Sums to at most 1.
    pod : ndarray, shape of the grid
        0 to 1; 0 where nobody walked.

    Raises
    ------
    InputError
        If the shapes differ or a value is no probability.
    """
    if pod.shape != poa.values.shape:
        raise InputError(f"POD of shape {pod.shape} for a POA of shape {poa.values.shape}: use one lattice")
    known = np.isfinite(poa.values)
    outside = max(0.0, 1.0 - float(poa.values[known].sum()))
    inside, _ = updated_poa(tuple(poa.values[known].tolist()), tuple(pod[known].tolist()), outside)
    values = np.full(poa.values.shape, np.nan)
    values[known] = inside
    return poa.with_values(values)


def after_search(areas: Sequence[SubArea], outside: float | None = None) -> tuple[tuple[SubArea, ...], float, float]:
    """All areas after each was searched once in vain.

    Returns
    -------
    areas : tuple of SubArea
        With their new POA.
    outside : float
        New POA outside all of them.
    found : float
        How likely the search was to find the person.
    """
    beyond = 1.0 - sum(area.poa for area in areas) if outside is None else outside
    poas, pods = [area.poa for area in areas], [area.pod for area in areas]
    new, left = updated_poa(poas, pods, max(0.0, beyond))
    changed = tuple(replace(area, poa=poa) for area, poa in zip(areas, new, strict=True))
    return changed, left, found_probability(poas, pods)


def ranked(
    areas: Sequence[SubArea], curve: SurvivalCurve, *, start_minute: float, rescue_minutes: float
) -> tuple[Ranked, ...]:
    """Order of search for few people on big debris: what saves most per minute comes first.

    Survivable ground first (Canadian avalanche search course notes: smooth run-out before places with fatal terrain),
    made into a number: `RANKING_FORMULA`. The next area is always the one with the most per minute at that moment
    (greedy; best possible while survival does not change, and close to it else).

    Parameters
    ----------
    areas : sequence of SubArea
    curve : SurvivalCurve
    start_minute : float
        Since the accident, when the search begins.
    rescue_minutes : float
        From the first signal until the head is free.

    Raises
    ------
    InputError
        If an area or a time cannot be used.
    """
    _check(areas, start_minute, rescue_minutes)
    left, now, order, missed = list(areas), start_minute, [], 1.0
    while left:
        gains = [_gain(area, curve, now, rescue_minutes) for area in left]
        best = max(range(len(left)), key=lambda i: (gains[i][0], -i))
        area = left.pop(best)
        poa_now = area.poa / missed if missed > 0.0 else 0.0
        order.append(Ranked(area, poa_now, now, now + area.minutes, gains[best][1], gains[best][0]))
        missed -= area.poa * area.pod
        now += area.minutes
    return tuple(order)


def _gain(area: SubArea, curve: SurvivalCurve, now: float, rescue_minutes: float) -> tuple[float, tuple[float, float]]:
    low, high = survival_bounds_percent(curve, now + 0.5 * area.minutes + rescue_minutes)
    return area.poa * area.pod * area.survivable * 0.5 * (low + high) / area.minutes, (low, high)


def _check(areas: Sequence[SubArea], start_minute: float, rescue_minutes: float) -> None:
    if not areas:
        raise InputError("no areas were given: cut the debris into parts that are searched at one go")
    if not (0.0 <= start_minute < math.inf and 0.0 <= rescue_minutes < math.inf):
        raise InputError(f"a start after {start_minute} min and {rescue_minutes} min of rescue: give 0 or more minutes")
    if len({area.name for area in areas}) < len(areas):
        raise InputError("two areas have the same name: give each its own")
    for area in areas:
        shares = (area.poa, area.pod, area.survivable)
        if not (all(0.0 <= one <= 1.0 for one in shares) and 0.0 < area.minutes < math.inf):
            raise InputError(
                f"area '{area.name}' has POA {area.poa:g}, POD {area.pod:g}, survivable {area.survivable:g}, "
                f"{area.minutes:g} min: give three shares from 0 to 1 and a time above 0"
            )
    if sum(area.poa for area in areas) > 1.0 + 1e-6:
        raise InputError("the POA of the areas add up to more than 1: scale them to what lies inside")
