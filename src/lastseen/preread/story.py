"""From a question to a reading: files in, a line or an area read, with all that must be said beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from lastseen import ground_layers, traps
from lastseen.elevation import Elevation, open_elevation
from lastseen.grid import Grid
from lastseen.ground_layers import GroundLayers
from lastseen.preread.ensemble import MEMBERS
from lastseen.preread.lattice import heights_of_model
from lastseen.preread.line import LineReading, read_line
from lastseen.preread.passing import FARTHEST_M
from lastseen.preread.route import read_lines
from lastseen.release.start_zones import LARGEST_SLOPE_DEG, LEAST_SLOPE_DEG
from lastseen.remarks import ALWAYS, about_grid, sentences
from lastseen.scenario import Ground, Scenario
from lastseen.wording import percent

Progress = Callable[[str, float], None]

SAME_BOTH_WAYS = "what is said holds in both directions of travel; how far to go one after the other is yours to choose"
BODIES = (
    "bodies slide alone: the thickness of debris is indicative, where snow stops it is taken as one slab of the size, "
    "and how deep in it somebody lies is not known"
)

STEEPER = (
    f"start zones are ground of {LEAST_SLOPE_DEG:.0f} to {LARGEST_SLOPE_DEG:.0f} degrees that can hold a slab of "
    "size 1; what falls from steeper walls, and cornices, are not in the model"
)


@dataclass(frozen=True, eq=False)
class LineView:
    """A line of travel as it was read.

    Attributes
    ----------
    scenario : Scenario
    elevation : Elevation
    source : Path
        The file with the line.
    reading : LineReading
    notes : tuple of str
        Plain sentences that the user must see.
    """

    scenario: Scenario
    elevation: Elevation
    source: Path
    reading: LineReading
    notes: tuple[str, ...]


def layers_reader(wanted: Ground) -> Callable[[Grid], GroundLayers]:
    """Reads trees, water and more on any window."""
    return lambda grid: ground_layers.read_layers(wanted, grid)


def view_line(
    scenario: Scenario, line: Path, members: int = MEMBERS, progress: Progress = lambda _stage, _share: None
) -> LineView:
    """Read a line of travel from a file.

    Raises
    ------
    InputError
        See `lastseen.elevation.open_elevation`, `lastseen.preread.route.read_lines` and `route_of`.
    """
    progress("opening the elevation model", 0.0)
    elevation = opened(scenario)
    lines = read_lines(line, elevation.crs)
    reading = read_line(
        heights_of_model(elevation),
        lines,
        scenario.snow,
        seed=scenario.seed,
        members=members,
        layers_on=layers_reader(scenario.ground),
        progress=progress,
    )
    return LineView(scenario, elevation, line, reading, _line_notes(scenario, elevation, reading))


def opened(scenario: Scenario) -> Elevation:
    """The elevation model of a question, with its ground layers looked at."""
    elevation = open_elevation(scenario.elevation, None, scenario.z_unit)
    ground_layers.check_layers(scenario.ground, elevation)
    return elevation


def _line_notes(scenario: Scenario, elevation: Elevation, reading: LineReading) -> tuple[str, ...]:
    """All that must be said beside a line."""
    route, cell = reading.route, elevation.cell_m
    known = float((route.height_m == route.height_m).mean())
    blind = traps.invisible_note(cell, layers_reader(scenario.ground)(_small(reading)))
    notes = [
        *about_grid(elevation.crs, ""),
        *elevation.notes,
        SAME_BOTH_WAYS,
        BODIES,
        STEEPER,
        (
            f"start zones were looked for up to {FARTHEST_M[scenario.snow.size]:.0f} m from the line, with one start "
            f"every {max(reading.passing.spacing_m, cell):.0f} m and {reading.ensemble.count} events of size "
            f"{scenario.snow.size}"
        ),
        *(
            [f"{percent(1.0 - known)} of the line lies off the known ground: nothing is said there"]
            if known < 1.0
            else []
        ),
        *_leaving(float(reading.caught.leaves.mean()) if reading.caught.leaves.size else 0.0),
        *([blind] if blind else []),
        *ALWAYS,
    ]
    return sentences(tuple(notes))


def _leaving(share: float) -> list[str]:
    if share < 0.005:
        return []
    return [f"{percent(share)} of the bodies that pass leave the elevation model: where they would stop is not known"]


def _small(reading: LineReading) -> Grid:
    """A few cells at the beginning of the line, to ask which ground layers were given."""
    heights = reading.heights
    x, y = float(reading.route.x_m[0]), float(reading.route.y_m[0])
    window = heights.window_of(x, y, x, y).grown(2).cut(heights.extent)
    return heights.grid(
        window
        if not window.empty
        else type(window)(heights.extent.top, heights.extent.left, heights.extent.top + 3, heights.extent.left + 3)
    )
