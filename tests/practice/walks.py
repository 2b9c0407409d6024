"""Synthetic tracks made from a plan, and plans on plain ground, for the tests of the debrief."""

import numpy as np
from pyproj import CRS
from shapely import LineString, MultiPolygon, box

from lastseen.core.grid import Grid
from lastseen.core.place import WGS84, transformer
from lastseen.jobs.practice.drill import PlannedLeg, PlannedSearch
from lastseen.jobs.practice.tracks import RawTrack
from lastseen.search.layout import lay_search
from lastseen.search.search_area import SearchOptions

UTM = CRS.from_epsg(32632)
EAST, NORTH = 600_000.0, 5_100_000.0
START = 1_800_000_000.0


def plan_on(width=120.0, height=100.0, strip=40.0, searchers=1, slope_deg=0.0, poa=None, name="field"):
    """A plan over an oblong on a plane that rises to the north."""
    cell, margin = 2.0, 100.0
    rows, cols = int((height + 2 * margin) / cell), int((width + 2 * margin) / cell)
    north = NORTH + height + margin
    y = north - (np.arange(rows) + 0.5) * cell
    z = np.repeat(((y - NORTH) * np.tan(np.radians(slope_deg)) + 1000.0)[:, None], cols, axis=1)
    ground = Grid(z, EAST - margin, north, cell, UTM)
    outline = MultiPolygon([box(EAST, NORTH, EAST + width, NORTH + height)])
    start = (EAST + 0.5 * width, NORTH - 30.0)
    made = lay_search(
        outline, ground, SearchOptions(strip_width_m=strip, searchers=searchers, start_xy_m=start, seed=1)
    )
    legs = tuple(
        PlannedLeg(
            searcher=leg.searcher,
            number=leg.number,
            kind=leg.kind,
            lane=leg.lane,
            line=leg.line,
            length_m=leg.length_m,
            time_s=leg.time_s,
        )
        for leg in made.legs
    )
    return PlannedSearch(
        name=name,
        crs=UTM,
        outline=outline,
        ground=ground,
        poa=poa,
        legs=legs,
        strip_width_m=strip,
        coverage=made.coverage.fraction,
    )


def corners_of(plan, searcher, *, approach=False, skip_lanes=()):
    """Corners of a walk; lanes that are skipped break it in two."""
    parts, current = [], []
    for leg in plan.legs:
        if leg.searcher != searcher or (leg.kind == "approach" and not approach):
            continue
        if leg.lane in skip_lanes or (leg.kind == "join" and skip_lanes):
            if len(current) > 1:
                parts.append(np.array(current))
            current = []
            continue
        points = [tuple(p[:2]) for p in leg.line.coords]
        current = current + points[1:] if current else points
    if len(current) > 1:
        parts.append(np.array(current))
    return parts


def recorded(parts, name="walker", *, speed=1.2, every_s=1.0, begin=START, noise=None, crs=UTM, drift=0.0):
    """A track of somebody who walks some lines at a steady speed; ``noise`` is a function of n to n x 2 metres."""
    xs, ts, segment, now = [], [], [], begin
    for k, corners in enumerate(parts):
        line = LineString(corners)
        at = np.arange(0.0, line.length, speed * every_s)
        at = np.append(at, line.length)
        xs.append(np.array([line.interpolate(d).coords[0] for d in at]))
        ts.append(now + at / speed)
        segment.append(np.full(len(at), k))
        now = ts[-1][-1] + 120.0
    xy, time, segment = np.vstack(xs), np.concatenate(ts), np.concatenate(segment)
    if noise is not None:
        xy = xy + noise(len(xy))
    lon, lat = transformer(crs, WGS84).transform(xy[:, 0], xy[:, 1])
    time = begin + (time - begin) * (1.0 + drift)
    return RawTrack(
        name=name, lon_deg=np.asarray(lon), lat_deg=np.asarray(lat), time_s=time, segment=segment.astype(np.int32)
    )
