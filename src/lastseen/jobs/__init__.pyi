from .check.rows import Outcome, run_checks
from .middle_event import MiddleEvent, find_middle_event, replay_middle_event
from .notes import note_grid, to_sentences
from .plan import Model, Plan, make_plan, plan_drawn_search
from .plan_rescue import PlanRescue, measure_covered_shares, plan_rescue
from .practice.debrief import Debrief, Searcher, debrief
from .practice.deposit import (
    DEPOSIT_LIMITS,
    PACKING,
    DepositModel,
    PracticeDeposit,
    PushPlan,
    SiteFrame,
    Stake,
    deposit_sentence,
    find_flow_deg,
    lay_deposit,
    lay_modelled,
    lay_sized,
    plan_pushing,
)
from .practice.exercises import Exercise, exercise_of, find_exercise, published_exercises, read_exercises
from .practice.lane_review import LEAST_WALKED, LaneReview
from .practice.phase_times import PhaseTime, SignalTime
from .practice.planned_search import MARGIN_M, MARGIN_SHARE, PlannedLeg, PlannedSearch
from .practice.site import Site, SiteRequest, lookout_words, site_line, site_sentences, way_words
from .practice.site_places import SITE_LIMITS
from .practice.sites import SiteView, view_sites
from .practice.targets import Difficulty, Mark, StakeOut, Target, TargetPlan, plan_targets
from .practice.tracks import LOG_HEAD, Track, elapsed_text, read_log, read_tracks
from .practice.walked_coverage import GPS_ERROR_M, CoverageBand
from .reading.area import AreaRasters, AreaView, area_rasters, view_area
from .reading.block_reading import INCIDENT_SLOPES_DEG, START_QUANTITIES, ZoneRow, worst_trap, zone_sentence
from .reading.ground import KINDS, Heights
from .reading.line import LineReading, LineView, find_caught_ways, view_line
from .reading.line_text import (
    CONSEQUENCE_NAMES,
    caught_text,
    consequence_text,
    regroup_sentence,
    short_stretch_sentence,
    stretch_sentence,
    table_rows,
    trap_sign,
    zones_above,
    zones_text,
)
from .reading.stretches import CONSEQUENCES, Stretch
from .reading.tiles import other_kept_tiles
from .terrain_view import TerrainView, view_terrain
from .trap_view import TrapView, view_traps

__all__ = [
    "CONSEQUENCES",
    "CONSEQUENCE_NAMES",
    "DEPOSIT_LIMITS",
    "GPS_ERROR_M",
    "INCIDENT_SLOPES_DEG",
    "KINDS",
    "LEAST_WALKED",
    "LOG_HEAD",
    "MARGIN_M",
    "MARGIN_SHARE",
    "PACKING",
    "SITE_LIMITS",
    "START_QUANTITIES",
    "AreaRasters",
    "AreaView",
    "CoverageBand",
    "Debrief",
    "DepositModel",
    "Difficulty",
    "Exercise",
    "Heights",
    "LaneReview",
    "LineReading",
    "LineView",
    "Mark",
    "MiddleEvent",
    "Model",
    "Outcome",
    "PhaseTime",
    "Plan",
    "PlanRescue",
    "PlannedLeg",
    "PlannedSearch",
    "PracticeDeposit",
    "PushPlan",
    "Searcher",
    "SignalTime",
    "Site",
    "SiteFrame",
    "SiteRequest",
    "SiteView",
    "Stake",
    "StakeOut",
    "Stretch",
    "Target",
    "TargetPlan",
    "TerrainView",
    "Track",
    "TrapView",
    "ZoneRow",
    "area_rasters",
    "caught_text",
    "consequence_text",
    "debrief",
    "deposit_sentence",
    "elapsed_text",
    "exercise_of",
    "find_caught_ways",
    "find_exercise",
    "find_flow_deg",
    "find_middle_event",
    "lay_deposit",
    "lay_modelled",
    "lay_sized",
    "lookout_words",
    "make_plan",
    "measure_covered_shares",
    "note_grid",
    "other_kept_tiles",
    "plan_drawn_search",
    "plan_pushing",
    "plan_rescue",
    "plan_targets",
    "published_exercises",
    "read_exercises",
    "read_log",
    "read_tracks",
    "regroup_sentence",
    "replay_middle_event",
    "run_checks",
    "short_stretch_sentence",
    "site_line",
    "site_sentences",
    "stretch_sentence",
    "table_rows",
    "to_sentences",
    "trap_sign",
    "view_area",
    "view_line",
    "view_sites",
    "view_terrain",
    "view_traps",
    "way_words",
    "worst_trap",
    "zone_sentence",
    "zones_above",
    "zones_text",
]
