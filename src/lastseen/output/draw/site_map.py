"""The map of practice sites: where snow comes, the sites, their ways and lookout places."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import chain, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage
from shapely import LineString, Point
from shapely.geometry.base import BaseGeometry

from lastseen.core import Grid, outline_of_level
from lastseen.jobs import lookout_words, site_line, site_sentences, way_words
from lastseen.output.draw.drawing import Drawing, draw_area, fixed_look, stroke, write_png
from lastseen.output.draw.features import centres_of, draw_steps
from lastseen.output.draw.furniture import finish_map, start_map
from lastseen.output.draw.labels import name_point
from lastseen.output.draw.layout import Extent, bounds_of, fit_sheet
from lastseen.output.draw.panel import Entry, Item, Pen, draw_first_fit, line_symbol, middle_symbol, patch_symbol
from lastseen.output.draw.plan_panel import ground_entries

if TYPE_CHECKING:
    from lastseen.jobs import Site, SiteView

SEEN_RIM_M = 200.0  # of the ground beyond the sheet that filters may see
TINTS = (0.16, 0.30, 0.46)  # of the ground that is reached, by share of the frictions
STEPS = (1e-6, 0.34, 0.67, 1.01)
TINT_NAMES = ("up to a third", "up to two thirds", "more than two thirds")
LEAST_TINT, EDGE = 0.02, (3.0, 1.2)
FINEST_MM = 0.4  # cells of what is tinted
WAY_IN, WAY_OUT = (0.6, 2.2), (6.0, 2.0)
LEAST_SHOWN_M = 150.0  # round a single site
WAY_SHOWN_M = 320.0  # of the ways of a single site; all of them are on the map of all sites
INSIDE_MM = 4.6  # least side of a site that has room for its number
AMOUNTS = ((7.4, 9), (7.0, 9), (6.6, 7), (6.2, 5), (6.0, 4), (5.6, 3))  # size of text, notes


def write_site_map(view: SiteView, path: Path, only: Site | None = None) -> None:
    """Draw all sites, or one, on an A4 sheet at 200 dots per inch; the same view gives the same bytes."""
    with fixed_look():
        write_png(draw_site_map(view, only).figure, path)


def draw_site_map(view: SiteView, only: Site | None = None) -> Drawing:
    """The sheet, drawn but not written."""
    sites = view.search.sites if only is None else (only,)
    sheet = fit_sheet(_bounds(view, sites, single=only is not None))
    (west, south, east, north), rim = sheet.extent, SEEN_RIM_M
    ground = view.terrain.elevation.window(west - rim, south - rim, east + rim, north + rim)
    d, levels = start_map(sheet, ground)
    _draw_reach(d, view)
    for site in sites:
        _draw_site(d, site)
    near_m = view.search.request.near_m
    if near_m is not None and d.inside(*(at := d.sheet.on_page(*near_m))):
        _draw_square(d, *at)
        d.room.take(*at, 3.0, 3.0)
    for site in sites:
        _name_site(d, site)
    title = view.scenario.name or "Practice sites"
    finish_map(d, ground.crs, levels, title if only is None else f"{title}: site {only.number}", _header(view, only))
    draw_first_fit(d.sheet.columns, _panel_choices(d, view, sites, single=only is not None))
    return d


def _bounds(view: SiteView, sites: tuple[Site, ...], *, single: bool) -> Extent:
    shapes: list[BaseGeometry] = [site.outline.buffer(LEAST_SHOWN_M if single else 80.0) for site in sites]
    for site in sites:
        ways = [way.line for way in (site.way_in, site.way_out) if way is not None]
        shapes += [way.intersection(site.outline.buffer(WAY_SHOWN_M)) if single else way for way in ways]
        shapes += [Point(site.lookout.at_m)] if site.lookout is not None else []
    if view.search.request.near_m is not None and not single:
        shapes.append(Point(view.search.request.near_m))
    return bounds_of(*shapes)


def _draw_reach(d: Drawing, view: SiteView) -> None:
    """Tints by the share of frictions with which snow comes, and the edges of the start zones."""
    share = _thinned(d, view.search.reach.share)
    if share is None:
        return
    smooth, ink = share.with_values(ndimage.gaussian_filter(share.values, 0.6)), d.palette.snow
    for low, high, tint in zip(STEPS[:-1], STEPS[1:], TINTS, strict=True):
        draw_steps(d.ground, smooth, (max(low, LEAST_TINT), high), [ink.corridor], alpha=tint, zorder=1.0)
    # In grey a tint can look like shade: the edge is a line.
    edge: dict[str, Any] = {"colors": [ink.release], "linewidths": 0.8, "linestyles": [(0, EDGE)], "zorder": 2.5}
    d.ground.contour(*centres_of(smooth), smooth.values, levels=[LEAST_TINT], **edge)
    starts = view.search.starts
    cut = _thinned(d, starts.ground.with_values(starts.zones > 0))
    if cut is not None:
        zones = outline_of_level(cut, 0.5, (1.2 * d.sheet.metres_per_mm) ** 2)
        draw_area(d.ground, zones, fill=False, edgecolor=ink.release, linewidth=0.6, zorder=2.6)


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
    ink, paper = d.palette.lanes.colour, d.palette.lanes.casing
    for way, dashes in ((site.way_in, WAY_IN), (site.way_out, WAY_OUT)):
        if way is not None:
            d.ground.add_line(stroke(way.line.coords, paper, 2.4, zorder=4.0))
            d.ground.add_line(stroke(way.line.coords, ink, 1.2, dashes, dash_capstyle="round", zorder=4.1))
            d.room.ink(d.on_page(way.line), 0.5)
            _draw_arrow(d, way.line)
    hatch = "xxx" if site.exposure.share > 0.0 else None
    draw_area(d.ground, site.outline, facecolor=paper, alpha=0.55, linewidth=0.0, zorder=4.8)
    draw_area(d.ground, site.outline, fill=False, hatch=hatch, edgecolor=ink, linewidth=1.6, zorder=5.0)
    for a, b in pairwise(d.on_page(site.outline.exterior)):
        for share in np.linspace(0.0, 1.0, max(2, int(3.0 * np.hypot(*(b - a))))):
            x, y = a + share * (b - a)
            d.room.take(x, y, 0.4, 0.4)
    if site.lookout is not None:
        x, y = d.sheet.on_page(*site.lookout.at_m)
        if d.inside(x, y):
            _draw_triangle(d, x, y)
            d.room.take(x, y + 0.3, 3.2, 3.0)


def _name_site(d: Drawing, site: Site) -> None:
    ink, edges = d.palette.ground.text, d.on_page(site.outline.exterior)
    x, y = d.sheet.on_page(*site.middle_m)
    if float(np.hypot(*np.diff(edges, axis=0).T).min()) < INSIDE_MM:
        name_point(d, str(site.number), site.middle_m, ink, size=9.0)
    elif d.inside(x, y):
        d.text(x, y, str(site.number), 9.0, ha="center", va="center", weight="bold", halo=True, zorder=9)
        d.room.take(x, y, 3.0, 3.0)
    if site.lookout is not None:
        name_point(d, site.lookout.name, site.lookout.at_m, ink)


def _draw_arrow(d: Drawing, line: LineString) -> None:
    a, b = line.interpolate(0.55, normalized=True), line.interpolate(0.6, normalized=True)
    (ax, ay), (bx, by) = d.sheet.on_page(a.x, a.y), d.sheet.on_page(b.x, b.y)
    if d.inside(ax, ay):
        d.arrow(ax, ay, float(np.arctan2(by - ay, bx - ax)), 2.4, d.palette.lanes.colour)


def _draw_triangle(d: Drawing, x: float, y: float) -> None:
    look = {"facecolor": d.palette.lanes.casing, "edgecolor": d.palette.lanes.colour, "linewidth": 1.2, "zorder": 8.5}
    d.polygon([(x - 1.4, y - 1.0), (x + 1.4, y - 1.0), (x, y + 1.6)], **look)


def _draw_square(d: Drawing, x: float, y: float) -> None:
    d.square(x, y, 1.2, fill=False, edgecolor=d.palette.lanes.colour, linewidth=1.4, zorder=8.5)


def _header(view: SiteView, only: Site | None) -> list[str]:
    request = view.search.request
    first = (
        f"Ground for practice, {request.width_m:g} x {request.height_m:g} m, {request.low_deg:g} to "
        f"{request.high_deg:g} degrees; start zones from {request.start_deg:g} degrees, "
        f"{request.left_out or f'sizes up to {request.most_size}'}"
    )
    tinted = "Tinted: ground that bodies from the start zones reach in this model"
    return [first, tinted if only is None else site_line(only)]


def _legend(pen: Pen, view: SiteView, sites: tuple[Site, ...]) -> list[Item]:
    d, ink, lanes = pen.d, pen.d.palette.snow, pen.d.palette.lanes
    site_look = {"facecolor": lanes.casing, "edgecolor": lanes.colour, "linewidth": 1.4}
    entries: list[Entry] = [(patch_symbol(d, **site_look), "practice site")]
    if any(site.exposure.share > 0.0 for site in sites):
        entries.append((patch_symbol(d, **site_look, hatch="xxx"), "site that a body reaches"))
    entries += [
        (line_symbol(d, lanes.colour, 1.2, WAY_IN, arrow=2.0), "way in"),
        (line_symbol(d, lanes.colour, 1.2, WAY_OUT, arrow=2.0), "way out"),
        (middle_symbol(partial(_draw_triangle, d)), "lookout place"),
        (line_symbol(d, ink.release, 0.6), "start-zone ground"),
        (line_symbol(d, ink.release, 0.8, EDGE), "edge of reached ground"),
    ]
    if view.search.request.near_m is not None:
        entries.append((middle_symbol(partial(_draw_square, d)), "starting place"))
    tints = [
        (patch_symbol(d, facecolor=ink.corridor, alpha=tint, linewidth=0.0), name)
        for tint, name in zip(TINTS, TINT_NAMES, strict=True)
    ]
    return [
        pen.heading("Legend"),
        *pen.legend([*entries, *ground_entries(d)]),
        *pen.paragraph("Reached: a body from a start zone passes within 10 m, with this share of the frictions."),
        *pen.legend(tints),
    ]


def _panel_choices(d: Drawing, view: SiteView, sites: tuple[Site, ...], *, single: bool) -> Iterator[list[Item]]:
    """All of it in smaller and smaller text; then sites of the least rank are left to the file."""
    for size, most_notes in AMOUNTS:
        pen = Pen(d, d.sheet.columns[0].width, size)
        legend, notes = _legend(pen, view, sites), pen.notes("Notes", view.notes[:most_notes])
        head = [pen.heading("Site")] if single else _about_all(pen, view, sites)
        each = [pen.marked(site_sentences(site)) if single else _site_lines(pen, site) for site in sites]
        for most in range(len(each), 0 if size == AMOUNTS[-1][0] else len(each) - 1, -1):
            rest = pen.paragraph(f"{len(each) - most} more in sites.json.") if most < len(each) else []
            yield [*legend, *head, *chain(*each[:most]), *rest, *notes]


def _site_lines(pen: Pen, site: Site) -> list[Item]:
    first = site.statement.split(". ", maxsplit=1)[0]
    reached = f"{first}. Only with the lookout in place. " if site.exposure.share > 0.0 else ""
    ways = f"{way_words(site.way_in, 'way in')} {lookout_words(site.lookout)}"
    text = f"{site_line(site)}. {reached}{ways} Rank {site.rank:.2f}."
    return pen.paragraph(text[0].upper() + text[1:], hang=5.0, mark=str(site.number))


def _about_all(pen: Pen, view: SiteView, sites: tuple[Site, ...]) -> list[Item]:
    request = view.search.request
    left_out = f"; {request.left_out}" if request.left_out else ""
    which = "those that are not called reached" if any(site.exposure.share > 0.0 for site in sites) else "any of them"
    limits = "The limits of that are in sites.json and on the sheet of each site."
    text = f"No start zone in this model reaches {which}{left_out}. {limits}"
    return [pen.heading("Sites, the best first"), *pen.paragraph(text)]
