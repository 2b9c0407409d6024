"""How people move: on skis, on snowshoes or on foot, to the debris and over it, up and down."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from lastseen.core import FloatArray, InputError, Spread, exact_spread

TravelMode = Literal["ski", "snowshoe", "foot"]
TRAVEL_MODES: tuple[TravelMode, ...] = get_args(TravelMode)
MODE_WORDS: dict[TravelMode, str] = {"ski": "on skis", "snowshoe": "on snowshoes", "foot": "on foot"}
FASTEST_M_S = 30.0  # nobody is faster on skis beside a piste; design choice

# ---- On foot: Tobler's rule off the path, and times of mountain paths

OFF_PATH_FACTOR = 0.6
# Tobler's rule was not made for ground steeper than this; beyond it the height walked in an hour stays what it is
# there: 304 m up and 431 m down, beside the 300 and 500 m of DIN 33466. Design choice.
STEEPEST_RULE = 0.3
# Time against the planned time on foot: firm snow is walked like a path (1 over 1/0.6), rough debris at half of
# Tobler's speed instead of 0.6 (from memory: nobody has published a speed on debris).
FASTER, SLOWER = OFF_PATH_FACTOR, OFF_PATH_FACTOR / 0.5
WALKING_SOURCE = "W. Tobler 1993, NCGIA Technical Report 93-1, off the path"


def searching_speed_m_s(slope: npt.ArrayLike) -> FloatArray:
    """Walking speed off the path on any slope: Tobler's rule, and on steep ground its height in an hour.

    Parameters
    ----------
    slope : array_like
        Rise over run along the walk, up is positive.

    Returns
    -------
    ndarray
        Metres on the ground per second, same shape as ``slope``.
    """
    wanted = np.asarray(slope, dtype=np.float64)
    held = np.clip(wanted, -STEEPEST_RULE, STEEPEST_RULE)
    # Height in an hour is speed x sin(slope): where it is held, speed falls with the sine.
    sine, held_sine = (np.abs(rise) / np.hypot(1.0, rise) for rise in (wanted, held))
    factor = np.where(np.abs(wanted) > STEEPEST_RULE, held_sine / np.maximum(sine, 1e-12), 1.0)
    return walking_speed_m_s(held) * factor


def walking_speed_m_s(slope: npt.ArrayLike, off_path: bool = True) -> FloatArray:  # noqa: FBT001, FBT002
    """Walking speed on a slope.

    ``v = 6 exp(-3.5 |S + 0.05|)`` km/h, times 0.6 off the path (W. Tobler, 1993, Three presentations on geographical
    analysis and modeling, NCGIA Technical Report 93-1, after E. Imhof). The rule was made for paths and long walks:
    on rough debris people are slower.

    Parameters
    ----------
    slope : array_like
        Rise over run along the walk, up is positive.
    off_path : bool
        Whether the walk is off the path.

    Returns
    -------
    ndarray
        Metres per second, same shape as ``slope``.

    Examples
    --------
    >>> round(float(walking_speed_m_s(0.0, off_path=False)) * 3.6, 3)
    5.037
    """
    speed = 6.0 / 3.6 * np.exp(-3.5 * np.abs(np.asarray(slope, dtype=np.float64) + 0.05))
    return np.asarray(speed * (OFF_PATH_FACTOR if off_path else 1.0), dtype=np.float64)


def approach_time_h(distance_m: float, up_m: float, down_m: float) -> float:
    """Time on a mountain path: the larger of level and vertical time plus half the smaller (DIN 33466).

    4 km/h level, 300 m/h up, 500 m/h down.

    Parameters
    ----------
    distance_m, up_m, down_m : float
        Map distance, sum of ascents and sum of descents, metres, all 0 or more.

    Returns
    -------
    float
        Hours.

    Raises
    ------
    InputError
        If a length is negative or not a number.

    Examples
    --------
    >>> approach_time_h(8_000.0, 1_200.0, 0.0)
    5.0
    """
    for name, value in (("distance", distance_m), ("ascent", up_m), ("descent", down_m)):
        if not value >= 0.0:
            raise InputError(f"the {name} of an approach is {value} m: give 0 or more metres")
    level, vertical = distance_m / 4000.0, up_m / 300.0 + down_m / 500.0
    return max(level, vertical) + 0.5 * min(level, vertical)


# ---- On skis and on snowshoes: what is published for tours, and a choice for the way down

# Units of a tour, kilometres and hundreds of metres of height, in an hour: uphill on foot or on skis, downhill on foot
# (W. Munter, 3x3 Lawinen, 1997; the year from memory). His 10 units downhill on skis hold the stops of a tour: 100 m
# of height would take as long as on foot.
UP_UNITS_H, DOWN_ON_FOOT_UNITS_H = 4.0, 6.0
TOUR_SOURCE = "W. Munter, 3x3 Lawinen, 1997, the year from memory"
# Snowshoes on an open field of 2.4 % (Knapik et al. 2002; the pace was imposed).
SNOWSHOE_LEVEL_M_S = 4.0 / 3.6
# Down beside a piste, looking and ready to stop: the upper end is the mean of beginners on groomed pistes, 19.9 km/h
# (Stepan et al. 2023); low and typical are a design choice.
SKI_DOWN_M_S = Spread(1.0, 2.5, 19.9 / 3.6)
# 790 m of height in an hour, self-chosen on packed snow (Tosi et al. 2009), against the 400 of the tours; and the 300
# of DIN 33466.
SKI_UP_FASTER, SKI_UP_SLOWER = 400.0 / 790.0, 400.0 / 300.0
# Skis glide from 8 degrees on and side-slip above 35, at 40 at 1 m/s; searching on debris they are as fast as people
# who hurry over it on foot. Design choices, no source.
GLIDES_DEG, SLIPS_DEG, SLIP_M_S, SKI_SEARCH_M_S = 8.0, (35.0, 40.0), 1.0, 1.5


def _tour_speed_m_s(slope: FloatArray, units_h: float | FloatArray) -> FloatArray:
    """Speed on the snow of so many units of a tour in an hour."""
    return np.asarray(units_h / 3.6 * np.hypot(1.0, slope) / (1.0 + 10.0 * np.abs(slope)))


def _ski_speed_m_s(slope: FloatArray, down_m_s: float) -> FloatArray:
    """With skins level and uphill, gliding downhill, side-slipping where it is steep."""
    slip, steep = (-math.tan(math.radians(angle)) for angle in reversed(SLIPS_DEG))
    places = [slip, steep, -math.tan(math.radians(GLIDES_DEG)), 0.0]
    speeds = [min(SLIP_M_S, down_m_s), down_m_s, down_m_s, UP_UNITS_H / 3.6]
    return np.where(slope >= 0.0, _tour_speed_m_s(slope, UP_UNITS_H), np.interp(slope, places, speeds))


def _snowshoe_speed_m_s(slope: FloatArray) -> FloatArray:
    """As on foot on a tour, nowhere faster than on the level."""
    units = np.where(slope >= 0.0, UP_UNITS_H, DOWN_ON_FOOT_UNITS_H)
    return np.minimum(SNOWSHOE_LEVEL_M_S, _tour_speed_m_s(slope, units))


# ---- What is chosen: how they come to the debris, how they search it, and their own speeds


@dataclass(frozen=True, kw_only=True)
class Pace:
    """Speeds on any slope, of one way to move."""

    mode: TravelMode = "foot"
    searching: bool = True  # on debris, with the receiver in hand
    # own speeds, metres on the snow per second; None is that of the mode
    down_m_s: float | None = None
    up_m_s: float | None = None

    def speed_m_s(self, slope: npt.ArrayLike) -> FloatArray:
        """Metres on the snow per second; ``slope`` is rise over run along the way, up (and level) is positive."""
        rise = np.asarray(slope, dtype=np.float64)
        speed = self._mode_speed_m_s(rise)
        if self.down_m_s is not None:
            speed = np.where(rise < 0.0, self.down_m_s, speed)
        if self.up_m_s is not None:
            speed = np.where(rise >= 0.0, self.up_m_s, speed)
        return np.asarray(speed)

    def _mode_speed_m_s(self, slope: FloatArray) -> FloatArray:
        if self.mode == "foot":
            return searching_speed_m_s(slope)
        if self.mode == "snowshoe":
            speed = _snowshoe_speed_m_s(slope)
            return np.minimum(speed, searching_speed_m_s(slope)) if self.searching else speed
        if not self.searching:
            return _ski_speed_m_s(slope, SKI_DOWN_M_S.typical)
        slow = np.minimum(_ski_speed_m_s(slope, SKI_SEARCH_M_S), searching_speed_m_s(slope))
        return np.where(slope < 0.0, _ski_speed_m_s(slope, SKI_SEARCH_M_S), slow)

    def range_of(self, time_s: float, slope_deg: float) -> Spread:
        """Low, typical and high time of a way that takes ``time_s``; own speeds are taken as they are."""
        down = slope_deg < 0.0
        if (self.down_m_s if down else self.up_m_s) is not None:
            return exact_spread(time_s)
        if self.mode != "ski" or self.searching:
            return Spread(FASTER * time_s, time_s, SLOWER * time_s)
        if not down:
            return Spread(SKI_UP_FASTER * time_s, time_s, SKI_UP_SLOWER * time_s)
        fast, slow = SKI_DOWN_M_S.typical / SKI_DOWN_M_S.high, SKI_DOWN_M_S.typical / SKI_DOWN_M_S.low
        return Spread(fast * time_s, time_s, slow * time_s)


@dataclass(frozen=True, kw_only=True)
class Travel:
    """How people move in one search.

    Raises
    ------
    InputError
        If a mode is unknown, or a speed or time cannot be used.
    """

    approach: TravelMode = "ski"  # to the debris
    search: TravelMode = "foot"  # on it
    # own speeds, metres on the snow per second: approaching downhill, approaching uphill or level, searching
    down_m_s: float | None = None
    up_m_s: float | None = None
    search_m_s: float | None = None
    approach_s: float | None = None  # own time of the whole approach, of every searcher

    def __post_init__(self) -> None:
        for mode in (self.approach, self.search):
            if mode not in TRAVEL_MODES:
                raise InputError(f"the travel '{mode}' is not known: choose {', '.join(TRAVEL_MODES)}")
        for name, speed in (("down", self.down_m_s), ("up", self.up_m_s), ("search", self.search_m_s)):
            if speed is not None and not 0.0 < speed <= FASTEST_M_S:
                raise InputError(
                    f"the speed {name} = {speed:g} m/s cannot be walked: give more than 0 and at most {FASTEST_M_S:g}"
                )
        if self.approach_s is not None and not (self.approach_s >= 0.0 and math.isfinite(self.approach_s)):
            raise InputError(f"an approach of {self.approach_s / 60.0:g} min: give 0 or more minutes")

    @property
    def approach_pace(self) -> Pace:
        """To the debris."""
        return Pace(mode=self.approach, searching=False, down_m_s=self.down_m_s, up_m_s=self.up_m_s)

    @property
    def track_pace(self) -> Pace:
        """Down the track that the snow left, to the first lane: searching, in the way in which they came."""
        return Pace(mode=self.approach, down_m_s=self.search_m_s, up_m_s=self.search_m_s)

    def pace_of(self, kind: str) -> Pace:
        """On a leg of some kind: approach, track, lane or join."""
        return {"approach": self.approach_pace, "track": self.track_pace}.get(kind, self.search_pace)

    @property
    def search_pace(self) -> Pace:
        """On the debris."""
        return Pace(mode=self.search, down_m_s=self.search_m_s, up_m_s=self.search_m_s)


def parse_speeds(text: str) -> dict[str, float]:
    """Own speeds such as ``down=2.5,up=0.3,search=1`` as ``down_m_s``, ``up_m_s`` and ``search_m_s``, m/s.

    Raises
    ------
    InputError
        If a name is unknown or a value is no number.
    """
    speeds = {}
    for part in text.split(","):
        name, _, value = (piece.strip() for piece in part.partition("="))
        try:
            speeds[f"{name}_m_s"] = float(value)
        except ValueError:
            name = ""
        if name not in ("down", "up", "search"):
            raise InputError(f"the speed '{part.strip()}' cannot be read: write it like down=2.5,up=0.3,search=1 (m/s)")
    return speeds


def describe_travel(travel: Travel, *, on_track: bool = True) -> tuple[str, str]:
    """How they approach and how they search, with its speeds and what these rest on; ``on_track`` if one is walked."""
    return _describe_approach(travel), _describe_search(travel, on_track=on_track)


def _describe_approach(travel: Travel) -> str:
    if travel.approach_s is not None:
        return f"{travel.approach_s / 60.0:g} min, as given"
    tour_up = f"uphill {UP_UNITS_H:g} km or 400 m of height in an hour ({TOUR_SOURCE})"
    if travel.approach == "ski":
        down = (
            f"downhill {SKI_DOWN_M_S.typical:g} m/s ({SKI_DOWN_M_S.low:g} to {SKI_DOWN_M_S.high:.1f}: design choice, "
            "at most as beginners on groomed pistes, Stepan et al. 2023)"
        )
        up = f"level and {tour_up}"
    elif travel.approach == "snowshoe":
        down = (
            f"downhill {DOWN_ON_FOOT_UNITS_H:g} km or 600 m of height in an hour, as on foot ({TOUR_SOURCE}), at most "
            f"{3.6 * SNOWSHOE_LEVEL_M_S:g} km/h (Knapik et al. 2002)"
        )
        up = tour_up
    else:
        down, up = (f"{way} {WALKING_SOURCE}" for way in ("downhill", "level and uphill"))
    if travel.down_m_s is not None:
        down = f"downhill {travel.down_m_s:g} m/s, as given"
    if travel.up_m_s is not None:
        up = f"level and uphill {travel.up_m_s:g} m/s, as given"
    return f"{MODE_WORDS[travel.approach]}, {down}; {up}"


def _describe_search(travel: Travel, *, on_track: bool) -> str:
    if travel.search_m_s is not None:
        return f"{MODE_WORDS[travel.search]}, {travel.search_m_s:g} m/s, as given"
    lanes = _search_words(travel.search)
    return (
        lanes
        if travel.approach == travel.search or not on_track
        else f"{lanes}; down the track {_search_words(travel.approach)}"
    )


def _search_words(mode: TravelMode) -> str:
    if mode == "ski":
        return (
            f"{MODE_WORDS[mode]} (common practice from above), downhill {SKI_SEARCH_M_S:g} m/s (design choice, no "
            f"source), else as on foot ({WALKING_SOURCE})"
        )
    if mode == "snowshoe":
        return f"{MODE_WORDS[mode]} as on foot ({WALKING_SOURCE}), at most as on the approach"
    return f"{MODE_WORDS[mode]} (common practice on hard debris), {WALKING_SOURCE}"
