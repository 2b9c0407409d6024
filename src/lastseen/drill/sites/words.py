"""Sites in words: for the terminal, the sheet and the files."""

from __future__ import annotations

import math

from lastseen.drill.sites.model import Lookout, Site, Way
from lastseen.place import bearing_text
from lastseen.wording import percent


def facts(site: Site) -> str:
    """Slope, height and facing in one line."""
    inside = "" if site.inside_range > 0.995 else f", {percent(site.inside_range)} within the slopes asked for"
    return (
        f"{site.slope_deg:.0f} degrees (steepest {site.steepest_deg:.0f}{inside}), faces "
        f"{bearing_text(site.downhill_deg)}, {site.elevation_m:.0f} m"
    )


def way_words(way: Way | None, what: str) -> str:
    """A walk in one sentence."""
    if way is None:
        return f"No {what} was found on ground below 30 degrees."
    over = (
        "no body reaches it" if way.reached_m <= 0.0 else f"{way.reached_m:.0f} m of it on ground that a body reaches"
    )
    ends = f"from {way.to}" if what == "way in" else f"to {way.to}"
    return (
        f"{what.capitalize()}: {ends}, {bearing_text(way.bearing_deg)} of the site, {way.length_m:.0f} m, about "
        f"{max(1, round(way.time_s / 60.0))} min on foot, at most {way.steepest_deg:.0f} degrees; {over}."
    )


def lookout_words(lookout: Lookout | None) -> str:
    """The lookout place in one sentence."""
    if lookout is None:
        return "No lookout place was found that sees most of the site and that no body reaches."
    above = (
        "no start-zone ground lies above within 1500 m"
        if math.isnan(lookout.sees_above)
        else f"sees {percent(lookout.sees_above)} of the start-zone ground above the site near it"
    )
    return (
        f"Lookout place {lookout.name}: {lookout.distance_m:.0f} m {bearing_text(lookout.bearing_deg)} of the middle, "
        f"sees {percent(lookout.sees_site)} of the site; {above}."
    )


def traps_words(site: Site) -> str:
    """Terrain traps round the site."""
    if not site.traps_near:
        return "No terrain trap was found in it or within 50 m of it."
    return f"No terrain trap was found in it; near it: {'; '.join(site.traps_near)}."


def site_sentences(site: Site, statement: str = "") -> list[str]:
    """All that is said about a site; ``statement`` in place of its own."""
    return [
        f"{facts(site)[0].upper()}{facts(site)[1:]}.",
        statement or site.statement,
        traps_words(site),
        way_words(site.way_in, "way in"),
        way_words(site.way_out, "way out"),
        lookout_words(site.lookout),
        site.reason,
    ]
