"""Checks of the whole story against the world outside: how far events of each size run on the demo's mountain."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from lastseen.plan import make_plan
from lastseen.scenario import Given, read_scenario, with_given
from lastseen.shared_files import shared_folder

MEMBERS, PEOPLE = 16, 10


@lru_cache
def demo_length_m(scenario: str, size: int) -> float:
    """Median length of the events of a size on the demo's mountain, from the top of the release to the toe."""
    asked = read_scenario(shared_folder("demo") / f"{scenario}.toml")
    given = [("size", size), ("members", MEMBERS), ("tracers", PEOPLE), ("model", "flow")]
    asked = with_given(asked, [Given("snow", key, value) for key, value in given])
    model = make_plan(asked).model
    return model.runout.length_m.p50 if model else float("nan")


def demo_length_inside(scenario: str, size: int, p05_m: float, p95_m: float) -> float:
    """1 where the median length lies within a published range of incidents, else 0."""
    return float(p05_m <= demo_length_m(scenario, size) <= p95_m)


QUANTITIES: dict[str, Callable[..., float]] = {"demo_length_inside_range": demo_length_inside}
