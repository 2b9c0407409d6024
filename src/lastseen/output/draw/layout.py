"""Where things go on the sheet: page, map body, panel, scale, extent and overview. Lengths on paper in millimetres."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal

import shapely
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from lastseen.output.draw.shown import Shown

Paper = Literal["A4", "Letter", "A3"]
PAPERS_MM: dict[Paper, tuple[float, float]] = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4), "A3": (297.0, 420.0)}
MARGIN_MM = 8.0
HEADER_MM, FOOTER_MM = 20.0, 11.0
TICKS_MM = 5.0  # room for grid labels left of and below the body
UNDER_MM = 14.0  # strip with scale bar and the three norths
GAP_MM = 4.0
SIDE_MM, WIDE_SIDE_MM = 66.0, 84.0  # of the panel beside the body, on small and large paper
QUIET_MM = 9.0  # around what is shown
# Round scales. A search fits 1:1 000 to 1:25 000; the smaller ones are for what does not (long ways, maps of traps).
SCALES = tuple(int(m * 10**p) for p in (3, 4, 5) for m in (1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 6, 7.5))
WHOLE_COST = 1.35  # the whole path is shown on the main map where that costs no more than this in scale
THIN_COST = 1.2  # unlikely debris is kept whole on the main map up to this cost
OVERVIEW_COST = 1.4  # the overview may cost this much in scale before it is laid over something
Extent = tuple[float, float, float, float]


@dataclass(frozen=True)
class Box:
    """A rectangle on the page, from its lower left corner."""

    left: float
    bottom: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.left + self.width

    @property
    def top(self) -> float:
        """Upper edge."""
        return self.bottom + self.height


@dataclass(frozen=True)
class Sheet:
    """A laid-out page."""

    paper: Paper
    width: float
    height: float
    header: Box
    body: Box
    under: Box
    footer: Box
    columns: tuple[Box, ...]  # of the panel, filled one after the other
    scale: int = 0  # 1 to this
    extent: Extent = (0.0, 0.0, 0.0, 0.0)  # of the body, map metres
    overview: Box | None = None  # inside the body
    overview_extent: Extent | None = None

    @property
    def metres_per_mm(self) -> float:
        """On the ground, for a millimetre of paper."""
        return self.scale / 1000.0

    def on_page(self, x_m: float, y_m: float) -> tuple[float, float]:
        """From map metres to page millimetres."""
        return (
            self.body.left + (x_m - self.extent[0]) / self.metres_per_mm,
            self.body.bottom + (y_m - self.extent[1]) / self.metres_per_mm,
        )


def lay_out_sheet(shown: Shown, paper: Paper = "A4") -> Sheet:
    """Choose the page, the largest round scale that shows the search, and whether an overview is needed."""
    focus, whole = shown.focus(), shown.whole()
    small, large = fit_sheet(focus.bounds, paper), fit_sheet(whole.bounds, paper)
    if large.scale <= WHOLE_COST * small.scale:
        return large
    thin = shapely.union(focus, shown.thin_debris())
    if fit_sheet(thin.bounds, paper).scale <= THIN_COST * small.scale:
        focus, small = thin, fit_sheet(thin.bounds, paper)
    found = next(_with_overview(small.scale, focus, whole, paper), None)
    return found or _forced_overview(small, focus, whole)


def pages(paper: Paper) -> tuple[Sheet, ...]:
    """Upright and lying pages, their panel at the right side or below the body."""
    short, long = PAPERS_MM[paper]
    side, both = (WIDE_SIDE_MM, 140.0) if paper == "A3" else (SIDE_MM, 112.0)
    return (
        _page(paper, short, long, side=side, below=0.0, columns=1),
        _page(paper, long, short, side=both, below=0.0, columns=2),
        _page(paper, short, long, side=0.0, below=90.0, columns=3),
        _page(paper, long, short, side=0.0, below=64.0, columns=4),
    )


def _page(paper: Paper, width: float, height: float, *, side: float, below: float, columns: int) -> Sheet:
    m = MARGIN_MM
    inner = width - 2 * m
    header = Box(m, height - m - HEADER_MM, inner, HEADER_MM)
    footer = Box(m, m, inner, FOOTER_MM)
    low = footer.top + GAP_MM + (below + GAP_MM if below else 0.0)
    body_width = inner - TICKS_MM - (side + GAP_MM if side else 0.0)
    under = Box(m + TICKS_MM, low, body_width, UNDER_MM)
    body_low = under.top + TICKS_MM
    body = Box(m + TICKS_MM, body_low, body_width, header.bottom - 1.0 - body_low)
    if side:
        panel = Box(width - m - side, footer.top + GAP_MM, side, body.top - footer.top - GAP_MM)
    else:
        panel = Box(m, footer.top + GAP_MM, inner, below)
    wide = (panel.width - (columns - 1) * GAP_MM) / columns
    split = tuple(Box(panel.left + k * (wide + GAP_MM), panel.bottom, wide, panel.height) for k in range(columns))
    return Sheet(paper, width, height, header, body, under, footer, split)


def fit_sheet(bounds: Extent, paper: Paper = "A4", quiet_mm: float = QUIET_MM) -> Sheet:
    """The page with the largest round scale at which the bounds fit, centred."""
    west, south, east, north = bounds
    for scale, page in product(SCALES, pages(paper)):
        k = scale / 1000.0
        quiet = 2 * quiet_mm
        if (east - west) / k + quiet <= page.body.width and (north - south) / k + quiet <= page.body.height:
            return _placed(page, scale, bounds, 0.5, 0.5)
    return _placed(pages(paper)[0], SCALES[-1], bounds, 0.5, 0.5)


def with_narrow_panel(sheet: Sheet) -> Sheet:
    """The same sheet with one column beside the body instead of two: the map shows more at the same scale."""
    column = sheet.columns[0]
    wide = SIDE_MM if sheet.paper != "A3" else WIDE_SIDE_MM
    panel = replace(column, left=sheet.width - MARGIN_MM - wide, width=wide)
    more = panel.left - GAP_MM - sheet.body.right
    west, south, east, north = sheet.extent
    half = 0.5 * more * sheet.metres_per_mm
    corner = sheet.overview
    if corner is not None and abs(corner.right - sheet.body.right) < 1e-6:
        corner = replace(corner, left=corner.left + more)
    body, under = (replace(one, width=one.width + more) for one in (sheet.body, sheet.under))
    extent = (west - half, south, east + half, north)
    return replace(sheet, body=body, under=under, columns=(panel,), extent=extent, overview=corner)


def _placed(page: Sheet, scale: int, bounds: Extent, right: float, up: float) -> Sheet:
    """The page with the bounds in the body, their slack split as told."""
    west, south, east, north = bounds
    k = scale / 1000.0
    quiet = QUIET_MM * k
    w, h = page.body.width * k, page.body.height * k
    x = west - quiet - right * (w - (east - west) - 2 * quiet)
    y = south - quiet - up * (h - (north - south) - 2 * quiet)
    return replace(page, scale=scale, extent=(x, y, x + w, y + h))


def _with_overview(best: int, focus: BaseGeometry, whole: BaseGeometry, paper: Paper) -> Iterator[Sheet]:
    """Sheets whose overview covers nothing that matters, best first."""
    west, south, east, north = focus.bounds
    for scale in (one for one in SCALES if best <= one <= OVERVIEW_COST * best):
        k = scale / 1000.0
        busy = focus.buffer(5.0 * k)
        for page in pages(paper):
            slack = (
                page.body.width - (east - west) / k - 2 * QUIET_MM,
                page.body.height - (north - south) / k - 2 * QUIET_MM,
            )
            if min(slack) < 0:
                continue
            for right, up in product((0.5, 0.0, 1.0), repeat=2):
                sheet = _placed(page, scale, focus.bounds, right, up)
                for corner in _corners(sheet, whole):
                    if not busy.intersects(on_ground(sheet, corner)):
                        yield _overviewed(sheet, corner, whole)


def _forced_overview(sheet: Sheet, focus: BaseGeometry, whole: BaseGeometry) -> Sheet:
    """The overview in the corner where it hides least."""
    best = min(_corners(sheet, whole), key=lambda corner: focus.intersection(on_ground(sheet, corner)).area)
    return _overviewed(sheet, best, whole)


def _corners(sheet: Sheet, whole: BaseGeometry) -> Iterator[Box]:
    """Places for the overview: four corners, larger sizes first."""
    west, south, east, north = whole.bounds
    wide, high = 1.16 * (east - west), 1.16 * (north - south)
    for longest in (80.0, 64.0, 52.0):
        k = max(wide, high) / longest
        w, h = max(wide / k, 26.0), max(high / k, 26.0)
        if w > 0.6 * sheet.body.width or h > 0.6 * sheet.body.height:
            continue
        for left, bottom in ((1, 1), (0, 1), (1, 0), (0, 0)):
            yield Box(
                sheet.body.right - w if left else sheet.body.left,
                sheet.body.top - h if bottom else sheet.body.bottom,
                w,
                h,
            )


def on_ground(sheet: Sheet, one: Box) -> BaseGeometry:
    """The ground below a box of the page."""
    k = sheet.metres_per_mm
    x, y = sheet.extent[0] + (one.left - sheet.body.left) * k, sheet.extent[1] + (one.bottom - sheet.body.bottom) * k
    return box(x, y, x + one.width * k, y + one.height * k)


def _overviewed(sheet: Sheet, one: Box, whole: BaseGeometry) -> Sheet:
    west, south, east, north = whole.bounds
    k = 1.12 * max((east - west) / one.width, (north - south) / one.height)
    x, y, w, h = 0.5 * (west + east), 0.5 * (south + north), one.width * k, one.height * k
    return replace(sheet, overview=one, overview_extent=(x - w / 2, y - h / 2, x + w / 2, y + h / 2))
