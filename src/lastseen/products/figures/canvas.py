"""What all figures share: the look, the caution under them, and a file that is the same for the same plan."""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from lastseen import __version__
from lastseen.products.caution import SHORT_CAUTION
from lastseen.products.mapsheet.drawing import MM_PER_INCH, SETTINGS
from lastseen.products.palette import load_palette

DPI = 150
SMALL, TEXT, TITLE = 6.5, 7.5, 10.5
FOOT_MM, HEAD_MM = 12.0, 13.0


@contextmanager
def plain_look() -> Iterator[None]:
    """The house's look, whatever the settings of whoever runs it."""
    with mpl.rc_context(), warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # a name may hold letters that the font lacks
        mpl.rcdefaults()
        mpl.rcParams.update(SETTINGS)  # type: ignore[arg-type]
        yield


def new_figure(width_mm: float, height_mm: float, title: str, under: str) -> Figure:
    """A figure with a title, a line under it, and the caution at its foot."""
    ink = load_palette().ground
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), facecolor=ink.paper)
    FigureCanvasAgg(figure)
    left = 4.0 / width_mm
    figure.text(
        left, 1.0 - 3.0 / height_mm, title, size=TITLE, weight="bold", color=ink.text, va="top", parse_math=False
    )
    figure.text(left, 1.0 - 8.2 / height_mm, under, size=TEXT, color=ink.text, va="top", parse_math=False)
    lines = textwrap.wrap(f"{SHORT_CAUTION} In a real accident the local rescue service leads. lastseen {__version__}",
                          round(width_mm * 0.80))  # fmt: skip
    figure.text(left, 2.0 / height_mm, "\n".join(lines), size=SMALL, color=ink.text, va="bottom", parse_math=False)
    return figure


def save(figure: Figure, path: Path) -> None:
    """Write a PNG without software and date: the same plan, the same bytes."""
    figure.savefig(path, format="png", dpi=DPI, metadata={"Software": None})
