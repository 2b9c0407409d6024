"""How likely a search finds who is there (POD), and what to believe after it found nobody (Bayes).

Laws of detection after B. O. Koopman, Search and Screening (Operations Evaluation Group Report 56, 1946; enlarged
edition 1980), for straight parallel tracks: coverage is sweep width over track spacing, ``C = W / S``. A planned
transceiver search comes closest to the definite range: who is within half a strip is heard. The other two suit eyes,
dogs and ragged tracks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from lastseen.core import InputError

DetectionLaw = Literal["definite range", "random", "inverse cube"]
LAWS: tuple[DetectionLaw, ...] = ("definite range", "random", "inverse cube")


def detection_probability(coverage: float, law: DetectionLaw) -> float:
    """Probability of detection at a coverage ``C`` (Koopman 1946/1980, parallel tracks).

    ``min(1, C)`` for a definite range, ``1 - exp(-C)`` for a random search, ``erf(sqrt(pi) / 2 C)`` for the inverse
    cube.

    Parameters
    ----------
    coverage : float
        0 or more.
    law : {"definite range", "random", "inverse cube"}

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    InputError
        If the coverage is negative or the law unknown.

    Examples
    --------
    >>> [round(detection_probability(1.0, law), 4) for law in LAWS]
    [1.0, 0.6321, 0.7899]
    """
    if not coverage >= 0.0:
        raise InputError(f"a coverage of {coverage}: give 0 or more")
    if law == "definite range":
        return min(1.0, coverage)
    if law == "random":
        return -math.expm1(-coverage)
    if law == "inverse cube":
        return math.erf(0.5 * math.sqrt(math.pi) * coverage)
    raise InputError(f"no law of detection is called '{law}': choose one of {', '.join(LAWS)}")


def combine_pods(pods: Sequence[float]) -> float:
    """POD of independent passes together: ``1 - prod(1 - POD_i)``.

    Two passes over the same lanes with the same device are not independent: who was missed once for a weak signal is
    missed again. Offset the lanes.
    """
    return 1.0 - math.prod(1.0 - _checked_share(pod, "POD") for pod in pods)


def success_probability(poa: float, pod_there: float) -> float:
    """Probability of success of one search: POA times POD (Soza & Co. for the US Coast Guard 1996)."""
    return _checked_share(poa, "POA") * _checked_share(pod_there, "POD")


def update_poa(poas: Sequence[float], pods: Sequence[float], outside: float = 0.0) -> tuple[tuple[float, ...], float]:
    """POA of each area after a search that found nobody, by Bayes.

    ``POA_i (1 - POD_i) / (sum_j POA_j (1 - POD_j) + outside)`` (sarinfo.bc.ca after Shea 1988 and Cooper 1995).

    Parameters
    ----------
    poas : sequence of float
        0 to 1 each.
    pods : sequence of float
        0 to 1 each, of what was walked in each area.
    outside : float
        POA outside all areas, where nobody searched.

    Returns
    -------
    outside : float
        Together 1.

    Raises
    ------
    InputError
        If a value is no probability, they do not fit each other, or nothing is left.

    Examples
    --------
    >>> areas, _ = update_poa((0.4, 0.4, 0.15, 0.05), (0.3, 0.5, 0.6, 0.8))
    >>> [round(area, 6) for area in areas]
    [0.509091, 0.363636, 0.109091, 0.018182]
    """
    if len(poas) != len(pods) or not poas:
        raise InputError(f"{len(poas)} POA and {len(pods)} POD: give one of each for every area")
    total = sum(_checked_share(poa, "POA") for poa in poas) + _checked_share(outside, "POA")
    if not math.isclose(total, 1.0, abs_tol=1e-6):
        raise InputError(f"the POA of all areas and outside add up to {total:g}: they must add up to 1")
    kept = [poa * (1.0 - _checked_share(pod, "POD")) for poa, pod in zip(poas, pods, strict=True)]
    left = sum(kept) + outside
    if not left > 0.0:
        raise InputError("the search would have found anybody in any of the areas: look outside of them")
    return tuple(share / left for share in kept), outside / left


def found_probability(poas: Sequence[float], pods: Sequence[float]) -> float:
    """Probability that a search of several areas finds the person: ``sum POA_i POD_i``."""
    return sum(success_probability(poa, pod) for poa, pod in zip(poas, pods, strict=True))


def shift_poa(poa: float, pod_there: float) -> float:
    """POA of the one area that was searched in vain: ``P (1 - D) / (P (1 - D) + 1 - P)``."""
    return update_poa((poa,), (pod_there,), 1.0 - poa)[0][0]


def shift_other_poa(other_poa: float, poa: float, pod_there: float) -> float:
    """POA of another area after that: ``P_other (1 - P_new) / (1 - P)``."""
    rest = 1.0 - poa - other_poa
    if rest < -1e-9:
        raise InputError(f"POA of {poa:g} and {other_poa:g} add up to more than 1")
    return update_poa((poa, other_poa), (pod_there, 0.0), max(0.0, rest))[0][1]


def _checked_share(value: float, what: str) -> float:
    if not 0.0 <= value <= 1.0:
        raise InputError(f"a {what} of {value} is no probability: give 0 to 1")
    return value
