"""Stems of connected gully ground, the stretches of a long gully, and beds at the edge of the window."""

from types import SimpleNamespace

import numpy as np
import pytest
from shapely import box

from lastseen.traps import hollows
from lastseen.traps.hollows import AXES, GullySections
from lastseen.traps.shapes import Patch, Spine, label_connected
from lastseen.traps.trap import Trap

CELL_M = 2.0
NORTH, EAST, SOUTH = (-1, 0), (0, 1), (1, 0)


def stems(mask, heights, width_m):
    """Pieces of a region whose cross-sections are all equally wide."""
    measured = np.full((*mask.shape, 5), np.nan)
    measured[..., 1] = width_m
    sections = GullySections(depth_m=mask.astype(float), bed=mask, measured=measured)
    ground = SimpleNamespace(cell_m=CELL_M, light=SimpleNamespace(values=heights))
    return hollows._main_stems(ground, sections, label_connected(mask)[0])


def test_side_gullies_are_followed_four_deep():
    """Each side gully leaves the one before it half-way up, at half its length: the fifth is left alone."""
    mask, heights = np.zeros((210, 130), bool), np.full((210, 130), 2000.0)
    at, step, up = np.array((205, 10)), NORTH, 1000.0
    for length, turn in ((194, EAST), (95, SOUTH), (46, EAST), (22, SOUTH), (10, NORTH)):
        cells = at + np.outer(np.arange(length), step)
        mask[tuple(cells.T)] = True
        heights[tuple(cells.T)] = np.minimum(heights[tuple(cells.T)], up + 0.5 * np.arange(length))
        half = length // 2
        at, step, up = cells[half], turn, up + 0.5 * half
    lengths = sorted((spine.length_m for _, spine in stems(mask, heights, 1.0)), reverse=True)
    assert len(lengths) == 4
    np.testing.assert_allclose(lengths, [386.0, 188.0, 90.0, 42.0], atol=3.0 * CELL_M)


@pytest.mark.parametrize(("width_m", "beside"), [(20.0, 6), (10.0, 3), (1.0, 1)])
def test_a_stem_takes_the_ground_beside_it(width_m, beside):
    """Six tenths of its width to each side, and a cell and a half at least; the rest is looked at again."""
    rows, cols = np.indices((80, 41))
    mask = np.abs(cols - 20) <= 12
    heights = 1000.0 + (80 - rows) * 1.0 + 0.001 * np.abs(cols - 20)
    patch, spine = stems(mask, heights, width_m)[0]
    middle = spine.rows == 40
    assert middle.sum() == 1
    kept = np.zeros(mask.shape, bool)
    kept[patch.place] = patch.mask
    at = int(spine.cols[middle][0])
    straight = np.ptp(spine.cols[(spine.rows >= 25) & (spine.rows <= 55)]) == 0
    assert straight
    found = np.flatnonzero(kept[40])
    assert (found.min(), found.max()) == (max(8, at - beside), min(32, at + beside))


@pytest.mark.parametrize(("length_m", "parts"), [(299.9, 0), (300.0, 2), (400.0, 2), (400.1, 3)])
def test_a_gully_of_300_m_is_told_in_stretches(length_m, parts):
    rows, cols = np.arange(150, dtype=np.int32)[::-1], np.full(150, 3, np.int32)
    mask = np.zeros((150, 7), bool)
    mask[rows, cols] = True
    spine = Spine(label=1, rows=rows, cols=cols, length_m=length_m)
    trap = Trap(
        letter="G",
        kind="gully",
        consequences=("burial",),
        outline=box(0, 0, 1, 1),
        cells=np.arange(150, dtype=np.int32),
        reason="",
        length_m=length_m,
    )
    ground = SimpleNamespace(light=SimpleNamespace(values=np.linspace(1100.0, 1000.0, 150)[:, None].repeat(7, axis=1)))
    told = hollows._with_parts(trap, Patch(place=(slice(0, 150), slice(0, 7)), mask=mask), [spine], ground)
    assert len(told.parts) == parts
    if parts:
        assert told.parts[0].from_m == 0.0
        assert told.parts[-1].to_m == pytest.approx(length_m)
        assert np.bincount(told.part_of_cell).tolist() == pytest.approx([150 / parts] * parts, abs=1)


@pytest.mark.parametrize("axis", range(len(AXES)))
def test_lowest_cells_lie_on_every_edge_too(axis):
    """Level ground: every cell is a lowest one, also on the edges; a cell a little higher is none."""
    z, depth = np.zeros((5, 7)), np.full((5, 7), 2.0)
    row, _ = hollows._bed_cells(z, depth, np.full(z.shape, axis, np.int8), 1.5)
    assert row.size == z.size
    for i, j in ((0, 3), (4, 3), (2, 0), (2, 6), (2, 3)):
        raised = z.copy()
        raised[i, j] = 0.1
        row, col = hollows._bed_cells(raised, depth, np.full(z.shape, axis, np.int8), 1.5)
        across = np.sign(AXES[axis]) * (np.abs(AXES[axis]) == 2)
        neighbours = [(i + s * across[0], j + s * across[1]) for s in (-1, 1)]
        beside = any(0 <= r < 5 and 0 <= c < 7 for r, c in neighbours)
        assert ((i, j) in set(zip(row.tolist(), col.tolist(), strict=True))) is not beside
