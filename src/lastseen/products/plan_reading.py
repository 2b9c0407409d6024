"""Reading a plan folder back: the walk, for the clock."""

from __future__ import annotations

import json
from pathlib import Path

from lastseen.errors import InputError
from lastseen.products.folder import PLAN_PROOF
from lastseen.search.plan_clock import WalkedLeg


def read_walk(folder: Path) -> tuple[tuple[WalkedLeg, ...], float]:
    """Legs and strip width of a plan that was written to a folder.

    Parameters
    ----------
    folder : Path
        Holds ``plan.json``.

    Returns
    -------
    legs : tuple of WalkedLeg
    strip_width_m : float

    Raises
    ------
    InputError
        If there is no plan, or it cannot be read.
    """
    path = folder / PLAN_PROOF
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        legs = tuple(
            WalkedLeg(int(leg["searcher"]), leg["kind"], float(leg["length_m"]), float(leg["time_s"]))
            for leg in document["route"]
        )
        return legs, float(document["coverage"]["strip_width_m"])
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{path} is no plan that can be read ({error}): name the folder of a plan") from error
