"""Plain sentences about a plan: what was adjusted, what is left out and why."""

from __future__ import annotations

from collections.abc import Sequence

from lastseen.search.checks import Field
from lastseen.search.lanes import Placed
from lastseen.search.legs import STEEP_DEG
from lastseen.search.model import Coverage, Leg
from lastseen.search.numbering import Walked
from lastseen.search.ways import CLIFF_DEG, unreachable_share
from lastseen.wording import percent

_MOST_NAMED = 5


def written_notes(
    placed: Sequence[Placed],
    walked: Walked,
    legs: Sequence[Leg],
    coverage: Coverage,
    field: Field,
    searchers: int,
    least_coverage: float,
) -> tuple[str, ...]:
    """All sentences that apply, the most important first."""
    notes = _about_coverage(placed, walked, coverage, field, least_coverage)
    notes += _about_ground(legs)
    notes += _about_searchers(walked, searchers)
    added = sum(p.strips_added for p in placed)
    if added:
        notes.append(f"{_count(added, 'strip')} added: even strips left too much between them.")
    extra = sum(run.extra for p in placed for run in p.runs)
    if extra:
        notes.append(f"{_count(extra, 'short lane')} added through pieces that the even strips did not reach.")
    return tuple(notes)


def _about_coverage(
    placed: Sequence[Placed], walked: Walked, coverage: Coverage, field: Field, least: float
) -> list[str]:
    """What stays out of range, and why."""
    if coverage.fraction >= least and not walked.unreached and all(one.enough for one in placed):
        return []
    reasons = []
    share = unreachable_share(field.outline, field.ways.no_go)
    if share > 0.0:
        reasons.append(f"{percent(share, 1)} of the outline is no-go ground")
    if walked.unreached:
        reasons.append(f"{_count(len(walked.unreached), 'lane')} can only be reached across no-go ground")
    row, col = field.surface.filled.cell_of(field.lattice.x_m, field.lattice.y_m)
    wall = float(field.lattice.weight_m2[field.ways.danger[row, col] == 3].sum() / field.lattice.weight_m2.sum())
    if wall > 0.0005:
        reasons.append(f"{percent(wall, 1)} of it is a wall steeper than {CLIFF_DEG:.0f} degrees")
    why = "; ".join(reasons) if reasons else "no lane on walkable ground reaches the rest"
    if coverage.fraction >= least:
        return [] if not reasons else [f"Not every piece of the outline is covered alike: {why}."]
    return [f"Coverage stops at {percent(coverage.fraction, 1)} instead of {percent(least, 1)}: {why}."]


def _about_ground(legs: Sequence[Leg]) -> list[str]:
    """Legs over ground that nobody should walk without a look."""
    notes = [
        f"Leg {leg.number} of searcher {leg.searcher} crosses ground without elevation: "
        "its length and slope are estimates; choose the way on the spot."
        for leg in legs
        if leg.danger == "no elevation"
    ]
    steep = [leg for leg in legs if leg.steepest_deg > STEEP_DEG]
    if steep:
        ways = sum(leg.kind != "lane" for leg in steep)
        notes.append(
            f"{_count(len(steep), 'leg')} steeper than {STEEP_DEG:.0f} degrees somewhere, up to "
            f"{max(leg.steepest_deg for leg in steep):.0f}, {ways} of them approaches or joins: no easier way was "
            "found on this elevation model; find your own between the lanes."
        )
    for danger, words in (("wall", "over a wall"), ("above a wall", "right above a wall")):
        here = list(dict.fromkeys(_named(leg) for leg in legs if leg.danger == danger))
        if here:
            more = "" if len(here) <= _MOST_NAMED else f" and {len(here) - _MOST_NAMED} more"
            named = f"{', '.join(here[:_MOST_NAMED])}{more}"
            notes.append(f"{named[0].upper()}{named[1:]}: {words}; find another way on the spot.")
    return notes


def _about_searchers(walked: Walked, searchers: int) -> list[str]:
    """Searchers without a lane."""
    busy = sum(bool(legs) for legs in walked.legs)
    without = [str(k) for k in range(1, searchers + 1) if k > len(walked.legs) or not walked.legs[k - 1]]
    if not without:
        return []
    who, has = ("Searcher", "has") if len(without) == 1 else ("Searchers", "have")
    text = f"{who} {', '.join(without)} {has} no lane: the search is too small for more than {busy}; "
    return [f"{text}use them for probing and shovelling."]


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _named(leg: Leg) -> str:
    """A leg as the map shows it."""
    what = f"lane {leg.lane}" if leg.kind == "lane" else f"{leg.kind} of S{leg.searcher}"
    return what if leg.kind != "join" else f"a join of S{leg.searcher}"
