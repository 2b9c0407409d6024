"""Layers as GeoParquet 1.1 (OGC, 2024), one file each; needs the extra ``parquet``."""

from __future__ import annotations

import importlib.util
from pathlib import Path

from lastseen import __version__
from lastseen.core import InputError, Progress, parse_crs
from lastseen.output.formats.gpkg import layer_table
from lastseen.output.result import FULL_CAUTION, Options, Result


def write(result: Result, folder: Path, _options: Options, _progress: Progress) -> None:
    """Write ``<layer>.parquet`` for each layer that has something in it; the same result gives the same bytes.

    InputError where the library for the format is not installed.
    """
    if importlib.util.find_spec("pyarrow") is None:
        raise InputError('GeoParquet needs one more library: install it with pip install "lastseen[parquet]"')
    from pyarrow import parquet  # noqa: PLC0415  slow to import

    named = result.numbers.get("grid", {}).get("crs")  # as it is named: one CRS can be worded in many ways
    crs = parse_crs(named) if named else result.crs
    for layer in result.layers.values():
        if not layer.shapes:
            continue
        path = folder / f"{layer.name}.parquet"
        layer_table(layer, crs).to_parquet(path, index=False, schema_version="1.1.0")
        table = parquet.read_table(path)
        about = {"title": layer.title, "about": layer.about, "caution": FULL_CAUTION, "software": __version__}
        parquet.write_table(table.replace_schema_metadata({**(table.schema.metadata or {}), **about}), path)
