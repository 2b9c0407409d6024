"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Dem = Annotated[
    list[Path], typer.Argument(help="Elevation: any raster that GDAL reads, or several.", show_default=False)
]
ZUnit = Annotated[str | None, typer.Option("--z-unit", help="Unit of height: m, ft or us-ft; overrides the file.")]
Trees = Annotated[Path | None, typer.Option("--trees", help="Trees: areas, points, mask or crown cover, any CRS.")]
Water = Annotated[Path | None, typer.Option("--water", help="Lakes and creeks: areas, lines or raster.")]
Crevasses = Annotated[Path | None, typer.Option("--crevasses", help="Crevasses: areas, lines or raster.")]
Rocks = Annotated[Path | None, typer.Option("--rocks", help="Rocks: areas, points or raster.")]
Buildings = Annotated[Path | None, typer.Option("--buildings", help="Buildings: areas, points or raster.")]
Roads = Annotated[Path | None, typer.Option("--roads", help="Roads: lines, areas or raster.")]
NoGo = Annotated[Path | None, typer.Option("--no-go", help="Ground that nobody may search: areas.")]
Surface = Annotated[
    Path | None, typer.Option("--surface-model", help="Heights with trees: 2 m above the ground counts as trees.")
]
Out = Annotated[Path, typer.Option("-o", "--output", help="Folder to write.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace an older result in the output folder.")]
Animate = Annotated[bool, typer.Option("--animate", help="Also draw the middle event as it moves (event.gif).")]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on standard output, nothing else.")]
Quiet = Annotated[bool, typer.Option("-q", "--quiet", help="No progress, no summary.")]
Date = Annotated[str | None, typer.Option("--date", help="Day for magnetic bearings, such as 2027-01-31.")]
SecondPass = Annotated[
    bool, typer.Option("--second-pass", help="Lay the second pass: half the width, lanes midway beside the first.")
]
