"""Hollows that hold snow: gullies and creek beds, and closed hollows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.sparse import coo_array, csgraph
from scipy.spatial import cKDTree

from lastseen.core import BoolArray, FloatArray, IntArray, run_over_rows
from lastseen.terrain import fill_hollows, smooth_heights
from lastseen.traps import find_kernels
from lastseen.traps.ground import LIGHT_SMOOTHING_M, VISIBLE_CELL_M, Ground, trap_of_patch
from lastseen.traps.pile_up import OPEN_DEBRIS_M, STRIP_M, describe_pile_up, piled_in_channel_m
from lastseen.traps.shapes import Labels, Patch, Spine, find_patches, find_spines, join_patches, label_connected
from lastseen.traps.trap import Part, Trap

# ---- Pieces of one gully that a short shallow stretch has parted

GAP_M = 20.0  # pieces nearer than this, in line with each other, are one gully; design choice
IN_LINE = 0.75  # cosine of the largest turn across the gap (41 degrees); design choice
END_M = 20.0  # the direction of an end is read over this length; design choice

Piece = tuple[Patch, Spine]


@dataclass(frozen=True, eq=False, kw_only=True)
class End:
    """Where a spine ends (metres down and right on the window), the direction out of it, and its height (m)."""

    place: FloatArray
    out: FloatArray
    height_m: float


def join_pieces(pieces: list[Piece], heights: FloatArray, cell_m: float) -> list[tuple[list[Patch], list[Spine]]]:
    """Group pieces whose upper end runs on into the lower end of another, metres apart at most ``GAP_M``."""
    roots = [_end(spine, heights, cell_m, root=True) for _, spine in pieces]
    heads = [_end(spine, heights, cell_m, root=False) for _, spine in pieces]
    pairs = [
        (lower, upper)
        for lower, upper in permutations(range(len(pieces)), 2)
        if _runs_on(heads[lower], roots[upper], cell_m)
    ]
    if not pairs:
        return [([patch], [spine]) for patch, spine in pieces]
    first, second = zip(*pairs, strict=True)
    links = coo_array((np.ones(len(pairs)), (first, second)), shape=(len(pieces), len(pieces)))
    count, group = csgraph.connected_components(links, directed=False)
    return [
        ([pieces[k][0] for k in np.flatnonzero(group == g)], [pieces[k][1] for k in np.flatnonzero(group == g)])
        for g in range(count)
    ]


def _end(spine: Spine, heights: FloatArray, cell_m: float, *, root: bool) -> End:
    """Read one end of a spine."""
    way = np.stack([spine.rows, spine.cols], axis=1) * cell_m
    at = 0 if root else -1
    if not root:
        way = way[::-1]
    out = way[0] - way[min(len(way) - 1, max(1, int(END_M / cell_m)))]
    return End(
        place=way[0],
        out=out / max(float(np.hypot(*out)), 1e-9),
        height_m=float(heights[spine.rows[at], spine.cols[at]]),
    )


def _runs_on(head: End, root: End, cell_m: float) -> bool:
    """Whether a spine with this upper end runs on into the one with this lower end."""
    gap = root.place - head.place
    if abs(gap[0]) > GAP_M + cell_m or abs(gap[1]) > GAP_M + cell_m or root.height_m < head.height_m - 0.5:
        return False
    gap_m = float(np.hypot(*gap))
    straight = -float(head.out @ root.out)
    if gap_m <= 2.0 * cell_m:
        return straight >= IN_LINE
    return gap_m <= GAP_M + cell_m and min(straight, float(head.out @ gap) / gap_m) >= IN_LINE


# ---- Gullies and creek beds: long hollows between two lips, whose bed falls along their length

REACH_M = 30.0  # lips are sought this far to each side, so a gully is at most 60 m across; design choice
SAMPLE_M = 2.0  # and at this spacing, at least; design choice
LEAN = (
    0.2  # a lip stands out most above a line of this gradient: gentler valley sides are not gully sides; design choice
)
LIP_LEANS = (0.35, LEAN)  # the lip of a steep side first (19 degrees), else that of a gentle one; without a lip within
# reach, ground between gentle sides is a valley and between steep ones a V-shaped gully; design choice
WIDE_M, GENTLE_DEPTH_TO_WIDTH = (
    40.0,
    0.17,
)  # a trough this wide and this shallow between gentle sides is a swale; design choice
LEAST_DEPTH_M = 1.5  # deposit in it can be as deep as very few survive (avalanche centres' glossary, read 2026)
LEAST_DEPTH_COARSE_M = 2.5  # on coarse cells shallower ones are not resolved; design choice
WEAK = 0.6  # a piece this fraction as deep still joins deeper pieces; design choice
STRONG = 0.75  # smoothing takes from a narrow gully: it is sought from here on, and kept by its depth as given
LEAST_LENGTH_M = 30.0  # shorter ones are pits or gaps between rocks; design choice
WEAK_PIECE = 0.3  # a piece this fraction as long still joins others; design choice
LENGTH_TO_WIDTH = 3.0  # a gully is long; design choice
LEAST_FALL = (
    0.03  # mean fall of the bed along its length (1.7 degrees): else it is a closed hollow or flat; design choice
)
UNRESOLVED_CELLS = (
    8.0  # a gully of fewer cells across: they miss its lowest line and its lips, so depths are too small, ...
)
UNRESOLVED_PERCENT = 75.0  # ... and the upper quartile along the bed is reported instead of the median; design choices
MUCH_DEEPER = 1.4  # a deepest part this many times as deep as the middle is reported apart; design choice
PARTS_FROM_M, PART_M = 300.0, 200.0  # longer gullies tell their shares in stretches about this long; design choice
ROUNDS = 4  # side gullies of side gullies are followed this deep; design choice
AXES = ((0, 2), (1, 2), (2, 2), (2, 1), (2, 0), (2, -1), (2, -2), (1, -2))  # half rows and columns a step


@dataclass(frozen=True, eq=False, kw_only=True)
class GullySections:
    """Cross-sections of the window."""

    depth_m: FloatArray  # shape (ny, nx); below the lower lip; 0 where there are no two lips
    bed: BoolArray  # shape (ny, nx); the lowest cells of their cross-sections
    # shape (ny, nx, 5); at bed cells: depth (m), width (m), whether no side has a lip within reach, whether both are
    # gentle (0 or 1), depth to which the standard debris piles up (m)
    measured: FloatArray


def find_gullies(ground: Ground, where: BoolArray) -> list[tuple[Trap, Patch]]:
    """Gullies that touch ``where`` (window shape), side gullies apart from the main one."""
    if ground.cell_m > VISIBLE_CELL_M:
        return []
    least = LEAST_DEPTH_COARSE_M if ground.coarse else LEAST_DEPTH_M
    sections = read_sections(ground, WEAK * least)
    labels, _ = label_connected(sections.depth_m >= WEAK * least)
    strong = np.unique(labels[sections.depth_m >= STRONG * least])
    labels[~np.isin(labels, strong)] = 0
    pieces = _main_stems(ground, sections, labels)
    found = []
    for parts, stems in join_pieces(pieces, ground.light.values, ground.cell_m):
        patch = join_patches(parts)
        if patch.of(where).any():
            gully = _gully(ground, sections, patch, stems, least)
            if gully is not None:
                found.append(gully)
    return found


def read_sections(ground: Ground, weak_m: float) -> GullySections:
    """Cross-sections at every cell, measured closely at the cells of a bed."""
    z, cell_m = ground.light.values, ground.cell_m
    near, far, reach_m, samples = _lines_of_sight(cell_m)
    depth, azimuth = np.zeros(z.shape), np.zeros(z.shape, dtype=np.int8)
    rim = int(max(np.abs(near).max(), np.abs(far).max()))
    framed = np.pad(z, rim, constant_values=np.nan)
    run_over_rows(
        lambda first, last: find_kernels.cross_sections(
            framed, rim, near, far, reach_m, samples, LEAN, first, last, depth, azimuth
        ),
        z.shape[0],
    )
    row, col = _bed_cells(z, depth, azimuth, weak_m)
    bed = np.zeros(z.shape, dtype=np.bool_)
    bed[row, col] = True
    measured = np.full((*z.shape, 5), np.nan)
    measured[row, col] = _measure(ground, row, col)
    return GullySections(depth_m=depth, bed=bed, measured=measured)


def _bed_cells(
    z: FloatArray, depth: FloatArray, azimuth: npt.NDArray[np.int8], weak_m: float
) -> tuple[IntArray, IntArray]:
    """Cells of a gully that are not higher than their two neighbours on its crossing."""
    row, col = np.nonzero(depth >= weak_m)
    step = np.array(AXES)[azimuth[row, col]]
    step = np.sign(step) * (np.abs(step) == 2)  # the nearest whole cell on the crossing
    lowest = np.ones(row.size, dtype=np.bool_)
    for side in (-1, 1):
        r = np.clip(row + side * step[:, 0], 0, z.shape[0] - 1)
        c = np.clip(col + side * step[:, 1], 0, z.shape[1] - 1)
        lowest &= ~(z[r, c] < z[row, col])
    return row[lowest].astype(np.int32), col[lowest].astype(np.int32)


def _measure(ground: Ground, row: IntArray, col: IntArray) -> FloatArray:
    """Depth, width, openness, gentleness and pile-up of the cross-sections at bed cells, see `GullySections`."""
    cell_m = ground.cell_m
    out = np.full((row.size, 5), np.nan)
    step_m = min(1.0, 0.5 * cell_m)
    azimuth = np.linspace(0.0, np.pi, 32, endpoint=False)
    dr, dc = -np.cos(azimuth) * step_m / cell_m, np.sin(azimuth) * step_m / cell_m
    steps = int((REACH_M + cell_m) / step_m + 1e-9)
    for lean in LIP_LEANS:
        todo = np.isnan(out[:, 0])
        part, r, c = out[todo], row[todo], col[todo]
        find_kernels.gully_sections(
            ground.light.values, ground.raw.values, r, c, dr, dc, step_m, steps, lean, OPEN_DEBRIS_M * STRIP_M, part
        )
        part[:, 3] = float(lean == LEAN)
        out[todo] = part
    return out


def _lines_of_sight(cell_m: float) -> tuple[IntArray, IntArray, FloatArray, IntArray]:
    """Two cells whose mean height is the height at each sample, its distance (m), and the number of samples.

    The samples of one azimuth lie exactly on a line, so that a plane has the same rise and fall on its two sides.
    """
    lines: list[list[tuple[tuple[int, int], tuple[int, int], float]]] = []
    for dr, dc in AXES:
        unit_m = 0.5 * cell_m * float(np.hypot(dr, dc))
        stride = max(1, int(SAMPLE_M / unit_m + 1e-9))
        samples = []
        for k in range(stride, int(REACH_M / unit_m + 1e-9) + 1, stride):
            near = (int(np.floor(0.5 * k * dr)), int(np.floor(0.5 * k * dc)))
            far = (int(np.ceil(0.5 * k * dr)), int(np.ceil(0.5 * k * dc)))
            samples.append((near, far, k * unit_m))
        lines.append(samples)
    longest = max(len(samples) for samples in lines)
    unused = ((0, 0), (0, 0), 0.0)
    full = [samples + [unused] * (longest - len(samples)) for samples in lines]
    return (
        np.array([[s[0] for s in line] for line in full], dtype=np.int32),
        np.array([[s[1] for s in line] for line in full], dtype=np.int32),
        np.array([[s[2] for s in line] for line in full]),
        np.array([len(samples) for samples in lines], dtype=np.int32),
    )


def _main_stems(ground: Ground, sections: GullySections, labels: Labels) -> list[tuple[Patch, Spine]]:
    """Peel connected gully ground into stems: from its lowest cell up to the farthest, then again in what is left."""
    pieces: list[tuple[Patch, Spine]] = []
    for _ in range(ROUNDS):
        rest = np.zeros(labels.shape, dtype=np.bool_)
        patch_of = find_patches(labels)
        for spine in find_spines(labels, ground.cell_m, ground.light.values):
            if spine.length_m < 2.0 * ground.cell_m + WEAK_PIECE * LEAST_LENGTH_M:
                continue
            place, region = patch_of[spine.label].place, patch_of[spine.label].mask
            off_spine = np.ones(region.shape, dtype=np.bool_)
            off_spine[spine.rows - place[0].start, spine.cols - place[1].start] = False
            width = _median(sections.measured[spine.rows, spine.cols, 1], fallback=REACH_M)
            beside_m = ndimage.distance_transform_edt(off_spine) * ground.cell_m
            near = beside_m <= max(0.6 * width, 1.5 * ground.cell_m)
            pieces.append((Patch(place=place, mask=region & near), spine))
            rest[place] |= region & ~near
        labels, count = label_connected(rest)
        if count == 0:
            break
        size = np.bincount(labels.ravel())
        labels[(size * ground.cell_m < WEAK_PIECE * LEAST_LENGTH_M)[labels]] = 0
    return pieces


def _median(values: FloatArray, fallback: float) -> float:
    """Median of the known values."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else fallback


def _gully(
    ground: Ground, sections: GullySections, patch: Patch, stems: list[Spine], least: float
) -> tuple[Trap, Patch] | None:
    """Measure one gully; None where it is too short, shallow, wide or level for one."""
    at_bed, length_m = patch.of(sections.measured)[patch.of(sections.bed)], sum(s.length_m for s in stems)
    at_bed = at_bed[np.isfinite(at_bed[:, 0])]
    if at_bed.shape[0] < 3:
        return None
    width = float(np.median(at_bed[:, 1]))
    percent = UNRESOLVED_PERCENT if width < UNRESOLVED_CELLS * ground.cell_m else 50.0
    depth = float(np.percentile(at_bed[:, 0], percent))
    is_open = float(at_bed[:, 2].mean()) > 0.5
    ends = [ground.light.values[s.rows[k], s.cols[k]] for s in stems for k in (0, -1)]
    fall = float(max(ends) - min(ends)) / length_m
    if depth < least or length_m < max(LEAST_LENGTH_M, LENGTH_TO_WIDTH * width) or fall < LEAST_FALL:
        return None
    gentle = float(at_bed[:, 3].mean()) > 0.5
    if gentle and (is_open or (width >= WIDE_M and depth / width < GENTLE_DEPTH_TO_WIDTH)):
        return None
    deepest = float(np.percentile(at_bed[:, 0], 90.0))
    piled = float(np.percentile(at_bed[:, 4], percent))
    text = _reason(depth, deepest, width, length_m, fall, is_open=is_open)
    reason = f"{text}{describe_pile_up(piled, depth)}."
    trap = trap_of_patch(
        ground, patch, "gully", reason, depth_m=depth, width_m=width, length_m=length_m, pile_up_m=piled
    )
    return _with_parts(trap, patch, stems, ground), patch


def _with_parts(trap: Trap, patch: Patch, stems: list[Spine], ground: Ground) -> Trap:
    """Cut a long gully into stretches of like length from its upper end, for the shares of persons in each."""
    if trap.length_m < PARTS_FROM_M:
        return trap
    z = ground.light.values
    downhill = sorted(stems, key=lambda stem: -float(z[stem.rows, stem.cols].mean()))
    row, col = (np.concatenate([getattr(stem, axis)[::-1] for stem in downhill]) for axis in ("rows", "cols"))
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(row), np.diff(col)))])
    along *= trap.length_m / max(float(along[-1]), 1.0)
    _, nearest = cKDTree(np.column_stack([row, col])).query(np.column_stack(patch.cells))
    count = int(np.ceil(trap.length_m / PART_M))
    each = trap.length_m / count
    part_of_cell = np.minimum((along[nearest] / each).astype(np.int32), count - 1)
    parts = tuple(Part(from_m=k * each, to_m=(k + 1) * each) for k in range(count))
    return replace(trap, parts=parts, part_of_cell=part_of_cell)


def _reason(depth: float, deepest: float, width: float, length_m: float, fall: float, *, is_open: bool) -> str:
    """Tell the numbers of a gully, without the full stop."""
    deep = f"{depth:.{0 if depth >= 3 else 1}f}"
    up_to = f" (up to {deepest:.0f} m)" if deepest > MUCH_DEEPER * depth else ""
    fall_deg = float(np.degrees(np.arctan(fall)))
    if is_open:
        return (
            f"V-shaped gully: both sides rise {deep} m and more within {REACH_M:.0f} m, {length_m:.0f} m long, "
            f"its bed falls {fall_deg:.0f} degrees"
        )
    return (
        f"Gully {deep} m deep{up_to}, {width:.0f} m across between its lips, {length_m:.0f} m long, "
        f"its bed falls {fall_deg:.0f} degrees"
    )


# ---- Closed hollows: ground from which nothing flows out

LEAST_HOLLOW_DEPTH_M = 0.5  # enough to bury a lying person under the debris that fills it; design choice
LEAST_HOLLOW_DEPTH_COARSE_M = 1.0  # on coarse cells shallower hollows are often made by resampling; design choice
LEAST_AREA_M2, LEAST_CELLS = 50.0, 9  # smaller hollows are gaps between rocks, or roughness; design choice
SMOOTHING_CELLS = 0.8  # roughness of single cells makes no hollow; design choice
LEAST_DEPTH_TO_WIDTH = 0.03  # 1 m deep and more than 33 m across is a flat, not a hollow; design choice
RIM_M = 0.1  # the outline is where the hollow is deeper than this; takes out noise at the rim; design choice


def find_hollows(ground: Ground, where: BoolArray) -> list[tuple[Trap, Patch]]:
    """Closed hollows that touch ``where`` (window shape); the filling is done over the whole model."""
    filled = fill_hollows(smooth_heights(ground.whole, max(LIGHT_SMOOTHING_M, SMOOTHING_CELLS * ground.cell_m)))
    ny, nx = ground.raw.shape
    window = slice(ground.first_row, ground.first_row + ny), slice(ground.first_col, ground.first_col + nx)
    depth, level = filled.depth_m.values[window], filled.surface.values[window]
    # Smoothing has widened a hollow: its cells are those that also lie below the level of spill as given.
    labels, _ = label_connected((np.nan_to_num(depth) > RIM_M) & (ground.raw.values < level - RIM_M))
    least = LEAST_HOLLOW_DEPTH_COARSE_M if ground.coarse else LEAST_HOLLOW_DEPTH_M
    keep = {}
    for label, patch in find_patches(labels).items():
        deepest, area = float(patch.of(depth).max()), patch.count * ground.raw.cell_area_m2
        across = 2.0 * float(np.sqrt(area / np.pi))
        deep_enough = deepest >= least and deepest / across >= LEAST_DEPTH_TO_WIDTH
        if deep_enough and area >= LEAST_AREA_M2 and patch.count >= LEAST_CELLS and patch.of(where).any():
            keep[label] = patch
    labels[~np.isin(labels, list(keep))] = 0
    return [
        _hollow(ground, keep[spine.label], depth, level, spine.length_m) for spine in find_spines(labels, ground.cell_m)
    ]


def _hollow(ground: Ground, patch: Patch, depth: FloatArray, level: FloatArray, length_m: float) -> tuple[Trap, Patch]:
    """Measure one hollow; its depth is read from the ground as given, below the level at which it would spill."""
    area = patch.count * ground.raw.cell_area_m2
    length = max(length_m, 2.0 * float(np.sqrt(area / np.pi)))
    width = 4.0 * area / (np.pi * length)
    depth_m = float(np.median(patch.of(level))) - float(patch.of(ground.raw.values)[int(np.argmax(patch.of(depth)))])
    section_m2 = float(patch.of(depth).sum()) * ground.raw.cell_area_m2 / length
    piled = piled_in_channel_m(depth_m, width, section_m2)
    text = f"Closed hollow {depth_m:.1f} m deep, {length:.0f} m by {width:.0f} m, from which nothing flows out"
    reason = f"{text}{describe_pile_up(piled, depth_m)}."
    trap = trap_of_patch(
        ground, patch, "closed hollow", reason, depth_m=depth_m, width_m=width, length_m=length, pile_up_m=piled
    )
    return trap, patch
