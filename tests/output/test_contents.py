import dataclasses
import json

import numpy as np
import pytest

from lastseen.core.errors import InputError
from lastseen.output.formats.json import numbers_text
from lastseen.output.read import read_result, read_whole_numbers
from lastseen.output.results.plan import result_of_plan


def test_a_folder_read_back_says_what_the_plan_said(plan, written):
    made, read = result_of_plan(plan), read_result(written)
    assert numbers_text(read.numbers) == numbers_text(made.numbers)
    assert read.crs == made.crs
    assert list(read.layers) == list(made.layers)
    for name, layer in made.layers.items():
        assert read.layers[name].rows == layer.rows, name
        assert all(a.equals_exact(b, 0.0) for a, b in zip(read.layers[name].shapes, layer.shapes, strict=True))
        assert dataclasses.replace(read.layers[name], shapes=(), rows=()) == dataclasses.replace(
            layer, shapes=(), rows=()
        )
    assert sorted(read.rasters) == sorted(made.rasters)
    for name, raster in made.rasters.items():
        again = read.rasters[name]
        assert (again.descriptions, again.units) == (raster.descriptions, raster.units)
        for a, b in zip(again.bands, raster.bands, strict=True):
            assert (a.west_m, a.north_m, a.cell_m) == (b.west_m, b.north_m, b.cell_m)
            np.testing.assert_array_equal(a.values, b.values)


def test_the_ground_reaches_around_all_that_is_drawn(plan):
    made = result_of_plan(plan)
    west, south, east, north = made.ground.bounds
    for layer in made.layers.values():
        for shape in layer.shapes:
            a, b, c, d = shape.bounds
            assert west <= a - 100
            assert south <= b - 100
            assert east >= c + 100
            assert north >= d + 30  # the demo ends there
    assert made.rasters["ground"].units == ("m",)


def test_a_folder_without_a_plan_is_refused_in_one_sentence(tmp_path, written):
    with pytest.raises(InputError, match="name the folder of a plan or of a search"):
        read_result(tmp_path)
    (tmp_path / "plan.json").write_text("{", encoding="utf-8")
    with pytest.raises(InputError, match="make it again"):
        read_result(tmp_path)
    (tmp_path / "plan.json").write_text(json.dumps({"grid": {"crs": "EPSG:32631"}}), encoding="utf-8")
    with pytest.raises(InputError, match=r"plan\.gpkg is missing"):
        read_result(tmp_path)


def test_a_plan_of_an_older_version_is_refused_in_one_sentence(tmp_path, written):
    numbers = json.loads((written / "plan.json").read_text(encoding="utf-8"))
    del numbers["events"]
    (tmp_path / "plan.json").write_text(json.dumps(numbers), encoding="utf-8")
    for read in (read_result, read_whole_numbers):
        with pytest.raises(InputError, match=r"written by an older version, .* make the plan again"):
            read(tmp_path)
