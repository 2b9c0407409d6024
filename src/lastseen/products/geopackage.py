"""The plan as one GeoPackage: a layer per thing, and a table that says how it was made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lastseen.products.caution import FULL_CAUTION, SHORT_CAUTION
from lastseen.products.layers import Layer

if TYPE_CHECKING:
    from lastseen.products.contents import Contents

# The format wants a date of change; a fixed one keeps the same plan the same bytes.
FIXED_DATE = "2000-01-01T00:00:00Z"
_TYPES: dict[str, Any] = {"text": "str", "real": "float64", "integer": "Int64"}


def write_geopackage(contents: Contents, path: Path, *, only: Sequence[str] = (), crs: Any = None) -> None:
    """Write the layers of a plan and the table ``run``; the same plan gives the same bytes.

    Parameters
    ----------
    contents : Contents
    path : Path
    only : sequence of str
        Names of the layers to write; all where empty.
    crs : pyproj.CRS, optional
        Of the file; the plan's own where not given.
    """
    chosen = [layer for layer in contents.layers.values() if not only or layer.name in only]
    write_layers(path, chosen, contents.crs, run_table(contents.numbers), to=crs)


def write_layers(path: Path, layers: Iterable[Layer], crs: Any, run: list[tuple[str, str]], *, to: Any = None) -> None:
    """Write layers, brought into the CRS ``to`` where given, and the table ``run``; same input, same bytes."""
    import pandas as pd  # noqa: PLC0415  slow to import
    import pyogrio  # noqa: PLC0415  slow to import

    with _gdal_options({"OGR_CURRENT_DATE": FIXED_DATE}):
        for layer in layers:
            frame = _frame(layer, crs)
            pyogrio.write_dataframe(
                frame if to is None or to == crs else frame.to_crs(to),
                path,
                layer=layer.name,
                driver="GPKG",
                geometry_type=layer.geometry,
                append=path.exists(),
                layer_options={"IDENTIFIER": layer.title, "DESCRIPTION": SHORT_CAUTION},
            )
        table = pd.DataFrame(run, columns=["key", "value"], dtype="str")
        pyogrio.write_dataframe(table, path, layer="run", driver="GPKG", append=True)


def run_table(numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    """How the plan was made, as pairs of key and text."""
    model, search, debris = numbers.get("model"), numbers["search"], numbers.get("debris")
    rows = [
        ("name", numbers["name"]),
        ("caution", FULL_CAUTION),
        ("program", "lastseen"),
        ("version", numbers["program"]["version"]),
        ("schema_version", str(numbers["schema_version"])),
        ("seed", str(numbers["seed"])),
        *((f"version_{name}", version) for name, version in numbers["versions"].items()),
        *((f"input_{one['role']}", f"{one['name']}, sha256 {one['sha256']}") for one in numbers["inputs"]),
        ("crs", numbers["grid"]["crs_name"]),
        ("cell_m", f"{numbers['grid']['cell_m']:g}"),
        ("model", model["name"] if model else "none: the debris outline was given"),
        ("strip_width_m", f"{numbers['coverage']['strip_width_m']:g}"),
        ("pattern", search["pattern"]),
        ("searchers", str(search["searchers"])),
        ("lanes", str(len(numbers["lanes"]))),
        ("coverage", f"{numbers['coverage']['fraction']:.6f}"),
        ("uncovered_m2", f"{numbers['coverage']['uncovered_m2']:.1f}"),
        ("debris_level", f"{debris['level']:g}" if model and debris else ""),
        ("poa_inside_debris", f"{numbers['poa']['inside_debris']:.6f}" if model else ""),
    ]
    return rows + [(f"note_{number:02d}", text) for number, text in enumerate(numbers["notes"], start=1)]


def _frame(layer: Layer, crs: Any) -> Any:
    """A data frame with typed columns, also where it has no rows."""
    import geopandas  # noqa: PLC0415  slow to import
    import pandas as pd  # noqa: PLC0415  slow to import

    data = {
        column.name: pd.array([row[i] for row in layer.rows], dtype=_TYPES[column.kind])
        for i, column in enumerate(layer.columns)
    }
    return geopandas.GeoDataFrame(data, geometry=list(layer.shapes), crs=crs)


@contextmanager
def _gdal_options(wanted: dict[str, str]) -> Iterator[None]:
    """Set options of the vector library and put back what was there."""
    import pyogrio  # noqa: PLC0415  slow to import

    before = {name: pyogrio.get_gdal_config_option(name) for name in wanted}
    pyogrio.set_gdal_config_options(wanted)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)
