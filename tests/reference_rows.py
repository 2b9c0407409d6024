"""Reads the published check values in shared/reference."""

import csv
import json

from lastseen.core.machine import shared_folder

COLUMNS = ["id", "quantity", "inputs", "expected", "tolerance", "unit", "source", "confidence"]
CONFIDENCES = {"published", "published, second hand", "derived", "common practice, no source", "from memory"}


def read_reference(name):
    """Rows of ``shared/reference/<name>.csv`` as dicts: ``inputs`` parsed, ``expected`` and ``tolerance`` as floats."""
    with (shared_folder("shared") / "reference" / f"{name}.csv").open(newline="", encoding="utf-8") as file:
        reader = csv.DictReader(file)
        rows = list(reader)
    if reader.fieldnames != COLUMNS:
        raise ValueError(f"{name}.csv has the columns {reader.fieldnames}, not {COLUMNS}")
    ids = [row["id"] for row in rows]
    if len(set(ids)) != len(ids):
        raise ValueError(f"{name}.csv has an id twice")
    for row in rows:
        if row["confidence"] not in CONFIDENCES:
            raise ValueError(f"{row['id']}: the confidence '{row['confidence']}' is not one of {sorted(CONFIDENCES)}")
        row["inputs"] = json.loads(row["inputs"])
        row["expected"], row["tolerance"] = float(row["expected"]), float(row["tolerance"])
    return rows


def check_row(row, functions):
    """Fail where the row has no function, or its value is farther from the expected one than the tolerance."""
    if row["quantity"] not in functions:
        raise AssertionError(f"{row['id']}: no function for {row['quantity']}")
    got = functions[row["quantity"]](**row["inputs"])
    if not abs(got - row["expected"]) <= row["tolerance"]:
        raise AssertionError(f"{row['id']}: got {got}, expected {row['expected']} within {row['tolerance']}")
