from .check.rows import Outcome, run_checks
from .drawn_search import search_drawn, without_elevation
from .plan import Model, Plan, make_plan
from .practice.coverage import GPS_ERROR_M, Band
from .practice.debrief import Debrief, Searcher, debrief
from .practice.deposit import (
    DEPOSIT_LIMITS,
    PACKING,
    DepositModel,
    PracticeDeposit,
    PushPlan,
    SiteFrame,
    Stake,
    lay_modelled,
    lay_sized,
    plan_pushing,
    summary,
)
from .practice.exercises import Exercise, exercise_of, find_exercise, published_exercises, read_exercises
from .practice.lane_review import LEAST_WALKED, LaneReview
from .practice.planned import MARGIN_M, MARGIN_SHARE, Planned, PlannedLeg
from .practice.site import Site, SiteWish, facts, lookout_words, site_sentences, way_words
from .practice.site_places import SITE_LIMITS
from .practice.sites import SiteView, view_sites
from .practice.targets import Difficulty, Hidden, Mark, StakeOut, Target, hide
from .practice.times import PhaseTime, SignalTime
from .practice.tracks import LOG_HEAD, Track, elapsed_text, read_log, read_tracks
from .reading.gathering import AT_START, INCIDENT_SLOPES_DEG, ZoneRow, worst_trap, zone_sentence
from .reading.ground import KINDS, Heights
from .reading.line import LineReading, LineView, view_line
from .reading.stretches import CONSEQUENCES, Stretch
from .reading.tiles import AreaView, Mosaic, mosaics, other_kept, view_area
from .reading.words import (
    NAMES,
    caught_text,
    consequences,
    regroup_sentence,
    sentence,
    short_sentence,
    table_rows,
    trap_sign,
    zones_above,
    zones_text,
)
from .remarks import about_grid, sentences
from .trap_view import TrapView, view_traps

__all__ = [
    "AT_START",
    "CONSEQUENCES",
    "DEPOSIT_LIMITS",
    "GPS_ERROR_M",
    "INCIDENT_SLOPES_DEG",
    "KINDS",
    "LEAST_WALKED",
    "LOG_HEAD",
    "MARGIN_M",
    "MARGIN_SHARE",
    "NAMES",
    "PACKING",
    "SITE_LIMITS",
    "AreaView",
    "Band",
    "Debrief",
    "DepositModel",
    "Difficulty",
    "Exercise",
    "Heights",
    "Hidden",
    "LaneReview",
    "LineReading",
    "LineView",
    "Mark",
    "Model",
    "Mosaic",
    "Outcome",
    "PhaseTime",
    "Plan",
    "Planned",
    "PlannedLeg",
    "PracticeDeposit",
    "PushPlan",
    "Searcher",
    "SignalTime",
    "Site",
    "SiteFrame",
    "SiteView",
    "SiteWish",
    "Stake",
    "StakeOut",
    "Stretch",
    "Target",
    "Track",
    "TrapView",
    "ZoneRow",
    "about_grid",
    "caught_text",
    "consequences",
    "debrief",
    "elapsed_text",
    "exercise_of",
    "facts",
    "find_exercise",
    "hide",
    "lay_modelled",
    "lay_sized",
    "lookout_words",
    "make_plan",
    "mosaics",
    "other_kept",
    "plan_pushing",
    "published_exercises",
    "read_exercises",
    "read_log",
    "read_tracks",
    "regroup_sentence",
    "run_checks",
    "search_drawn",
    "sentence",
    "sentences",
    "short_sentence",
    "site_sentences",
    "summary",
    "table_rows",
    "trap_sign",
    "view_area",
    "view_line",
    "view_sites",
    "view_traps",
    "way_words",
    "without_elevation",
    "worst_trap",
    "zone_sentence",
    "zones_above",
    "zones_text",
]
