"""Layers as GeoJSON after RFC 7946 (2016): WGS 84, longitude first, no ``crs`` member."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.core import WGS84, Progress, transformer
from lastseen.output.result import DEGREE_DECIMALS, FULL_CAUTION, Options, Result


def write(result: Result, folder: Path, _options: Options, _progress: Progress) -> None:
    """Write all layers as one collection; the property ``layer`` tells them apart. The same result, the same bytes.

    Outer rings run against the clock; numbers have seven decimals of a degree, about a centimetre. The caution and the
    name of the result are foreign members of the collection (RFC 7946, section 6.1).
    """
    features, bounds = [], []
    for layer in result.layers.values():
        shapes = in_degrees(layer.shapes, result.crs)
        bounds += [shapely.bounds(shape) for shape in shapes if not shape.is_empty]
        names = [column.name for column in layer.columns]
        for number, (shape, row) in enumerate(zip(shapes, layer.plain_rows(), strict=True), start=1):
            geometry = _plain(shapely.geometry.mapping(shape))
            values = {"layer": layer.name, **dict(zip(names, row, strict=True))}
            name = f"{layer.name}.{number}"
            features.append({"type": "Feature", "id": name, "geometry": geometry, "properties": values})
    document = {
        "type": "FeatureCollection",
        "name": result.numbers.get("name"),
        "caution": FULL_CAUTION,
        "generator": f"lastseen {__version__}",
    }
    if bounds:
        corners = np.array(bounds)
        document["bbox"] = [*corners[:, :2].min(axis=0).tolist(), *corners[:, 2:].max(axis=0).tolist()]
    text = json.dumps({**document, "features": features}, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    (folder / f"{result.stem}.geojson").write_text(text + "\n", encoding="utf-8", newline="\n")


def in_degrees(shapes: Sequence[BaseGeometry], crs: Any) -> list[BaseGeometry]:
    """Shapes as longitude and latitude, rounded to a centimetre; outer rings run against the clock, holes with it.

    The direction of rings is that of RFC 7946 (2016), section 3.1.6, and of OGC KML 2.2, Polygon.
    """
    to_degrees = transformer(crs, WGS84)

    def to_rounded(points: Any) -> Any:
        lon, lat = to_degrees.transform(points[:, 0], points[:, 1])
        return np.round(np.column_stack([lon, lat]), DEGREE_DECIMALS)

    turned: list[BaseGeometry] = list(shapely.transform(list(shapes), to_rounded))
    return [shapely.orient_polygons(shape) for shape in turned]


def _plain(value: Any) -> Any:
    """Lists in place of tuples, and numbers without the noise of their last binary digit."""
    if isinstance(value, dict):
        return {key: _plain(part) for key, part in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(part) for part in value]
    return round(value, DEGREE_DECIMALS) if isinstance(value, float) else value
