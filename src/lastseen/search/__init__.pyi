from .belief import RANKING_FORMULA, Ranked, SubArea, after_search, best_order, parse_area, ranked, saved_percent
from .coverage import Walked, covered_so_far, measure_coverage, summed_up
from .frame import strip_pattern
from .layout import lay_out, lay_pass
from .legs import declination_deg
from .search_plan import Entry, Kind, Leg, SearchPlan
from .simulation import (
    DEPTH_M,
    LEAST_RANGE_M,
    Reception,
    Targets,
    Trial,
    dipole_range_m,
    falk_1994,
    first_signals_s,
    poa_places,
    stretches_of,
)
from .surface import Lattice, Surface, lattice_over, lattice_spacing_m
from .walk_clock import WalkedLeg, clock_of_legs, one_walk

__all__ = [
    "DEPTH_M",
    "LEAST_RANGE_M",
    "RANKING_FORMULA",
    "Entry",
    "Kind",
    "Lattice",
    "Leg",
    "Ranked",
    "Reception",
    "SearchPlan",
    "SubArea",
    "Surface",
    "Targets",
    "Trial",
    "Walked",
    "WalkedLeg",
    "after_search",
    "best_order",
    "clock_of_legs",
    "covered_so_far",
    "declination_deg",
    "dipole_range_m",
    "falk_1994",
    "first_signals_s",
    "lattice_over",
    "lattice_spacing_m",
    "lay_out",
    "lay_pass",
    "measure_coverage",
    "one_walk",
    "parse_area",
    "poa_places",
    "ranked",
    "saved_percent",
    "stretches_of",
    "strip_pattern",
    "summed_up",
]
