"""Which symbol a thing of a layer gets: from the palette, said once for all formats."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Literal

from lastseen.products.palette import Dashes, Palette
from lastseen.wording import short_percent

Test = tuple[str, Literal["=", "<", ">=", "none"], Any]  # column, relation, value; "none" is a column without a value
LINE_PT, BOLD_PT, CASING_PT = 1.2, 2.0, 4.0


@dataclass(frozen=True)
class Symbol:
    """How one thing is drawn: lengths in points, colours as ``#rrggbb``.

    Attributes
    ----------
    stroke : str
        Colour of the line, of the outline, or of the edge of a point.
    width_pt : float
    dashes : tuple of float
        Lengths of dashes and gaps; empty is a whole line.
    casing : str
        Colour below a line, so that it reads on any ground; empty is none.
    fill : str
        Colour inside; empty is none.
    opacity : float
        Of the inside, 0 to 1.
    hatch : str
        As in the palette; empty is none.
    """

    stroke: str
    width_pt: float = LINE_PT
    dashes: Dashes = ()
    casing: str = ""
    fill: str = ""
    opacity: float = 1.0
    hatch: str = ""


@dataclass(frozen=True)
class Rule:
    """A symbol for the things that pass all tests."""

    title: str
    symbol: Symbol
    tests: tuple[Test, ...] = ()

    def holds(self, row: dict[str, Any]) -> bool:
        """Whether a thing with these values gets the symbol."""
        return all(_holds(row[column], relation, value) for column, relation, value in self.tests)


@dataclass(frozen=True)
class LayerStyle:
    """Rules of a layer and the columns that name its things on the map, joined without a space."""

    rules: tuple[Rule, ...]
    label: tuple[str, ...] = ()

    def symbol_of(self, row: dict[str, Any]) -> Symbol | None:
        """The symbol of a thing; None where it is not drawn."""
        return next((rule.symbol for rule in self.rules if rule.holds(row)), None)


def layer_styles(palette: Palette, searchers: int) -> dict[str, LayerStyle]:
    """The style of every layer of a plan, by name.

    Parameters
    ----------
    palette : Palette
    searchers : int
        How many people search: each has a line style.
    """
    snow, debris, person, lanes = palette.snow, palette.debris, palette.person, palette.lanes
    path = Symbol(snow.path, LINE_PT, snow.dashes["path"])
    lane = Symbol(lanes.colour, BOLD_PT, casing=lanes.casing)
    way = Symbol(lanes.colour, LINE_PT, lanes.approach, lanes.casing)
    zone = Symbol(debris.outline, LINE_PT, person.dashes["most"])
    left = Symbol(lanes.colour, LINE_PT, hatch=lanes.uncovered)
    first = Symbol(palette.ground.slope, LINE_PT)
    return {
        "last_seen": LayerStyle((Rule("Last-seen point", Symbol(palette.ground.paper, LINE_PT, fill=person.line)),)),
        "release": LayerStyle((Rule("Release", Symbol(snow.release, BOLD_PT, snow.dashes["release"])),)),
        "flow_paths": LayerStyle(
            (
                Rule("Main path", path, (("kind", "=", "main"),)),
                Rule("Steepest descent", replace(path, dashes=()), (("kind", "=", "steepest"),)),
                Rule(
                    "Edge of the ground that events pass",
                    Symbol(snow.corridor, LINE_PT, snow.dashes["corridor"]),
                    (("kind", "=", "corridor"),),
                ),
            )
        ),
        "debris": LayerStyle(tuple(_debris_rules(palette))),
        "deposition_zones": LayerStyle((Rule("Deposition zone", zone),), ("number",)),
        "terrain_traps": LayerStyle(tuple(_trap_rules(palette)), ("letter", "number")),
        "lanes": LayerStyle(
            tuple(
                Rule(f"Searcher {k}", replace(lane, dashes=lanes.of_searcher(k)), (("searcher", "=", k),))
                for k in range(1, searchers + 1)
            ),
            ("number",),
        ),
        "route": LayerStyle(
            (Rule("Approach", way, (("kind", "=", "approach"),)), Rule("Join", way, (("kind", "=", "join"),)))
        ),
        "uncovered": LayerStyle((Rule("Out of range of the lanes", left),)),
        "no_go": LayerStyle((Rule("No-go ground", Symbol(lanes.colour, LINE_PT, hatch=lanes.no_go)),)),
        "first_lanes": LayerStyle((Rule("Lane of the first pass", first),), ("number",)),
    }


def _debris_rules(palette: Palette) -> Iterable[Rule]:
    """A step of the ramp for each level, and one colour for an outline that was given."""
    debris = palette.debris
    tops = (*debris.levels[1:], None)
    for low, top, colour in zip(debris.levels, tops, debris.ramp, strict=True):
        tests: tuple[Test, ...] = (("level", ">=", low),) + ((("level", "<", top),) if top is not None else ())
        words = f"Debris in at least {short_percent(low)} of the events"
        yield Rule(words, Symbol(debris.outline, LINE_PT, fill=colour, opacity=debris.opacity), tests)
    given = Symbol(debris.outline, LINE_PT, fill=debris.observed, opacity=debris.opacity)
    yield Rule("Debris, outline as given", given, (("level", "none", None),))


def _trap_rules(palette: Palette) -> Iterable[Rule]:
    for kind, sign in palette.traps.signs.items():
        symbol = Symbol(palette.traps.colour, LINE_PT, hatch=sign.hatch)
        yield Rule(f"{sign.letter}: {kind}", symbol, (("letter", "=", sign.letter),))


def _holds(have: Any, relation: str, value: Any) -> bool:
    if relation == "none":
        return have is None
    if have is None:
        return False
    return bool(have == value if relation == "=" else have < value if relation == "<" else have >= value)
