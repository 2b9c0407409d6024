"""Shapes in degrees, for files that know only longitude and latitude on WGS 84."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lastseen.place import WGS84, transformer

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
