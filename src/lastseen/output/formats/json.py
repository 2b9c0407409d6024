"""All numbers of a result as one JSON document."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lastseen.core import Progress
from lastseen.output.result import Options, Result


def write(result: Result, folder: Path, _options: Options, _progress: Progress) -> None:
    """Write the numbers under the name of the marker, such as ``plan.json``."""
    name = result.marker if result.marker.endswith(".json") else f"{result.stem}.json"
    (folder / name).write_text(numbers_text(result.numbers), encoding="utf-8", newline="\n")


def numbers_text(numbers: Mapping[str, Any]) -> str:
    """The document as JSON text; the same numbers give the same text."""
    return json.dumps(numbers, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
