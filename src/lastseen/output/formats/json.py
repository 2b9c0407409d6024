"""Numbers as plain rounded values, what all of them begin with, and the JSON document that they become."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lastseen import __version__
from lastseen.core import Grid, LonLat, Progress
from lastseen.output.result import DEGREE_DECIMALS, FULL_CAUTION, Options, Result

if TYPE_CHECKING:
    from lastseen.jobs import AreaView, LineView, Plan, SiteView, TrapView

SCHEMA_VERSION = 1
# Decimals by the unit at the end of a name: millimetres, millionths of a share, centimetres in degrees of longitude.
_DECIMALS = {"_m": 3, "_m2": 1, "_m3": 1, "_s": 1, "_m_s": 3, "_deg": 3, "_true": 2, "_magnetic": 2, "lonlat": 7}
_SHARE_DECIMALS = 6
MOST_BYTES = 512 * 1024**2  # of one file: a checksum of a larger one takes longer than the plan
MOST_BYTES_OF_ALL = 2 * 1024**3


def write(result: Result, folder: Path, _options: Options, _progress: Progress) -> None:
    """Write the numbers under the name of the marker, such as ``plan.json``."""
    name = result.marker if result.marker.endswith(".json") else f"{result.stem}.json"
    (folder / name).write_text(numbers_text(result.numbers), encoding="utf-8", newline="\n")


def numbers_text(numbers: Mapping[str, Any]) -> str:
    """The document as JSON text; the same numbers give the same text."""
    return json.dumps(numbers, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def head_numbers(name: str) -> dict[str, Any]:
    """The keys that every document begins with."""
    return {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "lastseen", "version": __version__},
        "caution": FULL_CAUTION,
        "name": name,
    }


def crs_text(crs: Any) -> str:
    """Authority and code of a CRS, or its WKT where it has none."""
    authority = crs.to_authority()
    return ":".join(authority) if authority else str(crs.to_wkt())


def grid_numbers(grid: Grid) -> dict[str, Any]:
    """CRS and lattice."""
    return lattice_numbers(grid.crs, grid.cell_m, list(grid.shape), list(grid.bounds))


def lattice_numbers(crs: Any, cell_m: float, shape: list[int], bounds_m: list[float]) -> dict[str, Any]:
    """CRS and lattice from their parts; ``shape`` is rows and columns, ``bounds_m`` west, south, east, north."""
    return {"crs": crs_text(crs), "crs_name": crs.name, "cell_m": cell_m, "shape": shape, "bounds_m": bounds_m}


def degrees_of(place: LonLat) -> list[float]:
    """Longitude and latitude to a centimetre."""
    return [round(place.lon_deg, DEGREE_DECIMALS), round(place.lat_deg, DEGREE_DECIMALS)]


def known(value: float | None) -> float | None:
    """The number, or None where it is not one."""
    return float(value) if value is not None and math.isfinite(value) else None


def input_files(job: Plan | TrapView | SiteView | LineView | AreaView) -> list[dict[str, Any]]:
    """Every file that was given: what for, name, size, checksum. Names only: where they lay is nobody's business."""
    scenario = job.scenario
    files = [("elevation", sheet.path) for sheet in job.elevation.sheets]
    files += [
        (role, path) for role, path in (("release", scenario.snow.release), ("debris", scenario.search.debris)) if path
    ]
    layers = ((field.name, getattr(scenario.ground, field.name)) for field in fields(scenario.ground))
    files += [(role, path) for role, path in layers if path]
    left = MOST_BYTES_OF_ALL
    rows = []
    for role, path in files:
        row = _described(role, path, left)
        left -= row["bytes"] if row["sha256"] else 0
        rows.append(row)
    return rows


def _described(role: str, path: Path, left: int) -> dict[str, Any]:
    row: dict[str, Any] = {"role": role, "name": path.name, "bytes": None, "sha256": None}
    try:
        row["bytes"] = path.stat().st_size
        if row["bytes"] > MOST_BYTES:
            row["note"] = "larger than 512 MB: no checksum"
        elif row["bytes"] > left:
            row["note"] = "more than 2 GB of files: no checksum"
        else:
            with path.open("rb") as file:
                row["sha256"] = hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        row["note"] = "not on this disk: no checksum"
    return row


def record(value: Any, leave: tuple[str, ...] = ()) -> dict[str, Any]:
    """The fields of a dataclass as plain rounded values, without those of ``leave``."""
    return round_numbers(plain_fields(value, leave))


def pick_fields(value: Any, names: str) -> dict[str, Any]:
    """The fields with some names, as they are."""
    return {name: getattr(value, name) for name in names.split()}


def plain_fields(value: Any, leave: tuple[str, ...] = ()) -> dict[str, Any]:
    """The fields of a dataclass as plain values, without those of ``leave``."""
    return {field.name: _plain(getattr(value, field.name)) for field in fields(value) if field.name not in leave}


def _plain(value: Any) -> Any:
    """Plain values only; of a path its name."""
    if is_dataclass(value):
        return plain_fields(value)
    if isinstance(value, dict):
        return {key: _plain(part) for key, part in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(part) for part in value]
    return value.name if isinstance(value, Path) else value


def round_numbers(document: dict[str, Any]) -> dict[str, Any]:
    """A document with its numbers `rounded`."""
    return {key: rounded(value, key if _unit(key) else "") for key, value in document.items()}


def rounded(value: Any, key: str = "") -> Any:
    """Numbers rounded by the unit in their name or their owner's; what is not a number becomes None."""
    if isinstance(value, dict):
        return {name: rounded(part, name if _unit(name) else key) for name, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(part, key) for part in value]
    if not isinstance(value, (float, np.floating)):
        return value
    return round(float(value), _DECIMALS.get(_unit(key), _SHARE_DECIMALS)) if math.isfinite(value) else None


def _unit(name: str) -> str:
    return max((end for end in _DECIMALS if name.endswith(end)), key=len, default="")
