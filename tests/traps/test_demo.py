"""On the invented mountain the landforms that its page names are found, and little else."""

import re

import numpy as np
import pytest
import rasterio
from pyproj import CRS
from scipy import ndimage
from shapely import Point

from lastseen.core.grid import Grid
from lastseen.core.machine import shared_folder
from lastseen.terrain.surface import read_terrain
from lastseen.traps.find import find_traps

ROW = re.compile(r"^\|\s*([^|]+?)\s*\|\s*(\d+)\s*\|\s*(\d+)\s*\|", re.MULTILINE)


@pytest.fixture(scope="module")
def traps():
    with rasterio.open(shared_folder("demo") / "ysterra.tif") as file:
        z = np.where(file.read_masks(1) > 0, file.read(1).astype(float), np.nan)
        grid = Grid(z, file.bounds.left, file.bounds.top, file.res[0], CRS.from_wkt(file.crs.to_wkt()))
    terrain = read_terrain(grid)
    steep = ndimage.binary_opening(np.nan_to_num(terrain.slope_deg.values) >= 28.0, iterations=3)
    reached = ndimage.distance_transform_edt(~steep) * grid.cell_m <= 150.0
    return find_traps(terrain, reached)


@pytest.fixture(scope="module")
def places():
    page = (shared_folder("demo") / "README.md").read_text(encoding="utf-8")
    return {name: Point(float(x), float(y)) for name, x, y in ROW.findall(page)}


@pytest.mark.parametrize(
    ("start", "kind"),
    [
        ("couloir", "gully"),
        ("gully, upper", "gully"),
        ("gully, bend", "gully"),
        ("bench", "bench"),
        ("cliff band", "cliff"),
        ("closed hollow", "closed hollow"),
    ],
)
def test_landform_is_found(traps, places, start, kind):
    place = next(point for name, point in places.items() if name.startswith(start))
    assert min(t.outline.distance(place) for t in traps if t.kind == kind) < 12.0


def test_couloir_and_bent_gully_are_one_trap_and_nothing_is_cut_in_pieces(traps):
    kinds = [t.kind for t in traps]
    assert kinds.count("gully") == kinds.count("bench") == kinds.count("closed hollow") == kinds.count("cliff") == 1
    assert len(traps) < 15
