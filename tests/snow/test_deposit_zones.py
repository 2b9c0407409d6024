"""Deposition zones say why snow stays where it does."""

import numpy as np
import pytest
from pyproj import CRS
from shapely.geometry import MultiPolygon, box

from lastseen.core.grid import Grid
from lastseen.snow.deposit import Debris, Person
from lastseen.snow.deposit_zones import split_deposit
from lastseen.terrain.surface import read_terrain
from lastseen.traps.trap import build_trap

UTM = CRS.from_epsg(32632)
SHAPE = (100, 80)
PLANE = Grid(np.tile(500.0 - 0.4 * np.arange(100)[:, None] * 2.0, (1, 80)), 0.0, 200.0, 2.0, UTM)


def heap(row, col, high, wide=6.0):
    rows, cols = np.indices(SHAPE)
    return high * np.exp(-((rows - row) ** 2 + (cols - col) ** 2) / (2 * wide**2))


def deposit(thickness, outline):
    grid = PLANE.with_values(thickness)
    debris = Debris(
        probability=grid,
        thickness_m=grid,
        thickness_p50_m=grid,
        thickness_p90_m=grid,
        outline=MultiPolygon([outline]),
        level=0.2,
        area_m2=outline.area,
        left_share=0.0,
    )
    return debris, Person(
        poa=PLANE.with_values(thickness / thickness.sum()),
        inside_debris=1.0,
        carried_p50_m=10.0,
        fall_p90_m=0.0,
        left_share=0.0,
        left_by_side=(),
        caught_share=1.0,
        burial=None,
    )


def bench_at(rows):
    cells = (np.arange(rows.start, rows.stop)[:, None] * 80 + np.arange(80)).astype(np.int32).ravel()
    return build_trap("bench", box(0, 0, 160, 10), cells, "Bench 20 m deep.", width_m=20.0, length_m=160.0)


def test_two_heaps_are_two_zones_with_their_reasons():
    """A heap on a bench is named after the bench, the farthest heap is the toe, and numbers go by POA."""
    thickness = heap(30, 40, 2.0) + heap(75, 40, 1.0)
    zones = split_deposit(
        read_terrain(PLANE), *deposit(thickness, box(40, 20, 120, 180)), [bench_at(slice(22, 40))], (80.0, 199.0)
    )
    assert [zone.place for zone in zones] == ["bench", "toe"]
    assert [zone.number for zone in zones] == [1, 2]
    assert zones[0].poa > zones[1].poa
    assert "two steep slopes (trap B0)" in zones[0].reason
    assert f"{zones[0].thickest_m:.1f} m" in zones[0].reason
    assert zones[0].thickest_m == pytest.approx(2.0, rel=0.01)


def test_zones_share_out_the_outline():
    """Every cell of the outline is in one zone: areas and POA add up."""
    thickness = heap(30, 30, 2.0) + heap(60, 50, 1.5) + heap(80, 20, 0.2, 2.0)
    debris, person = deposit(thickness, box(10, 10, 150, 190))
    zones = split_deposit(read_terrain(PLANE), debris, person, [], (80.0, 199.0))
    assert sum(zone.area_m2 for zone in zones) == pytest.approx(debris.area_m2, rel=1e-9)
    assert sum(zone.poa for zone in zones) <= 1.0 + 1e-12
    assert sum(zone.outline.area for zone in zones) == pytest.approx(debris.area_m2)
    assert all(zone.slope_deg == pytest.approx(21.8, abs=0.1) for zone in zones)


def test_one_even_deposit_is_one_zone():
    """A single heap is a single zone."""
    zones = split_deposit(read_terrain(PLANE), *deposit(heap(50, 40, 1.0), box(40, 60, 120, 140)), [], (80.0, 199.0))
    assert len(zones) == 1
