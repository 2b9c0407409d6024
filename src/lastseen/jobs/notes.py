"""What a plan must say in plain sentences: what was found, what was lost, what the model cannot see."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from pyproj import CRS

from lastseen.core import (
    Grid,
    InputError,
    LonLat,
    NothingFoundError,
    Scenario,
    datum_shift_m,
    notation_radius_m,
    parse_crs,
    parse_point,
    percent,
    transformation_at,
    whole_minutes,
)
from lastseen.rescue import describe_travel
from lastseen.search import SearchPlan
from lastseen.snow import NO_DATA_SIDE, CellError, Debris, Ensemble, ModelChoice, Person, Release, SeedSpread
from lastseen.terrain import GroundLayers
from lastseen.traps import describe_invisible_traps

if TYPE_CHECKING:
    from lastseen.jobs.rescue import AllFound

LITTLE_INSIDE = 0.8
LITTLE_LEFT = 0.005
LITTLE_TAKEN = 0.5  # share of the possible persons of a point; design choice
MANY_UNFINISHED, MOST_UNFINISHED = 0.1, 0.5  # shares of the events; design choice
MANY_LEFT, MOST_LEFT = 0.1, 0.5  # shares of all persons that the snow took; design choice
FEW_REACH, HALF_REACH = 0.2, 0.5  # shares of the events; design choice
LITTLE_CAUGHT = 0.2  # share of the possible persons
MISSING_STEP_M = 50.0
USUAL_STRIPS_M = (20.0, 60.0)  # published for teaching and by makers, see the search reference
MOST_RADIUS_M = 500.0  # of the last-seen point, as a scenario may say
GOOD_TRANSFORMATION_M = 2.0  # what is known better adds nothing to a radius; design choice
LEGS_ELSEWHERE = "use the GPX, the MGRS of the legs in plan.json, or "
MODEL_LIMITS = {
    "body": "bodies slide alone: thickness is indicative, and snow that piles up or spreads sideways is not modelled",
    "flow": "the flow is dense snow of one density: powder clouds, leaps over cliffs and trees are not modelled",
}
ALWAYS = (
    "friction and slab are tuned to reported avalanches of the size, not to this place or day; growth is a choice",
    "snowpack, wind and weather are not in the model",
)


def note_unfinished(ensemble: Ensemble) -> tuple[str, ...]:
    """What comes before all else: that many events did not come to rest in time."""
    late, count = ensemble.count_ends()["unfinished"], len(ensemble.members)
    return (_unfinished_text(late, count),) if late > MANY_UNFINISHED * count else ()


def _unfinished_text(late: int, count: int) -> str:
    return f"{late} of {count} events were not at rest when their time was over: their debris is as it was then"


def note_events(choice: ModelChoice, ensemble: Ensemble) -> tuple[str, ...]:
    """The model that ran, how often, and what left the elevation model."""
    count, ends = len(ensemble.members), ensemble.count_ends()
    late, gone_events = ends["unfinished"], ends["left the model"]
    notes = [choice.reason]
    if 0 < late <= MANY_UNFINISHED * count:
        notes.append(_unfinished_text(late, count))
    if gone_events:
        notes.append(f"in {gone_events} of {count} events more than a twentieth of the snow left the elevation model")
    spread = ensemble.seed_spread
    if spread is not None and not spread.settled:
        notes.append(f"the answer has not settled after {count} events: {describe_seed_spread(plain_spread(spread))}")
    if ensemble.cell_error is not None:
        notes.append(describe_cell_error(ensemble.cell_error))
    edges, gap = ensemble.left_share()
    notes += [
        f"{percent(share)} of the snow left the elevation model at its {side}ern edge: what lies beyond is not shown"
        for side, share in edges.items()
        if share >= LITTLE_LEFT
    ]
    if gap >= LITTLE_LEFT:
        notes.append(f"{percent(gap)} of the snow ran into no data: the gap hides where it stops")
    gone = sum(ensemble.person_left_share().values())
    if LITTLE_LEFT <= gone <= MANY_LEFT:
        notes.append(f"{percent(gone)} of the persons left the elevation model: what lies beyond is not shown")
    return tuple(notes)


def note_open_edge(ensemble: Ensemble, missing_m: Mapping[str, float]) -> tuple[str, ...]:
    """What comes before all else: that many persons left the elevation model, and what ground is missing."""
    left = ensemble.person_left_share()
    if sum(left.values()) <= MANY_LEFT:
        return ()
    part = "the outline and the lanes hold only the part of the debris that lies on the model"
    return (f"{_open_edge_text(left, missing_m)}; {part}",)


def _open_edge_text(left: Mapping[str, float], missing_m: Mapping[str, float]) -> str:
    """Who left over which edge, and what to give."""
    sides = [
        f"{percent(share)} {'into gaps without data' if side == NO_DATA_SIDE else f'over its {side}ern edge'}"
        for side, share in left.items()
        if share >= LITTLE_LEFT
    ]
    wanted = [
        f"at least {MISSING_STEP_M * max(1, math.ceil(metres / MISSING_STEP_M)):.0f} m more in the {side}"
        for side, metres in missing_m.items()
        if left[side] >= LITTLE_LEFT
    ]
    if wanted:
        wanted[-1] += " (from the energy line on level ground: where it falls on, more)"
    if left[NO_DATA_SIDE] >= LITTLE_LEFT:
        wanted.append("ground in the gaps")
    return (
        f"{percent(sum(left.values()))} of the persons left the elevation model, {', '.join(sides)}: where they lie is "
        f"not known; give elevation for {' and '.join(wanted)}"
    )


def require_ground(ensemble: Ensemble, missing_m: Mapping[str, float], *, accepted: bool) -> None:
    """NothingFoundError if most persons left the elevation model and nobody accepted that."""
    left = ensemble.person_left_share()
    if sum(left.values()) > MOST_LEFT and not accepted:
        raise NothingFoundError(f"{_open_edge_text(left, missing_m)}, or plan all the same with --accept-open-edge")


def require_reach(ensemble: Ensemble, release: Release) -> None:
    """NothingFoundError if hardly an event takes anybody of the last-seen disc."""
    share = float(ensemble.reached.mean())
    if share >= FEW_REACH:
        return
    what = "the drawn release" if release.drawn else "the release that reaches it most often"
    words = f"{_reach_words(share)} of {what} reach the last-seen point"
    if share == 0.0 and not release.drawn:
        words = "no release that was found above, at, beside or below it reaches the last-seen point"
    raise NothingFoundError(
        f"{words}: nobody there is carried. Move the point, give it a larger radius or another size, say where the "
        "slope broke with --release-side above, below or here, or draw the release with --release"
    )


def _reach_words(share: float) -> str:
    return "none of the events" if share == 0.0 else f"only {percent(share)} of the events"


def plain_spread(spread: SeedSpread) -> dict[str, float]:
    """What another seed would change, as it stands in plan.json."""
    return {name: getattr(spread, name) for name in ("area", "inside", "runout_p10_m", "runout_p90_m")}


def describe_seed_spread(spread: Mapping[str, float]) -> str:
    """The same as a clause."""
    low_m, high_m = (float(f"{max(spread[key], 1.0):.1g}") for key in ("runout_p10_m", "runout_p90_m"))
    inside = max(100.0 * spread["inside"], 1.0)
    return (
        f"another seed changes the area by about {percent(spread['area'])}, the share of persons inside by "
        f"{inside:.0f} in 100, run-out P10 and P90 by {low_m:.0f} and {high_m:.0f} m"
    )


def require_rest(ensemble: Ensemble, *, accepted: bool) -> None:
    """NothingFoundError if most events did not come to rest in time and nobody accepted that."""
    late, count = ensemble.count_ends()["unfinished"], len(ensemble.members)
    if late > MOST_UNFINISHED * count and not accepted:
        raise NothingFoundError(
            f"{late} of {count} events were not at rest when their time was over, so their debris is not known: check "
            "the elevation model, or plan all the same with --accept-unfinished"
        )


def describe_cell_error(error: CellError) -> str:
    """What coarser cells change, as a sentence."""
    shift = error.runout_shift_m
    way = "as far" if abs(shift) < 0.5 else f"{abs(shift):.0f} m {'shorter' if shift > 0.0 else 'farther'}"
    return (
        f"on cells of {error.coarse_cell_m:g} m, {error.events} of the events cover the same ground to "
        f"{percent(error.overlap)} and run {way}: finer cells than those used may change as much"
    )


def note_reach(ensemble: Ensemble) -> tuple[str, ...]:
    """What comes before all else: that the release reaches the last-seen point in few of its events."""
    share = float(ensemble.reached.mean())
    if share >= HALF_REACH:
        return ()
    doubt = "this may not be the release that took the person; draw it with --release where it is known"
    return (f"{_reach_words(share)} reach the last-seen point: {doubt}",)


def note_person(person: Person, ground: Grid) -> tuple[str, ...]:
    """Whether the snow takes the person far."""
    notes = []
    if person.caught_share < LITTLE_CAUGHT:
        notes.append(
            f"the snow takes {percent(person.caught_share)} of those who may stand within the radius of the last-seen "
            "point: all that is said of persons is for one of these"
        )
    if person.carried_p50_m < ground.cell_m:
        notes.append("the person does not slide away from the last-seen point in most events: the ground is too gentle")
    return tuple(notes)


def note_debris(debris: Debris, person: Person) -> tuple[str, ...]:
    """Whether the outline holds the person."""
    if debris.widened:
        note = (
            "events end in many places and leave thin debris: the searched outline was widened to the smallest ground "
            "that holds 90 % of the probability of area (POA) on the model"
        )
        return (note,)
    if person.inside_debris < LITTLE_INSIDE * (1.0 - person.left_share):
        note = (
            f"only {percent(person.inside_debris)} of all persons lie inside the outline that was asked for: leave "
            "search.outline_probability out of the scenario to search more"
        )
        return (note,)
    return ()


def note_model(choice: ModelChoice, ground: Grid, layers: GroundLayers) -> tuple[str, ...]:
    """What the model cannot see."""
    blind = describe_invisible_traps(ground.cell_m, layers)
    return (*([blind] if blind else []), MODEL_LIMITS[choice.model], *ALWAYS)


def note_walk(scenario: Scenario, lanes: SearchPlan) -> tuple[str, ...]:
    """What somebody who walks the lanes of a plan must know before they set out."""
    where = "nobody said where the searchers stand: the top of the outline was taken"
    if scenario.last_seen.at != "":
        where = "the searchers are taken to stand at the last-seen point: say where they stand if that is elsewhere"
    return (*((where,) if scenario.search.start is None else ()), *note_lanes(scenario, lanes))


def note_lanes(scenario: Scenario, lanes: SearchPlan) -> tuple[str, ...]:
    """What holds for lanes over any outline: odd widths, the pass, bearings, times."""
    notes = []
    asked = scenario.search
    if not USUAL_STRIPS_M[0] <= asked.strip_width_m <= USUAL_STRIPS_M[1]:
        notes.append(
            f"strips of {asked.strip_width_m:g} m are outside the {USUAL_STRIPS_M[0]:g} to {USUAL_STRIPS_M[1]:g} m "
            "that handbooks and makers give: check the number"
        )
    if asked.date and not math.isfinite(lanes.declination_deg):
        notes.append(f"no data for magnetic bearings on {asked.date}: the magnetic model does not reach there")
    if asked.second_pass:
        notes.append(
            f"this is the second pass, after one with strips of {asked.strip_width_m:g} m that heard nobody: half the "
            "width, lanes midway beside those of the first"
        )
    approach, search = describe_travel(lanes.travel, on_track=any(leg.kind == "track" for leg in lanes.legs))
    kinds = {leg.kind for leg in lanes.legs}
    skis = lanes.travel.approach == "ski" and lanes.travel.search != "ski" and bool(kinds & {"approach", "track"})
    off = "; taking off skis counts to the clue search" if skis else ""
    if "approach" in kinds or lanes.travel.approach_s is not None:
        notes.append(f"approach {approach}")
    notes.append(f"search {search}; rough debris is slower, nobody has published a speed on it{off}")
    return tuple(notes)


def note_all_found(found: AllFound, taken: Sequence[float]) -> tuple[str, ...]:
    """What the search for several missing persons takes, and where their signals overlap."""
    first, last = (" / ".join(map(whole_minutes, times)) for times in (found.first_s, found.last_s))
    times = f"the first signal after {first} min"
    if math.isfinite(found.last_s[1]):
        times += f", that of the last after {last} min"
    fine, near, strip = (f"within {metres:g} m for {percent(share)}" for metres, share in found.near)
    notes = [
        (
            f"{found.missing} missing, in each draw taken by the same event: {times} (P10 / P50 / P90, from the first "
            f"step on the debris); all are heard in {percent(found.everybody)} of the draws, somebody in "
            f"{percent(found.somebody)}"
        ),
        (
            f"each found person holds one searcher up for {whole_minutes(found.each_stop_s)} min (coarse and fine "
            "search, pinpointing; typical), then the place is marked and the search goes on; digging is not in it"
        ),
        (
            f"the nearest other missing person lies {strip} of them (half a strip: both signals at once), {near}, "
            f"{fine}: there each signal disturbs the fine search for the other; the nearest first, mark it, go on; "
            "no data by how much longer"
        ),
    ]
    notes += [
        f"the snow takes missing person {number} in only {percent(share)} of the draws: another avalanche, or another "
        "last-seen point"
        for number, share in enumerate(taken, start=1)
        if share < LITTLE_TAKEN
    ]
    return tuple(notes)


def note_missing(missing: int) -> tuple[str, ...]:
    """What holds for several missing persons where no model says where they lie."""
    return (
        () if missing == 1 else (f"{missing} missing: mark who is found and go on until all are; no model says where",)
    )


def note_grid(crs: CRS, use: str = LEGS_ELSEWHERE, at: LonLat | None = None) -> tuple[str, ...]:
    """Whether a receiver shows other numbers than the grid of the map; ``use`` says what to use instead.

    With a place the note tells how much they differ there, and how well that is known.
    """
    datum = crs.geodetic_crs
    if datum is None or "WGS 84" in datum.name or "ETRS89" in datum.name:
        return ()
    if crs.utm_zone is None:  # the sheet then has a grid of its own, in WGS 84 (`products.mapsheet.furniture.grid_crs`)
        where, what = f"x and y are in {crs.name}; receivers and the grid of the sheet show WGS 84", "x and y"
    else:
        where, what = f"the grid of the map is {crs.name}; receivers show WGS 84", "the grid"
    by = "which can differ by more than 200 m" if at is None else _describe_shift(crs, at)
    return (f"{where}, {by}: {use}for {what} set the receiver to {crs.name}",)


def _describe_shift(crs: CRS, at: LonLat) -> str:
    """How far two datums lie apart at a place, and how well that is known."""
    way = transformation_at(crs, at)
    text = f"by {datum_shift_m(crs, at):.0f} m apart here"
    if way is None or way.accuracy_m is None:
        return text
    return f"{text} (known to about {max(1.0, way.accuracy_m):.0f} m)"


def read_place(scenario: Scenario, crs: CRS) -> tuple[LonLat, float, tuple[str, ...]]:
    """The last-seen point, how far off it may be (m), and what adds to what the scenario says about that.

    InputError if the text can mean places more than half a kilometre apart.
    """
    given, at = scenario.last_seen, scenario.last_seen.at
    of_text = parse_crs(given.crs) if given.crs else None
    place = parse_point(at, of_text)
    radius, notes = given.radius_m, []
    doubt = notation_radius_m(at, of_text)
    if doubt > MOST_RADIUS_M:
        raise InputError(
            f"the point '{at}' can mean any place within {doubt / 1000.0:.1f} km: give --at with more digits"
        )
    if doubt > radius:
        notes.append(
            f"the last-seen point '{at}' can mean any place within {doubt:.0f} m: that was taken as its radius instead "
            f"of {radius:g} m; give --at with more digits"
        )
        radius = doubt
    ways = [transformation_at(other, place) for other in dict.fromkeys((crs, of_text)) if other is not None]
    for way in ways:
        if way is not None and (way.accuracy_m is None or way.accuracy_m > GOOD_TRANSFORMATION_M):
            more = way.accuracy_m or 0.0
            known = f"to about {more:.0f} m" if more else "to nobody knows how many metres"
            grids = (
                f"; the file {way.missing_grids[0]} would do better and is not installed" if way.missing_grids else ""
            )
            added = f": {more:.0f} m were added to the radius of the last-seen point" if more else ""
            notes.append(f"the datum of the map is tied to WGS 84 only {known} here{grids}{added}")
            radius += more
    return place, min(radius, MOST_RADIUS_M), tuple(notes)


def to_sentences(notes: Iterable[str]) -> tuple[str, ...]:
    """Each note once, as a sentence; a name of a file at its beginning stays as it is."""
    begun = (note if "." in note.split(maxsplit=1)[0] else f"{note[0].upper()}{note[1:]}" for note in notes)
    return tuple(dict.fromkeys(f"{note.rstrip('.')}." for note in begun))
