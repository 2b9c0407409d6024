"""The transmitter as a magnetic dipole: how range depends on the way it points.

In the near field the field strength of a dipole falls with the cube of the distance and, at one distance, goes with
``sqrt(1 + 3 cos^2 phi)``, where ``phi`` is the angle between the transmitter's axis and the direction to the receiver
(any textbook on electromagnetism). A receiver that hears all three directions of the field equally therefore reaches
``((1 + 3 cos^2 phi) / 4)^(1/6)`` of its greatest range: 1 in line with the axis, 2^(-1/3) = 0.794 at right angles.

Ideal: no receiver hears all directions quite equally, and ground and metal distort the field. Measured ranges are
shorter.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import special

from lastseen.errors import InputError
from lastseen.grid import FloatArray

SMALLEST_FACTOR = 2.0 ** (-1.0 / 3.0)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)


def range_factor(angle_deg: float) -> float:
    """Range of a three-axis receiver against its range in line with the transmitter's axis.

    Parameters
    ----------
    angle_deg : float
        Between the transmitter's axis and the direction to the receiver, degrees.

    Returns
    -------
    float
        0.794 to 1.

    Examples
    --------
    >>> [round(range_factor(angle), 3) for angle in (0, 30, 45, 60, 90)]
    [1.0, 0.966, 0.925, 0.871, 0.794]
    """
    return float(((1.0 + 3.0 * math.cos(math.radians(angle_deg)) ** 2) / 4.0) ** (1.0 / 6.0))


def coupled_range_factor(coupling: float) -> float:
    """Range of a one-antenna receiver: the cube root of the share of the field that its antenna takes up.

    Against the coaxial position, antennas side by side take up 1/2 of the field (about 80 % of the range); against
    that, turning one by 20 degrees takes up cos 20, and 5 degrees off the right angle sin 5 (Swiss Alpine Club, Die
    Alpen, "Optimierung der Reichweite von LVS-Geraeten": about 80 %, 2 % less, still about 45 %).

    Parameters
    ----------
    coupling : float
        0 to 1.

    Raises
    ------
    InputError
        If the share is not between 0 and 1.

    Examples
    --------
    >>> round(coupled_range_factor(0.5), 4)
    0.7937
    """
    if not 0.0 <= coupling <= 1.0:
        raise InputError(f"a coupling of {coupling} is no share of a field: give 0 to 1")
    return float(coupling ** (1.0 / 3.0))


def mean_range_factor() -> float:
    """Mean of the range factor over all directions in space: 4^(-1/6) 2F1(-1/6, 1/2; 3/2; -3), about 0.87."""
    return float(4.0 ** (-1.0 / 6.0) * special.hyp2f1(-1.0 / 6.0, 0.5, 1.5, -3.0))


def range_cdf(range_m: npt.ArrayLike, max_range_m: float, sd_m: float = 0.0, depth_m: float = 0.0) -> FloatArray:
    """Share of transmitters, pointing anywhere in space, whose reach on the snow is at most ``range_m``.

    An axis that points anywhere makes ``u = |cos phi|`` even between 0 and 1, so that for a slant range ``r`` and
    ``x = r / max_range_m``: ``P(range <= r) = sqrt((4 x^6 - 1) / 3)`` for 2^(-1/3) <= x <= 1. A burial depth ``d``
    turns a reach ``h`` on the snow into the slant range ``sqrt(h^2 + d^2)``. A spread between devices (normal, mean
    ``max_range_m``) is averaged over ``u``.

    Parameters
    ----------
    range_m : array_like
        Reach on the snow, metres.
    max_range_m : float
        Greatest range in line with the axis, metres.
    sd_m : float
        Standard deviation of the greatest range between devices, metres; 0 leaves it out.
    depth_m : float
        Burial depth, metres, at right angles to the snow surface.

    Returns
    -------
    ndarray
        0 to 1, same shape as ``range_m``.

    Raises
    ------
    InputError
        See `checked_range`.

    Examples
    --------
    >>> float(range_cdf(40.0, 40.0)), float(range_cdf(31.0, 40.0))
    (1.0, 0.0)
    """
    checked_range(max_range_m, sd_m, depth_m)
    reach = np.asarray(range_m, dtype=np.float64)
    slant = np.sqrt(reach**2 + depth_m**2)
    if sd_m < 1e-6 * max_range_m:
        sixth = np.clip((4.0 * (slant / max_range_m) ** 6 - 1.0) / 3.0, 0.0, 1.0)
        found = np.sqrt(sixth)
    else:
        u = 0.5 * (_NODES + 1.0)
        factor = ((1.0 + 3.0 * u**2) / 4.0) ** (1.0 / 6.0)
        below = special.ndtr((slant[..., None] / factor - max_range_m) / sd_m)
        found = np.clip((0.5 * _WEIGHTS * below).sum(axis=-1), 0.0, 1.0)
    return np.asarray(np.where(reach < 0.0, 0.0, found), dtype=np.float64)


def range_quantile_m(share: float, max_range_m: float, depth_m: float = 0.0) -> float:
    """Reach on the snow that ``share`` of the transmitters, pointing anywhere in space, do not exceed.

    The inverse of `range_cdf` without a spread between devices: ``max_range_m ((1 + 3 share^2) / 4)^(1/6)``, less
    the depth.

    Examples
    --------
    >>> round(range_quantile_m(0.5, 40.0), 2)
    34.85
    """
    if not 0.0 <= share <= 1.0:
        raise InputError(f"a share of {share} is no share: give 0 to 1")
    checked_range(max_range_m, 0.0, depth_m)
    return reach_on_snow_m(max_range_m * ((1.0 + 3.0 * share**2) / 4.0) ** (1.0 / 6.0), depth_m)


def reach_on_snow_m(range_m: float, depth_m: float) -> float:
    """Reach on the snow of a slant range: ``sqrt(r^2 - d^2)``, 0 where the depth is beyond the range."""
    return math.sqrt(max(0.0, range_m**2 - depth_m**2))


def checked_range(max_range_m: float, sd_m: float, depth_m: float) -> None:
    """Raise InputError unless the three can belong to one device and one burial."""
    if not 0.0 < max_range_m < math.inf:
        raise InputError(f"the range is {max_range_m:g} m: give a measured range above 0 m")
    if not 0.0 <= sd_m <= 0.5 * max_range_m:
        raise InputError(
            f"the standard deviation is {sd_m:g} m for a range of {max_range_m:g} m: give 0 m to half the range, "
            "or measure the range again"
        )
    if not 0.0 <= depth_m < max_range_m:
        raise InputError(
            f"the burial depth is {depth_m:g} m for a range of {max_range_m:g} m: give 0 m or more, and less than the "
            "range"
        )
