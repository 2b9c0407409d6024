"""Hidden targets for practice: places, numbers of difficulty, stake-out."""

from __future__ import annotations

from lastseen.drill.exercises import Exercise
from lastseen.drill.planned import Planned
from lastseen.drill.targets.difficulty import difficulty_of
from lastseen.drill.targets.model import Difficulty, Hidden, Mark, StakeOut, Target
from lastseen.drill.targets.placing import broken_rules, field_of, place_targets
from lastseen.drill.targets.staking import choose_marks, hide_order, stake_out

__all__ = [
    "Difficulty", "Hidden", "Mark", "StakeOut", "Target", "broken_rules", "field_of", "hide", "place_targets",
]  # fmt: skip


def hide(plan: Planned, exercise: Exercise, seed: int, *, name: str = "own") -> Hidden:
    """Place the targets of an exercise on a plan, with all that an instructor needs to hide them.

    Parameters
    ----------
    plan : Planned
    exercise : Exercise
    seed : int
        0 or more; the same seed gives the same places.
    name : str
        Of the exercise.

    Returns
    -------
    Hidden

    Raises
    ------
    InputError, NothingFoundError
        See `field_of` and `place_targets`.
    """
    targets = place_targets(field_of(plan, exercise), exercise, seed)
    marks = choose_marks(targets, plan)
    order = hide_order(targets, marks[0])
    placed = tuple(sorted(targets, key=lambda one: order.index(one.name)))
    return Hidden(
        name, exercise, seed, placed, difficulty_of(targets, plan, seed), marks, stake_out(placed, marks), order
    )
