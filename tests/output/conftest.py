import dataclasses
import json
from pathlib import Path

import geopandas
import pytest
from shapely.geometry import Point

from lastseen.core.scenario import read_scenario
from lastseen.jobs.plan import make_plan
from lastseen.output.results.plan import result_of_plan
from lastseen.output.write import write_result
from shared import shared_folder, shared_object

DEMO = Path(__file__).resolve().parents[2] / "data-demo"


@pytest.fixture(scope="session")
def scenario():
    found = read_scenario(DEMO / "bench.toml")
    return dataclasses.replace(
        found, snow=dataclasses.replace(found.snow, members=10, tracers=60, bodies=400, cell_m=4.0)
    )


@pytest.fixture(scope="session")
def plan(scenario, tmp_path_factory):
    return shared_object(tmp_path_factory, "plan", lambda: make_plan(scenario))


@pytest.fixture(scope="session")
def written(plan, tmp_path_factory):
    """The folder of the plan, for reading; beside it lies what was told while it was written."""

    def fill(folder):
        shares = []
        paths = write_result(
            result_of_plan(plan), folder / "deep" / "plan", progress=lambda _stage, share: shares.append(share)
        )
        told = {"files": [str(path) for path in paths], "shares": shares}
        (folder / "told.json").write_text(json.dumps(told), encoding="utf-8")

    return shared_folder(tmp_path_factory, "written", fill) / "deep" / "plan"


@pytest.fixture(scope="session")
def observed(scenario, plan, tmp_path_factory):
    """A plan over a debris outline that somebody drew."""
    path = tmp_path_factory.mktemp("drawn") / "outline.gpkg"
    x, y = plan.debris.outline.centroid.coords[0]
    outline = Point(x, y).buffer(70).difference(Point(x + 15, y).buffer(12))
    geopandas.GeoSeries([outline], crs=plan.terrain.elevation.crs).to_file(path)
    search = dataclasses.replace(scenario.search, debris=path)
    return make_plan(dataclasses.replace(scenario, search=search))
