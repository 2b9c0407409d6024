from .coverage import measure_coverage, measure_coverage_over_time, sum_coverage
from .frame import lay_pattern
from .layout import lay_search
from .legs import declination_deg
from .plan import Entry, Leg, LegKind, SearchPlan
from .search_area import SearchOptions
from .simulation import (
    DEPTH_M,
    LEAST_RANGE_M,
    Reception,
    Targets,
    Trial,
    Way,
    bury,
    cut_into_stretches,
    dipole_range_m,
    first_signals_s,
    list_poa_places,
    survival_share,
)
from .sub_areas import (
    RANKING_FORMULA,
    SearchStep,
    SubArea,
    find_best_order,
    parse_area,
    rank_areas,
    saved_percent,
    update_areas,
)
from .surface import Lattice, Surface, lattice_spacing_m, make_lattice

__all__ = [
    "DEPTH_M",
    "LEAST_RANGE_M",
    "RANKING_FORMULA",
    "Entry",
    "Lattice",
    "Leg",
    "LegKind",
    "Reception",
    "SearchOptions",
    "SearchPlan",
    "SearchStep",
    "SubArea",
    "Surface",
    "Targets",
    "Trial",
    "Way",
    "bury",
    "cut_into_stretches",
    "declination_deg",
    "dipole_range_m",
    "find_best_order",
    "first_signals_s",
    "lattice_spacing_m",
    "lay_pattern",
    "lay_search",
    "list_poa_places",
    "make_lattice",
    "measure_coverage",
    "measure_coverage_over_time",
    "parse_area",
    "rank_areas",
    "saved_percent",
    "sum_coverage",
    "survival_share",
    "update_areas",
]
