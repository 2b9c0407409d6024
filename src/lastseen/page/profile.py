"""The long profile of a plan: ground, debris and traps along its main path. It runs in a helper process."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import shapely

from lastseen.errors import LastseenError, NothingFoundError
from lastseen.grid import FloatArray
from lastseen.outlines import poa_areas
from lastseen.page.ground_of import Base, base_of
from lastseen.place import WGS84, transformer
from lastseen.products.contents import Contents, read_contents
from lastseen.products.layers import Layer, known

POINTS = 320


def long_profile(folder: str, scenario: str) -> dict[str, Any]:
    """Rows along the main path, and which traps and areas it crosses, or one sentence in ``error``."""
    try:
        return {"error": None, "profile": _profile(read_contents(Path(folder)), base_of(folder, scenario))}
    except LastseenError as error:
        return {"error": str(error), "profile": None}


def person_areas(folder: str) -> dict[str, Any]:
    """The smallest areas that hold 50 % and 90 % of the probability of area, as GeoJSON in degrees."""
    from shapely.geometry import mapping  # noqa: PLC0415
    from shapely.ops import transform  # noqa: PLC0415

    contents = read_contents(Path(folder))
    back = transformer(contents.crs, WGS84).transform
    areas = poa_areas(contents.rasters["poa"].bands[0]) if "poa" in contents.rasters else ()
    features = [
        {"type": "Feature", "properties": {"share": share}, "geometry": mapping(transform(back, area))}
        for share, area in areas
    ]
    return {"type": "FeatureCollection", "features": features}


def _profile(contents: Contents, base: Base) -> dict[str, Any]:
    main = [one for one, row in contents.layers["flow_paths"].records() if row["kind"] == "main"]
    if not main:
        raise NothingFoundError("this plan has no main path: its debris was drawn, no snow was let run")
    line = shapely.line_merge(main[0])
    if line.geom_type != "LineString":
        line = max(shapely.get_parts(line), key=lambda one: float(one.length))
    along: FloatArray = np.linspace(0.0, _reached(contents, line), POINTS)
    points = shapely.line_interpolate_point(line, along)
    x, y = shapely.get_x(points), shapely.get_y(points)
    lon, lat = transformer(base.ground.crs, WGS84).transform(x, y)
    columns: dict[str, FloatArray] = {"z_m": base.ground.sample(x, y)}
    for key, name, band in (
        ("thickness_m", "debris_thickness", 0),
        ("thick_m", "debris_thickness", 2),
        ("probability", "debris_probability", 0),
        ("speed_m_s", "peak_speed", 0),
    ):
        if name in contents.rasters:
            columns[key] = contents.rasters[name].bands[band].sample(x, y)
    return {
        "d_m": np.round(along, 1).tolist(),
        "lonlat": [[round(float(a), 7), round(float(b), 7)] for a, b in zip(lon, lat, strict=True)],
        **{key: [_short(one) for one in values.tolist()] for key, values in columns.items()},
        "traps": _crossings(
            contents.layers["terrain_traps"], line, ("number", "letter", "kind", "reason"), float(along[-1])
        ),
        "zones": _crossings(contents.layers["deposition_zones"], line, ("number", "place", "reason"), float(along[-1])),
        "last_seen_m": round(float(shapely.line_locate_point(line, shapely.Point(base.at_m))), 1)
        if base.at_m
        else None,
    }


def _reached(contents: Contents, line: Any) -> float:
    """How far along the path any event came, and a little more."""
    length = float(line.length)
    if "peak_speed" not in contents.rasters:
        return length
    along = np.linspace(0.0, length, 4 * POINTS)
    points = shapely.line_interpolate_point(line, along)
    speed = contents.rasters["peak_speed"].bands[1].sample(shapely.get_x(points), shapely.get_y(points))
    passed = np.flatnonzero(np.nan_to_num(speed) > 0.0)
    return min(length, 1.1 * float(along[passed[-1]]) + 20.0) if passed.size else length


def _crossings(layer: Layer, line: Any, columns: tuple[str, ...], end_m: float) -> list[dict[str, Any]]:
    """Stretches of the path inside the areas of a layer."""
    found = []
    for area, row in layer.records():
        for part in shapely.get_parts(shapely.intersection(line, area)):
            if part.geom_type != "LineString" or part.length < 1.0:
                continue
            ends = [float(shapely.line_locate_point(line, shapely.Point(part.coords[k]))) for k in (0, -1)]
            if min(ends) >= end_m:
                continue
            found.append(
                {"from_m": round(min(ends), 1), "to_m": round(min(max(ends), end_m), 1)}
                | {name: row[name] for name in columns}
            )
    return sorted(found, key=lambda one: float(one["from_m"]))


def _short(value: float) -> float | None:
    number = known(value)
    return round(number, 3) if number is not None else None
