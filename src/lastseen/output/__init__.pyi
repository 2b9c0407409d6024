from .console import (
    area_summary,
    areas_text,
    check_table,
    clock_text,
    debrief_text,
    deposit_text,
    dig_text,
    exercises_text,
    line_summary,
    plan_summary,
    probe_text,
    range_text,
    sites_text,
    targets_text,
    trap_table,
)
from .draw.figures import write_clock_figure, write_range_figure
from .draw.palette import load_palette
from .formats.json import numbers_text
from .onefile.elements import CLOCK_SCRIPT
from .read import (
    read_debris,
    read_numbers,
    read_planned,
    read_reach,
    read_result,
    read_site,
    read_targets,
    read_walk,
)
from .result import FULL_CAUTION, MARKERS, SHORT_CAUTION, Device, Layer, Options, Paper, Result
from .results.ground import result_of_area, result_of_line, result_of_terrain, result_of_traps
from .results.numbers import known
from .results.plan import result_of_plan, result_of_search
from .results.plan_layers import search_layers
from .results.practice import result_of_debrief, result_of_deposit, result_of_sites, result_of_targets
from .write import add_formats, new_folder, refuse_existing, write_result

__all__ = [
    "CLOCK_SCRIPT",
    "FULL_CAUTION",
    "MARKERS",
    "SHORT_CAUTION",
    "Device",
    "Layer",
    "Options",
    "Paper",
    "Result",
    "add_formats",
    "area_summary",
    "areas_text",
    "check_table",
    "clock_text",
    "debrief_text",
    "deposit_text",
    "dig_text",
    "exercises_text",
    "known",
    "line_summary",
    "load_palette",
    "new_folder",
    "numbers_text",
    "plan_summary",
    "probe_text",
    "range_text",
    "read_debris",
    "read_numbers",
    "read_planned",
    "read_reach",
    "read_result",
    "read_site",
    "read_targets",
    "read_walk",
    "refuse_existing",
    "result_of_area",
    "result_of_debrief",
    "result_of_deposit",
    "result_of_line",
    "result_of_plan",
    "result_of_search",
    "result_of_sites",
    "result_of_targets",
    "result_of_terrain",
    "result_of_traps",
    "search_layers",
    "sites_text",
    "targets_text",
    "trap_table",
    "write_clock_figure",
    "write_range_figure",
    "write_result",
]
