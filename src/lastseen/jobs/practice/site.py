"""What a search for practice ground asks and finds, and its sentences."""

from __future__ import annotations

import math
from dataclasses import dataclass

from shapely import LineString, Polygon

from lastseen.core import InputError, bearing_text, percent
from lastseen.jobs.practice.site_exposure import LEAST_START_DEG, StartGround, StartZoneReach
from lastseen.snow import SIZES
from lastseen.terrain import GroundLayers

LOW_DEG, HIGH_DEG = 10.0, 25.0  # taught limits of practice ground: below 25 to 30 degrees (common practice, no source)
SIZE_M = (100.0, 50.0)  # 0.5 ha, 100 wide by 50 high: protocol of a French nature park
MARGIN_M = 20.0  # between the site and ground reached by snow, for people who stand round it; design choice


@dataclass(frozen=True, kw_only=True)
class SiteRequest:
    """What ground is looked for."""

    width_m: float = SIZE_M[0]  # across the fall line
    height_m: float = SIZE_M[1]  # along the fall line, measured on the slope
    low_deg: float = LOW_DEG  # slope of the site
    high_deg: float = HIGH_DEG
    start_deg: float = LEAST_START_DEG  # slope from which snow can start
    # largest destructive size that is looked at; larger ones are left out, and every sheet then says so
    most_size: int = SIZES[-1]
    near_m: tuple[float, float] | None = None  # where people come from, map metres
    within_m: float = 2000.0  # greatest distance from there
    margin_m: float = MARGIN_M  # between the site and ground reached by snow
    exposed_ok: bool = False  # whether ground reached by snow may be used; it then needs a lookout place
    count: int = 8  # how many sites at most

    def __post_init__(self) -> None:
        """Refuse what cannot be meant: an `InputError` that says what is wrong and what to do."""
        if not (10.0 <= self.width_m <= 500.0 and 10.0 <= self.height_m <= 500.0):
            raise InputError(f"a site of {self.width_m:g} x {self.height_m:g} m: give 10 to 500 m for each side")
        if not 0.0 <= self.low_deg < self.high_deg <= self.start_deg <= 45.0:
            raise InputError(
                f"slopes of {self.low_deg:g} to {self.high_deg:g} degrees below start zones of {self.start_deg:g}: "
                "give a lower limit below the upper one, and the upper one not above that of start zones (at most 45)"
            )
        if self.most_size not in SIZES or self.count < 1 or self.within_m <= 0.0 or self.margin_m < 0.0:
            raise InputError("give a size of 1 to 4, at least one site, a distance above 0 and a margin of at least 0")

    @property
    def left_out(self) -> str:
        """What is not looked at, such as ``events of size 4 were left out``; empty where nothing is."""
        out = [str(size) for size in SIZES if size > self.most_size]
        return f"events of size{'s' if len(out) > 1 else ''} {' and '.join(out)} were left out" if out else ""


@dataclass(frozen=True, kw_only=True)
class Way:
    """A walk to or from a site."""

    line: LineString  # map metres, in the direction of the walk
    length_m: float  # on the ground
    time_s: float  # after Tobler's rule off the path
    reached_m: float  # length on ground reached by snow
    steepest_deg: float  # steepest ground on it
    bearing_deg: float  # from the middle of the site to the far end, grid north
    to: str  # what the far end is


@dataclass(frozen=True, kw_only=True)
class Lookout:
    """A place from which one person watches the site and what is above it."""

    name: str  # such as L1, for the sheet
    at_m: tuple[float, float]
    distance_m: float  # from the middle of the site
    bearing_deg: float  # from the middle of the site, grid north
    sees_site: float  # share of the site's ground that is seen
    # share of the start-zone ground within 1,500 m above the site that is seen; NaN where there is none
    sees_above: float


@dataclass(frozen=True, kw_only=True)
class Exposure:
    """What comes down to the site, or near it."""

    share: float  # greatest share of the frictions with which a sample passes the site or its margin; 0 is none
    distance_m: float  # to the nearest ground reached by snow; 0 where it lies inside, infinite where there is none
    speed_m_s: float  # greatest speed of a sample on the site; 0 where none passes
    from_m: tuple[float, float] | None  # where the fastest of them started
    from_above_m: float  # how much higher that is; NaN where none passes
    start_distance_m: float  # to the nearest start-zone ground, infinite where there is none
    start_below: bool  # whether that ground lies lower than the site


@dataclass(frozen=True, kw_only=True)
class Part:
    """One part of the rank: its name, 0 to 1, and its weight."""

    name: str
    value: float
    weight: float


@dataclass(frozen=True, kw_only=True)
class Site:
    """A candidate."""

    number: int  # from 1, the best first
    outline: Polygon  # four corners, map metres, upper left first as seen from below, then clockwise
    middle_m: tuple[float, float]
    elevation_m: float  # of the middle
    downhill_deg: float  # azimuth of the fall line from grid north
    slope_deg: float  # mean; then standard deviation and largest slope
    spread_deg: float
    steepest_deg: float
    inside_range: float  # share of it within the slopes asked for
    exposure: Exposure
    way_in: Way | None
    way_out: Way | None
    lookout: Lookout | None
    traps_near: tuple[str, ...]  # terrain traps within 50 m outside it, in words
    parts: tuple[Part, ...]
    rank: float  # weighted mean of the parts, 0 to 1
    statement: str  # what comes down, with its limits, in plain sentences
    reason: str  # why it was ranked so


@dataclass(frozen=True, kw_only=True)
class RefusedGround:
    """How much ground was refused, and why: a sentence each with hectares or a number of places."""

    right_slope_ha: float
    reached_ha: float
    places: int
    with_trap: int
    unknown_above: int
    without_lookout: int


@dataclass(frozen=True, eq=False, kw_only=True)
class SiteSearch:
    """All that a search for practice ground found."""

    request: SiteRequest
    starts: StartGround
    reach: StartZoneReach
    layers: GroundLayers
    sites: tuple[Site, ...]  # the best first
    refused: RefusedGround
    notes: tuple[str, ...]  # plain sentences that the user must see


def site_line(site: Site) -> str:
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
    reached = f"{way.reached_m:.0f} m of it on ground that a body reaches"
    over = reached if way.reached_m > 0.0 else "no body reaches it"
    ends = f"from {way.to}" if what == "way in" else f"to {way.to}"
    return (
        f"{what.capitalize()}: {ends}, {bearing_text(way.bearing_deg)} of the site, {way.length_m:.0f} m, about "
        f"{max(1, round(way.time_s / 60.0))} min on foot, at most {way.steepest_deg:.0f} degrees; {over}."
    )


def lookout_words(lookout: Lookout | None) -> str:
    """The lookout place in one sentence."""
    if lookout is None:
        return "No lookout place was found that sees most of the site and that no body reaches."
    above = "no start-zone ground lies above within 1500 m"
    if not math.isnan(lookout.sees_above):
        above = f"sees {percent(lookout.sees_above)} of the start-zone ground above the site near it"
    return (
        f"Lookout place {lookout.name}: {lookout.distance_m:.0f} m {bearing_text(lookout.bearing_deg)} of the middle, "
        f"sees {percent(lookout.sees_site)} of the site; {above}."
    )


def trap_words(site: Site) -> str:
    """Terrain traps round the site."""
    near = f"; near it: {'; '.join(site.traps_near)}." if site.traps_near else " or within 50 m of it."
    return f"No terrain trap was found in it{near}"


def site_sentences(site: Site, statement: str = "") -> list[str]:
    """All that is said about a site; ``statement`` in place of its own."""
    return [
        f"{site_line(site)[0].upper()}{site_line(site)[1:]}.",
        statement or site.statement,
        trap_words(site),
        way_words(site.way_in, "way in"),
        way_words(site.way_out, "way out"),
        lookout_words(site.lookout),
        site.reason,
    ]
