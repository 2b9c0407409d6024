"""Tables as comma-separated text (RFC 4180, 2005, with lines that begin with # as comments)."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from shapely.geometry.base import BaseGeometry

from lastseen.core import WGS84, Progress, transformer
from lastseen.output.result import DEGREE_DECIMALS, FULL_CAUTION, Layer, Options, Result, Table


def write(result: Result, folder: Path, _options: Options, _progress: Progress) -> None:
    """Write each table of the result, or where it has none ``<layer>.csv`` for each layer with something in it."""
    tables = result.tables or {
        layer.name: _table_of_layer(layer, result) for layer in result.layers.values() if layer.shapes
    }
    for name, table in tables.items():
        (folder / f"{name}.csv").write_text(table_text(table), encoding="utf-8", newline="\n")


def table_text(table: Table) -> str:
    """The table as text; lines above and below the head stand as they are."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    out.writelines(f"{line}\n" for line in table.above)
    writer.writerow(table.head)
    out.writelines(f"{line}\n" for line in table.below)
    writer.writerows(table.rows)
    return out.getvalue()


def _table_of_layer(layer: Layer, result: Result) -> Table:
    to_degrees = transformer(result.crs, WGS84)

    def place(shape: BaseGeometry) -> tuple[float | None, float | None]:
        if shape.is_empty:
            return None, None
        point = shape.representative_point()
        lon, lat = to_degrees.transform(point.x, point.y)
        return round(float(lon), DEGREE_DECIMALS), round(float(lat), DEGREE_DECIMALS)

    return Table(
        above=(f"# {FULL_CAUTION}",),
        head=(*(column.name for column in layer.columns), "lon_deg", "lat_deg"),
        rows=tuple((*row, *place(shape)) for row, shape in zip(layer.plain_rows(), layer.shapes, strict=True)),
    )
