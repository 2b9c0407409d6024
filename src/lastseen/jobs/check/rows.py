"""Recompute every published reference value with the installed code.

The values lie in ``shared/reference/*.csv``, one row each: id, quantity, inputs (JSON), expected, tolerance (absolute),
unit, source, confidence. Each quantity has exactly one function here.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS
from shapely import box

from lastseen import rescue
from lastseen.core import Grid, InputError, LonLat, convergence_deg, parse_point, shared_folder, to_map, utm_crs
from lastseen.jobs.check import ground, practice, snow
from lastseen.jobs.practice.site import SiteRequest
from lastseen.jobs.practice.tracks import PHASES
from lastseen.jobs.practice.walked_coverage import ACROSS
from lastseen.rescue import conveyor_length_m, optimised_width_m, update_poa
from lastseen.search import declination_deg, dipole_range_m, lay_pattern, measure_coverage
from lastseen.snow import (
    REGRESSIONS,
    deposit_volume_m3,
    energy_line_runout_m,
    segment_chain,
    slope_factor,
    speed_from_rest_m_s,
    stopping_distance_m,
    terminal_speed_m_s,
    thickness_m,
    travel_angle_deg,
)
from lastseen.terrain import Curvature, curvature, derivatives, read_terrain
from lastseen.traps import deposit_depth_between_m, deposit_depth_trapezoid_m, deposit_depth_v_m, deposit_depth_wedge_m

CONFIDENCE = ("published", "published, second hand", "derived", "common practice, no source", "from memory")
# What hands back a constant as it is stored: a row of it guards the constant against its copy, and checks no work.
LOOKUPS = {
    "exercise_value",
    "practice_site_height_m",
    "practice_site_steepest_deg",
    "practice_site_width_m",
    "search_phases_with_letter",
    "slab_thickness_m",
    "start_zone_limit_deg",
}


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

    @property
    def is_guard(self) -> bool:
        """Whether it only compares a stored constant with its copy."""
        if self.quantity != "survival_percent":
            return self.quantity in LOOKUPS
        curve = rescue.find_survival_curve(self.inputs["curve"])
        return curve.kind == "classes" or self.inputs["minutes"] in curve.minutes

    @property
    def kind(self) -> str:
        """What the expected value is, in words."""
        return "derived here" if self.confidence == "derived" else self.confidence


@dataclass(frozen=True, kw_only=True)
class Outcome(Row):
    """One reference value beside what the installed code gives."""

    got: float

    @property
    def ok(self) -> bool:
        """Whether it lies within the tolerance; what could not be computed does not."""
        return bool(abs(self.got - self.expected) <= self.tolerance)

    def record(self) -> dict[str, Any]:
        """As plain values; what could not be computed is null."""
        names = ("id", "quantity", "expected", "got", "tolerance", "unit", "source", "confidence", "ok")
        plain = {name: getattr(self, name) for name in names}
        return plain | {"got": self.got if math.isfinite(self.got) else None, "kind": self.kind, "guard": self.is_guard}


def reference_rows(folder: Path | None = None) -> Iterator[Row]:
    """All reference values, file by file; InputError if a row is broken, or two rows share an id."""
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
    return [_recompute(row) for row in reference_rows(folder)]


def _recompute(row: Row) -> Outcome:
    compute = QUANTITIES.get(row.quantity)
    return Outcome(**vars(row), got=float(compute(**row.inputs)) if compute else math.nan)


# One function for each quantity: set-ups with more than a line stand in `ground`, `snow` and `practice`.

_CRS = CRS.from_epsg(32632)


def _zt(z: list[list[float]], cell_m: float) -> tuple[float, float]:
    p, q, *_ = (float(derivative[1, 1]) for derivative in derivatives(ground.make_grid(z, cell_m)))
    return math.degrees(math.atan(math.hypot(p, q))), math.degrees(math.atan2(-p, -q)) % 360.0


def _dome(radius_m: float, east_m: float, north_m: float, cell_m: float) -> Curvature:
    offset = np.arange(-2, 3) * cell_m
    x, y = east_m + offset[None, :], north_m - offset[:, None]
    return curvature(ground.make_grid(np.sqrt(radius_m**2 - x**2 - y**2), cell_m))


def _regression(regression: str, beta_deg: float) -> float:
    return next(law for law in REGRESSIONS if law.name == regression).alpha_deg(beta_deg)


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
    return float(3.6 * rescue.walking_speed_m_s(rise, off_path=off_path))


def dipole_range_ratio(phi_deg: float) -> float:
    """Range at an angle from the transmitter's axis, as a share of the best."""
    return dipole_range_m(1.0, phi_deg)


def magnetic_declination_deg(year: float, altitude_km: float, lat_deg: float, lon_deg: float) -> float:
    """Declination of the World Magnetic Model."""
    return declination_deg(lon_deg, lat_deg, 1000.0 * altitude_km, year)


def one_antenna_factor(position: str, off_deg: float) -> float:
    """Range of a one-antenna receiver: side by side against coaxial, or turned off a position against side by side."""
    angle = math.radians(off_deg)
    coupling = {"side by side": 0.5, "off parallel": math.cos(angle), "off the right angle": math.sin(angle)}
    return rescue.coupled_range_factor(coupling[position])


def survival_at(curve: str, minutes: float) -> float:
    """Published survival, per cent; NaN where there is no data."""
    found = rescue.survival_percent(rescue.find_survival_curve(curve), minutes)
    return math.nan if found is None else found


def poa_after_searches(priors: Sequence[float], pods: Sequence[float], area: int, searches: int) -> float:
    """POA of an area (from 1) after the same search of all of them was in vain so many times."""
    now = tuple(priors)
    for _ in range(searches):
        now, _ = update_poa(now, pods)
    return now[area - 1]


def found_in_search(priors: Sequence[float], pods: Sequence[float], searches: int) -> float:
    """How likely the last of so many searches finds the person when those before it were in vain."""
    now = tuple(priors)
    for _ in range(searches - 1):
        now, _ = update_poa(now, pods)
    return rescue.found_probability(now, pods)


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
    "horn_slope_deg": lambda z, cell_m: read_terrain(ground.make_grid(z, cell_m)).slope_deg.values[1, 1],
    "horn_aspect_deg": lambda z, cell_m: read_terrain(ground.make_grid(z, cell_m)).aspect_deg.values[1, 1],
    "zt_slope_deg": lambda z, cell_m: _zt(z, cell_m)[0],
    "zt_aspect_deg": lambda z, cell_m: _zt(z, cell_m)[1],
    "profile_curvature_per_m": lambda **dome: _dome(**dome).profile.values[2, 2],
    "tangential_curvature_per_m": lambda **dome: _dome(**dome).tangential.values[2, 2],
    "plan_curvature_per_m": lambda **dome: _dome(**dome).plan.values[2, 2],
    "filled_level_m": ground.filled_level_m,
    "filled_volume_m3": ground.filled_volume_m3,
    "cone_area_error": ground.cone_area_error,
    "facet_azimuth_deg": ground.facet_azimuth_deg,
    "multiple_flow_share": ground.multiple_flow_share,
    "vector_ruggedness": ground.vector_ruggedness,
    "position_of_nine_m": ground.position_of_nine_m,
    "position_on_paraboloid_m": ground.position_on_paraboloid_m,
    "openness_of_cone_deg": ground.openness_of_cone_deg,
    "openness_of_plane_deg": ground.openness_of_plane_deg,
    "slope_change_deg": ground.slope_change_deg,
    "cliff_height_m": ground.cliff_height_m,
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
    "deposit_depth_between_m": deposit_depth_between_m,
    "cliff_drop_m": ground.measured_cliff_drop_m,
    "bank_pile_up_m": ground.bank_pile_up_m,
    "gully_pile_up_m": ground.gully_pile_up_m,
    # start zones
    "start_zone_limit_deg": ground.start_zone_limit_deg,
    "start_zone_grade": ground.start_zone_grade,
    "start_zone_incident_share": ground.incident_share,
    "slab_thickness_m": thickness_m,
    # the search
    "strip_pattern_length_m": lambda **pattern: lay_pattern(**pattern).length,
    "strip_pattern_coverage": _pattern_coverage,
    "tobler_speed_km_h": _tobler,
    "din_33466_time_h": rescue.approach_time_h,
    # the flow
    "flow_dam_break_error_percent": snow.dam_break_error_percent,
    "flow_dam_site_depth_m": snow.dam_site_depth_m,
    "flow_middle_depth_m": snow.middle_depth,
    "flow_plain_incline": snow.plain_incline,
    "flow_incline_error_percent": snow.incline_error_percent,
    "flow_incline_depth_m": lambda **dam: snow.exact_incline(**dam)[0],
    "flow_incline_speed_m_s": lambda **dam: snow.exact_incline(**dam)[1],
    "flow_cap_on_slope": snow.cap_on_slope,
    "flow_thacker_error_percent": snow.thacker_error_percent,
    "flow_drop_on_flat": snow.drop_on_flat,
    "flow_terminal_speed_m_s": snow.terminal_speed_m_s,
    "flow_lake_error_m": snow.lake_level_error_m,
    "flow_gully_depth_m": snow.gully_depth_m,
    "flow_travel_angle_deg": snow.travel_angle_deg,
    "flow_level_moving_share": snow.level_moving_share,
    "flow_level_surface_excess_m": snow.level_surface_excess_m,
    "flow_wedge_runs_on": snow.wedge_runs_on,
    "flow_wedge_way_error_percent": snow.wedge_way_error_percent,
    "flow_column_excess_percent": snow.column_excess_percent,
    # the whole story
    "demo_length_inside_range": snow.demo_length_inside,
    # reading
    "preread_reach_ratio": practice.reach_ratio,
    "preread_above_top_m": practice.highest_reached_m,
    # receive range, survival, belief, probing, shovelling
    "dipole_range_factor": rescue.range_factor,
    "dipole_mean_range_factor": rescue.mean_range_factor,
    "one_antenna_range_factor": one_antenna_factor,
    "range_cdf": lambda **device: float(rescue.range_cdf(**device)),
    "range_quantile_m": rescue.range_quantile_m,
    "reach_on_snow_m": rescue.reach_on_snow_m,
    "strip_worst_case_m": rescue.worst_case_width_m,
    "strip_statistical_m": rescue.statistical_width_m,
    "strip_optimised_low_m": lambda **device: optimised_width_m(**device).low,
    "strip_optimised_high_m": lambda **device: optimised_width_m(**device).high,
    "chord_in_range_m": rescue.chord_m,
    "pulses_heard": rescue.pulses_heard,
    "fastest_for_pulses_m_s": rescue.fastest_m_s,
    "survival_percent": survival_at,
    "pod": rescue.detection_probability,
    "pod_of_passes": rescue.combine_pods,
    "poa_after_searches": poa_after_searches,
    "found_in_search": found_in_search,
    "poa_shifted": rescue.shift_poa,
    "poa_shifted_other": rescue.shift_other_poa,
    "spiral_holes": lambda **spiral: float(rescue.lay_spiral(**spiral).holes),
    "holes_for_radius": rescue.holes_for_radius,
    "holes_per_100_m2": rescue.holes_per_100_m2,
    "grid_pod": rescue.grid_pod,
    "conveyor_length_m": conveyor_length_m,
    "diggers_needed": lambda rule, depth_m, slope_deg: float(
        rescue.diggers_needed(conveyor_length_m(depth_m, slope_deg), rescue.METRES_PER_DIGGER[rule])
    ),
    "start_below_probe_m": rescue.start_below_probe_m,
    "search_height_m_h": lambda slope: float(
        3600.0 * rescue.searching_speed_m_s(slope) * abs(slope) / math.hypot(1.0, slope)
    ),
    "dipole_range_ratio": dipole_range_ratio,
    "magnetic_declination_deg": magnetic_declination_deg,
    # practising
    "site_reach_travel_angle_deg": practice.reach_travel_angle_deg,
    "practice_fill_m3": practice.paraboloid_fill_m3,
    "practice_cut_m3": practice.paraboloid_cut_m3,
    "practice_deposit_volume_m3": practice.laid_volume_m3,
    "practice_site_width_m": lambda: SiteRequest().width_m,
    "practice_site_height_m": lambda: SiteRequest().height_m,
    "practice_site_steepest_deg": lambda: SiteRequest().high_deg,
    "exercise_value": practice.exercise_value,
    "debrief_coverage_percent": practice.debrief_coverage_percent,
    "target_depth_median_m": practice.target_depth_median_m,
    "gps_error_across_ratio": lambda: ACROSS,
    "search_phases_with_letter": lambda: sum(len(phase) == 1 for phase in PHASES),
}
