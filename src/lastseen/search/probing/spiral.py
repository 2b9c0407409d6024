"""Spiral probing: hole after hole around the place where the transceiver reads least."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import FloatArray

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


@dataclass(frozen=True)
class Spiral:
    """Holes of a spiral on a slope, in the order they are made; the first is where the transceiver read least.

    Attributes
    ----------
    spacing_m, radius_m, slope_deg : float
    across_m, up_m : ndarray, shape (n,)
        On the snow surface, metres from the first hole: along the contour (right when facing uphill) and up the slope.
    map_up_m, height_m : ndarray, shape (n,)
        The same on the map (towards uphill) and in height.
    into_snow : (float, float, float)
        Unit vector of the probe, at right angles to the surface: across, towards uphill on the map, up.
    """

    spacing_m: float
    radius_m: float
    slope_deg: float
    across_m: FloatArray
    up_m: FloatArray
    map_up_m: FloatArray
    height_m: FloatArray
    into_snow: tuple[float, float, float]

    @property
    def holes(self) -> int:
        """How many holes."""
        return int(self.across_m.size)


def spiral_holes(radius_m: float = STOP_RADIUS_M, spacing_m: float = SPACING_M, slope_deg: float = 0.0) -> Spiral:
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
    >>> spiral_holes(0.5).holes
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
        spacing_m, radius_m, slope_deg, across, up, up * math.cos(tilt), up * math.sin(tilt),
        (0.0, math.sin(tilt), -math.cos(tilt)),
    )  # fmt: skip


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
