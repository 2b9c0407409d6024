"""The clock of the page: the share of the debris that is covered at each time of the walk, and the survival curves."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from shapely.geometry import LineString

from lastseen.outlines import only_areas
from lastseen.products.contents import Contents
from lastseen.search.so_far import Walked, covered_so_far
from lastseen.search.survival import CURVES, SurvivalCurve, survival_bounds_percent

STEPS = 80  # times at which the covered share is known
LONGEST_MIN = 240.0  # of the survival curves
_EVERY_MIN = 0.25
_SPACING_M = 2.0


def clock_data(contents: Contents) -> dict[str, Any]:
    """What the script needs: covered shares by time, survival curves as corner points [minute, least, greatest]."""
    search = contents.numbers["search"]
    return {
        "total_s": search["total_time_s"],
        "covered": covered_shares(contents),
        "curves": [
            {"name": one.name, "title": one.title, "source": one.source, "corners": curve_corners(one)}
            for one in CURVES.values()
        ],
    }


def covered_shares(contents: Contents, steps: int = STEPS) -> list[float]:
    """Share of the searched outline covered after each of ``steps`` even parts of the walking time, from time 0.

    Measured as the plan's own coverage is: 3-D on the snow, by lanes and joins, not by approaches. Last comes what the
    plan says, so that both agree.
    """
    coverage = contents.numbers["coverage"]
    outline = only_areas(
        shapely.union_all([one for one, row in contents.layers["debris"].records() if row["searched"]])
    )
    legs = [
        Walked(int(row["searcher"]), str(row["kind"]), line, float(row["time_s"]))
        for line, row in contents.layers["route"].records()
        if isinstance(line, LineString)
    ]
    times = np.linspace(0.0, float(contents.numbers["search"]["total_time_s"]), steps + 1)
    width = float(coverage["strip_width_m"])
    shares, _ = covered_so_far(outline, contents.ground, legs, width, times, spacing_m=_SPACING_M)
    last = round(float(coverage["fraction"]), 4)
    return [*(min(round(one, 4), last) for one in shares[:-1].tolist()), last]


def curve_corners(curve: SurvivalCurve) -> list[list[float]]:
    """Corner points [minute, least, greatest per cent] of a curve; straight between them, upright at its steps."""
    published = np.array([one for one in curve.minutes if np.isfinite(one)])
    even = np.arange(0.0, LONGEST_MIN + _EVERY_MIN, _EVERY_MIN)
    minutes = np.unique(np.concatenate([even, published, published + 1e-4]))
    found = [[round(t, 4), *(round(one, 3) for one in survival_bounds_percent(curve, t))] for t in minutes.tolist()]
    return [one for i, one in enumerate(found) if i in {0, len(found) - 1} or not _between(*found[i - 1 : i + 2])]


def _between(before: list[float], here: list[float], after: list[float]) -> bool:
    """Whether a point lies on the straight line between its neighbours."""
    share = (here[0] - before[0]) / (after[0] - before[0])
    return all(abs(before[k] + share * (after[k] - before[k]) - here[k]) < 1e-6 for k in (1, 2))
