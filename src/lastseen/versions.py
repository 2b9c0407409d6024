"""Versions of everything a result depends on."""

from __future__ import annotations

import os
import platform
from importlib.metadata import version

from lastseen import __version__
from lastseen.threads import thread_count

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
