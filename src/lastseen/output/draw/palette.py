"""The palette: colours, hatches and line styles, read from the file that all products share."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from lastseen.core import InputError, shared_folder

Dashes = tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Ground:
    """Greys."""

    relief: tuple[str, str]
    contour: str
    contour_index: str
    slope: str
    grid: str
    frame: str
    text: str
    faint_text: str
    paper: str


@dataclass(frozen=True, kw_only=True)
class Snow:
    """Release, paths and corridors; a ramp for the share of events that come over a place."""

    release: str
    path: str
    corridor: str
    reached_levels: tuple[float, ...]
    reached: tuple[str, ...]
    dashes: dict[str, Dashes]


@dataclass(frozen=True, kw_only=True)
class DebrisRamp:
    """One sequential ramp: a colour for each step of probability."""

    levels: tuple[float, ...]
    ramp: tuple[str, ...]
    outline: str
    observed: str
    opacity: float


@dataclass(frozen=True, kw_only=True)
class ThicknessRamp:
    """The same ramp for thickness: a colour for each step, metres."""

    levels_m: tuple[float, ...]
    ramp: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PersonInk:
    """Last-seen point and probability of area."""

    line: str
    light: str
    dashes: dict[str, Dashes]


@dataclass(frozen=True, kw_only=True)
class TrapSign:
    """Letter and hatch of a kind of trap."""

    letter: str
    hatch: str


@dataclass(frozen=True, kw_only=True)
class Traps:
    """One colour; kinds differ by letter and hatch."""

    colour: str
    signs: dict[str, TrapSign]


@dataclass(frozen=True, kw_only=True)
class Lanes:
    """One colour; searchers differ by line style."""

    colour: str
    casing: str
    dashes: tuple[Dashes, ...]
    approach: Dashes
    first: Dashes
    uncovered: str
    no_go: str

    def of_searcher(self, searcher: int) -> Dashes:
        """Line style of a searcher, from 1."""
        return self.dashes[(searcher - 1) % len(self.dashes)]


@dataclass(frozen=True, kw_only=True)
class Palette:
    """All that is drawn, one hue family per meaning."""

    ground: Ground
    snow: Snow
    debris: DebrisRamp
    thickness: ThicknessRamp
    person: PersonInk
    traps: Traps
    lanes: Lanes


PARTS: dict[str, Any] = {
    "ground": Ground, "snow": Snow, "debris": DebrisRamp, "thickness": ThicknessRamp, "person": PersonInk,
    "lanes": Lanes,
}  # fmt: skip


@lru_cache(maxsize=2)
def load_palette(*, dark: bool = False) -> Palette:
    """The palette of this installation; on a dark screen with what the file says under ``dark`` in place of the rest.

    Raises `InputError` if the file is missing or a key in it is.
    """
    path = shared_folder("shared") / "palette.toml"
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
        if dark:
            raw = {name: {**part, **raw["dark"].get(name, {})} for name, part in raw.items()}
        signs = {kind: TrapSign(**sign) for kind, sign in raw["traps"]["signs"].items()}
        parts = {name: record(**_tuples(raw[name])) for name, record in PARTS.items()}
        return Palette(traps=Traps(colour=raw["traps"]["colour"], signs=signs), **parts)
    except (OSError, tomllib.TOMLDecodeError, KeyError, TypeError) as error:
        raise InputError(f"the palette {path.name} is missing or broken ({error}): install lastseen again") from error


def _tuples(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _tuples(part) for key, part in value.items()}
    return tuple(_tuples(part) for part in value) if isinstance(value, list) else value
