"""What is drawn on: a page with axes in metres and millimetres, room for labels, plain figures, and their files."""

from __future__ import annotations

import math
import os
import textwrap
import warnings
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import LoadFlags
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch, Polygon
from matplotlib.path import Path as Outline
from matplotlib.patheffects import Stroke
from matplotlib.text import Text
from matplotlib.ticker import AutoMinorLocator
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from lastseen import __version__
from lastseen.core import BoolArray, FloatArray, keep_areas
from lastseen.output.draw.layout import Box, Extent, Sheet
from lastseen.output.draw.palette import Palette, load_palette
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION

if TYPE_CHECKING:
    from lastseen.output.draw.palette import Dashes


# ---- Room for labels, millimetres on the page

CELL_MM = 0.4
RINGS_MM = (0.0, 2.2, 3.0, 4.0, 5.2, 6.8, 8.8, 11.5, 15.0, 20.0)
ROUND = tuple(math.radians(a) for a in range(0, 360, 20))


@dataclass(frozen=True)
class Spot:
    """Middle of a label, and its distance from what it names."""

    x: float
    y: float
    distance: float


class Room:
    """What is taken inside a box: labels (hard) and lines (soft)."""

    def __init__(self, box: Box) -> None:
        self.box = box
        shape = (math.ceil(box.height / CELL_MM), math.ceil(box.width / CELL_MM))
        self._hard: BoolArray = np.zeros(shape, np.bool_)
        self._soft: FloatArray = np.zeros(shape)

    def ink(self, points: FloatArray, weight: float) -> None:
        """A line that labels should rather not hide."""
        for a, b in pairwise(points):
            rows, cols, inside = self._cells(np.linspace(a, b, max(2, int(math.dist(a, b) / (0.5 * CELL_MM)))))
            self._soft[rows[inside], cols[inside]] = np.maximum(self._soft[rows[inside], cols[inside]], weight)

    def take(self, x: float, y: float, width: float, height: float) -> None:
        """A box that nothing else may cover."""
        rows, cols = self._window(x, y, width, height)
        self._hard[rows, cols] = True

    def cost(self, x: float, y: float, width: float, height: float) -> float:
        """Ink below a box; infinite where it is taken or leaves the body."""
        b, rim, w, h = self.box, 0.5, width / 2, height / 2
        if x - w < b.left + rim or x + w > b.right - rim or y - h < b.bottom + rim or y + h > b.top - rim:
            return math.inf
        rows, cols = self._window(x, y, width, height)
        return math.inf if self._hard[rows, cols].any() else float(self._soft[rows, cols].sum())

    def take_near(self, anchors: Sequence[tuple[float, float]], width: float, height: float) -> Spot | None:
        """The best spot on or around the anchors (the first is preferred); takes it."""
        best, least = None, math.inf
        for rank, (ax, ay) in enumerate(anchors):
            for r in RINGS_MM:
                if 1.5 * (r + rank) >= least:
                    break
                for angle in ROUND if r else (0.0,):
                    x, y = ax + r * math.cos(angle), ay + r * math.sin(angle)
                    cost = self.cost(x, y, width, height) + 1.5 * (r + rank)
                    if cost < least:
                        best, least = Spot(x, y, r), cost
        if best is not None:
            self.take(best.x, best.y, width, height)
        return best

    def take_free(self, x: float, y: float, width: float, height: float) -> bool:
        """Take a box where nothing lies below it; whether it was taken."""
        free = self.cost(x, y, width, height) <= 0.0
        if free:
            self.take(x, y, width, height)
        return free

    def _cells(self, points: FloatArray) -> tuple[np.ndarray, np.ndarray, BoolArray]:
        cols = ((points[:, 0] - self.box.left) / CELL_MM).astype(int)
        rows = ((points[:, 1] - self.box.bottom) / CELL_MM).astype(int)
        ny, nx = self._hard.shape
        return rows, cols, np.asarray((rows >= 0) & (rows < ny) & (cols >= 0) & (cols < nx))

    def _window(self, x: float, y: float, width: float, height: float) -> tuple[slice, slice]:
        left, low = x - width / 2 - self.box.left, y - height / 2 - self.box.bottom
        return (
            slice(max(0, int(low / CELL_MM)), max(0, math.ceil((low + height) / CELL_MM))),
            slice(max(0, int(left / CELL_MM)), max(0, math.ceil((left + width) / CELL_MM))),
        )


# ---- The sheet being drawn: figure, map axes in metres, page axes in millimetres, and the plainest strokes

DPI = 200
MEASURE_DPI = 720
PLAIN_LETTERS = ("-liga",)  # joined letters would be cut out of their words in a PDF
HALO = 1.8  # points, both sides together
MM_PER_INCH = 25.4
MM_PER_POINT = MM_PER_INCH / 72.0
FONT = "DejaVu Sans"
# The look must not depend on the settings of whoever runs it.
SETTINGS: dict[str, Any] = {
    "font.family": FONT,
    "hatch.linewidth": 0.45,
    "lines.scale_dashes": False,
    "path.simplify": False,
    "pdf.fonttype": 42,  # letters stay letters, and their outlines are in the file
    "svg.hashsalt": "lastseen",
}


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """A sheet with its axes."""

    sheet: Sheet
    figure: Figure
    ground: Axes  # the body, in map metres
    page: Axes  # the whole page, in millimetres, above the body
    room: Room  # where labels may go
    palette: Palette

    def axes_in(self, box: Box, extent: Extent, zorder: float) -> Axes:
        """Bare axes in a box of the page."""
        return bare_axes(self.figure, self.sheet, box, extent, zorder)

    def text(self, x: float, y: float, text: str, size: float, **look: Any) -> None:
        """Text on the page; never read as formula."""
        halo = self.palette.ground.paper if look.pop("halo", False) else ""
        font = FontProperties(family=FONT, size=size, weight=look.pop("weight", "normal"))
        look = {
            "color": self.palette.ground.text, "transform": self.page.transData, "fontproperties": font,
            "parse_math": False, "fontfeatures": PLAIN_LETTERS, **look,
        }  # fmt: skip
        self.page.add_artist(HaloText(x, y, text, halo=halo, **look)).set_clip_on(False)

    def width_mm(self, text: str, size: float, weight: str = "normal") -> float:
        """Width of a text on paper."""
        return text_width_mm(text, size, weight)

    def line(self, points: Any, color: str, width: float, dashes: Dashes = (), **look: Any) -> None:
        """A line on the page."""
        self.page.add_line(stroke(points, color, width, dashes, **look))

    def box(self, box: Box, **look: Any) -> None:
        """A rectangle on the page."""
        low, top = box.bottom, box.top
        self.polygon([(box.left, low), (box.right, low), (box.right, top), (box.left, top)], **look)

    def square(self, x: float, y: float, half: float, **look: Any) -> None:
        """A square around a place of the page."""
        self.box(Box(x - half, y - half, 2.0 * half, 2.0 * half), **look)

    def polygon(self, corners: Sequence[tuple[float, float]], **look: Any) -> None:
        """A polygon on the page."""
        self.page.add_patch(Polygon(corners, **look))

    def arrow(self, x: float, y: float, direction: float, size: float, color: str) -> None:
        """A filled arrow head on the page; direction in radians from east."""
        look = {"facecolor": color, "edgecolor": self.palette.lanes.casing, "linewidth": 0.5, "clip_path": None}
        c, s = math.cos(direction), math.sin(direction)
        shape = ((0.6, 0.0), (-0.4, 0.42), (-0.2, 0.0), (-0.4, -0.42))
        self.polygon([(x + size * (a * c - b * s), y + size * (a * s + b * c)) for a, b in shape], zorder=8, **look)

    def on_page(self, line: LineString) -> FloatArray:
        """A line of the map in page millimetres."""
        return np.array([self.sheet.on_page(*point[:2]) for point in line.coords])

    def inside(self, x: float, y: float, rim: float = 0.0) -> bool:
        """Whether a place on the page lies in the body and not under the overview."""
        b, o = self.sheet.body, self.sheet.overview
        if not (b.left + rim <= x <= b.right - rim and b.bottom + rim <= y <= b.top - rim):
            return False
        return o is None or not (o.left - rim <= x <= o.right + rim and o.bottom - rim <= y <= o.top + rim)


class HaloText(Text):
    """Text, over its own shape drawn wider in the colour of the paper where a halo is wanted.

    A path effect would turn the letters themselves into shapes: in a PDF they stay text this way.
    """

    def __init__(self, x: float, y: float, text: str, *, halo: str, **look: Any) -> None:
        super().__init__(x, y, text, **look)
        self._halo = halo

    def draw(self, renderer: Any) -> None:
        """Draw the halo, then the text."""
        if self._halo:
            colour = self.get_color()
            self.set(color=self._halo, path_effects=[Stroke(linewidth=HALO, foreground=self._halo)])
            super().draw(renderer)
            self.set(color=colour, path_effects=[])
        super().draw(renderer)


@lru_cache(maxsize=1 << 16)
def text_width_mm(text: str, size: float, weight: str) -> float:
    """Width of a text on paper, letters unhinted, as they are in a PDF."""
    font = get_font(findfont(FontProperties(family=FONT, weight=weight)))
    font.set_size(size, MEASURE_DPI)
    font.set_text(text, 0.0, flags=LoadFlags.NO_HINTING)
    width, _ = font.get_width_height()
    return float(width) / 64.0 / MEASURE_DPI * MM_PER_INCH


def start_drawing(sheet: Sheet) -> Drawing:
    """An empty page with a map."""
    d = start_page(sheet)
    if sheet.overview is not None:
        o = sheet.overview
        d.room.take(o.left + o.width / 2, o.bottom + o.height / 2, o.width + 1.0, o.height + 1.0)
    return replace(d, ground=bare_axes(d.figure, sheet, sheet.body, sheet.extent, 1.0))


def start_page(sheet: Sheet) -> Drawing:
    """An empty page without a map."""
    palette = load_palette()
    figure = new_figure(sheet.width, sheet.height)
    figure.patch.set_facecolor(palette.ground.paper)
    extent = (0.0, 0.0, sheet.width, sheet.height)
    page = bare_axes(figure, sheet, Box(*extent), extent, 3.0)
    page.patch.set_visible(False)
    return Drawing(sheet=sheet, figure=figure, ground=page, page=page, room=Room(sheet.body), palette=palette)


def bare_axes(figure: Figure, sheet: Sheet, box: Box, extent: Extent, zorder: float) -> Axes:
    """Axes without any furniture."""
    place = (box.left / sheet.width, box.bottom / sheet.height, box.width / sheet.width, box.height / sheet.height)
    axes = figure.add_axes(place, zorder=zorder)
    axes.set(xlim=extent[::2], ylim=extent[1::2], autoscale_on=False)
    axes.set_axis_off()
    return axes


def stroke(points: Any, color: str, width: float, dashes: Sequence[float] = (), **look: Any) -> Line2D:
    """A line of a width in points and dashes in points."""
    x, y = np.asarray(points, float)[:, :2].T.tolist()
    look = {"dash_capstyle": "butt", "solid_capstyle": "round", "solid_joinstyle": "round", **look}
    return Line2D(x, y, color=color, linewidth=width, linestyle=(0, tuple(dashes)) if dashes else "-", **look)


def area_patch(area: BaseGeometry, **look: Any) -> PathPatch:
    """A patch of polygons with their holes."""
    rings: list[FloatArray] = []
    for geom in keep_areas(area).geoms:
        turned = orient(geom)
        rings += [np.asarray(ring.coords)[:, :2] for ring in (turned.exterior, *turned.interiors)]
    return PathPatch(Outline.make_compound_path(*(Outline(ring, closed=True) for ring in rings)), **look)


def draw_area(axes: Axes, area: BaseGeometry, **look: Any) -> None:
    """Polygons with their holes."""
    axes.add_patch(area_patch(area, **look))


# ---- Plain figures and files: the same look for whoever runs it, the same bytes for the same numbers

SIZE, SMALL = 8.5, 6.8
FOOT_MM, HEAD_MM = 12.0, 15.0  # room for caution and heading


@contextmanager
def fixed_look(text_size: float | None = None) -> Iterator[None]:
    """Independent of the settings of whoever runs it."""
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a name may hold letters that the font lacks
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS | ({"font.size": text_size} if text_size else {}))  # type: ignore[arg-type]
        yield


def write_png(figure: Figure, path: Path) -> None:
    """Write a figure; no software and no date in the file."""
    figure.savefig(path, format="png", dpi=DPI, metadata={"Software": None})


def write_pdf(pages: Iterable[Drawing], path: Path, title: str) -> None:
    """Write pages as one vector PDF that carries the caution; letters stay letters.

    The file has no date but that of ``SOURCE_DATE_EPOCH`` where it is set.
    """
    about = {"Title": title, "Subject": FULL_CAUTION, "Creator": f"lastseen {__version__}", "Producer": None}
    if "SOURCE_DATE_EPOCH" not in os.environ:
        about["CreationDate"] = None
    with PdfPages(path, metadata=about) as file:
        for page in pages:
            file.savefig(page.figure, dpi=DPI)


def new_figure(width_mm: float, height_mm: float) -> Figure:
    """An empty sheet."""
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), dpi=DPI)
    FigureCanvasAgg(figure)
    return figure


def style_axes(axes: Axes, palette: Palette, *, tick: tuple[float, float] = (0.7, 3.0), grid: bool = True) -> None:
    """Thin frame at the left and below, ticks (width, length in points) in the text colour, light lines."""
    ink = palette.ground
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set(color=ink.frame, linewidth=0.7)
    axes.tick_params(colors=ink.text, width=tick[0], length=tick[1])
    axes.xaxis.set_minor_locator(AutoMinorLocator())
    if grid:
        axes.tick_params(which="minor", width=0.5, length=1.8)
        axes.grid(axis="both", color=ink.grid, linewidth=0.35, alpha=0.6)
    axes.set_axisbelow(True)


def draw_heading(figure: Figure, palette: Palette, title: str, under: str) -> None:
    """Title and one line under it, at the top left; the version at the top right."""
    mm, ink = 1.0 / size_mm(figure)[1], palette.ground
    figure.text(0.98, 1.0 - 3.4 * mm, f"lastseen {__version__}", size=SMALL, va="top", ha="right", color=ink.faint_text)
    look: dict[str, Any] = {"va": "top", "parse_math": False}
    figure.text(0.02, 1.0 - 3.4 * mm, title, size=11, weight="bold", color=ink.text, **look)
    figure.text(0.02, 1.0 - 9.6 * mm, under, size=SIZE, color=ink.faint_text, **look)


def draw_footing(figure: Figure, palette: Palette, lines: Sequence[str], letters: int = 148) -> None:
    """Sources and caution at the bottom left."""
    wrapped = [part for line in (*lines, SHORT_CAUTION) for part in textwrap.wrap(line, letters)]
    low, ink = 2.0 / size_mm(figure)[1], palette.ground.faint_text
    look: dict[str, Any] = {"size": SMALL, "va": "bottom", "color": ink, "linespacing": 1.35, "parse_math": False}
    figure.text(0.02, low, "\n".join(wrapped), **look)


def size_mm(figure: Figure) -> tuple[float, float]:
    """Width and height."""
    width, height = (float(inches) * MM_PER_INCH for inches in figure.get_size_inches())
    return width, height
