"""The plan as one GeoPackage: a layer per thing, and a table that says how it was made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lastseen import __version__
from lastseen.products.caution import FULL_CAUTION, SHORT_CAUTION
from lastseen.products.layers import Layer, plan_layers
from lastseen.products.numbers import SCHEMA_VERSION

if TYPE_CHECKING:
    from lastseen.plan import Plan

# The format wants a date of change; a fixed one keeps the same plan the same bytes.
FIXED_DATE = "2000-01-01T00:00:00Z"
_TYPES: dict[str, Any] = {"text": "str", "real": "float64", "integer": "Int64"}


def write_geopackage(plan: Plan, path: Path, *, only: Sequence[str] = (), crs: Any = None) -> None:
    """Write the layers of a plan and the table ``run``; the same plan gives the same bytes.

    Parameters
    ----------
    plan : Plan
    path : Path
    only : sequence of str
        Names of the layers to write; all where empty.
    crs : pyproj.CRS, optional
        Of the file; the plan's own where not given.
    """
    chosen = [layer for layer in plan_layers(plan).values() if not only or layer.name in only]
    write_layers(path, chosen, plan.terrain.elevation.crs, run_table(plan), to=crs)


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


def run_table(plan: Plan) -> list[tuple[str, str]]:
    """How the plan was made, as pairs of key and text."""
    search, model = plan.search, plan.model
    grid = plan.terrain.elevation
    rows = [
        ("name", plan.scenario.name),
        ("caution", FULL_CAUTION),
        ("program", "lastseen"),
        ("version", __version__),
        ("schema_version", str(SCHEMA_VERSION)),
        ("seed", str(plan.scenario.seed)),
        ("crs", _crs_text(plan)),
        ("cell_m", f"{grid.cell_m:g}"),
        (
            "model",
            "bodies that slide alone, drawn from literature ranges" if model else "none: debris outline was given",
        ),
        ("strip_width_m", f"{search.strip_width_m:g}"),
        ("pattern", search.pattern),
        ("searchers", str(search.searchers)),
        ("lanes", str(len(search.lanes))),
        ("coverage", f"{search.coverage.fraction:.6f}"),
        ("uncovered_m2", f"{search.coverage.uncovered_m2:.1f}"),
        ("debris_level", f"{plan.debris.level:g}" if model else ""),
        ("poa_inside_debris", f"{model.person.inside_debris:.6f}" if model else ""),
    ]
    notes = (*plan.notes, *search.notes)
    return rows + [(f"note_{number:02d}", text) for number, text in enumerate(notes, start=1)]


def _crs_text(plan: Plan) -> str:
    crs = plan.terrain.elevation.crs
    authority = crs.to_authority()
    return f"{':'.join(authority)} {crs.name}" if authority else crs.name


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
