"""The map of practice sites: an A4 sheet with relief, where bodies come, the sites, their ways and lookout places."""

from __future__ import annotations

from itertools import chain, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from matplotlib.patches import Polygon as Marker
from scipy import ndimage
from shapely import LineString, MultiPolygon, Point
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.core import Grid, outline_of_level
from lastseen.jobs import lookout_words, site_line, site_sentences, way_words
from lastseen.output.draw import furniture, labels, panel, parts
from lastseen.output.draw.drawing import MM_PER_POINT, Drawing, area_patch, on_page, start_drawing, stroke
from lastseen.output.draw.layout import fit_sheet
from lastseen.output.draw.legend import Entry, Symbol, entry_rows, ground_entries, line_symbol, patch_symbol
from lastseen.output.draw.map import own_look, write_png
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.panel import Item, Pen
from lastseen.output.draw.relief import drawn_lattice
from lastseen.output.draw.shown import Shown

if TYPE_CHECKING:
    from lastseen.jobs import Site, SiteRequest, SiteView

SEEN_RIM_M = 200.0
TINTS = (0.16, 0.30, 0.46)  # of the ground that bodies reach, by share of the frictions
STEPS = (1e-6, 0.34, 0.67, 1.01)
TINT_WORDS = ("up to a third", "up to two thirds", "more than two thirds")
LEAST_TINT, EDGE = 0.02, (3.0, 1.2)
FINEST_MM = 0.4  # cells of what is tinted
WAY_IN, WAY_OUT = (0.6, 2.2), (6.0, 2.0)
LEAST_SHOWN_M = 150.0  # round a single site
WAY_SHOWN_M = 320.0  # of the ways of a single site; all of them are on the map of all sites
INSIDE_MM, LEADER_FROM_MM = 4.6, 4.5  # least side of a site that has room for its number
AMOUNTS = ((7.4, 9), (7.0, 9), (6.6, 7), (6.2, 5), (6.0, 4), (5.6, 3))  # size of text, notes


def write_site_map(view: SiteView, path: Path, only: Site | None = None) -> None:
    """Draw all sites, or one, on an A4 sheet at 200 dots per inch; the same view gives the same bytes."""
    with own_look():
        write_png(draw_site_map(view, only), path)


def draw_site_map(view: SiteView, only: Site | None = None) -> Drawing:
    """The sheet, drawn but not written."""
    sites = view.search.sites if only is None else (only,)
    d = start_drawing(fit_sheet(_bounds(view, sites, single=only is not None)), load_palette())
    shown = _shown(d, view)
    drawn = drawn_lattice(shown.ground, d.sheet.extent, d.sheet.metres_per_mm)
    parts.draw_relief(d.ground, drawn, d.palette)
    levels, _ = parts.draw_contours(d, drawn)
    _draw_reach(d, view)
    for site in sites:
        _draw_site(d, site)
    if view.search.request.near_m is not None:
        _draw_near(d, view.search.request.near_m)
    for site in sites:
        _name_site(d, site)
    labels.name_contours(d, levels)
    grid_m = furniture.draw_frame(d, shown.crs)
    furniture.draw_under(d, shown.crs, grid_m, levels.interval_m)
    title = view.scenario.name or "Practice sites"
    panel.draw_header(d, title if only is None else f"{title}: site {only.number}", _header(view, only))
    panel.draw_footer(d, 0, 0, __version__)
    _fill_panel(d, view, shown, sites, single=only is not None)
    return d


def _shown(d: Drawing, view: SiteView) -> Shown:
    """The ground on the sheet and a little beyond it: filters need not see the rest."""
    ground, (west, south, east, north) = view.terrain.elevation, d.sheet.extent
    rim = SEEN_RIM_M
    return Shown({}, ground.window(west - rim, south - rim, east + rim, north + rim), ground.crs)


def _bounds(view: SiteView, sites: tuple[Site, ...], *, single: bool) -> tuple[float, float, float, float]:
    shapes: list[BaseGeometry] = [site.outline.buffer(LEAST_SHOWN_M if single else 80.0) for site in sites]
    for site in sites:
        ways = [way.line for way in (site.way_in, site.way_out) if way is not None]
        shapes += [way.intersection(site.outline.buffer(WAY_SHOWN_M)) if single else way for way in ways]
        shapes += [Point(site.lookout.at_m) for _ in (0,) if site.lookout is not None]
    if view.search.request.near_m is not None and not single:
        shapes.append(Point(view.search.request.near_m))
    west, south, east, north = (float(side) for side in shapely.total_bounds(shapes))
    return west, south, east, north


def _draw_reach(d: Drawing, view: SiteView) -> None:
    """Tints by the share of frictions with which a body comes, and the edges of the start zones."""
    share = _thinned(d, view.search.reach.share)
    if share is None:
        return
    rows, cols = np.arange(share.shape[0]), np.arange(share.shape[1])
    x, _ = share.centre_of(0, cols)
    _, y = share.centre_of(rows, 0)
    smooth = ndimage.gaussian_filter(share.values, 0.6)
    ink = d.palette.snow
    for low, high, tint in zip(STEPS[:-1], STEPS[1:], TINTS, strict=True):
        d.ground.contourf(
            x, y, smooth, levels=(max(low, LEAST_TINT), high), colors=[ink.corridor], alpha=tint, zorder=1.0
        )
    # In grey a tint can look like shade: the edge is a line.
    edge: dict[str, Any] = {"colors": [ink.release], "linewidths": 0.8, "linestyles": [(0, EDGE)], "zorder": 2.5}
    d.ground.contour(x, y, smooth, levels=[LEAST_TINT], **edge)
    starts = view.search.starts
    cut = _thinned(d, starts.ground.with_values(starts.zones > 0))
    if cut is not None:
        zones = outline_of_level(cut, 0.5, (1.2 * d.sheet.metres_per_mm) ** 2)
        d.ground.add_patch(area_patch(zones, fill=False, edgecolor=ink.release, linewidth=0.6, zorder=2.6))


def _thinned(d: Drawing, grid: Grid) -> Grid | None:
    """What lies on the sheet, on cells no finer than paper shows, each with its largest value; None where nothing."""
    west, south, east, north = d.sheet.extent
    rim = 4.0 * grid.cell_m
    try:
        cut = grid.window(west - rim, south - rim, east + rim, north + rim)
    except ValueError:
        return None
    k = max(1, int(FINEST_MM * d.sheet.metres_per_mm / grid.cell_m))
    ny, nx = (-(-n // k) * k for n in cut.shape)
    padded = np.pad(cut.values.astype(float), ((0, ny - cut.shape[0]), (0, nx - cut.shape[1])))
    values = padded.reshape(ny // k, k, nx // k, k).max(axis=(1, 3))
    return Grid(values, cut.west_m, cut.north_m, cut.cell_m * k, cut.crs)


def _draw_site(d: Drawing, site: Site) -> None:
    """Outline, ways and lookout place; labels come later and keep off them."""
    ink, paper = d.palette.lanes.colour, d.palette.lanes.casing
    for way, dashes in ((site.way_in, WAY_IN), (site.way_out, WAY_OUT)):
        if way is not None:
            d.ground.add_line(stroke(way.line.coords, paper, 2.4, zorder=4.0))
            d.ground.add_line(stroke(way.line.coords, ink, 1.2, dashes, dash_capstyle="round", zorder=4.1))
            d.room.ink(on_page(d.sheet, way.line), 0.5)
            _arrow(d, way.line)
    look = {"edgecolor": ink, "linewidth": 1.6, "zorder": 5.0}
    exposed = site.exposure.share > 0.0
    d.ground.add_patch(area_patch(MultiPolygon([site.outline]), facecolor=paper, alpha=0.55, linewidth=0.0, zorder=4.8))
    d.ground.add_patch(area_patch(MultiPolygon([site.outline]), fill=False, hatch="xxx" if exposed else None, **look))
    for a, b in pairwise(on_page(d.sheet, site.outline.exterior)):
        for share in np.linspace(0.0, 1.0, max(2, int(3.0 * np.hypot(*(b - a))))):
            x, y = a + share * (b - a)
            d.room.take(x, y, 0.4, 0.4)
    if site.lookout is not None:
        x, y = d.sheet.on_page(*site.lookout.at_m)
        if d.inside(x, y):
            _triangle(d, x, y)
            d.room.take(x, y + 0.3, 3.2, 3.0)


def _name_site(d: Drawing, site: Site) -> None:
    """Number and name of the lookout place, where nothing is hidden."""
    edges = on_page(d.sheet, site.outline.exterior)
    if float(np.hypot(*np.diff(edges, axis=0).T).min()) >= INSIDE_MM:
        x, y = d.sheet.on_page(*site.middle_m)
        if d.inside(x, y):
            d.text(x, y, str(site.number), 9.0, ha="center", va="center", weight="bold", halo=True, zorder=9)
            d.room.take(x, y, 3.0, 3.0)
    else:
        _label(d, str(site.number), site.middle_m, 9.0)
    if site.lookout is not None:
        _label(d, site.lookout.name, site.lookout.at_m, 7.0)


def _label(d: Drawing, words: str, at_m: tuple[float, float], size: float) -> None:
    x, y = d.sheet.on_page(*at_m)
    if not d.inside(x, y):
        return
    spot = d.room.around([(x, y)], d.width_mm(words, size, "bold") + 0.8, 0.8 * size * MM_PER_POINT + 0.5)
    if spot is None:
        return
    if spot.away > LEADER_FROM_MM:
        d.line([(x, y), (spot.x, spot.y)], d.palette.lanes.colour, 0.5, zorder=8.7)
    d.text(spot.x, spot.y, words, size, ha="center", va="center", weight="bold", halo=True, zorder=9)


def _arrow(d: Drawing, line: LineString) -> None:
    """An arrow head in the middle of a way, in the direction of the walk."""
    a, b = line.interpolate(0.55, normalized=True), line.interpolate(0.6, normalized=True)
    (ax, ay), (bx, by) = d.sheet.on_page(a.x, a.y), d.sheet.on_page(b.x, b.y)
    if d.inside(ax, ay):
        d.arrow(ax, ay, float(np.arctan2(by - ay, bx - ax)), 2.4, d.palette.lanes.colour)


def _triangle(d: Drawing, x: float, y: float) -> None:
    corners = [(x - 1.4, y - 1.0), (x + 1.4, y - 1.0), (x, y + 1.6)]
    ink = d.palette.lanes
    d.page.add_patch(Marker(corners, facecolor=ink.casing, edgecolor=ink.colour, linewidth=1.2, zorder=8.5))


def _draw_near(d: Drawing, near_m: tuple[float, float]) -> None:
    x, y = d.sheet.on_page(*near_m)
    if d.inside(x, y):
        _square(d, x, y)
        d.room.take(x, y, 3.0, 3.0)


def _square(d: Drawing, x: float, y: float) -> None:
    corners = [(x - 1.2, y - 1.2), (x + 1.2, y - 1.2), (x + 1.2, y + 1.2), (x - 1.2, y + 1.2)]
    d.page.add_patch(Marker(corners, fill=False, edgecolor=d.palette.lanes.colour, linewidth=1.4, zorder=8.5))


def _header(view: SiteView, only: Site | None) -> list[str]:
    wish: SiteRequest = view.search.request
    asked = (
        f"Ground for practice, {wish.width_m:g} x {wish.height_m:g} m, {wish.low_deg:g} to {wish.high_deg:g} degrees; "
        f"start zones from {wish.start_deg:g} degrees, {wish.left_out or f'sizes up to {wish.most_size}'}"
    )
    if only is None:
        return [asked, "Tinted: ground that bodies from the start zones reach in this model"]
    return [asked, site_line(only)]


def _legend(pen: Pen, view: SiteView, shown: Shown, sites: tuple[Site, ...]) -> list[Item]:
    d = pen.d
    ink, lanes = d.palette.snow, d.palette.lanes
    plain = {"facecolor": lanes.casing, "edgecolor": lanes.colour, "linewidth": 1.4}
    entries: list[Entry] = [(patch_symbol(d, **plain), "practice site")]
    if any(site.exposure.share > 0.0 for site in sites):
        entries.append((patch_symbol(d, **plain, hatch="xxx"), "site that a body reaches"))
    entries += [
        (line_symbol(d, lanes.colour, 1.2, WAY_IN, arrow=2.0), "way in"),
        (line_symbol(d, lanes.colour, 1.2, WAY_OUT, arrow=2.0), "way out"),
        (_lookout_symbol(d), "lookout place"),
        (line_symbol(d, ink.release, 0.6), "start-zone ground"),
        (line_symbol(d, ink.release, 0.8, EDGE), "edge of reached ground"),
    ]
    if view.search.request.near_m is not None:
        entries.append((_start_symbol(d), "starting place"))
    tints = [
        (patch_symbol(d, facecolor=ink.corridor, alpha=tint, linewidth=0.0), told)
        for tint, told in zip(TINTS, TINT_WORDS, strict=True)
    ]
    return [
        pen.heading("Legend"), *entry_rows(pen, [*entries, *ground_entries(d, shown)]),
        *pen.paragraph("Reached: a body from a start zone passes within 10 m, with this share of the frictions."),
        *entry_rows(pen, tints),
    ]  # fmt: skip


def _start_symbol(d: Drawing) -> Symbol:
    def draw(x: float, y: float) -> None:
        _square(d, x + 3.8, y)

    return draw


def _lookout_symbol(d: Drawing) -> Symbol:
    def draw(x: float, y: float) -> None:
        _triangle(d, x + 3.8, y)

    return draw


def _fill_panel(d: Drawing, view: SiteView, shown: Shown, sites: tuple[Site, ...], *, single: bool) -> None:
    """As much as fits, in the largest text that does; sites of the least rank are left to the file."""
    columns = d.sheet.columns
    for size, most_notes in AMOUNTS:
        pen = Pen(d, columns[0].width, size)
        told = [_told(pen, site, single=single) for site in sites]
        for most in range(len(told), 0 if size == AMOUNTS[-1][0] else len(told) - 1, -1):
            rest = pen.paragraph(f"{len(told) - most} more in sites.json.") if most < len(told) else []
            head = [pen.heading("Site")] if single else _for_all(pen, view.search.request, sites)
            notes = _notes(pen, view, most_notes)
            placed = panel.flow(
                [*_legend(pen, view, shown, sites), *head, *chain(*told[:most]), *rest, *notes], columns
            )
            if placed is not None:
                for one in placed:
                    one.draw()
                return


def _told(pen: Pen, site: Site, *, single: bool) -> list[Item]:
    if single:
        return [item for sentence in site_sentences(site) for item in pen.paragraph(sentence, hang=2.6, mark="·")]
    reached = ""
    if site.exposure.share > 0.0:
        reached = site.statement.split(". ", maxsplit=1)[0] + ". Only with the lookout in place. "
    told = (
        f"{site_line(site)}. {reached}{way_words(site.way_in, 'way in')} {lookout_words(site.lookout)} "
        f"Rank {site.rank:.2f}."
    )
    return pen.paragraph(told[0].upper() + told[1:], hang=5.0, mark=str(site.number))


def _for_all(pen: Pen, wish: SiteRequest, sites: tuple[Site, ...]) -> list[Item]:
    """What is true of all sites on the sheet."""
    left_out = f"; {wish.left_out}" if wish.left_out else ""
    if any(site.exposure.share > 0.0 for site in sites):
        told = f"No start zone in this model reaches those that are not called reached{left_out}."
    else:
        told = f"No start zone in this model reaches any of them{left_out}."
    told += " The limits of that are in sites.json and on the sheet of each site."
    return [pen.heading("Sites, the best first"), *pen.paragraph(told)]


def _notes(pen: Pen, view: SiteView, most: int) -> list[Item]:
    items = [pen.heading("Notes")]
    for note in view.notes[:most]:
        items += pen.paragraph(note, hang=2.6, mark="·")
    return items if view.notes else []
