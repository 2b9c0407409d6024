"""Pieces of the one-file page: its English, its colours as CSS, and shapes as SVG."""

from __future__ import annotations

import html
import math
import re
import tomllib
from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lastseen.core import FloatArray
from lastseen.output.draw.palette import Palette, load_palette

FOLDER = resources.files("lastseen.output.onefile")
CLOCK_SCRIPT = Path(__file__).with_name("clock.js")  # the page of the local server imports it


@lru_cache(maxsize=1)
def words() -> dict[str, Any]:
    """All texts by key; those of the script under ``script``."""
    return tomllib.loads(part("words.toml"))


def say(key: str, **values: Any) -> str:
    """A text with its values."""
    return str(words()[key]).format(**values) if values else str(words()[key])


def part(name: str) -> str:
    """A file that belongs to the page."""
    return (FOLDER / name).read_text(encoding="utf-8")


def script(name: str) -> str:
    """A script with the clock that it imports, as one text that runs without modules."""
    clock = re.sub("^export ", "", CLOCK_SCRIPT.read_text(encoding="utf-8"), flags=re.MULTILINE)
    rest = re.sub("^import [^;]*;\n", "", part(name), flags=re.MULTILINE)
    return f'"use strict";\n(() => {{\n{clock}{rest}}})();\n'


# What belongs to the page and not to the map: its ground, panels, edges, and the ring around what has the focus.
_PAGE = {
    False: {"page": "#f4f4f3", "panel": "#ffffff", "edge": "#c9c9c8", "focus": "#004267"},
    True: {"page": "#141516", "panel": "#1d1e20", "edge": "#4b4c4f", "focus": "#cfe8fb"},
}


def look_css(style: str) -> str:
    """The style sheet with the variables before it."""
    light, dark = (_block(load_palette(dark=value), dark=value) for value in (False, True))
    return (
        f":root{{color-scheme:light;{light}}}"
        f'@media screen and (prefers-color-scheme:dark){{:root:not([data-theme="light"]){{color-scheme:dark;{dark}}}}}'
        f'@media screen{{:root[data-theme="dark"]{{color-scheme:dark;{dark}}}}}\n'
        f"{_ramps(load_palette())}\n{style}"
    )


def _block(palette: Palette, *, dark: bool) -> str:
    ground, snow, debris, lanes = palette.ground, palette.snow, palette.debris, palette.lanes
    dimmed = int(ground.relief[1][1:3], 16) / int(load_palette().ground.relief[1][1:3], 16)
    values = {
        **_PAGE[dark],
        "text": ground.text, "faint": ground.faint_text, "paper": ground.paper, "frame": ground.frame,
        "contour": ground.contour, "contour-index": ground.contour_index, "grid": ground.grid,
        "relief": f"{dimmed:.3f}",
        "release": snow.release, "path": snow.path, "corridor": snow.corridor,
        "outline": debris.outline, "observed": debris.observed, "opacity": f"{debris.opacity:g}",
        "person": palette.person.line, "person-light": palette.person.light, "trap": palette.traps.colour,
        "lane": lanes.colour, "casing": lanes.casing,
        **{f"step{i}": colour for i, colour in enumerate(debris.ramp)},
        **{f"thick{i}": colour for i, colour in enumerate(palette.thickness.ramp)},
    }  # fmt: skip
    return "".join(f"--{name}:{value};" for name, value in values.items())


def _ramps(palette: Palette) -> str:
    ramps = (("step", len(palette.debris.ramp)), ("thick", len(palette.thickness.ramp)))
    return "".join(
        f".{kind}{i}{{fill:var(--{kind}{i})}}.bg-{kind}{i}{{background:var(--{kind}{i})}}"
        for kind, many in ramps
        for i in range(many)
    )


@dataclass(frozen=True)
class Frame:
    """Where the map lies: its north-west corner and its size, metres, and how fine its shapes are kept."""

    west_m: float
    north_m: float
    width_m: float
    height_m: float
    finest_m: float

    def path(self, shape: BaseGeometry) -> str:
        """Path data of lines and areas; x to the east, y to the south."""
        parts = [part for part in shapely.get_parts(shape.simplify(self.finest_m)) if not part.is_empty]
        rings = (shapely.get_rings(part) if part.geom_type == "Polygon" else [part] for part in parts)
        return "".join(self._strokes(shapely.get_coordinates(ring)) for some in rings for ring in some)

    def line(self, points: FloatArray) -> str:
        """Path data of a line given by its corners."""
        return self.path(shapely.LineString(points))

    def at(self, x_m: float, y_m: float) -> tuple[float, float]:
        """A place of the map."""
        return round(x_m - self.west_m, 1), round(self.north_m - y_m, 1)

    def _strokes(self, points: FloatArray) -> str:
        """Relative steps in decimetres would drift: whole decimetres are rounded first, then taken apart."""
        tenths = np.rint(10.0 * (points - (self.west_m, self.north_m)) * (1.0, -1.0)).astype(np.int64)
        steps = np.diff(tenths, axis=0)
        steps = steps[(steps != 0).any(axis=1)]
        closed = len(tenths) > 3 and bool((tenths[0] == tenths[-1]).all())
        first = f"M{_tenth(tenths[0][0])} {_tenth(tenths[0][1])}"
        rest = "l" + " ".join(f"{_tenth(dx)} {_tenth(dy)}" for dx, dy in steps.tolist()) if len(steps) else ""
        return first + rest + ("z" if closed else "")


def _tenth(value: int) -> str:
    return f"{value / 10:.1f}".removesuffix(".0")


def element(name: str, inside: str = "", /, **attributes: Any) -> str:
    """An element; ``class_`` is ``class``, ``_`` in names is ``-``, None and False leave an attribute out."""
    given = "".join(
        f" {key.strip('_').replace('_', '-')}" + ("" if value is True else f'="{html.escape(str(value))}"')
        for key, value in attributes.items()
        if value is not None and value is not False
    )
    return f"<{name}{given}>{inside}</{name}>"


def text(value: Any) -> str:
    """A value as text that may stand in the page."""
    return html.escape(str(value), quote=False)


def mark(at: tuple[float, float], inside: str, turn_deg: float = 0.0, **attributes: Any) -> str:
    """Something that keeps its size in pixels: the script gives it its scale."""
    place = f"{at[0]} {at[1]} {round(turn_deg, 1)}"
    return element("g", inside, **{"class_": "mark", **attributes}, data_mark=place)


# What a letter of a hatch draws in a tile of 12 px, and how often for one letter.
_STROKES = {
    "/": "M-3 3L3 -3M0 12L12 0M9 15L15 9",
    "\\": "M9 -3L15 3M0 0L12 12M-3 9L3 15",
    "|": "M6 0V12",
    "-": "M0 6H12",
}
_STROKES["x"] = _STROKES["/"] + _STROKES["\\"]
_STROKES["+"] = _STROKES["|"] + _STROKES["-"]
_ROUNDS = {".": (1.0, True), "o": (2.6, False), "O": (4.2, False)}
TILE_PX = 12.0


def hatch(name: str, letters: str, stroke: str, where: str) -> str:
    r"""A pattern that draws a hatch of the palette; more letters are closer together.

    The letters are those of matplotlib: ``/ \\ | - x + . o O *``.
    """
    kind, many = Counter(letters).most_common(1)[0]
    size = round(TILE_PX * (3.0 / many) ** 0.75, 1) if kind not in _ROUNDS and kind != "*" else TILE_PX
    size = 1.35 * size if kind == "O" else size
    share = size / TILE_PX
    if kind in _ROUNDS:
        radius, solid = _ROUNDS[kind]
        drawn = element("circle", cx=6, cy=6, r=radius, fill=stroke if solid else "none", stroke=stroke)
    elif kind == "*":
        drawn = element("path", d=_star(6.0, 6.0, 3.4), fill=stroke, stroke="none")
    else:
        drawn = element("path", d=_STROKES[kind], fill="none", stroke=stroke, stroke_width=round(0.9 / share, 2))
    inside = element("g", drawn, transform=f"scale({share:.3f})")
    tile = {"patternUnits": "userSpaceOnUse", "width": f"{size:.1f}", "height": f"{size:.1f}"}
    return element("pattern", inside, id=name, class_=f"hatch-{where}", **tile)


def _star(x: float, y: float, radius: float) -> str:
    turns = [(radius * (0.42 if i % 2 else 1.0), math.radians(36.0 * i - 90.0)) for i in range(10)]
    return "M" + "L".join(f"{x + r * math.cos(turn):.2f} {y + r * math.sin(turn):.2f}" for r, turn in turns) + "z"


def dashes(lengths: tuple[float, ...]) -> str | None:
    """Dashes of the palette, points, as pixels."""
    return " ".join(f"{1.25 * length:g}" for length in lengths) or None
