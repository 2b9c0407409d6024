"""What a plan was made from: files with their checksums."""

from __future__ import annotations

import hashlib
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from lastseen.drill.sites.view import SiteView
    from lastseen.plan import Plan
    from lastseen.trapview import TrapView

MOST_BYTES = 512 * 1024**2  # of one file: a checksum of a larger one takes longer than the plan
MOST_BYTES_OF_ALL = 2 * 1024**3


def input_files(plan: Plan | TrapView | SiteView) -> list[dict[str, Any]]:
    """Every file that was given: what for, name, size, checksum. Names only: where they lay is nobody's business."""
    scenario = plan.scenario
    files = [("elevation", sheet.path) for sheet in plan.elevation.sheets]
    files += [
        (role, path) for role, path in (("release", scenario.snow.release), ("debris", scenario.search.debris)) if path
    ]
    layers = ((one.name, getattr(scenario.ground, one.name)) for one in fields(scenario.ground))
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
