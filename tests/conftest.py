"""Fixtures that more than one room uses."""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# One place for compiled kernels, before anything loads them: commands that tests start must not compile all anew.
os.environ.setdefault("NUMBA_CACHE_DIR", str(Path(__file__).resolve().parents[1] / ".pytest_cache" / "kernels"))

for profile, examples in (("quick", 12), ("usual", 30)):
    settings.register_profile(
        profile, max_examples=examples, deadline=None, suppress_health_check=[HealthCheck.too_slow]
    )
settings.register_profile("thorough", max_examples=500, deadline=None)


def pytest_configure(config):
    """Fewer examples where slow tests are left out."""
    usual = "quick" if config.option.markexpr == "not slow" else "usual"
    settings.load_profile(os.environ.get("LASTSEEN_HYPOTHESIS", usual))


SLOW = pytest.StashKey[int]()


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config, items):
    """Count the slow tests before any of them is left out."""
    config.stash[SLOW] = sum(item.get_closest_marker("slow") is not None for item in items)


def pytest_sessionfinish(session):
    """A worker hands on its count."""
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["slow"] = session.config.stash.get(SLOW, 0)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node, error):
    node.config.stash[SLOW] = getattr(node, "workeroutput", {}).get("slow", 0)


def pytest_terminal_summary(terminalreporter, config):
    """What a short run left out is said at its end."""
    left = config.stash.get(SLOW, 0)
    if left and config.option.markexpr == "not slow":
        terminalreporter.write_line(f"{left} slow tests were left out; `make test-all` runs them too")


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


@pytest.fixture(scope="session")
def demo_ground():
    """A part of the demo's ground as the snow feels it."""
    from lastseen.snow.sliding_mass import smooth_for_snow  # noqa: PLC0415  most tests do not need them
    from lastseen.terrain.elevation import open_elevation, read_window  # noqa: PLC0415

    elevation = open_elevation((Path(__file__).resolve().parents[1] / "data-demo" / "ysterra.tif",))
    west, south, east, north = elevation.bounds_m
    return smooth_for_snow(read_window(elevation, (west + 400, south + 400, east - 400, north - 400)))
