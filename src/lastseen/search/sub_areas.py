"""Parts of the debris that are searched at one go: what to believe when nobody was found, and which is next."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from lastseen.core import InputError
from lastseen.rescue import SurvivalCurve, found_probability, survival_bounds_percent, update_poa

# ---- What to believe when a pass found nobody


@dataclass(frozen=True, kw_only=True)
class SubArea:
    """A part of the debris that is searched at one go."""

    name: str
    poa: float  # probability of area, 0 to 1
    pod: float  # probability of detection of the search that is planned there, or was walked
    minutes: float  # what that search takes, above 0
    # share of people that the ground on the way there and at the end of it lets survive, 0 to 1: 1 on a smooth run-out,
    # less where cliffs, trees or water wait. No source gives numbers: a weight that the user sets.
    survivable: float = 1.0


def parse_area(text: str) -> SubArea:
    """An area from ``name,POA,POD,minutes`` or ``name,POA,POD,minutes,survivable``.

    Raises
    ------
    InputError
        If the text has another form.
    """
    name, *numbers = (part.strip() for part in text.split(","))
    try:
        values = [float(number) for number in numbers]
    except ValueError:
        values = []
    if not name or len(values) not in {3, 4}:
        raise InputError(f"'{text}' is no area: write name,POA,POD,minutes or name,POA,POD,minutes,survivable")
    keys = ("poa", "pod", "minutes", "survivable")
    return SubArea(name=name, **dict(zip(keys, values, strict=False)))


def update_areas(areas: Sequence[SubArea]) -> tuple[tuple[SubArea, ...], float, float]:
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
    poas, pods = [area.poa for area in areas], [area.pod for area in areas]
    new, outside = update_poa(poas, pods, max(0.0, 1.0 - sum(poas)))
    changed = tuple(replace(area, poa=poa) for area, poa in zip(areas, new, strict=True))
    return changed, outside, found_probability(poas, pods)


# ---- Where few people on big debris start: parts of the debris in order of what they save per minute

RANKING_FORMULA = (
    "POA x POD x share that terrain lets survive x survival when dug out, per minute of search; "
    "the area with the most per minute is next"
)
MOST_FOR_BEST = 10


@dataclass(frozen=True, kw_only=True)
class SearchStep:
    """One step of an order of search."""

    area: SubArea  # with its POA before anything is searched
    poa_now: float  # after the areas before it were searched in vain
    # since the accident
    from_minute: float
    to_minute: float
    # (float, float); least and greatest published survival of who is dug out after this search, half way through it
    survival_percent: tuple[float, float]
    # POA x POD x survivable x survival (mean of the two) per minute, per cent; by it the order is made
    gain_per_minute: float


def rank_areas(
    areas: Sequence[SubArea], curve: SurvivalCurve, *, start_minute: float, rescue_minutes: float
) -> tuple[SearchStep, ...]:
    """Order of search for few people on big debris: what saves most per minute comes first.

    Survivable ground first (Canadian avalanche search course notes: smooth run-out before places with fatal terrain),
    made into a number: `RANKING_FORMULA`. The next area is always the one with the most per minute at that moment. That
    is a plain rule, not always the best order: `find_best_order` tells by how much.

    Parameters
    ----------
    start_minute : float
        Since the accident, when the search begins.
    rescue_minutes : float
        From the first signal until the head is free.

    Raises
    ------
    InputError
        If an area or a time cannot be used.
    """
    _check_areas(areas, start_minute, rescue_minutes)
    left, now, order = list(areas), start_minute, []
    while left:
        gains = [_gain(area, curve, now, rescue_minutes)[0] for area in left]
        area = left.pop(max(range(len(left)), key=lambda i: (gains[i], -i)))
        order.append(area)
        now += area.minutes
    return schedule_areas(order, curve, start_minute=start_minute, rescue_minutes=rescue_minutes)


def schedule_areas(
    areas: Sequence[SubArea], curve: SurvivalCurve, *, start_minute: float, rescue_minutes: float
) -> tuple[SearchStep, ...]:
    """The steps of a search in the order that was given; parameters as in `rank_candidates`."""
    _check_areas(areas, start_minute, rescue_minutes)
    now, steps, missed = start_minute, [], 1.0
    for area in areas:
        gain, survival = _gain(area, curve, now, rescue_minutes)
        poa_now = min(1.0, area.poa / missed) if missed > 0.0 else 0.0
        steps.append(
            SearchStep(
                area=area,
                poa_now=poa_now,
                from_minute=now,
                to_minute=now + area.minutes,
                survival_percent=survival,
                gain_per_minute=gain,
            )
        )
        missed -= area.poa * area.pod
        now += area.minutes
    return tuple(steps)


def saved_percent(steps: Sequence[SearchStep]) -> float:
    """Chance that the search finds the person alive, per cent: the sum of gain per minute times minutes."""
    return sum(step.gain_per_minute * step.area.minutes for step in steps)


def find_best_order(
    areas: Sequence[SubArea], curve: SurvivalCurve, *, start_minute: float, rescue_minutes: float
) -> tuple[SearchStep, ...] | None:
    """The order of all that most likely finds the person alive; None above `MOST_FOR_BEST` areas.

    When an area is searched depends only on which were searched before it, so that sets of areas need be tried and not
    all their orders (M. Held & R. M. Karp 1962). Parameters as in `rank_candidates`.
    """
    _check_areas(areas, start_minute, rescue_minutes)
    n = len(areas)
    if n > MOST_FOR_BEST:
        return None
    best: dict[int, tuple[float, tuple[int, ...]]] = {0: (0.0, ())}
    for done in range(1, 2**n):
        tried = []
        for i in (k for k in range(n) if done >> k & 1):
            value, order = best[done ^ 1 << i]
            now = start_minute + sum(areas[k].minutes for k in order)
            tried.append((value + _gain(areas[i], curve, now, rescue_minutes)[0] * areas[i].minutes, (*order, i)))
        best[done] = max(tried, key=lambda pair: pair[0])
    order = best[2**n - 1][1]
    return schedule_areas([areas[k] for k in order], curve, start_minute=start_minute, rescue_minutes=rescue_minutes)


def _gain(area: SubArea, curve: SurvivalCurve, now: float, rescue_minutes: float) -> tuple[float, tuple[float, float]]:
    low, high = survival_bounds_percent(curve, now + 0.5 * area.minutes + rescue_minutes)
    return area.poa * area.pod * area.survivable * 0.5 * (low + high) / area.minutes, (low, high)


def _check_areas(areas: Sequence[SubArea], start_minute: float, rescue_minutes: float) -> None:
    if not areas:
        raise InputError("no areas were given: cut the debris into parts that are searched at one go")
    if not (0.0 <= start_minute < math.inf and 0.0 <= rescue_minutes < math.inf):
        raise InputError(f"a start after {start_minute} min and {rescue_minutes} min of rescue: give 0 or more minutes")
    if len({area.name for area in areas}) < len(areas):
        raise InputError("two areas have the same name: give each its own")
    for area in areas:
        shares = (area.poa, area.pod, area.survivable)
        if not (all(0.0 <= share <= 1.0 for share in shares) and 0.0 < area.minutes < math.inf):
            raise InputError(
                f"area '{area.name}' has POA {area.poa:g}, POD {area.pod:g}, survivable {area.survivable:g}, "
                f"{area.minutes:g} min: give three shares from 0 to 1 and a time above 0"
            )
    if sum(area.poa for area in areas) > 1.0 + 1e-6:
        raise InputError("the POA of the areas add up to more than 1: scale them to what lies inside")
