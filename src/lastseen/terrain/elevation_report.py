"""The door to elevation: heights come only with a report of what is doubtful about them.

A model that does not declare its no-data value hides it among the heights; tiles of two height datums meet in a step;
a hillshade or a model of tree tops is read as ground. Everything worked out on such heights looks like a result.
Findings of severity "refuse" stop the work unless somebody accepts them; the others stand first in the notes of a
result. Heights are never changed. All thresholds are design choices, measured on clean and spoiled models
(`tests/faults`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from lastseen.core import (
    BoolArray,
    FloatArray,
    Grid,
    InputError,
    datum_shift_m,
    map_in_threads,
    percent,
    to_lonlat,
    transformation_at,
    transformer,
)
from lastseen.terrain import elevation_report_kernels as kernels
from lastseen.terrain.elevation import Box, Elevation, Piece, RawWindow, applied, read_raw_window

Severity = Literal["refuse", "warn", "note"]
ORDER: tuple[Severity, ...] = ("refuse", "warn", "note")
MOST_PLACES = 60  # of a finding that are kept for a picture
STRIP_CELLS = 9_000_000  # a larger model is looked at in strips
ANYWAY = "--accept-doubtful-heights works on them all the same"


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something doubtful about heights."""

    kind: str  # a key of ``_WORDS``
    severity: Severity
    count: int  # cells, patches or lines
    size_m: float  # of the worst: metres off, height of a step, or what the words of the kind say
    places_m: tuple[tuple[float, float], ...]  # map metres, the worst first; none where it is everywhere
    about: str = ""  # what the words of the kind add

    def joined(self, other: Finding) -> Finding:
        """Both together, where kind and severity agree; the worse tells size and place.

        What lies in both, since windows overlap, counts once as far as its places are kept.
        """
        worse, better = (self, other) if abs(self.size_m) >= abs(other.size_m) else (other, self)
        places = {(round(x, 2), round(y, 2)): (x, y) for x, y in reversed((*worse.places_m, *better.places_m))}
        twice = len(worse.places_m) + len(better.places_m) - len(places)
        worst_first = tuple(reversed(places.values()))
        return replace(worse, count=self.count + other.count - twice, places_m=worst_first[:MOST_PLACES])


@dataclass(frozen=True, kw_only=True)
class ElevationReport:
    """What was found about the heights of a box."""

    elevation: Elevation
    box: Box  # what was looked at, map metres
    cells: int
    known: int  # cells with a height
    range_m: tuple[float, float]  # lowest and highest height
    findings: tuple[Finding, ...]  # the most severe first

    @property
    def notes(self) -> tuple[str, ...]:
        """A sentence for each finding: what, where, what to do."""
        return tuple(describe_finding(finding, self.elevation) for finding in self.findings)

    @property
    def refused(self) -> tuple[Finding, ...]:
        """Findings that stop the work unless somebody accepts them."""
        return tuple(finding for finding in self.findings if finding.severity == "refuse")

    def joined(self, other: ElevationReport) -> ElevationReport:
        """The report of both boxes."""
        a, b = self.box, other.box
        return replace(
            self,
            box=(min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3])),
            cells=self.cells + other.cells,
            known=self.known + other.known,
            range_m=(min(self.range_m[0], other.range_m[0]), max(self.range_m[1], other.range_m[1])),
            findings=_joined((*self.findings, *other.findings)),
        )


@dataclass(frozen=True, kw_only=True)
class CheckedGround:
    """Heights of a window with their report."""

    grid: Grid  # metres; NaN is no data
    report: ElevationReport


def read_ground(elevation: Elevation, box: Box) -> CheckedGround:
    """Heights in metres for the cells of a box (map metres), and what is doubtful about them.

    Raises
    ------
    InputError
        The box does not touch the model, or the heights are no ground and nobody accepted them.
    ResourceError
        More cells than are read in one go.
    """
    raw = read_raw_window(elevation, box)
    report = report_window(elevation, raw)
    if raw.grid.values.size < NATURE_CELLS**2:
        local = [finding for finding in report.findings if finding.kind not in NATURE]
        report = replace(report, findings=_joined((*local, *_nature_around(elevation, raw.grid))))
    require_sound(report)
    return CheckedGround(grid=raw.grid, report=report)


NATURE_CELLS = 250  # side of the ground that shows what kind of values a file holds
NATURE = ("no elevation", "steep", "flat", "whole")


def _nature_around(elevation: Elevation, grid: Grid) -> tuple[Finding, ...]:
    """What kind of values the file holds around a window that is too small to show it."""
    west, south, east, north = grid.bounds
    more = 0.5 * NATURE_CELLS * elevation.cell_m
    wider = report_window(elevation, read_raw_window(elevation, (west - more, south - more, east + more, north + more)))
    return tuple(finding for finding in wider.findings if finding.kind in NATURE)


def inspect_ground(elevation: Elevation, box: Box | None = None) -> ElevationReport:
    """Look at the heights of a box, or of the whole model, in strips; refuses nothing."""
    west, south, east, north = elevation.snapped(box or elevation.bounds_m)
    c = elevation.cell_m
    columns = max(1, round((east - west) / c))
    wide = min(columns, 6000)
    rows = max(kernels.SIDE * 2, STRIP_CELLS // wide)
    whole: ElevationReport | None = None
    y = north
    while y > south + 0.5 * c:
        x = west
        low = max(south, y - rows * c)
        low = south if low - south < kernels.SIDE * c else low  # no sliver at the end
        while x < east - 0.5 * c:
            right = min(east, x + wide * c)
            right = east if east - right < kernels.SIDE * c else right
            report = report_window(elevation, read_raw_window(elevation, (x, low, right, y)))
            whole = report if whole is None else whole.joined(report)
            x = right
        y = low
    if whole is None:
        raise InputError("the place lies outside the elevation model")
    return whole


def require_sound(report: ElevationReport) -> None:
    """InputError if the heights are no ground and nobody accepted them."""
    if report.refused and not report.elevation.accept_doubtful:
        texts = "; ".join(describe_finding(finding, report.elevation) for finding in report.refused[:3])
        raise InputError(f"the heights are doubtful: {texts}. {ANYWAY}")


def describe_finding(finding: Finding, elevation: Elevation) -> str:
    """A finding as a clause: what, where, what to do."""
    return _WORDS[finding.kind].format(
        n=finding.count, size=f"{abs(finding.size_m):.{0 if abs(finding.size_m) >= 10 else 1}f}",
        cells="1 cell lies" if finding.count == 1 else f"{finding.count} cells lie",
        patches="1 patch" if finding.count == 1 else f"{finding.count} patches",
        lines="1 line" if finding.count == 1 else f"{finding.count} lines",
        where=_where(finding, elevation), about=finding.about, cell=f"{elevation.cell_m:g}",
    )  # fmt: skip


def _where(finding: Finding, elevation: Elevation) -> str:
    if not finding.places_m:
        return ""
    worst = to_lonlat(*finding.places_m[0], elevation.crs).notations()["lonlat"]
    return f" at {worst}" if finding.count == 1 else f", the worst at {worst}"


_WORDS = {
    "picture": (
        "{about} holds a picture and no heights (its bands are colours): name the elevation model"
    ),
    "no elevation": (
        "the values run from {about} and change from cell to cell as heights of ground do not: this looks like a "
        "hillshade, a slope map or a picture and not like elevation; name the elevation model itself"
    ),
    "empty": "the elevation model has no heights at all: every cell is without data",
    "flat": "every height is exactly {about} m: the model shows no ground, only a level plane",
    "impossible": "{about}",
    "sink": (
        "{cells} far below all neighbours (by {size} m{where}): it may be an undeclared no-data value; declare it in "
        "the file or fill the cells"
    ),
    "spike": (
        "{cells} far above all neighbours (by {size} m{where}): it may be an undeclared no-data value, a mast or an "
        "error; look there"
    ),
    "shared extreme": (
        "{n} cells are exactly {about} m and nothing else is within {size} m of that{where}: it may be an undeclared "
        "no-data value; declare it in the file"
    ),
    "plateau": (
        "{patches} of one exact height stand{about} against the ground around, by {size} m{where}: it may be an "
        "undeclared no-data value, a filled gap or a roof; look there"
    ),
    "step": (
        "the heights step by {size} m along {lines} straight as tiles are cut, {about} m long{where}: tiles with "
        "different datums of height, or edited in pieces; bring all tiles to one datum"
    ),
    "file step": (
        "the heights step by {size} m where {about} meet{where}: files with different datums or units of height; bring "
        "them to one"
    ),
    "line": (
        "{lines} of cells out of place between their neighbours (by {size} m{where}): rows or columns are missing, "
        "doubled or moved"
    ),
    "repeated": "{lines} of cells equal to the one before, cell for cell{where}: the model was stretched or damaged",
    "whole": (
        "heights come in steps of {size} m: on cells of {cell} m slopes are stairs, wrong by up to {about} degrees, "
        "and start zones and traps with them; use a model with decimals"
    ),
    "canopy": (
        "{about} of the ground is as rough as tree tops{where}: this looks like a surface "
        "model with trees, where snow runs shorter and start zones are hidden; use a model of the bare ground"
    ),
    "steep": (
        "{about} of the ground is steeper than 60 degrees, more than mountains are: if the heights are in feet say so "
        "with --z-unit ft"
    ),
}  # fmt: skip


def _joined(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings of one kind and severity together, the most severe first."""
    kept: dict[tuple[str, str], Finding] = {}
    for finding in findings:
        key = (finding.kind, finding.severity)
        kept[key] = kept[key].joined(finding) if key in kept else finding
    kinds = list(_WORDS)
    return tuple(sorted(kept.values(), key=lambda found: (ORDER.index(found.severity), kinds.index(found.kind))))


# ---- Looking at one window

LEAST_CELLS = 2500  # fewer show no statistics


def report_window(elevation: Elevation, raw: RawWindow) -> ElevationReport:
    """The report of a window that was read."""
    grid = raw.grid
    tallies = [_tally(piece) for piece in raw.pieces]
    found = [_finding("picture", "refuse", about=name) for name in elevation.pictures]
    found += [_finding("impossible", "warn", about=text) for text in dict.fromkeys(raw.impossible)]
    known = int(np.isfinite(grid.values).sum())
    if known == 0:
        found.append(_finding("empty", "warn"))
    for piece, counted in zip(raw.pieces, tallies, strict=True):
        if counted.known:
            found += _of_piece(elevation, piece, counted)
    if int(raw.owner.max(initial=0)) > 1 or (raw.owner == 0).any():
        found += _file_steps(elevation, raw)
    return ElevationReport(
        elevation=elevation,
        box=grid.bounds,
        cells=grid.values.size,
        known=known,
        range_m=(min(t.lowest for t in tallies), max(t.highest for t in tallies)) if tallies else (math.nan, math.nan),
        findings=_joined(found),
    )


def _finding(kind: str, severity: Severity, *, count: int = 1, size_m: float = 0.0, about: str = "",
             places: Sequence[tuple[float, float]] = ()) -> Finding:  # fmt: skip
    return Finding(
        kind=kind, severity=severity, count=count, size_m=float(size_m), about=about,
        places_m=tuple(places[:MOST_PLACES]),
    )  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class _Tally:
    """What was counted over a piece."""

    known: int
    whole: int  # cells with a whole number of metres
    sloped: int
    steep: int
    variance: FloatArray  # mean square of the differences over 1, 8 and 32 cells
    lowest: float
    highest: float
    far: FloatArray  # the greatest residual of each block from the four cells beside
    typical: FloatArray  # the mean of them
    rough: FloatArray  # share of rough cells of each block; NaN where a block has too few
    equal: kernels.LongArray


STEEP_DEG = 60.0
ROUGH_M = 2.0


def _tally(piece: Piece) -> _Tally:
    z = np.ascontiguousarray(piece.heights)
    ny, nx = z.shape
    side = kernels.SIDE
    shape = (-(-ny // side), -(-nx // side))
    far, rough = np.zeros((2, *shape)), np.zeros((shape[0], 2 * shape[1]), np.int64)
    equal = np.zeros(shape, np.int64)
    steps = (*piece.cell_m, ROUGH_M, math.tan(math.radians(STEEP_DEG)) ** 2)
    step = 4 * side

    def work(first: int) -> tuple[kernels.LongArray, FloatArray, FloatArray]:
        counts, sums = np.zeros(4, np.int64), np.zeros(6)
        ends = np.stack([np.full(nx, np.inf), np.full(nx, -np.inf)])
        kernels.tally(z, first, min(first + step, ny), steps, counts, sums, ends, far, rough, equal)
        return counts, sums, ends

    parts = map_in_threads(work, range(0, ny, step))
    counts = np.sum([part[0] for part in parts], axis=0)
    sums = np.sum([part[1] for part in parts], axis=0)
    judged = rough[:, shape[1] :]
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = np.asarray(sums[0::2]) / np.asarray(sums[1::2])
        share = np.where(judged >= side * side // 8, rough[:, : shape[1]] / judged, np.nan)
    return _Tally(
        known=int(counts[0]),
        whole=int(counts[1]),
        sloped=int(counts[2]),
        steep=int(counts[3]),
        variance=variance,
        lowest=min(float(part[2][0].min()) for part in parts),
        highest=max(float(part[2][1].max()) for part in parts),
        far=far[0],
        typical=far[1] / np.maximum(judged, 1),
        rough=share,
        equal=equal,
    )


def _of_piece(elevation: Elevation, piece: Piece, counted: _Tally) -> Iterator[Finding]:
    """All findings about heights on one lattice."""
    if counted.lowest == counted.highest:
        if counted.known >= LEAST_CELLS:
            yield _finding("flat", "warn", about=f"{counted.lowest:g}")
        return
    strange = list(_statistics(elevation, counted))
    yield from strange
    if any(finding.kind == "no elevation" for finding in strange):
        return
    quantum = _quantum(piece, counted)
    yield from _stairs(piece, quantum)
    yield from _shared_extremes(elevation, piece, counted)
    repeated = list(_repeated(elevation, piece))
    yield from repeated
    if sum(finding.count for finding in repeated) > STRETCHED * sum(piece.heights.shape):
        return  # every cell is doubled: what follows would find that again
    canopy = list(_canopy(elevation, piece, counted))
    yield from canopy
    lone = list(_lone(elevation, piece, counted, spikes=not canopy))
    lone += _plateaus(elevation, piece, counted, quantum)
    yield from lone
    if not canopy:
        lines = _lines(elevation, piece, quantum)
        yield from (finding for finding in lines if finding.kind != "line" or not lone)


def _at(elevation: Elevation, piece: Piece, row: float, col: float) -> tuple[float, float]:
    """Map metres of the middle of a cell."""
    x, y = applied(piece.transform, col + 0.5, row + 0.5)
    if piece.crs != elevation.crs:
        x, y = transformer(piece.crs, elevation.crs).transform(x, y)
    return float(x), float(y)


def _cell(piece: Piece) -> float:
    return math.sqrt(piece.cell_m[0] * piece.cell_m[1])


# A surface with the roughness of ground spreads over more height the farther one looks: the mean square of differences
# grows as distance to the power 2 H, with H 0.6 to 0.9 for ground (self-affine surfaces, Mandelbrot 1975; from memory).
# Slopes, shades and pictures soon stop growing.
ANGLES_AND_BYTES = 400.0  # no value beyond it: degrees, per cent of moderate slopes, bytes
# Of the root mean square difference from 1 to 32 cells: clean made terrains 9.8 and more, real ones 22, shades and
# slopes on cells of 2 m 6.4 to 8.7, on 10 m less. Heights stored in bytes are rare, and must look more like ground.
LEAST_GROWTH, LEAST_GROWTH_OF_BYTES = 9.2, 14.0
MOST_STEEP = 0.2  # share of the ground


def _statistics(elevation: Elevation, counted: _Tally) -> Iterator[Finding]:
    """Values that are no elevation, and heights in feet."""
    if counted.known < LEAST_CELLS:
        return
    if max(abs(counted.lowest), abs(counted.highest)) <= ANGLES_AND_BYTES and counted.variance[0] > 0.0:
        growth = math.sqrt(float(counted.variance[2] / counted.variance[0]))
        if growth < (LEAST_GROWTH_OF_BYTES if any(sheet.bytes_only for sheet in elevation.sheets) else LEAST_GROWTH):
            yield _finding("no elevation", "refuse", about=f"{counted.lowest:g} to {counted.highest:g}", size_m=growth)
    share = counted.steep / max(1, counted.sloped)
    if share > MOST_STEEP and not any(sheet.z_stated for sheet in elevation.sheets):
        yield _finding("steep", "warn", about=percent(share), size_m=share)


QUANTA = (10.0, 5.0, 3.048, 2.0, 1.0, 0.5, 0.3048, 0.25, 0.1)
STAIRS = 0.04  # of a cell: a step of so much is a slope of 2.3 degrees


def _quantum(piece: Piece, counted: _Tally) -> float:
    """The step that all heights are multiples of, metres; 0 where there is none."""
    z = piece.heights
    some = z[:: max(1, z.shape[0] // 200), :: max(1, z.shape[1] // 200)]
    some = some[np.isfinite(some)]
    if some.size < 20 or np.ptp(some) == 0.0:
        return 0.0
    for step in QUANTA:
        if step == 1.0 and counted.whole < 0.99 * counted.known:
            continue
        parts = some / step
        if (abs(parts - np.rint(parts)) < 1e-3).mean() > 0.99:
            return step
    return 0.0


def _stairs(piece: Piece, quantum: float) -> Iterator[Finding]:
    cell = _cell(piece)
    if quantum > STAIRS * cell:
        about = f"{math.degrees(math.atan(0.5 * quantum / cell)):.0f}"
        yield _finding("whole", "warn", size_m=quantum, about=about)


LEAST_GAP_M = 5.0


def _shared_extremes(elevation: Elevation, piece: Piece, counted: _Tally) -> Iterator[Finding]:
    """Several cells at one exact lowest or highest height, and a gap to all others that joined ground does not have."""
    z = np.ascontiguousarray(piece.heights)
    counts = np.zeros(2, np.int64)
    beside = np.stack([np.full(z.shape[1], np.inf), np.full(z.shape[1], -np.inf)])
    kernels.beside_extremes(z, counted.lowest, counted.highest, counts, beside)
    ends = ((counted.lowest, float(beside[0].min()), 0), (counted.highest, float(beside[1].max()), 1))
    for value, following, k in ends:
        gap = abs(following - value)
        least = max(LEAST_GAP_M, 1.5 * _cell(piece), 0.02 * (counted.highest - counted.lowest))
        if counts[k] > 1 and math.isfinite(gap) and gap >= least:
            row, col = np.unravel_index(int(np.argmax(z == value)), z.shape)
            severity: Severity = "refuse" if gap >= 4.0 * least or counts[k] > 100 else "warn"
            yield _finding(
                "shared extreme", severity, count=int(counts[k]), size_m=gap, about=f"{value:g}",
                places=[_at(elevation, piece, float(row), float(col))],
            )  # fmt: skip


STRETCHED = 0.1  # of the rows and columns
CANOPY_CELL_M = 6.5  # coarser cells blur trees
BARE_CELL_M, MOST_ROUGH = 3.0, 0.5  # on cells up to this no bare ground is rough on so many blocks
CANOPY_SHARE, OPEN_SHARE, LEAST_CANOPY = 0.15, 0.01, 0.02  # rough cells of a block, of an open one; share of blocks


def _canopy(elevation: Elevation, piece: Piece, counted: _Tally) -> Iterator[Finding]:
    """Blocks as rough as tree tops beside open ones."""
    judged = np.isfinite(counted.rough)
    if _cell(piece) > CANOPY_CELL_M or judged.sum() < 4:
        return
    with np.errstate(invalid="ignore"):
        rough, smooth = counted.rough >= CANOPY_SHARE, counted.rough <= OPEN_SHARE
    share = float(rough.sum() / judged.sum())
    beside_open = share >= LEAST_CANOPY and rough.sum() >= 2 and smooth.sum() >= LEAST_CANOPY * judged.sum()
    if beside_open or (share >= MOST_ROUGH and _cell(piece) <= BARE_CELL_M):
        half = 0.5 * kernels.SIDE
        order = np.argsort(-np.where(rough, counted.rough, 0.0), axis=None)[: int(rough.sum())]
        rows, cols = np.unravel_index(order[:MOST_PLACES], rough.shape)
        places = [
            _at(elevation, piece, float(min(r * 2 * half + half, piece.heights.shape[0] - 1)),
                float(min(c * 2 * half + half, piece.heights.shape[1] - 1)))
            for r, c in zip(rows, cols, strict=True)
        ]  # fmt: skip
        yield _finding("canopy", "warn", count=int(rough.sum()), size_m=share, places=places,
                       about=percent(share))  # fmt: skip


LONE_M, LONE_CELLS = 5.0, 2.0
LONE_TYPICAL, LONE_SPREADS = 8.0, 5.0  # times the mean residual of the block, and the spread of what is around
SEVERE_SINK, SEVERE_SPIKE = (20.0, 3.0), (50.0, 6.0)  # metres and cells


def _lone(elevation: Elevation, piece: Piece, counted: _Tally, *, spikes: bool) -> Iterator[Finding]:
    z, cell = np.ascontiguousarray(piece.heights), _cell(piece)
    least = np.maximum(max(LONE_M, LONE_CELLS * cell), LONE_TYPICAL * counted.typical)
    step = kernels.SIDE * 4

    def work(first: int) -> tuple[int, FloatArray]:
        out = np.empty((2000, 3))
        number = kernels.lone_cells(z, first, min(first + step, z.shape[0]), counted.far, least, LONE_SPREADS, out)
        return number, out[: min(number, 2000)]

    parts = map_in_threads(work, range(0, z.shape[0], step))
    cells = np.concatenate([part[1] for part in parts])
    cells = np.concatenate([cells, _lone_on_frame(z, max(FRAME_M, FRAME_CELLS * cell))])
    cells = cells[np.argsort(-abs(cells[:, 2]), kind="stable")]
    for kind, off, severe in (
        ("sink", cells[cells[:, 2] < 0], SEVERE_SINK),
        ("spike", cells[cells[:, 2] > 0], SEVERE_SPIKE),
    ):
        if len(off) == 0 or (kind == "spike" and not spikes):
            continue
        severity: Severity = "refuse" if abs(off[0, 2]) >= max(severe[0], severe[1] * cell) else "warn"
        places = [_at(elevation, piece, float(r), float(c)) for r, c, _ in off[:MOST_PLACES]]
        yield _finding(kind, severity, count=len(off), size_m=float(off[0, 2]), places=places)


FRAME_M, FRAME_CELLS = 30.0, 3.0


def _lone_on_frame(z: FloatArray, apart_m: float) -> FloatArray:
    """Cells of the outermost rows and columns that lie far off all of their neighbours: row, column, by how much."""
    ny, nx = z.shape
    if min(ny, nx) < 3:
        return np.empty((0, 3))
    frame = [(r, c) for r in (0, ny - 1) for c in range(nx)] + [(r, c) for c in (0, nx - 1) for r in range(1, ny - 1)]
    rows, cols = np.array(frame).T
    low, high = np.full(rows.size, np.inf), np.full(rows.size, -np.inf)
    for dr, dc in ((a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if a or b):
        r, c = rows + dr, cols + dc
        inside = (r >= 0) & (r < ny) & (c >= 0) & (c < nx)
        off = np.where(inside, z[rows, cols] - z[np.clip(r, 0, ny - 1), np.clip(c, 0, nx - 1)], np.nan)
        low, high = np.fmin(low, off), np.fmax(high, off)
    lone = ((low > apart_m) | (high < -apart_m)) & np.isfinite(low)
    return np.column_stack([rows, cols, np.where(low > 0.0, low, high)])[lone]


PIT_SHARE, CROSS_SHARE = 0.6, 0.15  # of the rim
LEAST_PLATEAU = 4


def _plateaus(elevation: Elevation, piece: Piece, counted: _Tally, quantum: float) -> Iterator[Finding]:
    """Patches of one exact height that the ground around does not fit: walls all around, or a shelf across a slope."""
    if not counted.equal.any():
        return
    z, cell = np.ascontiguousarray(piece.heights), _cell(piece)
    least = (max(1.0, 0.4 * cell, 1.6 * quantum), max(2.0, 0.6 * cell, 1.6 * quantum))
    out = np.empty((2000, 7))
    number = kernels.plateaus(z, counted.equal, least, np.zeros(z.shape, np.uint8), np.empty(z.size, np.int64), out)
    for severity in ("refuse", "warn"):
        patches = []
        for row, col, cells, rim, low, high, size in out[: min(number, 2000)].tolist():
            walls = low / max(rim, 1.0) >= PIT_SHARE or high / max(rim, 1.0) >= PIT_SHARE
            across = min(low, high) / max(rim, 1.0) >= CROSS_SHARE
            if cells < LEAST_PLATEAU or not (walls or across):
                continue
            severe = size >= max(10.0, 1.5 * cell)
            if severe == (severity == "refuse"):
                patches.append((size, cells, row, col))
        if patches:
            patches.sort(reverse=True)
            places = [_at(elevation, piece, row, col) for _, _, row, col in patches[:MOST_PLACES]]
            about = f" ({sum(patch[1] for patch in patches):.0f} cells)"
            yield _finding("plateau", severity, count=len(patches), size_m=patches[0][0], about=about, places=places)


LEAST_STEP_M, STEP_TO_NEIGHBOURS, ONE_SIDED = 0.5, 4.0, 0.9
SEVERE_STEP = (2.0, 0.2)  # metres and cells
LEAST_LINE = 100  # cells along a line
LINE_RATIO = 4.0


def _lines(elevation: Elevation, piece: Piece, quantum: float) -> Iterator[Finding]:
    """Steps along straight lines, lines that do not fit, and lines that repeat."""
    z = np.ascontiguousarray(piece.heights)
    ny, nx = z.shape
    if min(ny, nx) < 24:
        return
    side = kernels.SIDE
    columns, rows = np.zeros((-(-ny // side), 4, nx)), np.zeros((4, -(-nx // side), ny))
    tops = range(0, ny, side)

    def work(first: int) -> None:
        kernels.steps_between_columns(z, first, min(first + side, ny), columns[first // side])
        kernels.steps_between_rows(z, first, min(first + side, ny), rows)

    map_in_threads(work, tops)
    found: list[Finding] = []
    for sums, down in ((np.ascontiguousarray(columns.transpose(1, 0, 2)), True), (rows, False)):
        found += _steps_along(elevation, piece, sums, down=down, quantum=quantum)
    yield from found


def _repeated(elevation: Elevation, piece: Piece) -> Iterator[Finding]:
    """Rows and columns that equal the one before."""
    z = np.ascontiguousarray(piece.heights)
    ny, nx = z.shape
    for number, down in ((_repeats(z, down=True), True), (_repeats(z, down=False), False)):
        lines = np.flatnonzero(number >= 32)
        if lines.size:
            middle = (nx if not down else ny) / 2.0
            ends = [(middle, float(k)) if down else (float(k), middle) for k in lines[:MOST_PLACES].tolist()]
            places = [_at(elevation, piece, r, c) for r, c in ends]
            yield _finding("repeated", "warn", count=int(lines.size), size_m=float(lines.size), places=places)


def _repeats(z: FloatArray, *, down: bool) -> kernels.LongArray:
    """Known cells of each column (``down``) or row that equals the one before."""
    out = np.zeros(z.shape[1] if down else z.shape[0], np.int64)
    (kernels.repeated_columns if down else kernels.repeated_rows)(z, out)
    return out


def _around(values: FloatArray) -> FloatArray:
    """Mean of the middle two of the lines 3 and 6 away on both sides, along the last axis; of fewer at an edge."""
    width = values.shape[-1]
    stack = np.full((4, *values.shape), np.nan)
    for number, k in enumerate((-6, -3, 3, 6)):
        if abs(k) < width:
            to, of = (slice(0, width - k), slice(k, width)) if k > 0 else (slice(-k, width), slice(0, width + k))
            stack[number][..., to] = values[..., of]
    known = np.isfinite(stack)
    count = known.sum(axis=0)
    total = np.where(known, stack, 0.0).sum(axis=0)
    ends = np.fmin.reduce(stack) + np.fmax.reduce(stack)
    with np.errstate(invalid="ignore", divide="ignore"):
        around: FloatArray = np.where(count >= 3, (total - ends) / (count - 2), total / count)
    return around


def _steps_along(
    elevation: Elevation, piece: Piece, sums: FloatArray, *, down: bool, quantum: float
) -> Iterator[Finding]:
    """Steps of one sign along a line, and lines that stand out as a whole; ``sums``: shape (4, pieces, lines)."""
    cell = _cell(piece)
    total, size, positive, number = sums
    least = max(LEAST_STEP_M, 1.1 * quantum)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, typical = total / number, size / number
        one_sided = np.maximum(positive, number - positive) >= ONE_SIDED * number
        stands_out = (number >= 32) & one_sided & (abs(mean) >= least)
        stands_out &= abs(mean) >= STEP_TO_NEIGHBOURS * _around(np.where(number >= 16, typical, np.nan))
    steps: list[Step] = []
    for line in np.flatnonzero(stands_out.any(axis=0)).tolist():
        steps += _runs(stands_out[:, line], mean[:, line], number[:, line], line)
    steps = _highest(steps)
    limit = max(SEVERE_STEP[0], SEVERE_STEP[1] * cell)
    severities: tuple[Severity, Severity] = ("refuse", "warn")
    for severity in severities:
        chosen = [step for step in steps if (abs(step[1]) >= limit) == (severity == "refuse")]
        if chosen:
            chosen.sort(key=lambda step: -abs(step[1]))
            along = piece.cell_m[1] if down else piece.cell_m[0]
            places = [
                _line_place(elevation, piece, line, (first + k + 0.5) * kernels.SIDE, down=down)
                for length, _, line, first in chosen
                for k in range(max(1, round(length / kernels.SIDE)))
            ]
            yield _finding(
                "step", severity, count=len(chosen), size_m=chosen[0][1], about=f"{chosen[0][0] * along:.0f}",
                places=places,
            )  # fmt: skip
    seams = {int(step[2]) for step in steps}
    many = number.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        whole = np.where(many >= LEAST_LINE, size.sum(axis=0) / many, np.nan)
        odd = whole >= np.maximum(least, LINE_RATIO * _around(whole))
    odd_lines = [
        line
        for line in np.flatnonzero(odd).tolist()
        if not any(abs(line - seam) <= 2 for seam in seams)
        and whole[line] >= np.nanmax(whole[max(0, line - 2) : line + 3])
    ]
    if odd_lines:
        odd_lines.sort(key=lambda line: -whole[line])
        middle = float(sums.shape[1] * kernels.SIDE) / 2.0
        places = [_line_place(elevation, piece, float(line), middle, down=down) for line in odd_lines]
        yield _finding("line", "warn", count=len(odd_lines), size_m=float(whole[odd_lines[0]]), places=places)


def _line_place(elevation: Elevation, piece: Piece, line: float, along: float, *, down: bool) -> tuple[float, float]:
    """Map metres of a place on a line."""
    ny, nx = piece.heights.shape
    if down:
        return _at(elevation, piece, min(along, ny - 1.0), line + 0.5)
    return _at(elevation, piece, line + 0.5, min(along, nx - 1.0))


Step = tuple[float, float, float, int]  # length in cells, metres, line, first piece


def _runs(marked: BoolArray, mean: FloatArray, number: FloatArray, line: int) -> Iterator[Step]:
    """Pieces of a line, one after the other, that step to the same side."""
    k = 0
    known = float(number.sum())
    while k < marked.size:
        if not marked[k]:
            k += 1
            continue
        first = k
        while k < marked.size and marked[k] and (mean[k] > 0) == (mean[first] > 0):
            k += 1
        length = float(number[first:k].sum())
        if length >= LEAST_LINE or length >= max(40.0, 0.8 * known):
            yield length, float((mean[first:k] * number[first:k]).sum() / length), float(line), first


def _highest(steps: Sequence[Step]) -> list[Step]:
    """Of steps on lines beside each other only the highest: a step shows on three boundaries."""
    return [
        step
        for step in steps
        if not any(0 < abs(step[2] - other[2]) <= 2 and abs(other[1]) > abs(step[1]) for other in steps)
    ]


MOST_SEAM_CELLS = 200_000


def _file_steps(elevation: Elevation, raw: RawWindow) -> Iterator[Finding]:
    """Steps where the next cell comes from another file, whatever way the seam runs."""
    out = np.empty((MOST_SEAM_CELLS, 5))
    number = min(kernels.steps_between_files(raw.grid.values, raw.owner, out), MOST_SEAM_CELLS)
    seam = out[:number]
    limit = max(SEVERE_STEP[0], SEVERE_STEP[1] * elevation.cell_m)
    for low, high in sorted({(int(a), int(b)) for a, b in seam[:, 2:4].tolist() if a > 0}):
        steps = seam[(seam[:, 2] == low) & (seam[:, 3] == high)]
        if len(steps) < 20:
            continue
        middle = float(np.median(steps[:, 4]))
        spread = 1.4826 * float(np.median(abs(steps[:, 4] - middle)))
        if abs(middle) < max(2.0 * LEAST_STEP_M, spread, 0.1 * elevation.cell_m):
            continue
        some = steps[:: max(1, len(steps) // MOST_PLACES), :2]
        x, y = raw.grid.centre_of(*np.concatenate([some[len(some) // 2 :], some[: len(some) // 2]]).T)
        yield _finding(
            "file step", "refuse" if abs(middle) >= limit else "warn", size_m=middle, about="two files",
            places=list(zip(x.tolist(), y.tolist(), strict=True)),
        )  # fmt: skip


def report_facts(report: ElevationReport) -> dict[str, Any]:
    """The report as plain values."""
    elevation = report.elevation
    way = transformation_at(elevation.crs, elevation.middle)
    return {
        "files": [sheet.path.name for sheet in elevation.sheets],
        "crs_of_files": sorted({sheet.crs.name for sheet in elevation.sheets}),
        "crs": elevation.crs.name,
        "datum_shift_to_wgs84_m": round(datum_shift_m(elevation.crs, elevation.middle), 1),
        "transformation_to_wgs84": way.name if way else None,
        "transformation_accuracy_m": way.accuracy_m if way else 0.0,
        "better_grids_not_installed": list(way.missing_grids) if way else [],
        "cell_m": elevation.cell_m,
        "metres_per_unit_of_height": sorted({sheet.z_factor for sheet in elevation.sheets}),
        "unit_of_height_stated": all(sheet.z_stated for sheet in elevation.sheets),
        "bounds_m": list(report.box),
        "cells": report.cells,
        "share_without_data": 1.0 - report.known / report.cells if report.cells else None,
        "lowest_m": report.range_m[0] if math.isfinite(report.range_m[0]) else None,
        "highest_m": report.range_m[1] if math.isfinite(report.range_m[1]) else None,
        "refused": bool(report.refused),
        "findings": [
            {
                "kind": finding.kind,
                "severity": finding.severity,
                "count": finding.count,
                "size_m": finding.size_m,
                "text": describe_finding(finding, elevation),
                "places": [list(_degrees(place, elevation)) for place in finding.places_m],
            }
            for finding in report.findings
        ],
    }


def _degrees(place_m: tuple[float, float], elevation: Elevation) -> tuple[float, float]:
    point = to_lonlat(*place_m, elevation.crs)
    return round(point.lon_deg, 6), round(point.lat_deg, 6)
