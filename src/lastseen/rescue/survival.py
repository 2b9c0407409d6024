"""Published survival of people buried by avalanches, against the time until their head and chest are free.

Averages over many burials, most of them head and chest under the snow; no forecast for one person. Each curve is used
as published: lines where lines were published, a smooth falling curve through single points (monotone cubic, PCHIP),
steps where only classes were published. Outside of what was published the answer is "no data", with the bounds that
follow from survival never rising.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from lastseen.core import InputError

if TYPE_CHECKING:
    from scipy.interpolate import PchipInterpolator

CurveKind = Literal["lines", "points", "classes"]


@dataclass(frozen=True, kw_only=True)
class SurvivalCurve:
    """A survival curve as published."""

    name: str  # first author and year, as used on the command line
    title: str
    source: str
    confidence: str = "published"
    kind: CurveKind  # straight between the points, smooth through them, or one value for each class of time
    minutes: tuple[float, ...]  # rising. For classes: (from, to) pairs, one after the other.
    percent: tuple[float, ...]  # alive, 0 to 100; one for each minute, or for each class
    after_percent: float | None = None  # published for any time after the last minute


# The newest first; where two are of one year, the larger number of persons first.
_PUBLISHED = (
    SurvivalCurve(
        name="rauch-2024",
        title="Switzerland 1981-2020, n = 1643",
        source="Rauch et al. 2024, JAMA Netw Open 7:e2435253 (91 %, CI 80-100, in the first 10 min; 31 % and 7.3 % "
        "second-hand)",
        kind="classes",
        minutes=(0.0, 10.0, 10.0, 30.0, 130.0, math.inf),
        percent=(91.0, 31.0, 7.3),
    ),
    SurvivalCurve(
        name="haegeli-2011-switzerland",
        title="Switzerland 1980-2005, n = 946",
        source="the Swiss curve in Haegeli et al. 2011, CMAJ 183:789-795; two points, second-hand quotation",
        kind="points",
        minutes=(18.0, 35.0),
        percent=(91.0, 34.0),
    ),
    SurvivalCurve(
        name="haegeli-2011-canada",
        title="Canada 1980-2005, n = 301",
        source="Haegeli, Falk, Brugger, Etter & Boyd 2011, CMAJ 183:789-795; two points, second-hand",
        kind="points",
        minutes=(10.0, 35.0),
        percent=(77.0, 7.0),
    ),
    SurvivalCurve(
        name="falk-1994",
        title="Switzerland 1981-1991, n = 422",
        source="Falk, Brugger & Adler-Kastner 1994, Nature 368:21; corner points after a published model of it",
        kind="lines",
        minutes=(0.0, 15.0, 35.0, 90.0, 120.0, 130.0),
        percent=(100.0, 92.0, 30.0, 27.0, 20.0, 3.0),
        after_percent=3.0,
    ),
)
CURVES = {curve.name: curve for curve in _PUBLISHED}
# The newest; from 30 to 130 minutes it has no data, and older ones stand beside.
DEFAULT_CURVE: str = _PUBLISHED[0].name


def older_curves(curve: SurvivalCurve) -> tuple[SurvivalCurve, ...]:
    """All other published curves, the newest first: they stand beside a curve wherever it is shown."""
    return tuple(other for other in _PUBLISHED if other.name != curve.name)


def find_survival_curve(name: str) -> SurvivalCurve:
    """The curve of that name.

    Raises
    ------
    InputError
        If there is none; the text lists those there are.
    """
    found = CURVES.get(name.strip().lower())
    if found is None:
        raise InputError(f"no survival curve is called '{name}': choose one of {', '.join(CURVES)}")
    return found


def survival_percent(curve: SurvivalCurve, minutes: float) -> float | None:
    """Published survival at a time, per cent; None is no data.

    Raises
    ------
    InputError
        If the time is negative or not a number.

    Examples
    --------
    >>> round(survival_percent(find_survival_curve("falk-1994"), 20.0), 1)
    76.5
    >>> survival_percent(find_survival_curve("haegeli-2011-canada"), 60.0) is None
    True
    """
    if not minutes >= 0.0:
        raise InputError(f"a time of {minutes} minutes: give 0 or more")
    if curve.kind == "classes":
        return _of_class(curve, minutes)
    if minutes > curve.minutes[-1]:
        return curve.after_percent
    if minutes < curve.minutes[0]:
        return None
    if curve.kind == "lines":
        return float(np.interp(minutes, curve.minutes, curve.percent))
    return float(_smooth(curve)(minutes))


@lru_cache(maxsize=16)
def _smooth(curve: SurvivalCurve) -> PchipInterpolator:
    from scipy.interpolate import PchipInterpolator  # noqa: PLC0415  slow to import

    return PchipInterpolator(curve.minutes, curve.percent)


def _classes(curve: SurvivalCurve) -> list[tuple[float, float, float]]:
    """From, to, per cent of each class; the end belongs to the class, the beginning does not."""
    return list(zip(curve.minutes[::2], curve.minutes[1::2], curve.percent, strict=True))


def _of_class(curve: SurvivalCurve, minutes: float) -> float | None:
    for start, end, percent in _classes(curve):
        if (start < minutes or minutes == start == 0.0) and minutes <= end:
            return percent
    return None


def survival_bounds_percent(curve: SurvivalCurve, minutes: float) -> tuple[float, float]:
    """Least and greatest survival at a time that the publication leaves open, per cent.

    Equal where there is a published value. Elsewhere survival lies between the published values before and after,
    since it never rises: 100 before the first, 0 after the last.

    Examples
    --------
    >>> survival_bounds_percent(find_survival_curve("haegeli-2011-canada"), 60.0)
    (0.0, 7.0)
    """
    known = survival_percent(curve, minutes)
    if known is not None:
        return known, known
    if curve.kind == "classes":
        before = [percent for _, end, percent in _classes(curve) if end <= minutes]
        after = [percent for start, _, percent in _classes(curve) if start >= minutes]
        return (max(after) if after else 0.0), (min(before) if before else 100.0)
    if minutes < curve.minutes[0]:
        return curve.percent[0], 100.0
    return 0.0, curve.percent[-1]
