"""Reading folders back for a practice deposit: a site of ``sites.json``, and the debris of a plan."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from pyproj import CRS
from shapely import LineString, Point, line_merge

from lastseen.drill.practice_deposit import DepositModel, SiteFrame
from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.outlines import only_areas
from lastseen.products.folder import PLAN_MARKER
from lastseen.products.sites import SITES_MARKER


def read_site(folder: Path, number: int) -> tuple[SiteFrame, dict[str, Any]]:
    """A site that was written by ``lastseen drill sites``: where it lies, and all that was said about it.

    Raises
    ------
    InputError
        If there is no such folder or no such site.
    """
    path = folder / SITES_MARKER
    if not path.is_file():
        raise InputError(f"{folder} holds no {SITES_MARKER}: name a folder that lastseen drill sites has written")
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        sites = {int(one["number"]): one for one in told["sites"]}
        if number not in sites:
            raise InputError(f"{path} has no site {number}: choose one of {', '.join(str(one) for one in sites)}")
        site = sites[number]
        corners = np.array(site["corners_m"], float)
        middle = corners.mean(axis=0)
        width, height = math.dist(corners[0], corners[1]), math.dist(corners[1], corners[2])
        crs = CRS.from_user_input(told["grid"]["crs"])
        return SiteFrame((float(middle[0]), float(middle[1])), float(site["downhill_deg"]), width, height, crs), site
    except (OSError, KeyError, TypeError, ValueError, IndexError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path} cannot be read ({error}): make it again") from error


def read_debris(folder: Path) -> DepositModel:
    """The debris of a plan: mean thickness, outline, and the direction of the main path inside it.

    Raises
    ------
    InputError
        If the folder is no plan with a model, or cannot be read.
    """
    import geopandas  # noqa: PLC0415  slow to import

    raster, layers = folder / "debris_thickness.tif", folder / "plan.gpkg"
    if not (folder / PLAN_MARKER).is_file() or not raster.is_file() or not layers.is_file():
        raise InputError(f"{folder} is no plan with debris thickness: name a folder that lastseen plan has written")
    try:
        with rasterio.open(raster) as data:
            values = np.ma.filled(data.read(1, masked=True).astype(np.float64), 0.0)
            t, crs = data.transform, CRS.from_wkt(data.crs.to_wkt())
        debris = geopandas.read_file(layers, layer="debris")
        outline = only_areas(debris[debris["searched"] == 1].geometry.union_all())
        paths = geopandas.read_file(layers, layer="flow_paths")
        line = line_merge(paths[paths["kind"] == "main"].geometry.iloc[0])
        name = json.loads((folder / PLAN_MARKER).read_text(encoding="utf-8")).get("name") or folder.name
    except Exception as error:  # each reader raises its own kinds
        raise InputError(f"the plan in {folder} cannot be read ({error}): make it again") from error
    return DepositModel(Grid(values, t.c, t.f, t.a, crs), outline, _flow_deg(line, outline), name)


def _flow_deg(line: Any, outline: Any) -> float:
    """Azimuth from where the main path enters the debris to where it ends in it."""
    inside = line.intersection(outline)
    parts = [one for one in getattr(inside, "geoms", [inside]) if isinstance(one, LineString) and not one.is_empty]
    (x0, y0), (x1, y1) = _along(line, parts)
    return math.degrees(math.atan2(x1 - x0, y1 - y0)) % 360.0


def _along(line: Any, parts: list[LineString]) -> list[tuple[float, float]]:
    """First and last point inside, in the order of the path; its own ends where it never enters."""
    ends = [xy for one in parts for xy in (one.coords[0], one.coords[-1])] or list(line.coords)
    ordered = sorted(ends, key=lambda xy: float(line.project(Point(xy))))
    return [(float(x), float(y)) for x, y, *_ in (ordered[0], ordered[-1])]
