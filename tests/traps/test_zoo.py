"""Precision and recall on a zoo of grounds: all kinds found, nothing where there is nothing."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from shapely import MultiPolygon

from lastseen.terrain.ground_layers import GroundLayers
from lastseen.terrain.surface import read_terrain
from lastseen.traps.find import find_traps
from lastseen.traps.trap import LETTERS
from trap_zoo import zoo

CELLS = [1.0, 2.0, 5.0]


def found_on(animal):
    terrain = read_terrain(animal.ground)
    return find_traps(terrain, np.ones(animal.ground.shape, bool), animal.ground_layers())


@pytest.mark.parametrize("cell_m", CELLS)
def test_precision_and_recall(cell_m, capsys):
    """Every trap of the zoo is found, and nothing else."""
    hits, false, missed = Counter(), Counter(), Counter()
    for animal in zoo(cell_m):
        got, wanted = Counter(t.kind for t in found_on(animal)), Counter(animal.kinds)
        hits += got & wanted
        false += got - wanted
        missed += wanted - got
    precision = hits.total() / (hits.total() + false.total())
    recall = hits.total() / (hits.total() + missed.total())
    with capsys.disabled():
        print(f"\ncells of {cell_m:g} m: precision {precision:.2f}, recall {recall:.2f} on {len(zoo(cell_m))} grounds; "
              f"false {dict(false)}, missed {dict(missed)}")  # fmt: skip
    assert recall == 1.0
    assert precision == 1.0
    assert set(hits) == set(LETTERS)


@pytest.mark.parametrize("cell_m", [*CELLS, 10.0])
@pytest.mark.parametrize("name", ["planar slope", "broad valley", "rough but harmless"])
def test_no_trap_where_there_is_none(cell_m, name):
    animal = next(one for one in zoo(cell_m) if one.name == name)
    assert found_on(animal) == ()


def test_the_zoo_has_twelve_grounds_and_every_kind():
    animals = zoo(2.0)
    assert len(animals) == 12
    assert {kind for one in animals for kind in one.kinds} == set(LETTERS)


@pytest.mark.parametrize("turn", [
    np.rot90, *(pytest.param(turn, marks=pytest.mark.slow) for turn in (np.fliplr, np.transpose, lambda z: z + 512.0))
], ids=["quarter", "mirror", "transpose", "lift"])  # fmt: skip
def test_turned_mirrored_or_lifted_grounds_hold_the_same_traps(turn):
    """Kinds and consequences of all twelve grounds, layers included, do not depend on how the ground lies."""
    for animal in zoo(2.0):
        base = [(t.kind, t.consequences) for t in found_on(animal)]
        ground = animal.ground.with_values(np.ascontiguousarray(turn(animal.ground.values)))
        layers = tuple(
            replace(
                one, cover=ground.with_values(np.clip(turn(one.cover.values) % 512.0, 0.0, 1.0)), outline=MultiPolygon()
            )
            for one in animal.ground_layers().layers
        )
        got = find_traps(read_terrain(ground), np.ones(ground.shape, bool), GroundLayers(layers=layers))
        assert Counter((t.kind, t.consequences) for t in got) == Counter(base), animal.name
        assert all(t.outline.area > 0.0 for t in got)
