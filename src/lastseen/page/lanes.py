"""Lanes over the debris of a plan, laid anew while somebody moves a slider. It runs in a helper process.

The same settings as in the plan give the plan's own lanes: nothing is simplified for speed.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from pyproj import CRS
from shapely.geometry import mapping
from shapely.ops import transform

from lastseen import search
from lastseen.errors import LastseenError
from lastseen.page.asking import AskLanes
from lastseen.page.ground_of import Base, base_of
from lastseen.place import WGS84, parse_crs, parse_point, to_map, transformer
from lastseen.products.layers import Layer, known, search_layers
from lastseen.search import SearchPlan
from lastseen.search.so_far import Walked, covered_so_far
from lastseen.wording import short_percent

CURVE_POINTS = 60
_SAMPLES = 3000.0


def lay_lanes(folder: str, scenario: str, asked: AskLanes) -> dict[str, Any]:
    """Lanes, the walk and its coverage as plain values, or one sentence in ``error``."""
    try:
        return {"error": None, "lanes": _laid(base_of(folder, scenario), asked)}
    except LastseenError as error:
        return {"error": str(error), "lanes": None}


def warm() -> None:
    """Load what a layout needs, so that the first slide is quick."""
    from shapely import box  # noqa: PLC0415

    from lastseen.grid import Grid  # noqa: PLC0415

    y, x = np.mgrid[0:100, 0:100]
    flat = Grid(0.2 * y + 0.0 * x, 0.0, 200.0, 2.0, CRS("EPSG:32632"))
    poa = flat.with_values(np.where((x > 30) & (x < 60) & (y > 30) & (y < 60), 1.0 / 841.0, 0.0))
    for searchers in (1, 2):
        search.lay_out(box(60.0, 60.0, 140.0, 140.0), flat, strip_width_m=20.0, searchers=searchers, poa=poa)


def _laid(base: Base, asked: AskLanes) -> dict[str, Any]:
    start = base.at_m
    if asked.start:
        crs = parse_crs(base.scenario.last_seen.crs) if base.scenario.last_seen.crs else None
        start = to_map(parse_point(asked.start, crs), base.ground.crs)
    wanted = base.scenario.search
    laid = search.lay_pass(
        base.outline,
        base.ground,
        second=wanted.second_pass,
        strip_width_m=asked.strip_width_m,
        searchers=asked.searchers,
        start_xy_m=start,
        pattern=asked.pattern,
        entry=asked.entry,
        no_go=base.no_go,
        poa=base.poa,
        date=wanted.day,
        seed=base.scenario.seed,
    )
    return {
        "strip_width_m": laid.strip_width_m,
        "searchers": laid.searchers,
        "way": laid.way,
        "coverage": round(laid.coverage.fraction, 6),
        "uncovered_m2": round(laid.coverage.uncovered_m2, 1),
        "total_time_s": round(laid.total_time_s, 1),
        "each": [
            {"searcher": k, "walk_m": round(laid.walk_m(k), 1), "time_s": round(laid.time_s(k), 1)}
            for k in range(1, laid.searchers + 1)
        ],
        "pod": _share(laid),
        "notes": list(laid.notes),
        "covered": covered_over_time(base, laid),
        **{name: _collection(layer, base.ground.crs) for name, layer in search_layers(laid).items()},
    }


def covered_over_time(base: Base, laid: SearchPlan) -> list[list[float | None]]:
    """Rows of (seconds, share of the debris, share of the probability of area) in range of lanes and joins so far."""
    times = np.linspace(0.0, laid.total_time_s, CURVE_POINTS + 1)
    spacing = max(1.0, math.sqrt(base.outline.area / _SAMPLES))
    legs = [Walked(leg.searcher, leg.kind, leg.line, leg.time_s) for leg in laid.legs]
    debris, person = covered_so_far(
        base.outline, base.ground, legs, laid.strip_width_m, times, spacing_m=spacing, poa=base.poa
    )
    return [
        [round(float(t), 1), round(float(debris[k]), 4), round(float(person[k]), 4) if person is not None else None]
        for k, t in enumerate(times)
    ]


def _share(laid: SearchPlan) -> dict[str, Any] | None:
    """What the simulated search says of this layout."""
    one = laid.chosen
    if one is None:
        return None
    p10, p50, p90 = (known(value) for value in one.first_signal_s)
    return {
        "heard": known(one.pod),
        "first_signal_s": [p10, p50, p90],
        "words": one.words,
        "said": short_percent(one.pod),
    }


def _collection(layer: Layer, crs: CRS) -> dict[str, Any]:
    """GeoJSON in degrees."""
    to_degrees = transformer(crs, WGS84).transform

    def moved(x: Any, y: Any, _z: Any = None) -> tuple[Any, Any]:
        lon, lat = to_degrees(x, y)
        return np.round(lon, 7), np.round(lat, 7)

    return {
        "type": "FeatureCollection",
        "features": [
            {"type": "Feature", "properties": values, "geometry": mapping(transform(moved, shape))}
            for shape, values in layer.records()
        ],
    }
