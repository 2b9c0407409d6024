"""Where things go on paper: page, map, panel, scale, extent, overview and details. Lengths in millimetres."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import chain, product
from typing import TYPE_CHECKING, Literal

import shapely
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

if TYPE_CHECKING:
    from lastseen.output.draw.features import MapContent


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


@dataclass(frozen=True, kw_only=True)
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


def lay_out_sheet(content: MapContent, paper: Paper = "A4") -> Sheet:
    """Choose the page, the largest round scale that shows the search, and whether an overview is needed."""
    focus, whole = content.focus(), content.whole()
    small, large = fit_sheet(focus.bounds, paper), fit_sheet(whole.bounds, paper)
    if large.scale <= WHOLE_COST * small.scale:
        return large
    thin = shapely.union(focus, content.thin_debris())
    if fit_sheet(thin.bounds, paper).scale <= THIN_COST * small.scale:
        focus, small = thin, fit_sheet(thin.bounds, paper)
    free = next(_with_overview(small.scale, focus, whole, paper), None)
    if free is not None:
        return free
    # The overview stands in the corner where it hides least.
    corner = min(_corners(small, whole), key=lambda corner: focus.intersection(on_ground(small, corner)).area)
    return _overviewed(small, corner, whole)


def pages(paper: Paper) -> tuple[Sheet, ...]:
    """Upright and lying pages, their panel at the right side or below the body."""
    side, both = (WIDE_SIDE_MM, 140.0) if paper == "A3" else (SIDE_MM, 112.0)
    return (
        lay_page(paper, side_mm=side),
        lay_page(paper, lying=True, side_mm=both, columns=2),
        lay_page(paper, below_mm=90.0, columns=3),
        lay_page(paper, lying=True, below_mm=64.0, columns=4),
    )


def lay_page(
    paper: Paper = "A4", *, lying: bool = False, side_mm: float = 0.0, below_mm: float = 0.0, above_mm: float = 0.0,
    columns: int = 1, gaps_mm: tuple[float, float] = (GAP_MM, GAP_MM),
) -> Sheet:  # fmt: skip
    """A page with a map, its scale and extent still open; sizes of what stands beside, below and above the map.

    The columns are those below the map, then the one beside it; where there is nothing below, those beside it, down to
    the footer. The gaps are under and over what stands below the map.
    """
    width, height = PAPERS_MM[paper][::-1] if lying else PAPERS_MM[paper]
    m, inner = MARGIN_MM, width - 2 * MARGIN_MM
    header, footer = _header(width, height, HEADER_MM), Box(m, m, inner, FOOTER_MM)
    low = footer.top + gaps_mm[0] + (below_mm + gaps_mm[1] if below_mm else 0.0)
    body_width = inner - TICKS_MM - (side_mm + GAP_MM if side_mm else 0.0)
    under = Box(m + TICKS_MM, low, inner - TICKS_MM if below_mm else body_width, UNDER_MM)
    bottom = under.top + TICKS_MM
    body = Box(m + TICKS_MM, bottom, body_width, header.bottom - (above_mm or 1.0) - bottom)
    panels = [_split(Box(m, footer.top + gaps_mm[0], inner, below_mm), columns)] if below_mm else []
    if side_mm:
        lowest = under.top if below_mm else footer.top + GAP_MM
        beside = Box(width - m - side_mm, lowest, side_mm, body.top - lowest)
        panels.append(_split(beside, 1 if below_mm else columns))
    return Sheet(
        paper=paper, width=width, height=height, header=header, body=body, under=under, footer=footer,
        columns=tuple(chain(*panels)),
    )  # fmt: skip


def text_page(sheet: Sheet, header_mm: float, least_column_mm: float) -> Sheet:
    """The same paper without a map: columns from the header to the footer."""
    header, low = _header(sheet.width, sheet.height, header_mm), sheet.footer.top + GAP_MM
    columns = int((header.width + GAP_MM) / (least_column_mm + GAP_MM))
    room = Box(MARGIN_MM, low, header.width, header.bottom - low)
    return replace(sheet, header=header, columns=_split(room, columns), overview=None, overview_extent=None)


def table_page() -> Sheet:
    """An upright A4 page without a map: one column."""
    page = lay_page()
    low = page.footer.top + GAP_MM
    room = Box(MARGIN_MM, low, page.header.width, page.header.bottom - GAP_MM - low)
    return replace(page, body=room, columns=(room,))


def _header(width: float, height: float, high: float) -> Box:
    return Box(MARGIN_MM, height - MARGIN_MM - high, width - 2 * MARGIN_MM, high)


def _split(room: Box, columns: int) -> tuple[Box, ...]:
    wide = (room.width - (columns - 1) * GAP_MM) / columns
    return tuple(Box(room.left + k * (wide + GAP_MM), room.bottom, wide, room.height) for k in range(columns))


def fit_sheet(bounds: Extent, paper: Paper = "A4", quiet_mm: float = QUIET_MM) -> Sheet:
    """The page with the largest round scale at which the bounds fit, centred."""
    return min((fit_page(page, bounds, quiet_mm) for page in pages(paper)), key=lambda page: page.scale)


def fit_page(page: Sheet, bounds: Extent, quiet_mm: float = QUIET_MM) -> Sheet:
    """The page at the largest round scale at which the bounds fit its map, centred."""
    west, south, east, north = bounds
    wide, high = page.body.width - 2 * quiet_mm, page.body.height - 2 * quiet_mm
    wanted = 1000.0 * max((east - west) / wide, (north - south) / high)
    return _placed(page, next((scale for scale in SCALES if scale >= wanted), SCALES[-1]), bounds, 0.5, 0.5)


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
    body, under = (replace(box, width=box.width + more) for box in (sheet.body, sheet.under))
    extent = (west - half, south, east + half, north)
    return replace(sheet, body=body, under=under, columns=(panel,), extent=extent, overview=corner)


def _placed(page: Sheet, scale: int, bounds: Extent, right: float, up: float) -> Sheet:
    """The page with the bounds in the body, their slack split by two shares."""
    west, south, east, north = bounds
    k = scale / 1000.0
    quiet = QUIET_MM * k
    w, h = page.body.width * k, page.body.height * k
    x = west - quiet - right * (w - (east - west) - 2 * quiet)
    y = south - quiet - up * (h - (north - south) - 2 * quiet)
    return replace(page, scale=scale, extent=(x, y, x + w, y + h))


def _with_overview(best: int, focus: BaseGeometry, whole: BaseGeometry, paper: Paper) -> Iterator[Sheet]:
    """Sheets whose overview covers nothing that matters, best first."""
    for scale in (value for value in SCALES if best <= value <= OVERVIEW_COST * best):
        busy = focus.buffer(5.0 * scale / 1000.0)
        large = [page for page in pages(paper) if fit_page(page, focus.bounds).scale <= scale]
        for page, right, up in product(large, (0.5, 0.0, 1.0), (0.5, 0.0, 1.0)):
            sheet = _placed(page, scale, focus.bounds, right, up)
            for corner in _corners(sheet, whole):
                if not busy.intersects(on_ground(sheet, corner)):
                    yield _overviewed(sheet, corner, whole)


def _corners(sheet: Sheet, whole: BaseGeometry) -> Iterator[Box]:
    west, south, east, north = whole.bounds
    wide, high = 1.16 * (east - west), 1.16 * (north - south)
    for longest in (80.0, 64.0, 52.0):
        k = max(wide, high) / longest
        w, h = max(wide / k, 26.0), max(high / k, 26.0)
        if w > 0.6 * sheet.body.width or h > 0.6 * sheet.body.height:
            continue
        for left, bottom in ((1, 1), (0, 1), (1, 0), (0, 0)):
            x = sheet.body.right - w if left else sheet.body.left
            yield Box(x, sheet.body.top - h if bottom else sheet.body.bottom, w, h)


def on_ground(sheet: Sheet, place: Box) -> BaseGeometry:
    """The ground below a box of the page."""
    k = sheet.metres_per_mm
    x = sheet.extent[0] + (place.left - sheet.body.left) * k
    y = sheet.extent[1] + (place.bottom - sheet.body.bottom) * k
    return box(x, y, x + place.width * k, y + place.height * k)


def _overviewed(sheet: Sheet, corner: Box, whole: BaseGeometry) -> Sheet:
    west, south, east, north = whole.bounds
    k = 1.12 * max((east - west) / corner.width, (north - south) / corner.height)
    x, y, w, h = 0.5 * (west + east), 0.5 * (south + north), corner.width * k, corner.height * k
    return replace(sheet, overview=corner, overview_extent=(x - w / 2, y - h / 2, x + w / 2, y + h / 2))


def bounds_of(*shapes: BaseGeometry) -> Extent:
    """The box around some shapes."""
    west, south, east, north = shapely.total_bounds(list(shapes)).tolist()
    return west, south, east, north


# ---- Details: pieces of debris too small to walk by on the main map, drawn larger where the body is free

SMALL_MM = 26.0  # a piece smaller than this on the main map gets a detail
LEAST_GAIN = 1.9  # a detail must be larger by this much
MOST = 4
SIDES_MM = (48.0, 42.0, 36.0)
EDGE_MM = 6.0  # room for labels around what a detail shows
STEP_MM = 3.0
LETTERS = "ABCD"
ROUND_SCALES = (500, 600, 750, *SCALES)


@dataclass(frozen=True, kw_only=True)
class Detail:
    """A detail: its letter, the ground it shows, and the sheet as seen through it."""

    letter: str
    ground: BaseGeometry
    sheet: Sheet


def find_details(sheet: Sheet, content: MapContent) -> tuple[Detail, ...]:
    """Details for the small pieces, the largest piece first, as far as the body has room."""
    k = sheet.metres_per_mm
    lines = shapely.unary_union([leg.line for leg in content.legs])
    taken: BaseGeometry = shapely.union_all([content.whole(), content.focus(), lines]).buffer(2.5 * k)
    if sheet.overview is not None:
        taken = taken.union(on_ground(sheet, sheet.overview))
    found: list[Detail] = []
    for piece in _pieces(sheet, content):
        placed = next(_places(sheet, piece, taken), None)
        if placed is not None and len(found) < MOST:
            place, scale = placed
            found.append(_detail(LETTERS[len(found)], sheet, place, piece, scale))
            taken = taken.union(on_ground(sheet, place).buffer(1.5 * k))
    return tuple(found)


def _pieces(sheet: Sheet, content: MapContent) -> list[BaseGeometry]:
    k = sheet.metres_per_mm
    lanes = [leg.line for leg in content.legs if leg.kind == "lane"]
    near = shapely.union_all([content.outline, *lanes]).buffer(4.0 * k)
    groups = (
        shapely.union_all([content.outline.intersection(blob), *(lane for lane in lanes if lane.intersects(blob))])
        for blob in getattr(near, "geoms", [near])
    )
    small = [group for group in groups if not group.is_empty and _longest(group) <= SMALL_MM * k]
    return sorted(small, key=lambda piece: -float(piece.area))


def _longest(piece: BaseGeometry) -> float:
    west, south, east, north = piece.bounds
    return max(east - west, north - south)


def _places(sheet: Sheet, piece: BaseGeometry, taken: BaseGeometry) -> Iterator[tuple[Box, int]]:
    b = sheet.body
    x, y = sheet.on_page(piece.centroid.x, piece.centroid.y)
    shapely.prepare(taken)
    for side in SIDES_MM:
        wanted = 1000.0 * _longest(piece) / (side - 2.0 * EDGE_MM)
        scale = next((scale for scale in ROUND_SCALES if scale >= wanted), ROUND_SCALES[-1])
        if scale * LEAST_GAIN > sheet.scale:
            continue
        free = []
        for i, j in product(*(range(int((room - side) / STEP_MM) + 1) for room in (b.width, b.height))):
            place = Box(b.left + i * STEP_MM, b.bottom + j * STEP_MM, side, side)
            if not taken.intersects(on_ground(sheet, place)):
                free.append((math.hypot(place.left + side / 2 - x, place.bottom + side / 2 - y), place))
        yield from ((place, scale) for _, place in sorted(free, key=lambda spot: spot[0]))


def _detail(letter: str, sheet: Sheet, place: Box, piece: BaseGeometry, scale: int) -> Detail:
    west, south, east, north = piece.bounds
    x, y, half = 0.5 * (west + east), 0.5 * (south + north), 0.5 * place.width * scale / 1000.0
    extent = (x - half, y - half, x + half, y + half)
    through = replace(sheet, body=place, scale=scale, extent=extent, overview=None, overview_extent=None)
    return Detail(letter=letter, ground=box(*extent), sheet=through)
