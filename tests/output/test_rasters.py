import numpy as np
import pytest
import rasterio
from pyproj import CRS
from rio_cogeo import cog_validate

from lastseen.core.grid import Grid
from lastseen.output.formats.cog import NODATA, write_cog
from lastseen.output.result import FULL_CAUTION, Raster

RASTERS = ("ground.tif", "poa.tif", "debris_probability.tif", "debris_thickness.tif", "peak_speed.tif")
FLOW_RASTERS = ("arrival.tif", "burial.tif")  # what single bodies do not know


@pytest.mark.parametrize("name", RASTERS)
def test_rasters_are_cloud_optimised_and_say_what_they_are(plan, written, name):
    with rasterio.open(written / name) as data:
        assert data.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert data.tags(ns="IMAGE_STRUCTURE")["COMPRESSION"] == "DEFLATE"
        assert set(data.dtypes) == {"float32"}
        assert data.nodata == NODATA
        assert all(data.descriptions)
        assert all(data.units)
        assert data.tags()["CAUTION"] == FULL_CAUTION
        assert CRS.from_wkt(data.crs.to_wkt()) == plan.terrain.elevation.crs
        assert data.res == (plan.terrain.elevation.cell_m,) * 2
        west, north = data.bounds.left, data.bounds.top
        grid = plan.terrain.elevation
        assert (west - grid.west_m) % grid.cell_m == pytest.approx(0.0)
        assert (grid.north_m - north) % grid.cell_m == pytest.approx(0.0)
    assert written.joinpath(name).stat().st_size < 2_000_000


@pytest.mark.parametrize("name", [*RASTERS, *FLOW_RASTERS])
def test_rasters_pass_an_independent_validator(written, name):
    """Cloud-optimised as rio-cogeo checks it, strictly: tiles, overviews, order of directories and data, no warning."""
    sound, errors, warnings = cog_validate(written / name, strict=True)
    assert (sound, errors, warnings) == (True, [], [])


def test_the_validator_finds_what_is_wrong(written, tmp_path):
    with rasterio.open(written / "ground.tif") as data:
        profile = data.profile | {"driver": "GTiff", "tiled": False, "blockysize": 1}
        with rasterio.open(
            tmp_path / "plain.tif", "w", **{k: v for k, v in profile.items() if k != "blockxsize"}
        ) as out:
            out.write(data.read())
    assert not cog_validate(tmp_path / "plain.tif", strict=True)[0]


def test_probability_of_area_still_sums_to_one(written):
    with rasterio.open(written / "poa.tif") as data:
        values = data.read(1, masked=True)
    assert float(values.astype(float).sum()) == pytest.approx(1.0, abs=1e-5)
    assert float(values.min()) >= 0.0


def test_rasters_hold_the_values_of_the_plan(plan, written):
    x, y = plan.debris.outline.representative_point().coords[0]
    for name, band, grid in (
        ("debris_probability.tif", 1, plan.debris.probability),
        ("debris_thickness.tif", 1, plan.debris.thickness_m),
        ("debris_thickness.tif", 2, plan.debris.thickness_p50_m),
        ("debris_thickness.tif", 3, plan.debris.thickness_p90_m),
        ("burial.tif", 1, plan.model.person.burial.maps[0][1]),
        ("peak_speed.tif", 2, plan.model.paths.highest_speed_m_s),
    ):
        row, col = grid.cell_of(x, y)
        with rasterio.open(written / name) as data:
            assert next(data.sample([(x, y)]))[band - 1] == pytest.approx(grid.values[row, col], rel=1e-6)


def test_burial_bands_hold_their_shares(plan, written):
    """Each band of the burial map sums to the share of persons who lie deeper than its depth; arrivals begin at 0."""
    burial = plan.model.person.burial
    with rasterio.open(written / "burial.tif") as data:
        sums = [float(data.read(band, masked=True).astype(float).sum()) for band in range(1, 5)]
    shares = [burial.fully, *(share for _, share in burial.deeper)]
    assert sums == pytest.approx(shares, abs=1e-5)
    assert sums == sorted(sums, reverse=True)
    with rasterio.open(written / "arrival.tif") as data:
        arrival = data.read(1, masked=True)
    assert arrival.min() == 0.0
    assert 2.0 < arrival.max() < 300.0


def test_no_data_speed_and_whole_size(written):
    with rasterio.open(written / "peak_speed.tif") as data:
        mean, highest = data.read(masked=True)
    assert mean.mask.any()
    assert (highest >= mean - 1e-4).all()


def test_large_rasters_get_overviews_that_average(tmp_path):
    values = np.add.outer(np.arange(1500.0), np.arange(1300.0))
    values[:40, :40] = np.nan
    grid = Grid(values, 600_000.0, 5_100_000.0, 2.0, CRS("EPSG:32632"))
    write_cog(tmp_path / "one.tif", Raster(bands=(grid,), descriptions=("sum",), units=("m",)))
    with rasterio.open(tmp_path / "one.tif") as data:
        assert data.overviews(1) == [2, 4]
        assert data.block_shapes == [(512, 512)]
        assert data.tags()["CAUTION"] == FULL_CAUTION
        assert data.units == ("m",)
        np.testing.assert_array_equal(data.read(1, masked=True).filled(np.nan), values.astype(np.float32))
    with rasterio.open(tmp_path / "one.tif", overview_level=0) as data:
        assert data.read(1)[100, 100] == pytest.approx(values[200:202, 200:202].mean())


def test_bands_need_their_names(tmp_path):
    grid = Grid(np.zeros((4, 4)), 0.0, 0.0, 2.0, CRS("EPSG:32632"))
    with pytest.raises(ValueError, match="descriptions"):
        write_cog(tmp_path / "x.tif", Raster(bands=(grid, grid), descriptions=("one",), units=("m", "m")))
