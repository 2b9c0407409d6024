"""Probing: the spiral after the transceiver, lines without one, and how likely a grid of holes is to hit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from lastseen.core import BoolArray, FloatArray, InputError

# ---- How likely a grid of probe holes is to hit a body that lies anywhere, turned anyhow: geometry, tuned to nothing
# Published values (70, 76, 88, about 95 %) come from body models that were not all seen. These stand beside them.

BodyShape = Literal["rectangle, flat", "ellipse, flat", "ellipsoid, any way"]
SHAPES: tuple[BodyShape, ...] = ("rectangle, flat", "ellipse, flat", "ellipsoid, any way")
_DRAWS_LOG2 = 14  # even draws (Sobol): the answer moves by less than 0.3 points between 2^13 and 2^15


@dataclass(frozen=True, kw_only=True)
class Body:
    """Length, shoulder width and thickness of a stretched-out adult, metres.

    Round numbers for an average adult without equipment, from memory.
    """

    length_m: float = 1.75
    width_m: float = 0.50
    thickness_m: float = 0.25


BODY = Body()


@lru_cache(maxsize=256)
def grid_pod(across_m: float, along_m: float, shape: BodyShape, body: Body = BODY) -> float:
    """Share of bodies that at least one probe hits, on a square or oblong grid of holes.

    The body lies anywhere in the grid and points anywhere: flat in the snow (seen from above a rectangle, or an ellipse
    of the same length and width), or turned any way in space (an ellipsoid, which looks like a smaller ellipse from
    above the more upright it is). Within probing depth; every touch is felt.

    Parameters
    ----------
    across_m, along_m : float
        Spacing of the holes, 0.1 to 5 m.
    shape : {"rectangle, flat", "ellipse, flat", "ellipsoid, any way"}

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    InputError
        If a spacing, a length or the shape cannot be used.

    Examples
    --------
    >>> round(grid_pod(2.0, 2.0, "rectangle, flat"), 2)  # no two holes can hit: area of the body over area of a hole
    0.22
    """
    if not (0.1 <= across_m <= 5.0 and 0.1 <= along_m <= 5.0):
        raise InputError(f"holes every {across_m:g} by {along_m:g} m: give spacings of 0.1 to 5 m")
    sides = (body.length_m, body.width_m, body.thickness_m)
    if not all(0.0 < side <= 3.0 for side in sides):
        raise InputError(
            f"a body of {' x '.join(f'{side:g}' for side in sides)} m: give lengths above 0 and at most 3 m"
        )
    if shape not in SHAPES:
        raise InputError(f"no shape is called '{shape}': choose one of {'; '.join(SHAPES)}")
    from scipy.stats import qmc  # noqa: PLC0415  slow to import

    draws = qmc.Sobol(5, scramble=False).random_base2(_DRAWS_LOG2)
    centre = (draws[:, :2] - 0.5) * np.array([across_m, along_m])
    cols, rows = (math.ceil(0.5 * math.hypot(*sides) / spacing) + 1 for spacing in (across_m, along_m))
    hit = np.zeros(len(draws), dtype=np.bool_)
    outline = _outline(draws[:, 2:], shape, body)
    for i in range(-cols, cols + 1):
        for j in range(-rows, rows + 1):
            hit |= outline(np.array([i * across_m, j * along_m]) - centre)
    return float(hit.mean())


class _Flat:
    """A rectangle or ellipse that points at an even angle."""

    def __init__(self, angle: FloatArray, shape: BodyShape, body: Body) -> None:
        self.cos, self.sin, self.shape = np.cos(angle), np.sin(angle), shape
        self.half = 0.5 * body.length_m, 0.5 * body.width_m

    def __call__(self, place: FloatArray) -> BoolArray:
        u = (self.cos * place[:, 0] + self.sin * place[:, 1]) / self.half[0]
        v = (self.cos * place[:, 1] - self.sin * place[:, 0]) / self.half[1]
        if self.shape == "rectangle, flat":
            return np.asarray((np.abs(u) <= 1.0) & (np.abs(v) <= 1.0))
        return np.asarray(u**2 + v**2 <= 1.0)


class _Turned:
    """The shadow from above of an ellipsoid that is turned any way: an ellipse, from the top left of R D^2 R^T."""

    def __init__(self, draws: FloatArray, body: Body) -> None:
        turn = _rotations(draws)[:, :2, :]
        half = 0.5 * np.array([body.length_m, body.width_m, body.thickness_m])
        shadow = (turn * half**2) @ turn.transpose(0, 2, 1)
        self.inverse = np.linalg.inv(shadow)

    def __call__(self, place: FloatArray) -> BoolArray:
        return np.asarray(np.einsum("ni,nij,nj->n", place, self.inverse, place) <= 1.0)


def _outline(draws: FloatArray, shape: BodyShape, body: Body) -> _Flat | _Turned:
    if shape == "ellipsoid, any way":
        return _Turned(draws, body)
    return _Flat(math.pi * draws[:, 0], shape, body)


def _rotations(draws: FloatArray) -> FloatArray:
    """Even rotations in space from three even numbers each (K. Shoemake 1992, uniform random rotations)."""
    r, s = np.sqrt(1.0 - draws[:, 0]), np.sqrt(draws[:, 0])
    a, b = 2.0 * math.pi * draws[:, 1], 2.0 * math.pi * draws[:, 2]
    x, y, z, w = r * np.sin(a), r * np.cos(a), s * np.sin(b), s * np.cos(b)
    return np.stack(
        [
            np.stack([1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)], axis=-1),
            np.stack([2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)], axis=-1),
            np.stack([2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)], axis=-1),
        ],
        axis=-2,
    )


# ---- Probe lines: published grids of holes with the POD and the body model they came with, and what they take


@dataclass(frozen=True, kw_only=True)
class ProbeLine:
    """A published way to probe in a line."""

    name: str
    # between holes along the line, and from step to step
    across_m: float
    along_m: float
    holes_each: int = 1  # holes that one person makes in each step
    depth_m: float | None = None  # probing depth that is advised; None is the full probe
    pod: float | None = None  # as published; None is no data
    model: str = "no data"  # the body model or the trial that the POD comes from
    people: str = "no data"
    year: int | None = None
    source: str
    confidence: str = "published"


_MANUAL = "20 good, 30 the upper limit, upslope (army manual)"
_AUGER = "Auger & Jamieson 1996, ISSW, Avalanche probing revisited, p. 259, fig. 3"
PROBE_LINES = (
    ProbeLine(
        name="coarse, older value",
        across_m=0.75,
        along_m=0.70,
        pod=0.70,
        model="not stated; later called far too optimistic (Ballard, Atkins & Ballard, model of body shapes)",
        people=_MANUAL,
        year=1974,
        source="Schild 1963/1974, quoted by Jamieson & Auger",
    ),
    ProbeLine(
        name="coarse, one hole a step",
        across_m=0.75,
        along_m=0.70,
        depth_m=1.5,
        pod=0.76,
        model="person of average size and position, compact level snow",
        people=_MANUAL,
        year=1996,
        source=_AUGER,
    ),
    ProbeLine(
        name="three holes a step",
        across_m=0.60,
        along_m=0.70,
        holes_each=3,
        depth_m=1.5,
        pod=0.95,
        model="about 95 %, same model; 30 % faster than one hole a step",
        people=_MANUAL,
        year=1996,
        source=_AUGER,
    ),
    ProbeLine(
        name="slalom",
        across_m=0.50,
        along_m=0.50,
        holes_each=3,
        depth_m=1.5,
        pod=0.88,
        model="model of the method paper (Genswein et al., ISSW 2014), not seen",
        people="6 to 10 in a line, 1.5 m apart; not in rough or soft debris, not with untrained people",
        year=2015,
        source="ICAR REC 0011 Probing Strategies, 17 Oct 2015, in revision 2023/24",
    ),
    ProbeLine(
        name="second pass, narrow",
        across_m=0.20,
        along_m=0.20,
        source="North American course page (avalanche.org)",
    ),
    ProbeLine(
        name="fine",
        across_m=0.30,
        along_m=0.30,
        people=_MANUAL,
        source="from memory, not read again",
        confidence="from memory",
    ),
)


@dataclass(frozen=True, kw_only=True)
class LinePlan:
    """What one way of probing takes on a rectangle."""

    line: ProbeLine
    # of the ground on the snow: along the line, and in the direction it moves
    width_m: float
    length_m: float
    people: int
    holes: int  # in all
    sweeps: int  # how often the line goes over the ground, side by side
    steps: int  # of the whole line, over all sweeps
    minutes: float | None  # with the seconds for each hole that were given; no data without


def holes_per_100_m2(across_m: float, along_m: float) -> float:
    """Holes on 100 square metres.

    Raises
    ------
    InputError
        If a spacing is not above 0.
    """
    if not (across_m > 0.0 and along_m > 0.0):
        raise InputError(f"holes every {across_m:g} by {along_m:g} m: give spacings above 0 m")
    return 100.0 / (across_m * along_m)


def plan_line(
    line: ProbeLine, width_m: float, length_m: float, people: int, seconds_per_hole: float | None = None
) -> LinePlan:
    """Holes, sweeps and time of a probe line on a rectangle.

    Parameters
    ----------
    width_m, length_m : float
        On the snow, metres.
    people : int
        In the line.
    seconds_per_hole : float, optional
        With the step to the next; nobody has published one, so without it there is no time.

    Raises
    ------
    InputError
        If a number cannot be used.
    """
    if not (0.0 < width_m <= 2000.0 and 0.0 < length_m <= 2000.0):
        raise InputError(f"ground of {width_m:g} x {length_m:g} m: give more than 0 and at most 2000 m each way")
    if people < 1:
        raise InputError(f"{people} people in a probe line: give 1 or more")
    if seconds_per_hole is not None and not 0.0 < seconds_per_hole < math.inf:
        raise InputError(f"{seconds_per_hole:g} seconds for a hole: give more than 0")
    columns, rows = math.ceil(width_m / line.across_m - 1e-9), math.ceil(length_m / line.along_m - 1e-9)
    sweeps = math.ceil(columns / (people * line.holes_each))
    steps = sweeps * rows
    minutes = None if seconds_per_hole is None else steps * line.holes_each * seconds_per_hole / 60.0
    return LinePlan(
        line=line,
        width_m=width_m,
        length_m=length_m,
        people=people,
        holes=columns * rows,
        sweeps=sweeps,
        steps=steps,
        minutes=minutes,
    )


# ---- Spiral probing: hole after hole around the place where the transceiver reads least

# Spiral, 25 cm between holes, at right angles to the surface; stop radius 1.5 m: Genswein, bergundsteigen (read in a
# copy) and three other instructions. 0.20 to 0.25 m are taught.
SPACING_M = 0.25
STOP_RADIUS_M = 1.5
ARM_STARTS = 0.75  # the second hole, in spacings from the first: nearer ones would crowd (design choice)
SHALLOW_READING_M, SHALLOW_PROBING_M = 1.2, 2.0  # same article: a lowest reading up to 1.2 m needs about 2 m of probing
SHORTEST_PROBE_M = 3.0  # common practice, no source

_MISSED = (
    f"Without a hit at {STOP_RADIUS_M:g} m the person has been missed inside the spiral: go back to the fine search "
    "(Genswein, bergundsteigen, read in a copy)."
)
_DEEP = (
    "A probe line probes 1.5 m deep at first, then with a lateral offset at full depth (ICAR REC 0011, 2015); an older "
    "rule wants 3 m and more at first (Perla 1967). The two contradict each other."
)
PROBE_NOTES = (_MISSED, "Leave the probe in the hit.", _DEEP)


@dataclass(frozen=True, kw_only=True)
class Spiral:
    """Holes of a spiral on a slope, in the order they are made; the first is where the transceiver read least."""

    spacing_m: float
    radius_m: float
    slope_deg: float
    # shape (n,); on the snow surface, metres from the first hole: along the contour (right when facing uphill) and up
    # the slope
    across_m: FloatArray
    up_m: FloatArray
    # shape (n,); the same on the map (towards uphill) and in height
    map_up_m: FloatArray
    height_m: FloatArray
    # (float, float, float); unit vector of the probe, at right angles to the surface: across, towards uphill on the
    # map, up
    into_snow: tuple[float, float, float]

    @property
    def holes(self) -> int:
        """How many holes."""
        return int(self.across_m.size)


def lay_spiral(radius_m: float = STOP_RADIUS_M, spacing_m: float = SPACING_M, slope_deg: float = 0.0) -> Spiral:
    """Holes of a spiral, one spacing between its arms and one from hole to hole along it.

    Archimedes' spiral ``r = s angle / (2 pi)`` on the snow surface, one hole in the middle and one every ``s`` along it
    from `ARM_STARTS` on.

    Parameters
    ----------
    radius_m : float
        Where it stops, metres on the snow.
    spacing_m : float
        0.1 to 1 m; 0.20 to 0.25 m are taught.
    slope_deg : float
        0 to 60.

    Raises
    ------
    InputError
        If a number cannot be used.

    Examples
    --------
    >>> lay_spiral(0.5).holes
    12
    """
    _check(radius_m, spacing_m)
    if not 0.0 <= slope_deg <= 60.0:
        raise InputError(f"the slope is {slope_deg:g} degrees: give 0 to 60")
    a = spacing_m / (2.0 * math.pi)
    angle = np.linspace(0.0, radius_m / a, max(1000, math.ceil(200.0 * radius_m / spacing_m)))
    along = 0.5 * a * (angle * np.sqrt(1.0 + angle**2) + np.arcsinh(angle))
    first = np.interp(2.0 * math.pi * ARM_STARTS, angle, along)
    at = np.concatenate([[0.0], np.interp(np.arange(first, along[-1] + 1e-9, spacing_m), along, angle)])
    across, up = a * at * np.cos(at), a * at * np.sin(at)
    tilt = math.radians(slope_deg)
    return Spiral(
        spacing_m=spacing_m,
        radius_m=radius_m,
        slope_deg=slope_deg,
        across_m=across,
        up_m=up,
        map_up_m=up * math.cos(tilt),
        height_m=up * math.sin(tilt),
        into_snow=(0.0, math.sin(tilt), -math.cos(tilt)),
    )


def holes_for_radius(radius_m: float, spacing_m: float = SPACING_M) -> float:
    """Holes that a circle takes when each stands for a square of one spacing: ``pi R^2 / s^2``.

    Raises
    ------
    InputError
        If a number cannot be used.
    """
    _check(radius_m, spacing_m)
    return math.pi * (radius_m / spacing_m) ** 2


def probe_notes(probe_m: float, depth_m: float | None = None) -> tuple[str, ...]:
    """What to say about a probe of that length, and about a lowest reading of that depth.

    Raises
    ------
    InputError
        If a length is not above 0.
    """
    if not 0.0 < probe_m < math.inf or (depth_m is not None and not 0.0 < depth_m < math.inf):
        raise InputError(f"a probe of {probe_m:g} m and a reading of {depth_m} m: give lengths above 0 m")
    notes = []
    if probe_m < SHORTEST_PROBE_M:
        notes.append(
            f"The probe is {probe_m:g} m: {SHORTEST_PROBE_M:g} m at least are carried (common practice, no source)."
        )
    if depth_m is None:
        return tuple(notes)
    if depth_m >= probe_m:
        notes.append(f"A person {depth_m:g} m down is out of reach of a probe of {probe_m:g} m.")
    if depth_m <= SHALLOW_READING_M:
        notes.append(
            f"Lowest reading {depth_m:g} m: probing about {SHALLOW_PROBING_M:g} m deep is enough "
            "(Genswein, bergundsteigen)."
        )
    return tuple(notes)


def _check(radius_m: float, spacing_m: float) -> None:
    if not 0.0 < radius_m <= 10.0:
        raise InputError(f"the radius is {radius_m:g} m: give more than 0 and at most 10 m")
    if not 0.1 <= spacing_m <= 1.0:
        raise InputError(f"the spacing is {spacing_m:g} m: give 0.1 to 1 m (0.20 to 0.25 m are taught)")
