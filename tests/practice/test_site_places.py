"""Where a site may lie, how its corners go round, and in which order sites are offered: by hand, on every side."""

from types import SimpleNamespace

import numpy as np
import pytest
from pyproj import CRS
from shapely import MultiPolygon, Point, Polygon, box

from lastseen.core.grid import Grid
from lastseen.jobs.practice import site_places
from lastseen.jobs.practice.site import Exposure, Part, Site, SiteRequest, Way
from lastseen.jobs.practice.sites import _box_round, rank_parts, rank_sites
from lastseen.terrain.ground_layers import GroundLayer, GroundLayers

CELL_M, NY, NX = 10.0, 60, 80
WEST_M, NORTH_M = 600_000.0, 5_100_000.0


def starts(values=None, zones=None):
    """Start ground of 600 by 800 m with heights that differ in both directions."""
    rows, cols = np.mgrid[0:NY, 0:NX]
    z = 1000.0 + 3.0 * rows + 2.0 * cols if values is None else values
    ground = Grid(z, WEST_M, NORTH_M, CELL_M, CRS.from_epsg(32632))
    return SimpleNamespace(ground=ground, zones=np.zeros((NY, NX), np.int32) if zones is None else zones)


def unusable(at=None, layers=None, away_m=None, **wish):
    away = np.full((NY, NX), np.inf) if away_m is None else away_m
    return site_places.find_unusable(at or starts(), layers or GroundLayers(), SiteRequest(**wish), away)


def test_no_site_within_100_m_of_any_rim():
    """Nine cells and a half are 95 m, ten and a half 105 m: the tenth ring of cells is the last that is kept off."""
    bad = unusable()
    assert not bad[10:-10, 10:-10].any()
    for rim in (bad[:9], bad[-9:], bad[:, :9], bad[:, -9:]):
        assert rim.all()


@pytest.mark.parametrize("side", ["W", "E", "S", "N"])
def test_no_site_near_unknown_ground_on_any_side(side):
    """A block of no data keeps off what is within 100 m of it, and nothing beyond, on whichever side it lies."""
    z = starts().ground.values.copy()
    here = {"W": (30, 15), "E": (30, 64), "S": (45, 40), "N": (14, 40)}[side]
    z[here] = np.nan
    bad = unusable(starts(z))
    rows, cols = np.indices(z.shape)
    away = CELL_M * np.hypot(rows - here[0], cols - here[1])
    inner = np.zeros(z.shape, bool)
    inner[10:-10, 10:-10] = True
    assert bad[inner & (away <= 100.0)].all()
    assert not bad[inner & (away > 100.0)].any()


def test_no_site_in_start_zones_layers_and_reached_ground_nor_beyond_the_distance():
    zones = np.zeros((NY, NX), np.int32)
    zones[20, 30] = 7
    cover = np.zeros((NY, NX))
    cover[25, 35] = 1.0
    grid, road = starts().ground, np.zeros((NY, NX))
    road[20, 31] = 1.0
    layers = tuple(
        GroundLayer(kind=kind, cover=grid.with_values(part), outline=MultiPolygon(), source="made")
        for kind, part in (("water", cover), ("roads", road))
    )
    away = np.full((NY, NX), 500.0)
    away[40, 50], away[40, 51] = 20.0, 20.5
    bad = unusable(starts(zones=zones), GroundLayers(layers=layers), away, margin_m=20.0)
    assert [bool(bad[at]) for at in ((20, 30), (25, 35), (40, 50), (40, 51), (20, 31))] == [
        True,
        True,
        True,
        False,
        False,
    ]
    assert not unusable(away_m=away, margin_m=20.0, exposed_ok=True)[40, 50]
    near = (WEST_M + 400.0, NORTH_M - 300.0)
    far = unusable(near_m=near, within_m=150.0)
    x, y = starts().ground.centre_of(*np.indices((NY, NX)))
    inner = (slice(10, -10), slice(10, -10))
    np.testing.assert_array_equal(far[inner], (np.hypot(x - near[0], y - near[1]) > 150.0)[inner])


@pytest.mark.parametrize("down", [(0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.6, -0.8)])
def test_corners_go_round_from_the_upper_left(down):
    """Upper left, upper right, lower right, lower left, as seen from below, whichever way the slope falls."""
    ground = starts().ground
    places = SimpleNamespace(
        row=np.array([30]), col=np.array([40]), downhill=np.array([down]), slope_deg=np.array([60.0])
    )
    (outline,) = site_places.outlines_of(ground, SiteRequest(width_m=100.0, height_m=60.0), places)
    up, left = -np.array(down), np.array([down[1], -down[0]])
    middle = np.array(ground.centre_of(30, 40))
    wanted = [middle + a * 50.0 * left + b * 15.0 * up for a, b in ((1, 1), (-1, 1), (-1, -1), (1, -1))]
    np.testing.assert_allclose(np.array(outline.exterior.coords)[:4], wanted, atol=1e-6)


def test_cells_of_an_outline_are_those_of_the_whole_grid():
    """An oblong that is not square, near each corner of the grid."""
    ground = starts().ground
    x, y = ground.centre_of(*np.indices((NY, NX)))
    for west, south in ((12.0, 20.0), (703.0, 20.0), (12.0, 540.0), (703.0, 540.0)):
        outline = box(WEST_M + west, NORTH_M - 600.0 + south, WEST_M + west + 70.0, NORTH_M - 600.0 + south + 33.0)
        found = np.zeros((NY, NX), bool)
        found.ravel()[site_places.cells_within(outline, ground)] = True
        wanted = [outline.contains(Point(px, py)) for px, py in zip(x.ravel(), y.ravel(), strict=True)]
        np.testing.assert_array_equal(found.ravel(), wanted)


@pytest.mark.parametrize("near", [(-900.0, 0.0), (900.0, 0.0), (0.0, -900.0), (0.0, 900.0), (100.0, -50.0)])
def test_the_ground_round_a_site_holds_the_starting_place(near):
    """600 m on each side, and 200 m beyond the place where people come from where that lies farther away."""
    look = SimpleNamespace(request=SiteRequest(near_m=near))
    west, south, east, north = _box_round(look, (0.0, 0.0))
    assert (west, south) == (min(-600.0, near[0] - 200.0), min(-600.0, near[1] - 200.0))
    assert (east, north) == (max(600.0, near[0] + 200.0), max(600.0, near[1] + 200.0))
    assert _box_round(SimpleNamespace(request=SiteRequest()), (5.0, 6.0)) == (-595.0, -594.0, 605.0, 606.0)


def way(reached_m=0.0, time_s=300.0):
    return Way(
        line=None, length_m=400.0, time_s=time_s, reached_m=reached_m, steepest_deg=20.0, bearing_deg=0.0, to="x"
    )


def site(number, rank, *, share=0.0, way_in=None):
    exposure = Exposure(
        share=share, distance_m=50.0, speed_m_s=0.0, from_m=None, from_above_m=0.0, start_distance_m=90.0,
        start_below=False,
    )  # fmt: skip
    parts = (Part(name="slope", value=0.4, weight=0.5), Part(name="way in", value=0.9, weight=0.5))
    return Site(
        number=number, outline=Polygon(), middle_m=(0.0, 0.0), elevation_m=0.0, downhill_deg=0.0, slope_deg=15.0,
        spread_deg=1.0, steepest_deg=20.0, inside_range=1.0, exposure=exposure, way_in=way_in, way_out=None,
        lookout=None, traps_near=(), parts=parts, rank=rank, statement="", reason="",
    )  # fmt: skip


def test_order_of_sites():
    """What snow reaches comes last, before it what has no way in; then the rank; ties keep the order they came in."""
    found = [
        site(1, 0.9, share=0.2, way_in=way()),
        site(2, 0.8),
        site(3, 0.2, way_in=way()),
        site(4, 0.5, way_in=way()),
        site(5, 0.5000000001, way_in=way()),
        site(6, 0.95),
        site(7, 0.95, share=0.1),
    ]
    ordered = rank_sites(found, 10)
    assert [one.rank for one in ordered] == [0.5, 0.5000000001, 0.2, 0.95, 0.8, 0.9, 0.95]
    assert [one.number for one in ordered] == [1, 2, 3, 4, 5, 6, 7]
    assert ordered[0].reason.startswith("Number 1 of 7 that passed, with 0.50 of 1: best in way in, weakest in slope.")
    assert "it comes after all that have a way in" in ordered[3].reason
    assert len(rank_sites(found, 2)) == 2
    assert rank_sites([], 3) == ()


def test_parts_of_the_rank_by_hand():
    """The middle of 10 to 20 degrees, 100 of 200 m away, 3 of 6 degrees, 10 of 20 minutes, a tenth of the way out."""
    parts = rank_parts(
        SiteRequest(low_deg=10.0, high_deg=20.0), slope_deg=15.0, spread_deg=3.0, away_m=100.0,
        way_in=way(time_s=600.0), way_out=way(reached_m=40.0),
        lookout=SimpleNamespace(sees_site=0.9, sees_above=0.5),
    )  # fmt: skip
    values = {part.name: part.value for part in parts}
    assert values == pytest.approx(
        {"distance from reached ground": 0.5, "slope": 1.0, "way in": 0.5, "evenness": 0.5, "lookout": 0.675,
         "way out": 0.9}
    )  # fmt: skip
    assert sum(part.weight for part in parts) == pytest.approx(1.0)
    nothing = rank_parts(
        SiteRequest(low_deg=10.0, high_deg=20.0), slope_deg=20.0, spread_deg=9.0, away_m=0.0, way_in=None,
        way_out=None, lookout=None,
    )  # fmt: skip
    assert [part.value for part in nothing] == [0.0, 0.5, 0.0, 0.0, 0.0, 0.0]
