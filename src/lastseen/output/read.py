"""Folders read back: plans and searches for a drill, sites and debris for a practice deposit."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
import shapely
from pyproj import CRS
from shapely import LineString, Point, line_merge

from lastseen.core import BoolArray, Grid, InputError, keep_areas, to_lonlat
from lastseen.jobs import (
    DEPOSIT_LIMITS,
    MARGIN_M,
    MARGIN_SHARE,
    DepositModel,
    PlannedLeg,
    PlannedSearch,
    PracticeDeposit,
    SiteFrame,
    lay_modelled,
    lay_sized,
    note_grid,
    plan_pushing,
    to_sentences,
)
from lastseen.output.result import Result, read_numbers, read_result
from lastseen.output.results.sites import SITES_MARKER
from lastseen.output.write import PLAN_MARKER
from lastseen.search import WalkedLeg
from lastseen.terrain import open_elevation, read_terrain, read_window, smooth_heights

# ---- The walk of a plan or of a drawn search, from its folder, for the clock


def read_walk(folder: Path) -> tuple[tuple[WalkedLeg, ...], float, int]:
    """Legs, strip width and number of searchers of a plan or a drawn search that was written to a folder.

    Parameters
    ----------
    folder : Path
        Holds ``plan.json`` or ``search.json``.

    Returns
    -------
    legs : tuple of WalkedLeg
    strip_width_m : float
    searchers : int

    Raises
    ------
    InputError
        If there is no plan, or it cannot be read.
    """
    numbers = read_numbers(folder)
    try:
        legs = tuple(
            WalkedLeg(
                searcher=int(leg["searcher"]),
                kind=leg["kind"],
                length_m=float(leg["length_m"]),
                time_s=float(leg["time_s"]),
            )
            for leg in numbers["route"]
        )
        return legs, float(numbers["coverage"]["strip_width_m"]), max(leg.searcher for leg in legs)
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"{folder} holds no plan that can be read ({error}): make it again") from error


# ---- A plan or a drawn search for a drill: outline, walk, probability of area, and the ground it lies on


def read_planned(folder: Path) -> PlannedSearch:
    """A plan or a drawn search from its folder.

    Raises
    ------
    InputError
        See `lastseen.output.result.read_result`.
    """
    return planned_of(read_result(folder), folder.name)


def planned_of(result: Result, name: str) -> PlannedSearch:
    """What a drill needs of a plan; ``name`` is taken where the plan has none."""
    numbers = result.numbers
    legs = _legs(result)
    searched = [shape for shape, one in result.records("debris") if one["searched"]]
    outline = keep_areas(shapely.union_all(searched))
    west, south, east, north = shapely.total_bounds([outline, *(leg.line for leg in legs)]).tolist()
    rim = max(MARGIN_M, MARGIN_SHARE * max(east - west, north - south))  # sheets show more than the outline
    last_seen = numbers.get("last_seen")
    return PlannedSearch(
        name=str(numbers["name"] or name),
        crs=result.crs,
        outline=outline,
        ground=result.ground.window(west - rim, south - rim, east + rim, north + rim),
        poa=result.rasters["poa"].bands[0] if "poa" in result.rasters else None,
        legs=legs,
        strip_width_m=float(numbers["coverage"]["strip_width_m"]),
        coverage=float(numbers["coverage"]["fraction"]),
        flat=bool(numbers.get("flat", False)),
        last_seen_m=(float(last_seen["x_m"]), float(last_seen["y_m"])) if last_seen else None,
        declination_deg=numbers["search"].get("declination_deg"),
        date=numbers["search"].get("date"),
    )


def _legs(result: Result) -> tuple[PlannedLeg, ...]:
    keys = ("searcher", "number", "kind", "lane", "length_m", "time_s")
    rows = (
        PlannedLeg(line=LineString(line.coords), **{key: leg[key] for key in keys})
        for line, leg in result.records("route")
    )
    return tuple(sorted(rows, key=lambda leg: (leg.searcher, leg.number)))


# ---- Reading folders back for a practice deposit: a site of ``sites.json``, and the debris of a plan


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
            raise InputError(f"{path} has no site {number}: choose one of {', '.join(str(site) for site in sites)}")
        site = sites[number]
        corners = np.array(site["corners_m"], float)
        middle = corners.mean(axis=0)
        width, height = math.dist(corners[0], corners[1]), math.dist(corners[1], corners[2])
        crs = CRS.from_user_input(told["grid"]["crs"])
        return SiteFrame(
            middle_m=(float(middle[0]), float(middle[1])),
            downhill_deg=float(site["downhill_deg"]),
            width_m=width,
            height_m=height,
            crs=crs,
        ), site
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
        outline = keep_areas(debris[debris["searched"] == 1].geometry.union_all())
        paths = geopandas.read_file(layers, layer="flow_paths")
        line = line_merge(paths[paths["kind"] == "main"].geometry.iloc[0])
        name = json.loads((folder / PLAN_MARKER).read_text(encoding="utf-8")).get("name") or folder.name
    except Exception as error:  # each reader raises its own kinds
        raise InputError(f"the plan in {folder} cannot be read ({error}): make it again") from error
    return DepositModel(
        thickness_m=Grid(values, t.c, t.f, t.a, crs), outline=outline, flow_deg=_flow_deg(line, outline), name=name
    )


def _flow_deg(line: Any, outline: Any) -> float:
    """Azimuth from where the main path enters the debris to where it ends in it."""
    inside = line.intersection(outline)
    parts = [one for one in getattr(inside, "geoms", [inside]) if isinstance(one, LineString) and not one.is_empty]
    (x0, y0), (x1, y1) = _along(line, parts)
    return math.degrees(math.atan2(x1 - x0, y1 - y0)) % 360.0


def _along(line: Any, parts: list[LineString]) -> list[tuple[float, float]]:
    """First and last point inside, in the order of the path; its own ends where it never enters."""
    ends = [xy for part in parts for xy in (part.coords[0], part.coords[-1])] or list(line.coords)
    ordered = sorted(ends, key=lambda xy: float(line.project(Point(xy))))
    return [(float(x), float(y)) for x, y, *_ in (ordered[0], ordered[-1])]


# ---- From folders to a practice deposit: the site, the ground round it, the shape, and the pushing plan

STEEPEST_WORK_DEG = 30.0  # snow is not pushed from steeper ground; common practice, no source
AROUND_M = 400.0  # ground beyond the site: more than the sheet shows


def lay_deposit(
    dem: tuple[Path, ...],
    z_unit: str | None,
    sites_folder: Path,
    number: int,
    size: int | None,
    like: Path | None,
    *,
    seed: int,
    snow_m: float,
    left_m: float,
    packing: float,
    stake_m: float | None,
    name: str | None,
) -> PracticeDeposit:
    """Lay the deposit of a size, or of a plan, over a site that was found.

    Snow is taken only from ground below 30 degrees that no body from a start zone reaches, as ``reach.tif`` of the
    sites says.

    Raises
    ------
    InputError, NothingFoundError
        With one sentence that says what is wrong and what to do.
    """
    frame, site = read_site(sites_folder, number)
    elevation = open_elevation(dem, to_lonlat(*frame.middle_m, frame.crs), z_unit)
    if elevation.crs != frame.crs:
        raise InputError(
            f"the elevation model is worked on in {elevation.crs.name} and the sites in {frame.crs.name}: name the "
            "one that the sites were found on"
        )
    half = 0.5 * math.hypot(frame.width_m, frame.height_m) + AROUND_M
    x, y = frame.middle_m
    ground = read_window(elevation, (x - half, y - half, x + half, y + half))
    if math.isnan(float(ground.sample(x, y))):
        raise InputError(f"site {number} lies on no data of the elevation model: name the one that it was found on")
    shape = lay_modelled(frame, read_debris(like), seed) if like else lay_sized(frame, size or 0, seed)
    allowed = _allowed(shape.thickness_m, ground, sites_folder)
    pushing = plan_pushing(frame, shape, allowed, snow_m=snow_m, left_m=left_m, packing=packing, stake_m=stake_m)
    notes = to_sentences((*note_grid(frame.crs, ""), *_notes(frame, snow_m, left_m), *DEPOSIT_LIMITS))
    title = name or f"Practice deposit on site {number}"
    return PracticeDeposit(
        name=title,
        ground=ground,
        elevation=elevation,
        frame=frame,
        shape=shape,
        pushing=pushing,
        site=site,
        seed=seed,
        notes=notes,
    )


def _notes(frame: SiteFrame, snow_m: float, left_m: float) -> tuple[str, ...]:
    return (
        f"{snow_m:g} m of snow were taken to lie there, of which {left_m:g} m stay: measure it, and give --snow-depth",
        f"the site is {frame.width_m:.0f} x {frame.height_m:.0f} m on the map",
    )


def _allowed(lattice: Grid, ground: Grid, sites_folder: Path) -> BoolArray:
    """Cells of the deposit's lattice from which snow may be taken."""
    rows, cols = np.indices(lattice.shape)
    x, y = lattice.centre_of(rows, cols)
    slope = ground.with_values(read_terrain(smooth_heights(ground, 4.0)).slope_deg.values).sample(x, y)
    with np.errstate(invalid="ignore"):
        allowed: BoolArray = slope <= STEEPEST_WORK_DEG
    path = sites_folder / "reach.tif"
    if path.is_file():
        with rasterio.open(path) as data:
            t = data.transform
            share = Grid(np.ma.filled(data.read(1, masked=True), np.nan), t.c, t.f, t.a, lattice.crs)
        reached = share.sample(x, y)
        allowed &= ~(reached > 0.0)
    return allowed
