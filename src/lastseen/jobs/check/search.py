"""What the reference rows of search and rescue ask for: one function for each quantity."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from lastseen.rescue import (
    METRES_PER_DIGGER,
    BodyShape,
    DetectionLaw,
    chord_m,
    combine_pods,
    conveyor_length_m,
    coupled_range_factor,
    detection_probability,
    diggers_needed,
    fastest_m_s,
    find_survival_curve,
    found_probability,
    grid_pod,
    holes_for_radius,
    holes_per_100_m2,
    lay_spiral,
    mean_range_factor,
    optimised_width_m,
    pulses_heard,
    range_cdf,
    range_factor,
    range_quantile_m,
    reach_on_snow_m,
    searching_speed_m_s,
    shift_other_poa,
    shift_poa,
    start_below_probe_m,
    statistical_width_m,
    survival_percent,
    update_poa,
    worst_case_width_m,
)
from lastseen.search import declination_deg, dipole_range_m, survival_share

# ---- Reference quantities of the search: one function for each


def falk_1994_percent(minutes: float) -> float:
    """Survival of fully buried people after some minutes, per cent."""
    return float(100.0 * survival_share(np.array([minutes]))[0])


def dipole_range_ratio(phi_deg: float) -> float:
    """Range at an angle from the transmitter's axis, as a share of the best."""
    return dipole_range_m(1.0, phi_deg)


def magnetic_declination_deg(year: float, altitude_km: float, lat_deg: float, lon_deg: float) -> float:
    """Declination of the World Magnetic Model."""
    return declination_deg(lon_deg, lat_deg, 1000.0 * altitude_km, year)


SEARCH_QUANTITIES: dict[str, Callable[..., float]] = {
    "search_height_m_h": lambda slope: float(3600.0 * searching_speed_m_s(slope) * abs(slope) / math.hypot(1.0, slope)),
    "search_survival_falk_1994_percent": falk_1994_percent,
    "dipole_range_ratio": dipole_range_ratio,
    "magnetic_declination_deg": magnetic_declination_deg,
}


# ---- What the reference rows of receive range, survival, detection, probing and shovelling ask for


def one_antenna_factor(position: str, off_deg: float) -> float:
    """Range of a one-antenna receiver: side by side against coaxial, or turned off a position against side by side."""
    angle = math.radians(off_deg)
    coupling = {"side by side": 0.5, "off parallel": math.cos(angle), "off the right angle": math.sin(angle)}
    return coupled_range_factor(coupling[position])


def survival_at(curve: str, minutes: float) -> float:
    """Published survival, per cent; NaN where there is no data."""
    found = survival_percent(find_survival_curve(curve), minutes)
    return math.nan if found is None else found


def posterior(priors: Sequence[float], pods: Sequence[float], area: int, searches: int) -> float:
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
    return found_probability(now, pods)


def _pod(coverage: float, law: DetectionLaw) -> float:
    return detection_probability(coverage, law)


def _grid_pod(across_m: float, along_m: float, shape: BodyShape) -> float:
    return grid_pod(across_m, along_m, shape)


RESCUE_QUANTITIES: dict[str, Callable[..., float]] = {
    "dipole_range_factor": range_factor,
    "dipole_mean_range_factor": mean_range_factor,
    "one_antenna_range_factor": one_antenna_factor,
    "range_cdf": lambda **device: float(range_cdf(**device)),
    "range_quantile_m": range_quantile_m,
    "reach_on_snow_m": reach_on_snow_m,
    "strip_worst_case_m": worst_case_width_m,
    "strip_statistical_m": statistical_width_m,
    "strip_optimised_low_m": lambda **device: optimised_width_m(**device).low,
    "strip_optimised_high_m": lambda **device: optimised_width_m(**device).high,
    "chord_in_range_m": chord_m,
    "pulses_heard": pulses_heard,
    "fastest_for_pulses_m_s": fastest_m_s,
    "survival_percent": survival_at,
    "pod": _pod,
    "pod_of_passes": combine_pods,
    "poa_after_searches": posterior,
    "found_in_search": found_in_search,
    "poa_shifted": shift_poa,
    "poa_shifted_other": shift_other_poa,
    "spiral_holes": lambda **spiral: float(lay_spiral(**spiral).holes),
    "holes_for_radius": holes_for_radius,
    "holes_per_100_m2": holes_per_100_m2,
    "grid_pod": _grid_pod,
    "conveyor_length_m": conveyor_length_m,
    "diggers_needed": lambda rule, depth_m, slope_deg: float(
        diggers_needed(conveyor_length_m(depth_m, slope_deg), METRES_PER_DIGGER[rule])
    ),
    "start_below_probe_m": start_below_probe_m,
}
