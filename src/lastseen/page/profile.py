"""The long profile of a plan: ground, debris and traps along its main path. It runs in a helper process."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import shapely

from lastseen.errors import LastseenError, NothingFoundError
from lastseen.grid import FloatArray
from lastseen.page.ground_of import Base, base_of, read_grid
from lastseen.place import WGS84, transformer
from lastseen.products.layers import known

POINTS = 320
SHARES = (0.5, 0.9)  # areas that hold these shares of the probability of area


def long_profile(folder: str, scenario: str) -> dict[str, Any]:
    """Rows along the main path, and which traps and areas it crosses, or one sentence in ``error``."""
    try:
        return {"error": None, "profile": _profile(Path(folder), base_of(folder, scenario))}
    except LastseenError as error:
        return {"error": str(error), "profile": None}


def person_areas(folder: str) -> dict[str, Any]:
    """The smallest areas that hold 50 % and 90 % of the probability of area, as GeoJSON in degrees."""
    from shapely.geometry import mapping  # noqa: PLC0415
    from shapely.ops import transform  # noqa: PLC0415

    from lastseen.outlines import outline_of_level  # noqa: PLC0415

    path = Path(folder) / "poa.tif"
    if not path.is_file():
        return {"type": "FeatureCollection", "features": []}
    grid = read_grid(path)
    values = np.sort(np.nan_to_num(grid.values), axis=None)[::-1]
    total = np.cumsum(values)
    back = transformer(grid.crs, WGS84).transform
    features = []
    for share in SHARES:
        level = float(values[min(int(np.searchsorted(total, share)), values.size - 1)])
        area = outline_of_level(grid, level, 2.0 * grid.cell_area_m2)
        features.append({"type": "Feature", "properties": {"share": share}, "geometry": mapping(transform(back, area))})
    return {"type": "FeatureCollection", "features": features}


def _profile(folder: Path, base: Base) -> dict[str, Any]:
    import geopandas  # noqa: PLC0415  slow to import

    paths = geopandas.read_file(folder / "plan.gpkg", layer="flow_paths")
    main = paths[paths["kind"] == "main"].geometry
    if not len(main):
        raise NothingFoundError("this plan has no main path: its debris was drawn, no snow was let run")
    line = shapely.line_merge(main.iloc[0])
    if line.geom_type != "LineString":
        line = max(shapely.get_parts(line), key=lambda one: float(one.length))
    along: FloatArray = np.linspace(0.0, _reached(folder, line), POINTS)
    points = shapely.line_interpolate_point(line, along)
    x, y = shapely.get_x(points), shapely.get_y(points)
    lon, lat = transformer(base.ground.crs, WGS84).transform(x, y)
    columns: dict[str, FloatArray] = {"z_m": base.ground.sample(x, y)}
    for key, name, band in (
        ("thickness_m", "debris_thickness.tif", 1),
        ("thick_m", "debris_thickness.tif", 3),
        ("probability", "debris_probability.tif", 1),
        ("speed_m_s", "peak_speed.tif", 1),
    ):
        if (folder / name).is_file():
            columns[key] = read_grid(folder / name, band).sample(x, y)
    return {
        "d_m": np.round(along, 1).tolist(),
        "lonlat": [[round(float(a), 7), round(float(b), 7)] for a, b in zip(lon, lat, strict=True)],
        **{key: [_short(one) for one in values.tolist()] for key, values in columns.items()},
        "traps": _crossings(folder, "terrain_traps", line, ("number", "letter", "kind", "reason"), float(along[-1])),
        "zones": _crossings(folder, "deposition_zones", line, ("number", "place", "reason"), float(along[-1])),
        "last_seen_m": round(float(shapely.line_locate_point(line, shapely.Point(base.at_m))), 1)
        if base.at_m
        else None,
    }


def _reached(folder: Path, line: Any) -> float:
    """How far along the path any event came, and a little more."""
    path = folder / "peak_speed.tif"
    length = float(line.length)
    if not path.is_file():
        return length
    along = np.linspace(0.0, length, 4 * POINTS)
    points = shapely.line_interpolate_point(line, along)
    speed = read_grid(path, 2).sample(shapely.get_x(points), shapely.get_y(points))
    passed = np.flatnonzero(np.nan_to_num(speed) > 0.0)
    return min(length, 1.1 * float(along[passed[-1]]) + 20.0) if passed.size else length


def _crossings(folder: Path, layer: str, line: Any, columns: tuple[str, ...], end_m: float) -> list[dict[str, Any]]:
    """Stretches of the path inside the areas of a layer."""
    import geopandas  # noqa: PLC0415  slow to import

    frame = geopandas.read_file(folder / "plan.gpkg", layer=layer)
    found = []
    for row in frame.itertuples():
        for part in shapely.get_parts(shapely.intersection(line, row.geometry)):
            if part.geom_type != "LineString" or part.length < 1.0:
                continue
            ends = [float(shapely.line_locate_point(line, shapely.Point(part.coords[k]))) for k in (0, -1)]
            if min(ends) >= end_m:
                continue
            found.append(
                {"from_m": round(min(ends), 1), "to_m": round(min(max(ends), end_m), 1)}
                | {name: getattr(row, name) for name in columns}
            )
    return sorted(found, key=lambda one: float(one["from_m"]))


def _short(value: float) -> float | None:
    number = known(value)
    return round(number, 3) if number is not None else None
