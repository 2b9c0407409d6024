"""Ground layers as files: what they say of themselves, overviews, notes, memory."""

import numpy as np
import pytest
import rasterio

from dem_zoo import hill, store
from lastseen.cli import app
from lastseen.core import machine
from lastseen.core.errors import InputError, ResourceError
from lastseen.jobs import terrain_view
from lastseen.jobs.terrain_view import layers_on, view_terrain
from lastseen.output.result import FULL_CAUTION
from lastseen.output.results.ground import result_of_terrain
from lastseen.output.write import write_result
from lastseen.terrain.derived_layers import DRAINAGE_LAYERS
from lastseen.terrain.elevation import open_elevation

LAYERS = layers_on(1.0)


def written(tmp_path, grid, *, accept_doubtful=False, **options):
    """The layers of a grid, stored as a file first."""
    path = store(tmp_path / "hill.tif", grid, unit="m")
    view = view_terrain(open_elevation([path], accept_doubtful=accept_doubtful), **options)
    values = {}
    for file in write_result(result_of_terrain(view), tmp_path / "ground"):
        with rasterio.open(file) as data:
            values[file.stem] = data.read(1, masked=True).astype(float).filled(np.nan)
    return view, values


def test_every_layer_says_what_it_is(tmp_path):
    """Twenty cloud-optimised files on one lattice, each with a text, a unit and the caution."""
    view, values = written(tmp_path, hill(shape=(90, 70)))
    assert sorted(values) == sorted(layer.name for layer in LAYERS)
    assert len({layer.name for layer in LAYERS}) == len(LAYERS) == 20
    for layer in layers_on(5.0):
        with rasterio.open(tmp_path / "ground" / f"{layer.name}.tif") as data:
            assert data.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
            assert data.descriptions == (layer.description,)
            assert data.units == (layer.unit,)
            assert data.nodata == -9999.0
            assert data.tags()["CAUTION"] == FULL_CAUTION
            assert data.shape == (90, 70)
        assert np.isfinite(values[layer.name]).any(), layer.name
    assert view.notes == ()
    assert values["area_d8_m2"].min() == 25.0
    assert set(np.unique(values["channels"])) <= {0.0, 1.0, 2.0}


def test_azimuths_and_classes_have_no_average(tmp_path):
    """In overviews an azimuth is one of those below it, and a class is a class; heights are averaged."""
    _, values = written(tmp_path, hill(shape=(540, 90), cell_m=2.0))
    for name in ("aspect_deg", "flow_d8_deg", "flow_dinf_deg", "channels"):
        with rasterio.open(tmp_path / "ground" / f"{name}.tif", overview_level=0) as data:
            small = data.read(1, masked=True).astype(float).filled(np.nan)
        four = np.stack([values[name][i::2, j::2] for i in (0, 1) for j in (0, 1)])
        assert small.shape == (270, 45)
        same = (four == small[None, :, :]).any(axis=0) | np.isnan(small)
        assert same.all(), name


def test_the_model_may_be_read_without_drainage(tmp_path):
    """Local layers are the same bytes with and without drainage."""
    _, whole = written(tmp_path, hill(shape=(40, 50)))
    (tmp_path / "again").mkdir()
    view, local = written(tmp_path / "again", hill(shape=(40, 50)), drainage=False)
    assert len(local) == len(view.layers) == len(LAYERS) - len(DRAINAGE_LAYERS)
    for name, values in local.items():
        np.testing.assert_array_equal(values, whole[name])


def test_doubtful_heights_are_told_from_all_bands(tmp_path, monkeypatch):
    """Zeros in single cells of different bands are counted together; undeclared -9999 are no data already."""
    monkeypatch.setattr(terrain_view, "BAND_CELLS", 1)
    spoiled = hill(shape=(70, 30))
    for row in (3, 16, 60):
        spoiled.values[row, 11] = 0.0
    spoiled.values[30, 20] = -9999.0
    with pytest.raises(InputError, match="cells lie far below all neighbours"):
        written(tmp_path, spoiled)
    view, values = written(tmp_path, spoiled, accept_doubtful=True)
    assert view.notes[0].startswith("3 cells lie far below all neighbours")
    assert "cells are exactly 0 m" in view.notes[1]  # bands overlap: their number is that of all bands
    assert np.isnan(values["elevation_m"][30, 20])
    assert values["fill_depth_m"][16, 11] > 1000.0


def test_memory_is_said_before_it_is_used(tmp_path, monkeypatch):
    """The progress text names both needs; too little for drainage is refused with the way out."""
    path = store(tmp_path / "hill.tif", hill(shape=(40, 50)), unit="m")
    said = []
    view = view_terrain(open_elevation([path]))
    write_result(result_of_terrain(view), tmp_path / "a", progress=lambda stage, _: said.append(stage))
    assert said[1].startswith("bands of 0.0 million cells, about 0.0 GB; drainage of 0.0 million cells")
    monkeypatch.setattr(terrain_view, "DRAINAGE_GB_PER_MILLION_CELLS", 1e6)
    monkeypatch.setattr(machine, "free_gb", lambda: 4.0)
    with pytest.raises(ResourceError, match="--local-only leaves drainage out"):
        view_terrain(open_elevation([path]))
    assert view_terrain(open_elevation([path]), drainage=False).heights is None


def test_too_small_a_model_is_refused(tmp_path):
    """Two rows have no slope."""
    path = store(tmp_path / "hill.tif", hill(shape=(2, 50)), unit="m")
    with pytest.raises(InputError, match="three by three"):
        view_terrain(open_elevation([path]))


def test_a_model_without_heights_is_said(tmp_path):
    """All no data: empty layers and a note."""
    empty = hill(shape=(30, 40))
    view, values = written(tmp_path, empty.with_values(np.full(empty.shape, np.nan)))
    assert "no heights at all" in view.notes[0]
    assert all(np.isnan(layer).all() for layer in values.values())


def test_the_command_tells_notes_and_leaves_drainage_out(tmp_path, capsys):
    """lastseen terrain --local-only: notes first, then the files, none of them of drainage."""
    spoiled = hill(shape=(40, 30))
    spoiled.values[9, 9] = 0.0
    path = store(tmp_path / "hill.tif", spoiled, unit="m")
    accept = "--accept-doubtful-heights"
    app(["terrain", str(path), "-o", str(tmp_path / "out"), "--local-only", accept], standalone_mode=False)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("Note: 1 cell lies far below all neighbours")
    assert not any(layer.name in line for line in lines for layer in DRAINAGE_LAYERS)
    assert sum(line.endswith(".tif") for line in lines) == len(LAYERS) - len(DRAINAGE_LAYERS)
