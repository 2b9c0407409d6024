"""The lattice that files are read on: which files lie on it, whose it is, how far it reaches, how boxes snap."""

import numpy as np
import pytest
import rasterio
from affine import Affine
from pyproj import CRS

from lastseen.core.errors import InputError
from lastseen.core.place import to_lonlat
from lastseen.terrain.elevation import Elevation, open_elevation, read_window

UTM = CRS("EPSG:32632")
WEST, NORTH, CELL = 500_000.0, 5_200_000.0, 5.0
AT = Affine(CELL, 0.0, WEST, 0.0, -CELL, NORTH)


def store(path, transform=AT, shape=(6, 8), epsg=32632, height=1000.0):
    """A raster of one height."""
    options = {"driver": "GTiff", "count": 1, "dtype": "float64", "width": shape[1], "height": shape[0]}
    with rasterio.open(path, "w", crs=f"EPSG:{epsg}", transform=transform, **options) as file:
        file.write(np.full(shape, height), 1)
        file.units = ("m",)
    return path


@pytest.mark.parametrize(
    ("second", "direct"),
    [
        (AT, True),
        (AT @ Affine.translation(3.0, 0.0), True),
        (AT @ Affine.translation(0.0, -7.0), True),
        (AT @ Affine.translation(0.0005, 0.0005), True),
        (AT @ Affine.translation(0.5, 0.0), False),
        (AT @ Affine.translation(0.0, 0.5), False),
        (AT @ Affine.translation(0.01, 0.0), False),
        (AT @ Affine.translation(0.0, -0.01), False),
        (Affine(-CELL, 0.0, WEST + 40.0, 0.0, -CELL, NORTH), True),
        (Affine(CELL, 0.0, WEST, 0.0, CELL, NORTH - 30.0), True),
        (Affine(CELL + 0.1, 0.0, WEST, 0.0, -CELL, NORTH), False),
        (Affine(CELL, 0.0, WEST, 0.0, -CELL - 0.1, NORTH), False),
        (Affine(CELL, 0.1, WEST, 0.0, -CELL, NORTH), False),
        (Affine(CELL, 0.0, WEST, 0.1, -CELL, NORTH), False),
    ],
)
def test_a_file_on_the_lattice_of_the_first_is_read_as_it_is(tmp_path, second, direct):
    """Whole steps away, mirrored or south-up, to a thousandth of a cell; all else is resampled."""
    found = open_elevation([store(tmp_path / "a.tif"), store(tmp_path / "b.tif", second)])
    assert [sheet.direct for sheet in found.sheets] == [True, direct]
    assert (found.cell_m, found.anchor_m, found.crs) == (CELL, (WEST, NORTH), UTM)


def test_a_file_of_another_crs_is_not_on_the_lattice(tmp_path):
    found = open_elevation([store(tmp_path / "a.tif"), store(tmp_path / "b.tif", epsg=25832)])
    assert [sheet.direct for sheet in found.sheets] == [True, False]


def test_a_file_that_the_lattice_cannot_hold_is_refused(tmp_path):
    """UTM zone 32 has no coordinates for a place at the equator a quarter of the world away."""
    far = store(tmp_path / "far.tif", Affine(1e-5, 0.0, 100.0, 0.0, -1e-5, 0.0), epsg=4326)
    with pytest.raises(InputError, match=r"cannot be brought to WGS 84 / UTM zone 32N as a whole"):
        open_elevation([store(tmp_path / "a.tif"), far])


@pytest.mark.parametrize(("steps_x", "steps_y"), [(-20, 0), (20, 0), (0, -20), (0, 20), (-20, 20)])
def test_the_model_reaches_around_all_files(tmp_path, steps_x, steps_y):
    """Files of 8 by 6 cells apart to the west, the east, the north and the south."""
    second = AT @ Affine.translation(steps_x, steps_y)
    found = open_elevation([store(tmp_path / "a.tif"), store(tmp_path / "b.tif", second)])
    west, north = WEST + CELL * min(0, steps_x), NORTH - CELL * min(0, steps_y)
    east, south = WEST + CELL * (8 + max(0, steps_x)), NORTH - CELL * (6 + max(0, steps_y))
    assert found.bounds_m == pytest.approx((west, south, east, north), abs=1e-6)
    grid = read_window(found, found.bounds_m)
    assert np.isfinite(grid.values).sum() == 2 * 48


def test_the_file_that_holds_the_place_gives_the_lattice(tmp_path):
    """Just inside the edges of the second file it is the second's; beside both, the first's."""
    second = Affine(4.0, 0.0, WEST + 1001.0, 0.0, -4.0, NORTH - 3.0)
    files = [store(tmp_path / "a.tif"), store(tmp_path / "b.tif", second)]
    assert open_elevation(files).anchor_m == (WEST, NORTH)
    for x, y in ((0.5, 12.0), (31.5, 12.0), (16.0, 0.5), (16.0, 23.5)):
        found = open_elevation(files, to_lonlat(WEST + 1001.0 + x, NORTH - 3.0 - y, UTM))
        assert (found.cell_m, found.anchor_m) == (4.0, (WEST + 1001.0, NORTH - 3.0))
        assert [sheet.direct for sheet in found.sheets] == [False, True]
    for x, y in ((-1.5, 12.0), (33.5, 12.0), (16.0, -1.5), (16.0, 25.5)):
        found = open_elevation(files, to_lonlat(WEST + 1001.0 + x, NORTH - 3.0 - y, UTM))
        assert (found.cell_m, found.anchor_m) == (CELL, (WEST, NORTH))


@pytest.mark.parametrize(
    ("box", "snapped"),
    [
        ((11.0, 21.0, 18.0, 28.0), (10.5, 20.25, 18.5, 28.25)),
        ((10.5, 20.25, 18.5, 28.25), (10.5, 20.25, 18.5, 28.25)),
        ((-99.0, 21.0, 18.0, 28.0), (0.5, 20.25, 18.5, 28.25)),
        ((11.0, -99.0, 18.0, 28.0), (10.5, 0.25, 18.5, 28.25)),
        ((11.0, 21.0, 999.0, 28.0), (10.5, 20.25, 100.5, 28.25)),
        ((11.0, 21.0, 18.0, 999.0), (10.5, 20.25, 18.5, 200.25)),
    ],
)
def test_a_box_snaps_outward_to_whole_cells_and_ends_with_the_model(box, snapped):
    """Cells of 2 m counted from (0.5, 0.25); the model ends at 0.5, 0.25, 100.5 and 200.25."""
    model = Elevation(
        sheets=(), crs=UTM, cell_m=2.0, anchor_m=(0.5, 0.25), bounds_m=(0.5, 0.25, 100.5, 200.25), notes=()
    )
    assert model.snapped(box) == pytest.approx(snapped)


def test_files_finer_than_a_metre_are_read_in_cells_of_a_metre(tmp_path):
    fine = store(tmp_path / "fine.tif", Affine(0.5, 0.0, WEST, 0.0, -0.5, NORTH), (40, 60))
    found = open_elevation([fine])
    assert (found.cell_m, found.anchor_m) == (1.0, (0.0, 0.0))
    assert not found.sheets[0].direct
    assert read_window(found, found.bounds_m).shape == (20, 30)


def test_cells_that_are_not_square_get_the_side_of_the_same_area(tmp_path):
    oblong = store(tmp_path / "oblong.tif", Affine(4.0, 0.0, WEST, 0.0, -9.0, NORTH), (40, 60))
    found = open_elevation([oblong])
    assert found.cell_m == pytest.approx(6.0)
    assert not found.sheets[0].direct
