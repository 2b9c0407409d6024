"""Fixtures that more than one room uses."""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("quick", max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("thorough", max_examples=500, deadline=None)
settings.load_profile(os.environ.get("LASTSEEN_HYPOTHESIS", "quick"))


def real_terrain_folder():
    """The folder with real elevation files, or None: they are not part of the project."""
    named = os.environ.get("LASTSEEN_REAL_TERRAIN")
    beside = Path(__file__).resolve().parents[2] / "shared" / "terrain"
    folder = Path(named) if named else beside
    return folder if folder.is_dir() else None


@pytest.fixture(scope="session")
def real_terrain():
    """Paths of real elevation files by name; skips where there are none."""
    folder = real_terrain_folder()
    files = sorted(folder.glob("*.tif")) if folder else []
    if not files:
        pytest.skip("no real elevation files: name their folder in LASTSEEN_REAL_TERRAIN")
    return {file.stem: file for file in files}
