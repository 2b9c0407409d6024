"""Layers as GeoJSON after RFC 7946 (2016): WGS 84, longitude first."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.core import WGS84, transformer
from lastseen.output.caution import FULL_CAUTION
from lastseen.output.result import Result

# ---- Shapes in degrees, for files that know only longitude and latitude on WGS 84

DEGREE_DECIMALS = 7  # 1 cm


def in_degrees(shapes: Sequence[BaseGeometry], crs: Any) -> list[BaseGeometry]:
    """Shapes as longitude and latitude, rounded to a centimetre; outer rings run against the clock, holes with it.

    The direction of rings is that of RFC 7946 (2016), section 3.1.6, and of OGC KML 2.2, Polygon.
    """
    to_degrees = transformer(crs, WGS84)

    def turned(points: Any) -> Any:
        lon, lat = to_degrees.transform(points[:, 0], points[:, 1])
        return np.round(np.column_stack([lon, lat]), DEGREE_DECIMALS)

    found: list[BaseGeometry] = list(shapely.transform(list(shapes), turned))
    return [shapely.orient_polygons(one) for one in found]


# ---- The layers of a plan as one GeoJSON file after RFC 7946 (2016): WGS 84, longitude first, no ``crs`` member


def write_geojson(result: Result, path: Path) -> None:
    """Write all layers as one collection; the property ``layer`` tells them apart. The same plan gives the same bytes.

    Outer rings run against the clock; numbers have seven decimals of a degree, about a centimetre. The caution and the
    name of the plan are foreign members of the collection (RFC 7946, section 6.1).
    """
    features, bounds = [], []
    for layer in result.layers.values():
        shapes = in_degrees(layer.shapes, result.crs)
        bounds += [shapely.bounds(shape) for shape in shapes]
        for number, (shape, (_, row)) in enumerate(zip(shapes, layer.records(), strict=True), start=1):
            features.append(
                {
                    "type": "Feature",
                    "id": f"{layer.name}.{number}",
                    "geometry": _plain(shapely.geometry.mapping(shape)),
                    "properties": {"layer": layer.name, **row},
                }
            )
    corners = np.array(bounds)
    document = {
        "type": "FeatureCollection",
        "name": result.numbers["name"],
        "caution": FULL_CAUTION,
        "generator": f"lastseen {__version__}",
        "bbox": [float(one) for one in (*corners[:, :2].min(axis=0), *corners[:, 2:].max(axis=0))],
        "features": features,
    }
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def _plain(value: Any) -> Any:
    """Lists in place of tuples, and numbers without the noise of their last binary digit."""
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(one) for one in value]
    return round(value, DEGREE_DECIMALS) if isinstance(value, float) else value
