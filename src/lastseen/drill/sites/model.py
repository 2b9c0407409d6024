"""What a search for practice ground asks and finds."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import LineString, Polygon

from lastseen.drill.sites.exposure import StartZoneReach
from lastseen.drill.sites.starts import LEAST_START_DEG, StartGround
from lastseen.errors import InputError
from lastseen.ground_layers import GroundLayers
from lastseen.release import SIZES

LOW_DEG, HIGH_DEG = 10.0, 25.0  # taught limits of practice ground: below 25 to 30 degrees (common practice, no source)
SIZE_M = (100.0, 50.0)  # 0.5 ha, 100 wide by 50 high: protocol of a French nature park
MARGIN_M = 20.0  # between the site and ground that a body reaches, for people who stand round it; design choice


@dataclass(frozen=True)
class SiteWish:
    """What ground is looked for.

    Attributes
    ----------
    width_m, height_m : float
        Across and along the fall line; the height is measured on the slope.
    low_deg, high_deg : float
        Slope of the site.
    start_deg : float
        Slope from which snow can start.
    most_size : int
        Largest destructive size that is looked at; larger ones are left out, and every sheet then says so.
    near_m : (x, y) or None
        Where people come from, map metres.
    within_m : float
        Greatest distance from there.
    margin_m : float
        Between the site and ground that a body reaches.
    exposed_ok : bool
        Whether ground that bodies reach may be used; it then needs a lookout place.
    count : int
        How many sites at most.
    """

    width_m: float = SIZE_M[0]
    height_m: float = SIZE_M[1]
    low_deg: float = LOW_DEG
    high_deg: float = HIGH_DEG
    start_deg: float = LEAST_START_DEG
    most_size: int = SIZES[-1]
    near_m: tuple[float, float] | None = None
    within_m: float = 2000.0
    margin_m: float = MARGIN_M
    exposed_ok: bool = False
    count: int = 8

    def __post_init__(self) -> None:
        """Refuse what cannot be meant.

        Raises
        ------
        InputError
            With one sentence that says what is wrong and what to do.
        """
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
        if not out:
            return ""
        return f"events of size{'s' if len(out) > 1 else ''} {' and '.join(out)} were left out"


@dataclass(frozen=True)
class Way:
    """A walk to or from a site.

    Attributes
    ----------
    line : LineString
        Map metres, in the direction of the walk.
    length_m, time_s : float
        On the ground; time after Tobler's rule off the path.
    reached_m : float
        Length on ground that a body reaches.
    steepest_deg : float
        Steepest ground on it.
    bearing_deg : float
        From the middle of the site to the far end, grid north.
    to : str
        What the far end is.
    """

    line: LineString
    length_m: float
    time_s: float
    reached_m: float
    steepest_deg: float
    bearing_deg: float
    to: str


@dataclass(frozen=True)
class Lookout:
    """A place from which one person watches the site and what is above it.

    Attributes
    ----------
    name : str
        Such as L1, for the sheet.
    at_m : (x, y)
    distance_m : float
        From the middle of the site.
    bearing_deg : float
        From the middle of the site, grid north.
    sees_site : float
        Share of the site's ground that is seen.
    sees_above : float
        Share of the start-zone ground within 1,500 m above the site that is seen; NaN where there is none.
    """

    name: str
    at_m: tuple[float, float]
    distance_m: float
    bearing_deg: float
    sees_site: float
    sees_above: float


@dataclass(frozen=True)
class Exposure:
    """What comes down to the site, or near it.

    Attributes
    ----------
    share : float
        Greatest share of the frictions with which a body passes the site or its margin; 0 is none.
    distance_m : float
        To the nearest ground that a body reaches; 0 where it lies inside, infinite where there is none.
    speed_m_s : float
        Greatest speed of a body on the site; 0 where none passes.
    from_m : (x, y) or None
        Where the fastest of them started.
    from_above_m : float
        How much higher that is; NaN where none passes.
    start_distance_m : float
        To the nearest start-zone ground, infinite where there is none.
    start_below : bool
        Whether that ground lies lower than the site.
    """

    share: float
    distance_m: float
    speed_m_s: float
    from_m: tuple[float, float] | None
    from_above_m: float
    start_distance_m: float
    start_below: bool


@dataclass(frozen=True)
class Part:
    """One part of the rank: its name, 0 to 1, and its weight."""

    name: str
    value: float
    weight: float


@dataclass(frozen=True)
class Site:
    """A candidate.

    Attributes
    ----------
    number : int
        From 1, the best first.
    outline : Polygon
        Four corners, map metres, upper left first as seen from below, then clockwise.
    middle_m : (x, y)
    elevation_m : float
        Of the middle.
    downhill_deg : float
        Azimuth of the fall line from grid north.
    slope_deg, spread_deg, steepest_deg : float
        Mean, standard deviation and largest slope.
    inside_range : float
        Share of it within the slopes asked for.
    exposure : Exposure
    way_in, way_out : Way or None
    lookout : Lookout or None
    traps_near : tuple of str
        Terrain traps within 50 m outside it, in words.
    parts : tuple of Part
    rank : float
        Weighted mean of the parts, 0 to 1.
    statement : str
        What comes down, with its limits, in plain sentences.
    reason : str
        Why it was ranked so.
    """

    number: int
    outline: Polygon
    middle_m: tuple[float, float]
    elevation_m: float
    downhill_deg: float
    slope_deg: float
    spread_deg: float
    steepest_deg: float
    inside_range: float
    exposure: Exposure
    way_in: Way | None
    way_out: Way | None
    lookout: Lookout | None
    traps_near: tuple[str, ...]
    parts: tuple[Part, ...]
    rank: float
    statement: str
    reason: str


@dataclass(frozen=True)
class Refused:
    """How much ground was refused, and why: a sentence each with hectares or a number of places."""

    right_slope_ha: float
    reached_ha: float
    places: int
    with_trap: int
    unknown_above: int
    without_lookout: int


@dataclass(frozen=True, eq=False)
class SiteSearch:
    """All that a search for practice ground found.

    Attributes
    ----------
    wish : SiteWish
    starts : StartGround
    reach : StartZoneReach
    layers : GroundLayers
    sites : tuple of Site
        The best first.
    refused : Refused
    notes : tuple of str
        Plain sentences that the user must see.
    """

    wish: SiteWish
    starts: StartGround
    reach: StartZoneReach
    layers: GroundLayers
    sites: tuple[Site, ...]
    refused: Refused
    notes: tuple[str, ...]
