"""Reading the folder of a plan or of a drawn search back: the walk, for the clock."""

from __future__ import annotations

import json
from pathlib import Path

from lastseen.errors import InputError
from lastseen.products.folder import PLAN_PROOF, SEARCH_PROOF, put_back
from lastseen.search.plan_clock import WalkedLeg


def read_walk(folder: Path) -> tuple[tuple[WalkedLeg, ...], float, int]:
    """Legs, strip width and number of searchers of a plan or a drawn search that was written to a folder.

    Parameters
    ----------
    folder : Path
        Holds ``plan.json`` or ``search.json``.

    Returns
    -------
    legs : tuple of WalkedLeg
    strip_width_m : float
    searchers : int

    Raises
    ------
    InputError
        If there is no plan, or it cannot be read.
    """
    put_back(folder)
    path = next((folder / one for one in (PLAN_PROOF, SEARCH_PROOF) if (folder / one).is_file()), None)
    if path is None:
        raise InputError(
            f"{folder} holds no {PLAN_PROOF} and no {SEARCH_PROOF}: name the folder of a plan or of a search"
        )
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        legs = tuple(
            WalkedLeg(int(leg["searcher"]), leg["kind"], float(leg["length_m"]), float(leg["time_s"]))
            for leg in document["route"]
        )
        return legs, float(document["coverage"]["strip_width_m"]), max(leg.searcher for leg in legs)
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{path} is no plan that can be read ({error}): make it again") from error
