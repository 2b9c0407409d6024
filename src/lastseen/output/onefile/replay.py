"""The replay: one page with the clock that opens from disk, without any network."""

from __future__ import annotations

import base64
import html
import io
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lastseen import __version__
from lastseen.core import FloatArray, Grid
from lastseen.jobs import Debrief, Searcher
from lastseen.output.draw.palette import load_palette
from lastseen.output.draw.relief import drawn_lattice, relief
from lastseen.output.onefile.elements import script
from lastseen.output.result import FULL_CAUTION, SHORT_CAUTION
from lastseen.rescue import survival_bounds_percent

HERE = Path(__file__).resolve().parent
MOST_POINTS = 4000  # of one track
MOST_CELLS = 40_000  # of the coverage
RELIEF_PIXELS = 700
AROUND = 0.06  # of the longer side, left free


def write_replay(debrief: Debrief, path: Path) -> None:
    """Write the page; the same debrief gives the same bytes."""
    data = json.dumps(replay_data(debrief), ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    page = (HERE / "replay.html").read_text(encoding="utf-8")
    parts = {
        "TITLE": html.escape(f"Debrief: {debrief.plan.name}"),
        "CAUTION": html.escape(FULL_CAUTION),
        "VERSION": html.escape(f"lastseen {__version__}"),
        "SCRIPT": script("replay.js"),
        "DATA": data.replace("<", "\\u003c"),
    }
    for key, text in parts.items():
        page = page.replace(f"<!--{key}-->", text)
    path.write_text(page, encoding="utf-8", newline="\n")


def replay_data(debrief: Debrief) -> dict[str, Any]:
    """What the page shows, as plain values; metres from the lower left corner of the view, seconds on the clock."""
    plan, palette = debrief.plan, load_palette()
    west, south, east, north = _view(debrief)
    origin = np.array([west, south])
    ends = [float(searcher.time_s[-1]) - debrief.zero_s for searcher in debrief.searchers if searcher.track.timed]
    last = max(ends, default=0.0)
    noted: list[dict[str, Any]] = [
        {"s": round(phase.ended_s, 1), "words": f"{name}: {phase.letter} {phase.name} ended {phase.target}".strip()}
        for name, phases in ((searcher.track.name, searcher.phases) for searcher in debrief.searchers)
        for phase in phases
    ]
    return {
        "name": plan.name,
        "caution": SHORT_CAUTION,
        "size_m": [round(east - west, 1), round(north - south, 1)],
        "end_s": round(max(1.0, last, *(event["s"] for event in noted)), 1),
        "timed": debrief.timed,
        "strip_m": plan.strip_width_m,
        "verdict": debrief.radii.verdict,
        "relief": None if plan.flat else _relief_png(plan.ground, (west, south, east, north)),
        "outline": _rings(plan.outline, origin),
        "lanes": [{"n": n, "xy": _flat(shapely.get_coordinates(line), origin)} for n, line in plan.lanes().items()],
        "tracks": [_track(debrief, searcher, origin) for searcher in debrief.searchers],
        "cover": _cover(debrief, origin),
        "targets": [
            {"name": target.name, "what": target.what, "xy": _flat(np.array([[target.x_m, target.y_m]]), origin)}
            for target in debrief.targets
        ],
        "noted": sorted(noted, key=lambda event: event["s"]),
        "survival": _survival(debrief, last),
        "curve": debrief.clock.curve.name,
        "ink": {
            "sure": palette.debris.ramp[3], "recorded": palette.debris.ramp[1], "outline": palette.debris.outline,
            "person": palette.person.line, "text": palette.ground.text, "paper": palette.ground.paper,
            "faint": palette.ground.faint_text, "dashes": [list(dash) for dash in palette.lanes.dashes],
        },
    }  # fmt: skip


def _view(debrief: Debrief) -> tuple[float, float, float, float]:
    """Outline and what was walked within two strips of it."""
    near = shapely.buffer(debrief.plan.outline, 2.0 * debrief.plan.strip_width_m)
    walks = [searcher.xyz_m[:, :2] for searcher in debrief.searchers]
    corners = np.reshape(debrief.plan.outline.bounds, (2, 2))
    points = np.concatenate([corners, *(xy[shapely.contains_xy(near, xy)] for xy in walks)])
    low, high = points.min(axis=0), points.max(axis=0)
    rim = AROUND * float((high - low).max())
    west, south = (low - rim).tolist()
    east, north = (high + rim).tolist()
    return west, south, east, north


def _relief_png(ground: Grid, view: tuple[float, float, float, float]) -> str:
    from PIL import Image  # noqa: PLC0415  slow to import

    metres_per_pixel = max(view[2] - view[0], view[3] - view[1]) / RELIEF_PIXELS
    shade = relief(drawn_lattice(ground, view, metres_per_pixel / 0.3))
    grey = np.where(np.isfinite(shade), 143.0 + 112.0 * np.clip(shade / 0.95, 0.0, 1.0), 255.0).astype(np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(grey).save(buffer, "PNG", optimize=True)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _rings(area: BaseGeometry, origin: FloatArray) -> list[list[float]]:
    return [_flat(shapely.get_coordinates(ring), origin) for ring in shapely.get_rings(shapely.get_parts(area))]


def _flat(xy: FloatArray, origin: FloatArray) -> list[float]:
    """x, y, x, y ... to a decimetre."""
    moved: list[float] = np.round(np.asarray(xy, float)[:, :2] - origin, 1).ravel().tolist()
    return moved


def _track(debrief: Debrief, searcher: Searcher, origin: FloatArray) -> dict[str, Any]:
    """Points and times of a track, thinned; a gap begins a new part."""
    track = searcher.track
    at = np.linspace(0, track.x_m.size - 1, min(MOST_POINTS, track.x_m.size)).round().astype(np.int64)
    ends = np.flatnonzero(np.diff(track.run) != 0)
    keep = np.unique(np.concatenate([at, ends, ends + 1]))
    xy = _flat(np.column_stack([track.x_m[keep], track.y_m[keep]]), origin)
    times = np.round(track.time_s[keep] - debrief.zero_s, 1).tolist() if track.timed else None
    return {"name": track.name, "n": searcher.number, "xy": xy, "t": times, "run": track.run[keep].tolist()}


def _cover(debrief: Debrief, origin: FloatArray) -> dict[str, Any]:
    """Samples with the times at which the team first covered them as recorded and surely; -1 is never."""
    lattice = debrief.lattice
    step = max(1, math.ceil(math.sqrt(lattice.row.size / MOST_CELLS)))
    kept = (lattice.row % step == 0) & (lattice.col % step == 0)
    x, y = lattice.x_m[kept] - origin[0], lattice.y_m[kept] - origin[1]
    times = {}
    for key, row in (("recorded", 1), ("sure", 0)):
        first = debrief.team_s[row][kept]
        since = first - debrief.zero_s if debrief.timed else np.zeros_like(first)
        times[key] = np.where(np.isfinite(first), np.round(since), -1.0).astype(int).tolist()
    return {
        "cell_m": round(step * lattice.spacing_m, 3),
        "x": np.round(x, 1).tolist(),
        "y": np.round(y, 1).tolist(),
        "w": np.round(lattice.weight_m2[kept] / lattice.weight_m2[kept].sum(), 8).tolist(),
        **times,
    }


def _survival(debrief: Debrief, last_s: float) -> list[list[float]]:
    """Minutes, least and greatest survival, every half minute."""
    minutes = np.arange(0.0, max(last_s, 60.0) / 60.0 + 1.0, 0.5)
    return [[m, *(round(v, 1) for v in survival_bounds_percent(debrief.clock.curve, m))] for m in minutes.tolist()]
