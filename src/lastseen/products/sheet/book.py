"""The sheet as a whole: its pages, and how they are written."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from lastseen import __version__
from lastseen.products.mapsheet import draw_map, panel
from lastseen.products.mapsheet.drawing import Drawing, start_page
from lastseen.products.mapsheet.layout import Paper, lay_out_sheet, with_narrow_panel
from lastseen.products.mapsheet.sheet import own_look, write_pdf, write_png
from lastseen.products.mapsheet.shown import blank_of, shown_of, title_of
from lastseen.products.mapsheet.words import fits_one_column, header_lines
from lastseen.products.sheet import blank, words
from lastseen.products.sheet.pages import text_pages

if TYPE_CHECKING:
    from lastseen.products.contents import Contents

Kind = Literal["full", "staff", "blank"]
MARKS: dict[Kind, str] = {"full": "", "staff": "Staff sheet: not for trainees", "blank": "Blank sheet for a drill"}


def write_sheet(contents: Contents, path: Path, *, kind: Kind = "full", paper: Paper = "A4") -> None:
    """Write the sheet: a map to true scale, then legs, clock, digging, traps, assumptions and sources.

    Text stays text and its letters are in the file. The same contents give the same bytes; there is no date in the
    file but that of ``SOURCE_DATE_EPOCH`` where it is set.

    Parameters
    ----------
    contents : Contents
    path : Path
    kind : {"full", "staff", "blank"}
        The plan; the plan with tables for an instructor; ground, grid and last-seen point with tables to fill in.
    paper : {"A4", "Letter", "A3"}
        Upright or lying as the shape of the ground asks.
    """
    with own_look():
        write_pdf(draw_book(contents, kind=kind, paper=paper), path, title_of(contents.numbers))


def write_map(contents: Contents, path: Path) -> None:
    """Write the first page of the sheet on A4 as PNG with 200 dots per inch; same contents, same bytes."""
    with own_look():
        write_png(draw_book(contents)[0], path)


def write_map_and_sheet(contents: Contents, map_path: Path, sheet_path: Path) -> None:
    """Write both in the time of one: what `write_map` and `write_sheet` write for A4."""
    with own_look():
        pages = draw_book(contents)
        write_png(pages[0], map_path)
        write_pdf(pages, sheet_path, title_of(contents.numbers))


def draw_book(contents: Contents, *, kind: Kind = "full", paper: Paper = "A4") -> tuple[Drawing, ...]:
    """All pages, drawn but not written."""
    shown = shown_of(contents)
    if kind == "blank":
        shown = blank_of(shown)
    sheet = lay_out_sheet(shown, paper)
    if len(sheet.columns) == 2 and (kind == "blank" or fits_one_column(start_page(with_narrow_panel(sheet)), shown)):
        sheet = with_narrow_panel(sheet)
    build = blank.items if kind == "blank" else words.staff_items if kind == "staff" else words.items
    pages = (
        draw_map(shown, sheet, mark=MARKS[kind]),
        *text_pages(sheet, shown.title, header_lines(shown)[0], MARKS[kind], lambda pen: build(pen, shown)),
    )
    for number, page in enumerate(pages, start=1):
        panel.draw_footer(page, number, len(pages), __version__)
    return pages
