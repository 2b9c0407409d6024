"""In which order sites are offered, and why."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from lastseen.drill.sites import placing
from lastseen.drill.sites.model import Lookout, Part, Site, SiteWish, Way

SLOW_WAY_S = 1200.0  # a way in of this time makes a site no better for it; design choice
LONG_REACHED_M = 500.0  # so much of the way in on ground that a body reaches halves the rank; design choice
# Weights of the parts of the rank; design choices.
WEIGHTS = {
    "distance from reached ground": 0.25, "slope": 0.20, "way in": 0.15, "evenness": 0.15, "lookout": 0.15,
    "way out": 0.10,
}  # fmt: skip


def parts_of(
    wish: SiteWish,
    slope_deg: float,
    spread_deg: float,
    away_m: float,
    way_in: Way | None,
    way_out: Way | None,
    lookout: Lookout | None,
) -> tuple[Part, ...]:
    """The parts of the rank, each 0 to 1."""
    seen = 0.0
    if lookout is not None:
        seen = lookout.sees_site * (1.0 if math.isnan(lookout.sees_above) else 0.5 + 0.5 * lookout.sees_above)
    values = {
        "distance from reached ground": float(placing.away_part(away_m)),
        "slope": float(placing.slope_part(wish, slope_deg)),
        "way in": max(1.0 - way_in.time_s / SLOW_WAY_S, 0.0) if way_in else 0.0,
        "evenness": float(placing.even_part(spread_deg)),
        "lookout": seen,
        "way out": 1.0 - way_out.reached_m / way_out.length_m if way_out else 0.0,
    }
    return tuple(Part(name, values[name], weight) for name, weight in WEIGHTS.items())


def rank_of(parts: Sequence[Part], way_in: Way | None) -> float:
    """The weighted mean of the parts, less where the way in crosses ground that a body reaches."""
    return sum(one.weight * one.value for one in parts) * _cut(way_in)


def _cut(way_in: Way | None) -> float:
    """From 1 to 0.5."""
    return 1.0 if way_in is None else 1.0 - 0.5 * min(way_in.reached_m / LONG_REACHED_M, 1.0)


def ranked(found: Sequence[Site], count: int) -> tuple[Site, ...]:
    """The best, numbered: those that a body reaches come last, and before them those without a way in."""
    ordered = sorted(
        found, key=lambda one: (one.exposure.share > 0.0, one.way_in is None, -round(one.rank, 6), one.number)
    )
    return tuple(_numbered(one, number, len(found)) for number, one in enumerate(ordered[:count], start=1))


def _numbered(site: Site, number: int, of: int) -> Site:
    """The site with its number, the name of its lookout place, and why it has this rank."""
    lookout = replace(site.lookout, name=f"L{number}") if site.lookout else None
    by_value = sorted(site.parts, key=lambda one: -one.value)
    told = ", ".join(f"{one.name} {one.value:.2f}" for one in site.parts)
    why = f"best in {by_value[0].name}, weakest in {by_value[-1].name}. Parts: {told}"
    if site.way_in is None:
        why += "; it comes after all that have a way in"
    elif site.way_in.reached_m > 0.0:
        why += f"; times {_cut(site.way_in):.2f}, since a body reaches {site.way_in.reached_m:.0f} m of the way in"
    return replace(
        site,
        number=number,
        lookout=lookout,
        reason=f"Number {number} of {of} that passed, with {site.rank:.2f} of 1: {why}.",
    )
