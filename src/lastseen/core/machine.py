"""What the program runs on: threads, progress, memory, versions, and where its shared files lie."""

from __future__ import annotations

import os
import platform
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib.metadata import version
from pathlib import Path
from typing import TypeVar

from lastseen import __version__
from lastseen.core.errors import InputError, ResourceError

# ---- Plain threads for kernels that release the interpreter lock. Order of results never depends on their number

T = TypeVar("T")
R = TypeVar("R")


def thread_count() -> int:
    """Threads to use: ``LASTSEEN_THREADS`` where set, else the processors this process may run on."""
    wanted = os.environ.get("LASTSEEN_THREADS", "")
    if wanted.isdigit() and int(wanted) > 0:
        return int(wanted)
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1


def map_in_threads(work: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Apply ``work`` to each item, results in the order of the items."""
    threads = thread_count()
    if threads == 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, items))


def map_in_threads_after_first(work: Callable[[T], R | None], items: Sequence[T]) -> list[R | None]:
    """Apply ``work`` to each item; nothing else runs until one has given a result.

    Kernels are loaded and compiled by then: libraries that load their parts in several threads at once can lock up.
    """
    found: list[R | None] = []
    for item in items:
        found.append(work(item))
        if found[-1] is not None:
            break
    return found + map_in_threads(work, items[len(found) :])


def run_over_rows(work: Callable[[int, int], None], rows: int, block: int = 256) -> None:
    """Call ``work(first, last)`` on blocks of rows; the blocks must not write to each other's rows."""
    map_in_threads(lambda first: work(first, min(first + block, rows)), range(0, rows, block))


# ---- How a long job tells how far it is: the stage in words and the share that is done. What it raises ends the job

Progress = Callable[[str, float], None]


def no_progress(_stage: str, _share: float) -> None:
    """Tell nobody."""


# ---- Memory is stated before it is used

SLIDING_GB_PER_MILLION_CELLS = 0.3  # measured: 1.6 GB above the libraries for a plan on 5.5 million cells
FLOW_GB_PER_MILLION_CELLS = 0.4  # the ground once, and two events at a time


def free_gb() -> float | None:
    """Memory that is free for a new process, GB; None where the system does not tell."""
    try:
        return os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 1e9
    except (AttributeError, OSError, ValueError):
        return None


def require_memory(cells: int, gb_per_million: float, what: str) -> str:
    """How much memory some cells will take, as words; refuses what does not fit.

    Raises
    ------
    ResourceError
        If the system says that less is free.
    """
    wanted = cells * gb_per_million / 1e6
    free = free_gb()
    if free is not None and wanted > free:
        raise ResourceError(
            f"{what} of {cells / 1e6:.1f} million cells needs about {wanted:.1f} GB of memory and {free:.1f} GB are "
            "free: choose a smaller size class or a coarser elevation model, or close other programs"
        )
    return f"{cells / 1e6:.1f} million cells, about {wanted:.1f} GB"


# ---- Versions of everything a result depends on

_PACKAGES = ("numpy", "scipy", "numba", "rasterio", "pyogrio", "geopandas", "shapely", "pyproj", "scikit-image")


def versions() -> dict[str, str]:
    """Versions of the program, of Python and of the libraries that compute; GDAL, PROJ and GEOS included."""
    import pyogrio  # noqa: PLC0415  both bring a GDAL of their own, and are slow to import
    import pyproj  # noqa: PLC0415
    import rasterio  # noqa: PLC0415
    import shapely  # noqa: PLC0415

    found = {"lastseen": __version__, "python": platform.python_version()}
    found |= {name: version(name) for name in _PACKAGES}
    found["gdal (rasterio)"] = rasterio.__gdal_version__
    found["gdal (pyogrio)"] = pyogrio.__gdal_version_string__
    found["proj (pyproj)"] = pyproj.__proj_version__
    found["proj (rasterio)"] = rasterio.__proj_version__
    found["geos (shapely)"] = shapely.geos_version_string
    return found


def environment() -> dict[str, str]:
    """Versions, and what else of this machine matters."""
    import pyproj  # noqa: PLC0415

    found = versions()
    found["system"] = platform.platform()
    found["threads"] = str(thread_count())
    found["proj data"] = pyproj.datadir.get_data_dir()
    for name in ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA"):
        found[name] = (
            f"{os.environ[name]} (set: this can break both libraries, unset it)" if name in os.environ else "unset"
        )
    found["compiled kernels"] = os.environ.get("NUMBA_CACHE_DIR", "beside the package")
    return found


# ---- Where the published reference values, the palette and the demo data lie, installed or in a checkout

_PACKAGE = Path(__file__).resolve().parents[1]


def shared_folder(kind: str) -> Path:
    """Folder of ``shared`` (reference values, palette) or ``demo`` (the invented mountain).

    An installed package carries both; a checkout keeps them at its top.

    Raises
    ------
    InputError
        If the folder is missing, which means a broken installation.
    """
    top = _PACKAGE.parent.parent
    places = {"shared": (_PACKAGE / "_shared", top / "shared"), "demo": (_PACKAGE / "_demo", top / "data-demo")}[kind]
    for place in places:
        if place.is_dir():
            return place
    raise InputError(f"the folder with the {kind} files is missing ({places[0]}): install lastseen again")
