"""The plan as one GeoPackage: a layer per thing with its style, and a table that says how it was made."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from lastseen import __version__
from lastseen.output.caution import FULL_CAUTION, SHORT_CAUTION
from lastseen.output.draw.palette import load_palette
from lastseen.output.formats.styles import LayerStyle, layer_styles, qml_text, sld_text
from lastseen.output.layers import Layer
from lastseen.output.numbers import SCHEMA_VERSION
from lastseen.output.result import SEARCH_LAYERS, Result

# The format wants a date of change; a fixed one keeps the same plan the same bytes.
FIXED_DATE = "2000-01-01T00:00:00Z"
_TYPES: dict[str, Any] = {"text": "str", "real": "float64", "integer": "Int64"}


def write_geopackage(result: Result, path: Path) -> None:
    """Write the layers of a plan, their styles and the table ``run``; the same plan gives the same bytes.

    A search over a drawn outline has only the layers that it has something to say in.

    Parameters
    ----------
    result : Result
    path : Path
    """
    chosen = [layer for layer in result.layers.values() if result.is_plan or layer.name in SEARCH_LAYERS]
    styles = layer_styles(load_palette(), int(result.numbers["search"]["searchers"]))
    write_layers(path, chosen, result.crs, run_table(result.numbers), to=result.file_crs, styles=styles)


def write_layers(
    path: Path,
    layers: Iterable[Layer],
    crs: Any,
    run: list[tuple[str, str]],
    *,
    to: Any = None,
    styles: Mapping[str, LayerStyle] | None = None,
) -> None:
    """Write layers, brought into the CRS ``to`` where given, their styles, and the table ``run``.

    Same input, same bytes.
    """
    import pandas as pd  # noqa: PLC0415  slow to import
    import pyogrio  # noqa: PLC0415  slow to import

    written = list(layers)
    # Nothing waits for the disk: the folder takes its name only when all of it is written.
    with _gdal_options({"OGR_CURRENT_DATE": FIXED_DATE, "OGR_SQLITE_SYNCHRONOUS": "OFF"}):
        for layer in written:
            frame = layer_table(layer, crs)
            pyogrio.write_dataframe(
                frame if to is None or to == crs else frame.to_crs(to),
                path,
                layer=layer.name,
                driver="GPKG",
                geometry_type=layer.geometry,
                append=path.exists(),
                layer_options={"IDENTIFIER": layer.title, "DESCRIPTION": f"{layer.about} {SHORT_CAUTION}"},
            )
        table = pd.DataFrame(run, columns=["key", "value"], dtype="str")
        _write_table(table, path, "run", "How it was made: inputs, seed, versions, notes")
        if styles:
            _write_table(_style_table(written, styles), path, "layer_styles", "How a GIS draws the layers", FID="id")


def _write_table(table: Any, path: Path, name: str, about: str, **options: str) -> None:
    """A table without places; registered in ``gpkg_contents`` as attributes."""
    import pyogrio  # noqa: PLC0415  slow to import

    more = {"IDENTIFIER": name, "DESCRIPTION": about, **options}
    pyogrio.write_dataframe(table, path, layer=name, driver="GPKG", append=True, layer_options=more)


def _style_table(layers: Iterable[Layer], styles: Mapping[str, LayerStyle]) -> Any:
    """The table in which a desktop GIS looks for the style of each layer; column names are its own."""
    import pandas as pd  # noqa: PLC0415  slow to import

    rows = [
        {
            "f_table_catalog": "",
            "f_table_schema": "",
            "f_table_name": layer.name,
            "f_geometry_column": "geom",
            "styleName": layer.title,
            "styleQML": qml_text(styles[layer.name], layer.geometry),
            "styleSLD": sld_text(styles[layer.name], layer.name, layer.geometry),
            "useAsDefault": True,
            "description": f"{layer.title}, from the palette of lastseen",
            "owner": "",
            "ui": None,
            "update_time": pd.Timestamp(FIXED_DATE),
        }
        for layer in layers
        if layer.name in styles
    ]
    return pd.DataFrame(rows).astype({"ui": "str"})


def run_rows(name: str, notes: Iterable[str] = (), **more: object) -> list[tuple[str, str]]:
    """How a result was made, as pairs of key and text: what every file says, then ``more``, then the notes."""
    always = {"caution": FULL_CAUTION, "program": "lastseen", "version": __version__, "schema_version": SCHEMA_VERSION}
    rows = [("name", name), *((key, str(value)) for key, value in {**always, **more}.items())]
    return rows + [(f"note_{number:02d}", text) for number, text in enumerate(notes, start=1)]


def run_table(numbers: Mapping[str, Any]) -> list[tuple[str, str]]:
    """How the plan was made, as pairs of key and text."""
    model, search, debris = numbers.get("model"), numbers["search"], numbers.get("debris")
    more = {
        "version": numbers["program"]["version"],
        "schema_version": numbers["schema_version"],
        "seed": numbers["seed"],
        **{f"version_{name}": version for name, version in numbers["versions"].items()},
        **{f"input_{number['role']}": f"{number['name']}, sha256 {number['sha256']}" for number in numbers["inputs"]},
        "crs": numbers["grid"]["crs_name"],
        "cell_m": f"{numbers['grid']['cell_m']:g}",
        "model": model["name"] if model else "none: the debris outline was given",
        "strip_width_m": f"{numbers['coverage']['strip_width_m']:g}",
        "pattern": search["pattern"],
        "searchers": search["searchers"],
        "lanes": len(numbers["lanes"]),
        "coverage": f"{numbers['coverage']['fraction']:.6f}",
        "uncovered_m2": f"{numbers['coverage']['uncovered_m2']:.1f}",
        "debris_level": f"{debris['level']:g}" if model and debris else "",
        "poa_inside_debris": f"{numbers['poa']['inside_debris']:.6f}" if model else "",
    }
    return run_rows(numbers["name"], numbers["notes"], **more)


def layer_table(layer: Layer, crs: Any) -> Any:
    """A layer as a data frame with typed columns, also where it has no rows."""
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
