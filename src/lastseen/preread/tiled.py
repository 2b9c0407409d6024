"""An area of any size read tile by tile: the question, the tiles, and what they say together."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from shapely.geometry import MultiPolygon

from lastseen import traps
from lastseen.elevation import Elevation
from lastseen.errors import InputError, ResourceError
from lastseen.grid import FloatArray, Grid
from lastseen.memory import free_gb
from lastseen.outlines import read_outline
from lastseen.preread.area import Gathered
from lastseen.preread.carry import STARTS_M
from lastseen.preread.ensemble import MEMBERS
from lastseen.preread.gathering import AT_START, ZoneRow
from lastseen.preread.keeping import KeptTiles, kept_beside
from lastseen.preread.lattice import Heights, Window, heights_of_model
from lastseen.preread.passing import FARTHEST_M
from lastseen.preread.story import BODIES, STEEPER, layers_reader, opened
from lastseen.preread.tile import SLOPE_BINS, Question, Tile, tiles_of_question
from lastseen.preread.workers import memory_of_worker_gb, run_all
from lastseen.release import slab_class
from lastseen.remarks import ALWAYS, about_grid, sentences
from lastseen.scenario import Scenario
from lastseen.threads import thread_count
from lastseen.wording import percent

Progress = Callable[[str, float], None]
TILE_KM = 4.0
ALL = "all"  # the whole elevation model
KEPT_TILES = 9


@dataclass(frozen=True, eq=False)
class AreaView:
    """An area as it was read; its rasters lie in kept tiles.

    Attributes
    ----------
    scenario : Scenario
    elevation : Elevation
    heights : Heights
    question : Question
    outline : MultiPolygon or None
        Of the area that was asked for; None is the whole elevation model.
    kept : KeptTiles
    squares : tuple of Window
        The tiles.
    zones : tuple of (ZoneRow, MultiPolygon)
        Start zones that touch the area, those that do most harm first.
    slopes : ndarray of int64
        Start cells by tenths of a degree.
    bodies : int
    notes : tuple of str
    """

    scenario: Scenario
    elevation: Elevation
    heights: Heights
    question: Question
    outline: MultiPolygon | None
    kept: KeptTiles
    squares: tuple[Window, ...]
    zones: tuple[tuple[ZoneRow, MultiPolygon], ...]
    slopes: npt.NDArray[np.int64]
    bodies: int
    notes: tuple[str, ...]

    def slope_percentiles_deg(self) -> tuple[float, float, float]:
        """5th, 50th and 95th percentile of the slope of start cells; NaN where there are none."""
        total = np.cumsum(self.slopes)
        if not total[-1]:
            return (float("nan"),) * 3
        low, mid, high = (float(np.searchsorted(total, share * total[-1])) / 10.0 + 0.05 for share in (0.05, 0.5, 0.95))
        return low, mid, high


def view_area(
    scenario: Scenario,
    output: Path,
    *,
    area: str = ALL,
    members: int = MEMBERS,
    spacing_m: float = STARTS_M,
    tile_km: float = TILE_KM,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress = lambda _stage, _share: None,
) -> AreaView:
    """Read an area: work through its tiles, keep them beside the output, and put together what they say.

    Parameters
    ----------
    scenario : Scenario
    output : Path
        The folder that will be written; tiles are kept beside it until it is.
    area : str
        ``all``, or a vector file with an outline.
    members, spacing_m : int, float
        See `lastseen.preread.read_area`.
    tile_km : float
        Side of a tile; at least one sheet of about 2 km.
    workers, scheduler : int, str, optional
        See `lastseen.preread.workers.run_all`.
    progress : callable, optional

    Raises
    ------
    InputError, ResourceError
        With one sentence that says what is wrong, where, and what to do.
    """
    progress("opening the elevation model", 0.0)
    elevation = opened(scenario)
    heights = heights_of_model(elevation)
    outline = None if area == ALL else read_outline(Path(area), elevation.crs, "area")
    here = workers is None and scheduler is None
    threads = thread_count() if here else 1
    question = asked(scenario, heights, outline, members, spacing_m, tile_km, threads)
    _require_room(question, heights, 0 if scheduler else workers or 1, progress)
    kept = kept_beside(output, question)
    run_all(question, heights, kept, workers=workers, scheduler=scheduler, progress=progress)
    squares = tuple(tiles_of_question(question, heights))
    zones: list[tuple[ZoneRow, MultiPolygon]] = []
    slopes, bodies, known = np.zeros(SLOPE_BINS, np.int64), 0, 0
    for square in squares:
        tile = kept.get(square)
        zones += [pair for pair in zip(tile.rows, tile.outlines, strict=True) if _touches(pair[1], outline)]
        slopes += tile.slopes
        bodies += tile.bodies
        known += int(tile.known.sum())
    if not known:
        kept.remove()
        raise InputError("there is no ground in the area, only no data: choose another one")
    zones.sort(key=lambda pair: harm(pair[0], scenario.snow.size, heights.cell_m))
    notes = _notes(scenario, elevation, question, bodies, zones)
    return AreaView(scenario, elevation, heights, question, outline, kept, squares, tuple(zones), slopes, bodies, notes)


def asked(
    scenario: Scenario,
    heights: Heights,
    outline: MultiPolygon | None,
    members: int,
    spacing_m: float,
    tile_km: float,
    threads: int,
) -> Question:
    """The question that all tiles answer.

    Raises
    ------
    InputError
        If the outline lies off the elevation model.
    """
    sheet_km = heights.sheet_cells * heights.cell_m / 1000.0
    shown = heights.extent if outline is None else heights.window_of(*outline.bounds)
    if shown.empty:
        raise InputError("the area lies outside the elevation model: check the CRS of both")
    # Start zones outside the area reach into it.
    more = 0 if outline is None else int(np.ceil(FARTHEST_M[scenario.snow.size] / heights.cell_m))
    starting = shown.grown(more).cut(heights.extent)
    return Question(scenario, starting, shown, members, spacing_m, max(1, round(tile_km / sheet_km)), threads)


def _require_room(question: Question, heights: Heights, workers: int, progress: Progress) -> None:
    """Say what a worker will take; refuse where those on this machine do not fit into its memory."""
    needed, free = memory_of_worker_gb(question, heights), free_gb()
    progress(f"{len(tiles_of_question(question, heights))} tiles, at most {needed:.1f} GB for each worker", 0.01)
    if free is not None and workers * needed > free:
        needs = "1 worker needs" if workers == 1 else f"{workers} workers need"
        raise ResourceError(
            f"{needs} about {workers * needed:.1f} GB of memory and {free:.1f} GB are free: give "
            "smaller tiles with --tiles, fewer workers, or a cluster with --scheduler"
        )


def _touches(zone: MultiPolygon, outline: MultiPolygon | None) -> bool:
    return outline is None or bool(zone.intersects(outline))


def harm(row: ZoneRow, size: int, cell_m: float) -> tuple[float, float, float, tuple[int, int], int]:
    """Order of start zones: share of bodies that meet any of the four, debris where they stop, drop; then by place.

    A zone that cannot hold a slab of the size counts by the part of it that it can hold.
    """
    share, debris, drop = (row.values[AT_START.index(name)] for name in ("any", "debris_m", "drop_m"))
    share *= min(1.0, row.cells * cell_m**2 / slab_class(size).area_m2)
    return (
        -round(share, 6),
        -round(float(np.nan_to_num(debris)), 6),
        -round(float(np.nan_to_num(drop)), 6),
        row.block,
        row.number,
    )


@dataclass(frozen=True, eq=False)
class Mosaic:
    """The rasters of the area on one window.

    Attributes
    ----------
    window : Window
    reached, peak_speed_m_s, zone_count : ndarray
        NaN where there is no ground.
    at_start : ndarray, shape (len(AT_START), rows, columns)
    """

    window: Window
    reached: FloatArray
    peak_speed_m_s: FloatArray
    zone_count: FloatArray
    at_start: npt.NDArray[np.float32]


def mosaics(view: AreaView) -> Iterator[Mosaic]:
    """The rasters of the area, tile by tile; each holds what came from all tiles around it."""
    windows = {square: view.kept.windows(square) for square in view.squares}
    latest: dict[Window, Tile] = {}
    for square in view.squares:
        core = windows[square][0].cut(view.question.shown)
        if core.empty:
            continue
        gathered = Gathered(core)
        own: Tile | None = None
        for other, (_, window) in windows.items():
            if window.cut(core).empty:
                continue
            tile = latest.pop(other, None) or view.kept.get(other)
            latest[other] = tile
            while len(latest) > KEPT_TILES:
                latest.pop(next(iter(latest)))
            gathered.add(window, tile.mask, tile.fastest, tile.zones)
            own = tile if other == square else own
        if own is None:
            own = view.kept.get(square)
        yield _mosaic(view, own, core, gathered)


def _mosaic(view: AreaView, own: Tile, core: Window, gathered: Gathered) -> Mosaic:
    here = core.inside(own.core)
    known = own.known[here]
    share = np.bitwise_count(gathered.mask) / float(view.question.members)
    arrays = (share, gathered.fastest.astype(np.float64), gathered.zones.astype(np.float64))
    reached, fastest, zones = (np.where(known, one, np.nan) for one in arrays)
    return Mosaic(core, reached, fastest, zones, own.start_values[(slice(None), *here)])


def _notes(
    scenario: Scenario, elevation: Elevation, question: Question, bodies: int, zones: list[tuple[ZoneRow, MultiPolygon]]
) -> tuple[str, ...]:
    """All that must be said beside an area."""
    cells = np.array([row.cells for row, _ in zones], float)
    leaves = np.array([row.values[AT_START.index("leaves")] for row, _ in zones], float)
    gone = float((cells * leaves).sum() / cells.sum()) if zones else 0.0
    cell = elevation.cell_m
    spacing = max(cell, question.spacing_m)
    blind = traps.invisible_note(cell, layers_reader(scenario.ground)(_corner(elevation)))
    far = FARTHEST_M[scenario.snow.size]
    around = "" if question.starting == question.shown else f" up to {far:.0f} m around the area"
    notes = [
        *about_grid(elevation.crs, ""),
        *elevation.notes,
        BODIES,
        STEEPER,
        (
            f"{bodies} bodies were run: one start every {spacing:.0f} m of start-zone terrain{around}, "
            f"{question.members} events of size {scenario.snow.size}; start zones are cut at ribs, rolls, gully beds "
            "and on a lattice of 250 m"
        ),
        *([] if zones else [f"no start zone of 28 to 55 degrees was found on cells of {cell:g} m"]),
        *(
            [f"{percent(gone)} of the bodies leave the elevation model: where they would stop is not known"]
            if gone >= 0.005
            else []
        ),
        *([blind] if blind else []),
        *ALWAYS,
    ]
    return sentences(tuple(notes))


def _corner(elevation: Elevation) -> Grid:
    """A few cells, to ask which ground layers were given."""
    heights = heights_of_model(elevation)
    e = heights.extent
    return heights.grid(Window(e.top, e.left, min(e.top + 3, e.bottom), min(e.left + 3, e.right)))
