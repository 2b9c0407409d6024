"""The walk of a plan or of a drawn search, from its folder, for the clock."""

from __future__ import annotations

from pathlib import Path

from lastseen.errors import InputError
from lastseen.products.contents import read_numbers
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
    numbers = read_numbers(folder)
    try:
        legs = tuple(
            WalkedLeg(int(leg["searcher"]), leg["kind"], float(leg["length_m"]), float(leg["time_s"]))
            for leg in numbers["route"]
        )
        return legs, float(numbers["coverage"]["strip_width_m"]), max(leg.searcher for leg in legs)
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"{folder} holds no plan that can be read ({error}): make it again") from error
