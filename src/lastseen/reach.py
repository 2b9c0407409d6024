"""The ground that an event needs, and the events on it.

The window around the last-seen point grows until neither the release nor any snow or person reaches its edge.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from lastseen import ground_layers, motion, release
from lastseen.elevation import Box, Elevation, read_window
from lastseen.errors import InputError
from lastseen.grid import Grid
from lastseen.ground_layers import GroundLayers
from lastseen.memory import BODY_GB_PER_MILLION_CELLS, FLOW_GB_PER_MILLION_CELLS, require_memory
from lastseen.motion import Choice, Events, Tracks
from lastseen.motion.paths import FlowPaths, flow_paths
from lastseen.outlines import read_outline
from lastseen.place import to_lonlat
from lastseen.release import Release
from lastseen.scenario import Scenario

# First guess of the window around the last-seen point, by destructive size; it grows where anything reaches its edge.
# EAWS size table: lengths of 10-50, 50-200, 300-1000 and 1000-2000 m.
HALF_WINDOW_M = {1: 300.0, 2: 600.0, 3: 1200.0, 4: 2400.0}
GROWTH_M = 0.5  # share of the half window added on a side that was reached
MOST_GROWTHS = 16
ASCENT_GROWTHS = 2  # how often the window grows in search of a start zone
RIM_CELLS = 4.0

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Reach:
    """Where the snow of a scenario goes.

    Attributes
    ----------
    ground, felt : Grid
        The window, and the same as moving snow feels it.
    layers : GroundLayers
        Trees, water and more, as far as they were given.
    release : Release
    choice : Choice
        The model that ran, and why.
    events : Events
    paths : FlowPaths
    told : tuple of str
        What was odd about the heights.
    """

    ground: Grid
    felt: Grid
    layers: GroundLayers
    release: Release
    choice: Choice
    events: Events
    paths: FlowPaths
    told: tuple[str, ...]


def let_it_run(scenario: Scenario, elevation: Elevation, at_m: tuple[float, float], progress: Progress) -> Reach:
    """Find the release and run the ensemble, in a window that grows until nothing reaches its edge.

    Raises
    ------
    InputError, NothingFoundError, ResourceError
        With one sentence that says what is wrong, where, and what to do.
    """
    half = HALF_WINDOW_M[scenario.snow.size]
    box = elevation.snapped((at_m[0] - half, at_m[1] - half, at_m[0] + half, at_m[1] + half))
    for attempt in range(MOST_GROWTHS + 1):
        needed = require_memory(_cells_in(elevation, box), BODY_GB_PER_MILLION_CELLS, "a window")
        progress(f"reading the ground, {needed}", 0.05)
        told: list[str] = []
        ground = read_window(elevation, box, told.append)
        if not np.isfinite(ground.values).any():
            raise InputError("there is no ground around the last-seen point, only no data: use another elevation model")
        layers = ground_layers.read_layers(scenario.ground, ground)
        try:
            start = _start(scenario, ground, at_m, layers)
        except InputError:
            wider = _grown(elevation, box, set("WSEN"), half)
            if scenario.snow.release or wider == box or attempt >= ASCENT_GROWTHS:
                raise
            box = wider
            continue
        felt = motion.felt_ground(ground)
        scouts = motion.scouts(felt, start, scenario.snow)
        wider = _grown(elevation, box, _sides_scouted(ground, start, scouts), half)
        if wider != box and attempt < MOST_GROWTHS:
            box = wider
            continue
        choice = motion.choose_model(felt, start, scenario.snow)
        events = _run(scenario, felt, start, choice, at_m, progress)
        wider = _grown(elevation, box, _sides_left(ground, events), half)
        if wider == box or attempt == MOST_GROWTHS:
            break
        box = wider
    progress("tracing the paths", 0.7)
    return Reach(ground, felt, layers, start, choice, events, flow_paths(felt, start, events), tuple(told))


def _run(
    scenario: Scenario, felt: Grid, start: Release, choice: Choice, at_m: tuple[float, float], progress: Progress
) -> Events:
    """The ensemble, with the model that was chosen."""
    rng = np.random.default_rng(scenario.seed)
    if choice.model == "body":
        progress("letting the snow run", 0.15)
        return motion.run_bodies(felt, start, scenario.snow, scenario.last_seen, at_m, rng)
    cells = felt.values.size // choice.ratio**2
    needed = require_memory(cells, FLOW_GB_PER_MILLION_CELLS, "the flow")
    first = f"letting the snow flow, {needed}, about {motion.expected(choice.time_s)}"
    progress(first, 0.1)

    def report(text: str, share: float) -> None:
        progress(text or first, 0.1 + 0.6 * share)

    return motion.run_flows(felt, choice.ratio, start, scenario.snow, scenario.last_seen, at_m, rng, report)


def _cells_in(elevation: Elevation, box: Box) -> int:
    return round((box[2] - box[0]) / elevation.cell_m) * round((box[3] - box[1]) / elevation.cell_m)


def _start(scenario: Scenario, ground: Grid, at_m: tuple[float, float], layers: GroundLayers) -> Release:
    """The release: drawn, or the one that belongs to the last-seen point."""
    row, col = ground.cell_of(*at_m)
    if np.isnan(ground.values[min(int(row), ground.shape[0] - 1), min(int(col), ground.shape[1] - 1)]):
        point = to_lonlat(*at_m, ground.crs).notations()["lonlat"]
        raise InputError(
            f"the last-seen point {point} lies on no data: move it, or fill the gap in the elevation model"
        )
    snow = scenario.snow
    if snow.release is not None:
        outline = read_outline(snow.release, ground.crs, "release")
        return release.drawn_release(ground, outline, snow.size, snow.slab_thickness_m)
    trees = layers.of("trees")
    return release.find_release(ground, *at_m, snow.size, snow.slab_thickness_m, trees.cover if trees else None)


def _sides_scouted(ground: Grid, snow: Release, scouts: Tracks) -> set[str]:
    """Sides of the window that the release or a slippery body came to."""
    west, south, east, north = ground.bounds
    rim = RIM_CELLS * ground.cell_m
    left = scouts.reason == 1
    rows, cols = snow.cells // ground.shape[1], snow.cells % ground.shape[1]
    cx, cy = ground.centre_of(rows, cols)
    x, y = np.concatenate([scouts.x_m[left], cx]), np.concatenate([scouts.y_m[left], cy])
    tests = {"W": x < west + rim, "E": x > east - rim, "S": y < south + rim, "N": y > north - rim}
    return {side for side, reached in tests.items() if reached.any()}


def _sides_left(ground: Grid, events: Events) -> set[str]:
    """Sides of the window over which snow or a person left."""
    west, south, east, north = ground.bounds
    edges, _ = events.left_share()
    sides = {side[0].upper() for side, share in edges.items() if share > 0.0}
    gone = events.person.left_grid
    if gone.any():
        rim = RIM_CELLS * events.lattice.cell_m
        x, y = events.person.x_m[gone], events.person.y_m[gone]
        tests = {"W": x < west + rim, "E": x > east - rim, "S": y < south + rim, "N": y > north - rim}
        sides |= {side for side, reached in tests.items() if reached.any()}
    return sides


def _grown(elevation: Elevation, box: Box, sides: set[str], half_m: float) -> Box:
    """The window, larger on the sides that were reached, as far as the elevation model goes."""
    more = GROWTH_M * half_m
    return elevation.snapped(
        (
            box[0] - more * ("W" in sides),
            box[1] - more * ("S" in sides),
            box[2] + more * ("E" in sides),
            box[3] + more * ("N" in sides),
        )
    )
