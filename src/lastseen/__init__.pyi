from .core.errors import InputError, LastseenError, NothingFoundError, OutputExistsError, ResourceError
from .core.grid import Grid
from .core.place import LonLat, parse_point
from .core.scenario import Ground, LastSeen, Scenario, Search, Snow, read_scenario
from .jobs.plan import Plan, make_plan
from .jobs.practice.debrief import Debrief
from .jobs.practice.deposit import PracticeDeposit
from .jobs.practice.drill import PlannedSearch
from .jobs.practice.site import SiteRequest
from .jobs.practice.sites import SiteView
from .jobs.practice.targets import TargetPlan
from .jobs.reading.area import AreaView
from .jobs.reading.line import LineView
from .jobs.terrain_view import TerrainView
from .jobs.trap_view import TrapView
from .library import (
    debrief,
    demo_file,
    describe,
    find_sites,
    find_traps,
    hide_targets,
    inspect_elevation,
    lay_deposit,
    lay_search,
    read_area,
    read_line,
    read_terrain,
    result_of,
    write,
)
from .output.read import read_planned
from .output.result import Layer, Raster, Result

__version__: str

__all__ = [
    "AreaView",
    "Debrief",
    "Grid",
    "Ground",
    "InputError",
    "LastSeen",
    "LastseenError",
    "Layer",
    "LineView",
    "LonLat",
    "NothingFoundError",
    "OutputExistsError",
    "Plan",
    "PlannedSearch",
    "PracticeDeposit",
    "Raster",
    "ResourceError",
    "Result",
    "Scenario",
    "Search",
    "SiteRequest",
    "SiteView",
    "Snow",
    "TargetPlan",
    "TerrainView",
    "TrapView",
    "debrief",
    "demo_file",
    "describe",
    "find_sites",
    "find_traps",
    "hide_targets",
    "inspect_elevation",
    "lay_deposit",
    "lay_search",
    "make_plan",
    "parse_point",
    "read_area",
    "read_line",
    "read_planned",
    "read_scenario",
    "read_terrain",
    "result_of",
    "write",
]
