"""A plan as one JSON document: every number, the seed, versions and checksums of the input files."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from shapely.geometry import LineString

from lastseen import __version__
from lastseen.core import WGS84, LonLat, mgrs_text, transformer, versions
from lastseen.output.caution import FULL_CAUTION
from lastseen.snow import FULLY_BURIED_M, friction_range

if TYPE_CHECKING:
    from lastseen.jobs import Model, Plan, SiteView, TrapView
    from lastseen.search import Trial
    from lastseen.snow import Range


# ---- What a plan was made from: files with their checksums

MOST_BYTES = 512 * 1024**2  # of one file: a checksum of a larger one takes longer than the plan
MOST_BYTES_OF_ALL = 2 * 1024**3


def input_files(plan: Plan | TrapView | SiteView) -> list[dict[str, Any]]:
    """Every file that was given: what for, name, size, checksum. Names only: where they lay is nobody's business."""
    scenario = plan.scenario
    files = [("elevation", sheet.path) for sheet in plan.elevation.sheets]
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


# ---- The plan as one JSON document: every number, the seed, versions and checksums of the inputs

SCHEMA_VERSION = 1
# Decimals by the unit at the end of a name: millimetres, millionths of a share, centimetres in degrees of longitude.
_DECIMALS = {"_m": 3, "_m2": 1, "_m3": 1, "_s": 1, "_m_s": 3, "_deg": 3, "_true": 2, "_magnetic": 2, "lonlat": 7}
_SHARE_DECIMALS = 6


def plan_numbers(plan: Plan) -> dict[str, Any]:
    """The plan as plain values, keys in a fixed order, nothing that is not a number.

    With an observed outline ``release``, ``model``, ``runout``, ``envelope`` and ``poa`` are None and ``zones`` and
    ``traps`` are empty.
    """
    model = plan.model
    document = {
        "schema_version": SCHEMA_VERSION,
        "program": {"name": "lastseen", "version": __version__},
        "caution": FULL_CAUTION,
        "name": plan.scenario.name,
        "inputs": input_files(plan),
        "scenario": _plain(plan.scenario),
        "seed": plan.scenario.seed,
        "versions": versions(),
        "last_seen": _last_seen(plan),
        "grid": _grid(plan),
        "release": _release(model) if model else None,
        "model": _model(plan, model) if model else None,
        "runout": {key: _range(getattr(model.runout, key)) for key in _RUNOUT} if model else None,
        "envelope": _envelope(model) if model else None,
        "debris": _debris(plan),
        "poa": _poa(model) if model else None,
        "zones": [_fields(zone, leave=("outline",)) for zone in model.zones] if model else [],
        "traps": [_fields(trap, leave=("outline", "cells", "part_of_cell")) for trap in model.traps] if model else [],
        "coverage": _coverage(plan),
        "search": _search(plan),
        "lanes": _lanes(plan),
        "route": _route(plan),
        "notes": [*plan.search.notes, *plan.notes],
    }
    found: dict[str, Any] = rounded(document)
    return found


def record(one: Any, leave: tuple[str, ...] = ()) -> dict[str, Any]:
    """The fields of a dataclass as plain rounded values."""
    found: dict[str, Any] = rounded(_fields(one, leave))
    return found


def search_numbers(plan: Plan) -> dict[str, Any]:
    """What a search over a drawn outline has to say, as plain values: the plan without what a model would add."""
    numbers = plan_numbers(plan)
    return {key: numbers[key] for key in _OF_SEARCH} | {"flat": not plan.elevation.sheets}


def numbers_text(numbers: Mapping[str, Any]) -> str:
    """The document as JSON text."""
    return json.dumps(numbers, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_numbers(numbers: Mapping[str, Any], path: Path) -> None:
    """Write ``plan.json`` or ``search.json``; the same plan gives the same bytes."""
    path.write_text(numbers_text(numbers), encoding="utf-8", newline="\n")


_OF_SEARCH = (
    "schema_version", "program", "caution", "name", "inputs", "seed", "versions", "grid", "debris", "coverage",
    "search", "lanes", "route", "notes",
)  # fmt: skip
_RUNOUT = ("travel_angle_deg", "length_m", "drop_m", "fastest_m_s", "time_s")


def _last_seen(plan: Plan) -> dict[str, Any] | None:
    if plan.place is None or plan.at_m is None:
        return None
    text = plan.place.notations()
    return {
        "lonlat": _degrees(plan.place.lon_deg, plan.place.lat_deg),
        "utm": text["utm"],
        "mgrs": text["mgrs"],
        "x_m": plan.at_m[0],
        "y_m": plan.at_m[1],
        "elevation_m": float(plan.terrain.elevation.sample(*plan.at_m)),
        "radius_m": plan.scenario.last_seen.radius_m,
    }


def _grid(plan: Plan) -> dict[str, Any]:
    grid = plan.terrain.elevation
    authority = grid.crs.to_authority()
    return {
        "crs": ":".join(authority) if authority else grid.crs.to_wkt(),
        "crs_name": grid.crs.name,
        "cell_m": grid.cell_m,
        "shape": list(grid.shape),
        "bounds_m": list(grid.bounds),
    }


def _release(model: Model) -> dict[str, Any]:
    return _fields(model.release, leave=("cells", "nominal_cells", "outline"))


def _model(plan: Plan, model: Model) -> dict[str, Any]:
    ensemble = model.ensemble
    edges, gap = ensemble.left_share()
    friction = friction_range(plan.scenario.snow)
    return {
        "name": ensemble.model,
        "reason": model.choice.reason,
        "cell_m": ensemble.lattice.cell_m,
        "friction": list(friction),
        "events": len(ensemble.members),
        "stopped_early": ensemble.stopped_early,
        "unfinished": sum(not event.finished for event in ensemble.members),
        "reached_last_seen": float(ensemble.reached.mean()),
        "left_share": {**edges, "no_data": gap},
    }


def _range(one: Range) -> dict[str, float]:
    return {"p10": one.p10, "p50": one.p50, "p90": one.p90}


def _envelope(model: Model) -> dict[str, Any]:
    one = model.envelope
    keys = ("name", "alpha_deg", "sd_deg", "distance_m", "source")
    return {
        "beta_deg": one.beta_deg,
        "beta_m": one.beta_m,
        "ends": [dict(zip(keys, end, strict=True)) for end in one.ends],
        "note": one.note,
    }


def _debris(plan: Plan) -> dict[str, Any]:
    debris = plan.debris
    volume = None
    if plan.model is not None:
        volume = _range_of(plan.model.ensemble.draws.deposit_m3)
    return {
        "area_m2": debris.area_m2,
        "level": debris.level,
        "widened": debris.widened,
        "left_share": debris.left_share,
        "volume_m3": volume,
    }


def _range_of(values: Any) -> dict[str, float]:
    p10, p50, p90 = np.quantile(values, [0.1, 0.5, 0.9])
    return {"p10": float(p10), "p50": float(p50), "p90": float(p90)}


def _poa(model: Model) -> dict[str, Any]:
    person = model.person
    return {
        "inside_debris": person.inside_debris,
        "outside_debris": 1.0 - person.inside_debris,
        "sum": float(person.poa.values.sum()),
        "carried_p50_m": person.carried_p50_m,
        "fall_p90_m": person.fall_p90_m,
        "left_share": person.left_share,
        "caught_share": person.caught_share,
        "burial": _burial(model),
    }


def _burial(model: Model) -> dict[str, Any] | None:
    """How deep; None where the model does not know it."""
    one = model.person.burial
    if one is None:
        return None
    return {
        "fully": one.fully,
        "fully_means_deeper_than_m": FULLY_BURIED_M,
        "deeper": [{"depth_m": depth, "share": share} for depth, share in one.deeper],
        "fully_p50_m": one.p50_m,
        "fully_p90_m": one.p90_m,
    }


def _coverage(plan: Plan) -> dict[str, Any]:
    one = plan.search.coverage
    return {
        "fraction": one.fraction,
        "strip_width_m": plan.search.strip_width_m,
        "area_m2": one.area_m2,
        "uncovered_m2": one.uncovered_m2,
    }


def _search(plan: Plan) -> dict[str, Any]:
    search = plan.search
    each = [
        {"searcher": k, "walk_m": search.walk_m(k), "time_s": search.time_s(k)} for k in range(1, search.searchers + 1)
    ]
    return {
        "pattern": search.pattern,
        "way": search.way,
        "second_pass": bool(search.first_lanes),
        "date": plan.scenario.search.date,
        "searchers": search.searchers,
        "total_time_s": search.total_time_s,
        "each": each,
        "declination_deg": search.declination_deg,
        "trials": [_trial(trial) for trial in search.trials],
    }


def _trial(one: Trial) -> dict[str, Any]:
    """A layout that was compared by simulated search, the chosen one first."""
    p10, p50, p90 = one.first_signal_s
    return {
        "words": one.words,
        "first_signal_s": {"p10": p10, "p50": p50, "p90": p90},
        "pod": one.pod,
        "alive": one.alive,
        "walk_m": one.walk_m,
        "slowest_s": one.slowest_s,
        "coverage": one.coverage,
    }


def _lanes(plan: Plan) -> list[dict[str, Any]]:
    first = {leg.lane: leg for leg in reversed(plan.search.legs) if leg.lane is not None}
    return [
        {
            "number": lane.number,
            "searcher": lane.searcher,
            "length_m": lane.length_m,
            "bearing_deg_true": first[lane.number].bearing_deg_true,
            "bearing_deg_magnetic": first[lane.number].bearing_deg_magnetic,
            **_ends(plan, lane.line),
        }
        for lane in plan.search.lanes
    ]


def _route(plan: Plan) -> list[dict[str, Any]]:
    return [{**_fields(leg, leave=("line",)), **_ends(plan, leg.line)} for leg in plan.search.legs]


def _ends(plan: Plan, line: LineString) -> dict[str, Any]:
    to_degrees = transformer(plan.terrain.elevation.crs, WGS84)
    ends = {}
    for key, (x, y) in (("start", line.coords[0]), ("end", line.coords[-1])):
        lon, lat = to_degrees.transform(x, y)
        ends[key] = {"lonlat": _degrees(lon, lat), "mgrs": mgrs_text(LonLat(lon, lat))}
    return ends


def _degrees(lon: float, lat: float) -> list[float]:
    return [float(lon), float(lat)]


def _fields(one: Any, leave: tuple[str, ...]) -> dict[str, Any]:
    return {field.name: _plain(getattr(one, field.name)) for field in fields(one) if field.name not in leave}


def _plain(value: Any) -> Any:
    """Plain values only; of a path its name."""
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, (tuple, list)):
        return [_plain(one) for one in value]
    return value.name if isinstance(value, Path) else value


def rounded(value: Any, key: str = "") -> Any:
    """Numbers rounded by the unit in their name or their owner's; what is not a number becomes None."""
    if isinstance(value, dict):
        return {name: rounded(one, name if _unit(name) else key) for name, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(one, key) for one in value]
    if not isinstance(value, (float, np.floating)):
        return value
    return round(float(value), _DECIMALS.get(_unit(key), _SHARE_DECIMALS)) if math.isfinite(value) else None


def _unit(name: str) -> str:
    """The longest known unit at the end of a name."""
    return max((end for end in _DECIMALS if name.endswith(end)), key=len, default="")
