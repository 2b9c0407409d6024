"""Grounds written as files."""

import pytest

from hills import write
from reading import grounds


@pytest.fixture(scope="session")
def face_file(tmp_path_factory):
    """A face over a flat, as a raster."""
    ground = grounds.rough_face(ny=260, nx=240, cell_m=10.0)
    path = tmp_path_factory.mktemp("ground") / "face.tif"
    return write(path, ground.values, ground.west_m, ground.north_m, ground.cell_m)
