"""Recompute every published reference value with the installed code.

The values lie in ``shared/reference/*.csv``, one row each: id, quantity, inputs (JSON), expected, tolerance (absolute),
unit, source, confidence. Each quantity has exactly one function here.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS
from shapely import box

from lastseen.core import Grid, InputError, LonLat, convergence_deg, parse_point, shared_folder, to_map, utm_crs
from lastseen.jobs.check import ground, practice, snow
from lastseen.jobs.check import search as craft_proofs
from lastseen.jobs.check import search as search_proofs
from lastseen.rescue import approach_time_h, walking_speed_m_s
from lastseen.search import lay_pattern, measure_coverage
from lastseen.snow import (
    REGRESSIONS,
    deposit_volume_m3,
    energy_line_runout_m,
    segment_chain,
    slope_factor,
    speed_from_rest_m_s,
    stopping_distance_m,
    terminal_speed_m_s,
    travel_angle_deg,
)
from lastseen.terrain import Curvature, curvature, derivatives, read_terrain
from lastseen.traps import deposit_depth_trapezoid_m, deposit_depth_v_m, deposit_depth_wedge_m

CONFIDENCE = ("published", "derived", "common practice, no source", "from memory")


@dataclass(frozen=True, kw_only=True)
class Row:
    """One reference value as published."""

    id: str
    quantity: str
    inputs: dict[str, Any]
    expected: float
    tolerance: float
    unit: str
    source: str
    confidence: str


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One reference value beside what the installed code gives."""

    id: str
    quantity: str
    expected: float
    got: float
    tolerance: float
    unit: str
    source: str
    confidence: str
    ok: bool

    def record(self) -> dict[str, Any]:
        """As plain values; what could not be computed is null."""
        plain = asdict(self)
        plain["got"] = self.got if math.isfinite(self.got) else None
        return plain


def reference_rows(folder: Path | None = None) -> Iterator[Row]:
    """All reference values, file by file.

    Raises
    ------
    InputError
        If a row is broken, or two rows share an id.
    """
    seen: set[str] = set()
    for path in sorted((folder or shared_folder("shared") / "reference").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            for number, raw in enumerate(csv.DictReader(file), start=2):
                try:
                    row = Row(
                        id=raw["id"],
                        quantity=raw["quantity"],
                        inputs=json.loads(raw["inputs"]),
                        expected=float(raw["expected"]),
                        tolerance=float(raw["tolerance"]),
                        unit=raw["unit"],
                        source=raw["source"],
                        confidence=raw["confidence"],
                    )
                except (KeyError, TypeError, ValueError) as error:
                    raise InputError(f"{path.name}, line {number}: not a reference row ({error})") from error
                if row.id in seen or row.confidence not in CONFIDENCE or not row.source:
                    raise InputError(f"{path.name}, line {number}: id used twice, unknown confidence or no source")
                seen.add(row.id)
                yield row


def run_checks(folder: Path | None = None) -> list[Outcome]:
    """Recompute all rows; a quantity without a function counts as failed."""
    return [_outcome(row) for row in reference_rows(folder)]


def _outcome(row: Row) -> Outcome:
    compute = QUANTITIES.get(row.quantity)
    got = float(compute(**row.inputs)) if compute else math.nan
    ok = bool(abs(got - row.expected) <= row.tolerance)
    return Outcome(
        id=row.id,
        quantity=row.quantity,
        expected=row.expected,
        got=got,
        tolerance=row.tolerance,
        unit=row.unit,
        source=row.source,
        confidence=row.confidence,
        ok=ok,
    )


# ---- one function for each quantity ---------------------------------------------------------------------------------

_CRS = CRS.from_epsg(32632)


def _nine(z: list[list[float]], cell_m: float) -> Grid:
    return Grid(np.array(z, float), 0.0, 3.0 * cell_m, cell_m, _CRS)


def _zt(z: list[list[float]], cell_m: float) -> tuple[float, float]:
    p, q, *_ = (float(derivative[1, 1]) for derivative in derivatives(_nine(z, cell_m)))
    return math.degrees(math.atan(math.hypot(p, q))), math.degrees(math.atan2(-p, -q)) % 360.0


def _dome(radius_m: float, east_m: float, north_m: float, cell_m: float) -> Curvature:
    offset = np.arange(-2, 3) * cell_m
    x, y = east_m + offset[None, :], north_m - offset[:, None]
    return curvature(Grid(np.sqrt(radius_m**2 - x**2 - y**2), 0.0, 5.0 * cell_m, cell_m, _CRS))


def _regression(regression: str, beta_deg: float) -> float:
    return next(one for one in REGRESSIONS if one.name == regression).alpha_deg(beta_deg)


def _segments(friction: float, mass_to_drag_m: float, segments: list[list[float]]) -> tuple[list[float], float]:
    return segment_chain(friction, mass_to_drag_m, [(slope, length) for slope, length in segments])


def _utm(lon_deg: float, lat_deg: float) -> tuple[float, float]:
    point = LonLat(lon_deg, lat_deg)
    return to_map(point, utm_crs(point))


def _datum_shift_m(lon_deg: float, lat_deg: float, epsg: int, other_epsg: int) -> float:
    point = LonLat(lon_deg, lat_deg)
    return math.dist(*(to_map(point, CRS.from_epsg(code)) for code in (epsg, other_epsg)))


def _pattern_coverage(width_m: float, length_m: float, strip_width_m: float, pattern: Any, inset_m: float) -> float:
    flat = Grid(np.zeros((int(length_m) + 40, int(width_m) + 40)), -20.0, length_m + 20.0, 1.0, _CRS)
    walk = lay_pattern(width_m, length_m, strip_width_m, pattern, inset_m)
    field = box(0.0, 0.0, width_m, length_m)
    return 100.0 * measure_coverage(field, [walk], flat, 0.5 * strip_width_m).fraction


def _tobler(slope: float | None = None, slope_deg: float = 0.0, *, off_path: bool) -> float:
    rise = math.tan(math.radians(slope_deg)) if slope is None else slope
    return float(3.6 * walking_speed_m_s(rise, off_path=off_path))


QUANTITIES: dict[str, Callable[..., float]] = {
    # places
    "utm_east_m": lambda **point: _utm(**point)[0],
    "utm_north_m": lambda **point: _utm(**point)[1],
    "utm_text_lon_deg": lambda text: parse_point(text).lon_deg,
    "utm_text_lat_deg": lambda text: parse_point(text).lat_deg,
    "mgrs_text_lon_deg": lambda text: parse_point(text).lon_deg,
    "mgrs_text_lat_deg": lambda text: parse_point(text).lat_deg,
    "grid_convergence_deg": lambda epsg, **point: convergence_deg(CRS.from_epsg(epsg), LonLat(**point)),
    "datum_shift_m": _datum_shift_m,
    # the ground
    "horn_slope_deg": lambda z, cell_m: read_terrain(_nine(z, cell_m)).slope_deg.values[1, 1],
    "horn_aspect_deg": lambda z, cell_m: read_terrain(_nine(z, cell_m)).aspect_deg.values[1, 1],
    "zt_slope_deg": lambda z, cell_m: _zt(z, cell_m)[0],
    "zt_aspect_deg": lambda z, cell_m: _zt(z, cell_m)[1],
    "profile_curvature_per_m": lambda **dome: _dome(**dome).profile.values[2, 2],
    "tangential_curvature_per_m": lambda **dome: _dome(**dome).tangential.values[2, 2],
    "plan_curvature_per_m": lambda **dome: _dome(**dome).plan.values[2, 2],
    **ground.GROUND_QUANTITIES,
    # the release
    "salm_slope_factor": slope_factor,
    "deposit_volume_m3": deposit_volume_m3,
    # motion
    "energy_line_runout_m": energy_line_runout_m,
    "body_runout_on_flat_m": snow.runout_on_flat_m,
    "travel_angle_deg": travel_angle_deg,
    "body_speed_on_arc_m_s": snow.speed_on_arc_m_s,
    "terminal_speed_m_s": terminal_speed_m_s,
    "body_cruising_speed_m_s": snow.cruising_speed_m_s,
    "speed_from_rest_m_s": speed_from_rest_m_s,
    "stopping_distance_m": stopping_distance_m,
    "body_braking_distance_m": snow.braking_distance_m,
    "segment_chain_total_m": lambda **chain: _segments(**chain)[1],
    "segment_chain_speed_m_s": lambda segment, **chain: _segments(**chain)[0][segment - 1],
    "body_segment_speed_m_s": snow.speed_after_segment_m_s,
    "body_cross_slope_down_m": lambda **push: snow.cross_slope_place_m(**push)[0],
    "body_cross_slope_across_m": lambda **push: snow.cross_slope_place_m(**push)[1],
    "alpha_deg": _regression,
    # terrain traps
    "deposit_depth_v_m": deposit_depth_v_m,
    "deposit_depth_trapezoid_m": deposit_depth_trapezoid_m,
    "deposit_depth_wedge_m": deposit_depth_wedge_m,
    **ground.TRAP_QUANTITIES,
    **ground.START_ZONE_QUANTITIES,
    # the search
    "strip_pattern_length_m": lambda **pattern: lay_pattern(**pattern).length,
    "strip_pattern_coverage": _pattern_coverage,
    "tobler_speed_km_h": _tobler,
    "din_33466_time_h": approach_time_h,
    # the flow
    **snow.FLOW_QUANTITIES,
    # the whole story
    **snow.LENGTH_QUANTITIES,
    **practice.READING_QUANTITIES,
    **craft_proofs.RESCUE_QUANTITIES,
    **search_proofs.SEARCH_QUANTITIES,
    # practising
    **practice.PRACTICE_QUANTITIES,
}
