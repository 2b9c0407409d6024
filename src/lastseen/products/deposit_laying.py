"""From folders to a practice deposit: the site, the ground round it, the shape, and the pushing plan."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import rasterio

from lastseen.drill.practice_deposit import LIMITS, PracticeDeposit, SiteFrame, lay_modelled, lay_sized, plan_pushing
from lastseen.elevation import open_elevation, read_window
from lastseen.errors import InputError
from lastseen.grid import BoolArray, Grid
from lastseen.place import to_lonlat
from lastseen.products.deposit_reading import read_debris, read_site
from lastseen.remarks import about_grid, sentences
from lastseen.terrain import read_terrain, smoothed

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
    notes = sentences((*about_grid(frame.crs, ""), *_notes(frame, snow_m, left_m), *LIMITS))
    title = name or f"Practice deposit on site {number}"
    return PracticeDeposit(title, ground, elevation, frame, shape, pushing, site, seed, notes)


def _notes(frame: SiteFrame, snow_m: float, left_m: float) -> tuple[str, ...]:
    return (
        f"{snow_m:g} m of snow were taken to lie there, of which {left_m:g} m stay: measure it, and give --snow-depth",
        f"the site is {frame.width_m:.0f} x {frame.height_m:.0f} m on the map",
    )


def _allowed(lattice: Grid, ground: Grid, sites_folder: Path) -> BoolArray:
    """Cells of the deposit's lattice from which snow may be taken."""
    rows, cols = np.indices(lattice.shape)
    x, y = lattice.centre_of(rows, cols)
    slope = ground.with_values(read_terrain(smoothed(ground, 4.0)).slope_deg.values).sample(x, y)
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
