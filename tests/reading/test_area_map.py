"""The map of an area: large rasters at less detail, and numbers on the map that stand in the list beside it."""

import numpy as np
import pytest
import rasterio
from affine import Affine
from matplotlib.text import Text
from pyproj import CRS
from shapely import box

from lastseen.core.scenario import Scenario
from lastseen.jobs.reading.area import view_area
from lastseen.output.draw import area_map
from lastseen.output.results.ground import result_of_area
from lastseen.output.write import write_result
from reading.test_tiles import QUICK, digests


@pytest.mark.parametrize("strip_cells", [1, 4_000, 10**9])
def test_less_detail_keeps_the_greatest(tmp_path, monkeypatch, strip_cells):
    """Against plain loops: no narrow way is lost, and what is not known stays so."""
    monkeypatch.setattr(area_map, "STRIP_CELLS", strip_cells)
    rng = np.random.default_rng(3)
    values = rng.random((103, 217)).astype(np.float32)
    values[:40, :60] = np.nan
    path = tmp_path / "reached.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=217, height=103, count=1, dtype="float32", nodata=np.nan,
        crs="EPSG:32632", transform=Affine(5.0, 0.0, 500_000.0, 0.0, -5.0, 5_200_000.0),
    ) as out:  # fmt: skip
        out.write(values, 1)
    got = area_map.at_less_detail(path, CRS.from_epsg(32632), most_cells=50)
    assert got.cell_m == 25.0
    assert got.shape == (21, 44)
    for i in range(21):
        for j in range(44):
            block = values[5 * i : 5 * i + 5, 5 * j : 5 * j + 5]
            wanted = block[~np.isnan(block)].max() if (~np.isnan(block)).any() else np.nan
            np.testing.assert_equal(got.values[i, j], float(wanted))
    np.testing.assert_array_equal(area_map.at_less_detail(path, CRS.from_epsg(32632), 2_000).values, values)


@pytest.mark.slow
def test_a_large_area_is_drawn(face_file, tmp_path, monkeypatch):
    """As an area of thousands of cells a side is: ground and raster read at less detail, the same bytes each time."""
    monkeypatch.setattr(area_map, "MOST_PIXELS", 60)
    for name in ("one", "two"):
        folder = tmp_path / name
        write_result(
            result_of_area(view_area(Scenario(elevation=(face_file,), name="A face"), folder, tile_km=50.0, **QUICK)),
            folder,
        )
    assert digests(tmp_path / "one") == digests(tmp_path / "two")


def test_numbers_on_the_map_stand_in_the_list(face_file, tmp_path):
    """Each number is told beside the map; ground beyond the area is drawn, its edge too."""
    import geopandas  # noqa: PLC0415

    with rasterio.open(face_file) as data:
        west, south, east, north = data.bounds
        crs = data.crs
    area = tmp_path / "area.gpkg"
    part = box(west + 300.0, south + 500.0, east - 300.0, north)
    geopandas.GeoDataFrame(geometry=[part], crs=crs).to_file(area)
    folder = tmp_path / "out"
    view = view_area(Scenario(elevation=(face_file,), name="A face"), folder, area=str(area), tile_km=50.0, **QUICK)
    write_result(result_of_area(view), folder)
    with area_map.fixed_look():
        drawing = area_map.draw_area_map(view, folder)
    words = [one for one in drawing.page.get_children() if isinstance(one, Text)]
    body = drawing.sheet.body
    numbers = [one for one in words if one.get_text().isdigit() and one.get_fontweight() == "bold"]
    signs = {one.get_text() for one in numbers if body.left < one.get_position()[0] < body.right}
    listed = {one.get_text() for one in numbers if one.get_position()[0] > body.right}
    assert signs
    assert signs <= listed
    assert "edge of the area" in {one.get_text() for one in words}
