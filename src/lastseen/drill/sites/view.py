"""From a question about practice ground to its answer: elevation and layers read, sites found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lastseen import ground_layers
from lastseen.drill.sites.find import find_sites
from lastseen.drill.sites.model import SiteSearch, SiteWish
from lastseen.elevation import Elevation, open_elevation, read_window, require_inside
from lastseen.errors import InputError, ResourceError
from lastseen.memory import require_memory
from lastseen.place import LonLat
from lastseen.remarks import about_grid, sentences
from lastseen.scenario import Scenario
from lastseen.terrain import Terrain, read_terrain

GB_PER_MILLION_CELLS = 0.25  # careful: the bench measured 0.05 above the libraries at 1 million cells of 5 m
MOST_CELLS = 16_000_000
AROUND_M = 3000.0  # ground round the search with --near, for what comes down from above; design choice

Progress = Callable[[str, float], None]


@dataclass(frozen=True, eq=False)
class SiteView:
    """Practice sites on some ground.

    Attributes
    ----------
    scenario : Scenario
        Elevation, ground layers and name; no last-seen point.
    elevation : Elevation
    terrain : Terrain
    search : SiteSearch
    near : LonLat or None
    notes : tuple of str
        Plain sentences that the user must see.
    """

    scenario: Scenario
    elevation: Elevation
    terrain: Terrain
    search: SiteSearch
    near: LonLat | None
    notes: tuple[str, ...]


def view_sites(
    scenario: Scenario,
    wish: SiteWish,
    near: LonLat | None = None,
    progress: Progress = lambda _stage, _share: None,
) -> SiteView:
    """Read the ground, all of it or 3 km beyond the distance round a place, and find sites on it.

    Raises
    ------
    InputError, NothingFoundError, ResourceError
        With one sentence that says what is wrong, where, and what to do.
    """
    progress("opening the elevation model", 0.0)
    elevation = open_elevation(scenario.elevation, near, scenario.z_unit)
    ground_layers.check_layers(scenario.ground, elevation)
    area = elevation.bounds_m
    if near is not None:
        x, y = require_inside(elevation, near, "the place of --near")
        more = wish.within_m + AROUND_M
        area = (x - more, y - more, x + more, y + more)
        wish = replace(wish, near_m=(x, y))
    box = elevation.snapped(area)
    cells = round((box[2] - box[0]) / elevation.cell_m) * round((box[3] - box[1]) / elevation.cell_m)
    if cells > MOST_CELLS:
        raise ResourceError(
            f"{cells / 1e6:.0f} million cells would be looked at, and {MOST_CELLS / 1e6:.0f} million are the most in "
            "one go: give --near, a smaller --within, or cut the model into smaller ones"
        )
    progress(f"reading the ground, {require_memory(cells, GB_PER_MILLION_CELLS, 'the ground')}", 0.01)
    told: list[str] = []
    ground = read_window(elevation, box, told.append)
    if not np.isfinite(ground.values).any():
        raise InputError("there is no ground in the elevation model, only no data: use another one")
    layers = ground_layers.read_layers(scenario.ground, ground)
    found = find_sites(ground, layers, wish, progress)
    notes = sentences((*about_grid(elevation.crs, ""), *elevation.notes, *told, *layers.notes, *found.notes))
    return SiteView(scenario, elevation, read_terrain(ground), found, near, notes)
