"""The search for practice ground on made ground: what must be refused, what must be offered, and what is said."""

import dataclasses

import numpy as np
import pytest
import shapely
from scipy import ndimage
from shapely import MultiPolygon, box

from lastseen.core.errors import InputError, NothingFoundError
from lastseen.core.grid import Grid
from lastseen.core.outlines import cells_of_outline
from lastseen.jobs.practice import site_exposure, site_places, sites
from lastseen.jobs.practice.site import SiteRequest
from lastseen.jobs.practice.site_exposure import find_start_ground, member_frictions, simulate_start_zones
from lastseen.jobs.practice.sites import find_sites
from lastseen.snow.friction import OUTER_FRICTION, outer_friction
from lastseen.terrain.elevation import open_elevation, read_window
from lastseen.terrain.ground_layers import GroundLayer, GroundLayers
from practice import site_zoo as zoo

MIDDLE = (600_600.0, 5_100_600.0)
HERE = SiteRequest(near_m=MIDDLE, within_m=120.0)
WORDS = "No start zone in this model reaches it"


def found(ground, layers=None, **wish):
    return find_sites(ground, layers or GroundLayers(), dataclasses.replace(HERE, **wish))


def turned(ground):
    """The ground by a quarter turn, to the left; the square stays in its place."""
    return dataclasses.replace(ground, values=np.rot90(ground.values).copy())


def test_a_meadow_below_a_crest_is_offered():
    search = found(zoo.meadow())
    site = search.sites[0]
    assert site.statement.startswith(WORDS)
    assert site.slope_deg == pytest.approx(zoo.MEADOW_DEG, abs=0.3)
    assert site.downhill_deg == pytest.approx(zoo.AZIMUTH, abs=1.0)
    assert site.exposure.share == 0.0
    assert search.starts.count == 0


def test_a_statement_says_what_was_left_out():
    assert "left out" not in found(zoo.behind_a_ridge()).sites[0].statement
    search = found(zoo.behind_a_ridge(), most_size=3)
    assert search.sites[0].statement.startswith(f"{WORDS}; events of size 4 were left out: ")
    assert search.notes[0].startswith("Events of size 4 were left out: ")


def test_every_statement_ends_with_its_limits_and_says_what_was_left_out():
    """Reached or not: what the samples do not hold stands behind it, and the sizes that were not looked at."""
    for ground, wish in ((zoo.behind_a_ridge(), {}), (zoo.below_a_mound(), {"exposed_ok": True})):
        for most_size in (3, 4):
            for site in found(ground, most_size=most_size, **wish).sites:
                assert site.statement.endswith(site_places.SITE_LIMITS)
                assert ("events of size 4 were left out" in site.statement) == (most_size == 3)


def test_a_reached_site_is_told_where_from():
    """The mound stands up the slope from the middle, 150 m away and 45 m high: its flank begins there, higher up."""
    turn = np.radians(zoo.AZIMUTH)
    mound = np.array(MIDDLE) - 150.0 * np.array([np.sin(turn), np.cos(turn)])
    ground = zoo.below_a_mound()
    told = 0
    for site in found(ground, exposed_ok=True).sites:
        if site.exposure.share == 0.0:
            continue
        told += 1
        from_m = np.array(site.exposure.from_m)
        assert np.hypot(*(from_m - mound)) < 60.0 + 10.0  # its radius and two cells
        higher = float(ground.sample(*from_m)) - float(ground.sample(*site.middle_m))
        assert site.exposure.from_above_m == pytest.approx(higher, abs=1.0)
        assert higher > 0.0
        east, north = from_m - np.array(site.middle_m)
        sector = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")[round(np.degrees(np.arctan2(east, north)) / 45.0) % 8]
        assert f"{higher:.0f} m higher and {np.hypot(east, north):.0f} m to the {sector}." in site.statement
    assert told


def test_bodies_set_out_from_the_highest_start_cell_of_each_block():
    """Blocks of 20 m, cells of 5 m: by looking at every cell. No start cell, no sample."""
    rng = np.random.default_rng(4)
    z, sizes = rng.uniform(1000.0, 1100.0, (18, 14)), rng.integers(0, 5, (18, 14)).astype(np.int8)
    sizes[4:8, 8:12] = 0
    cells, size = site_exposure._set_out_from(Grid(z, 0.0, 90.0, 5.0, zoo.UTM), sizes)
    wanted = {}
    for row, col in zip(*np.nonzero(sizes), strict=True):
        best = wanted.setdefault((row // 4, col // 4), [-1.0, 0, 0])
        if z[row, col] > best[0]:
            best[:2] = z[row, col], row * 14 + col
        best[2] = max(best[2], sizes[row, col])
    assert len(wanted) == 19  # 5 x 4 blocks, one without a start
    assert dict(zip(cells.tolist(), size.tolist(), strict=True)) == {one[1]: one[2] for one in wanted.values()}


def test_the_margin_belongs_to_the_site():
    """A sample that passes 10 m beside it reaches it, 60 m beside it does not: people stand round a site."""
    search = found(zoo.below_a_mound(), exposed_ok=True)
    share = search.reach.share
    x, y = share.centre_of(*np.nonzero(share.values > 0.0))
    reached = shapely.union_all(shapely.box(x - 2.5, y - 2.5, x + 2.5, y + 2.5))
    assert share.cell_m == 5.0
    below = (float(x[y.argmin()]), float(y.min()) - 2.5)
    away = site_places.distance_to_reached(search.starts, search.reach)
    to_start = site_places.distance_to_starts(search.starts)
    for gap, passed in ((10.0, True), (60.0, False)):
        site = box(below[0] - 50.0, below[1] - gap - 50.0, below[0] + 50.0, below[1] - gap)
        assert site.distance(reached) == pytest.approx(gap)
        made = site_places.exposure_of(
            site, search.request, starts=search.starts, reach=search.reach, away_m=away, to_start=to_start
        )
        assert (made.share > 0.0) == passed
        told = site_places.exposure_statement(site, made, search.request, search.starts, search.reach)
        assert ("a body passes within 20 m of it" in told) == passed
        assert told.startswith(WORDS) == (not passed)
    margin = (away > 0.0) & (away <= search.request.margin_m)
    bad = site_places.find_unusable(
        search.starts, GroundLayers(), dataclasses.replace(search.request, exposed_ok=False), away
    )
    assert margin.any()
    assert bad[margin].all()


def test_a_start_zone_below_the_site_is_told():
    """A meadow that ends in a face 85 m below its middle: nothing comes down to it, and people must keep off."""
    ground = zoo.ground(zoo.falls((-2000, -8.0), (-250, 4.0), (-200, zoo.MEADOW_DEG), (85, 40.0), (165, 5.0)))
    site = found(ground, within_m=75.0).sites[0]  # all of the site lies so near
    assert site.exposure.share == 0.0
    assert site.exposure.start_below
    assert 20.0 <= site.exposure.start_distance_m < 100.0
    told = f"Start-zone ground begins {site.exposure.start_distance_m:.0f} m below its edge: keep people off it."
    assert told in site.statement
    assert "keep people off" not in found(zoo.behind_a_ridge()).sites[0].statement


def test_unknown_trees_are_told():
    ground = zoo.meadow()
    x, y = MIDDLE
    wood = layer(ground, "trees", box(x - 500, y - 500, x - 400, y - 400))
    assert any(note.startswith("Trees are not known") for note in found(ground).notes)
    assert not any("Trees are not known" in note for note in found(ground, wood).notes)


def test_the_meadow_below_a_face_is_refused():
    """40 degrees above, 50 m high: samples come down to it."""
    # Below the face the meadow is 1200 m wide and 600 to 760 m long (the square is turned): 80 to 90 ha at most.
    with pytest.raises(NothingFoundError, match=r"a body reaches 8\d ha of them"):
        found(zoo.below_a_face())


def test_the_same_meadow_behind_a_ridge_is_offered():
    search = found(zoo.behind_a_ridge())
    site = search.sites[0]
    assert site.statement.startswith(WORDS)
    assert site.slope_deg == pytest.approx(zoo.MEADOW_DEG, abs=0.3)
    assert search.starts.count == 1
    assert search.reach.samples > 1000
    assert 100.0 < site.exposure.distance_m < 300.0


def test_a_roll_of_thirty_degrees_is_seen():
    """20 m high: it can hold a slab, and samples from it reach the meadow."""
    ground = zoo.below_a_roll()
    starts = find_start_ground(ground)
    assert starts.count == 1
    assert starts.size.max() >= 2
    with pytest.raises(NothingFoundError):
        found(ground)


def test_a_roll_gentler_than_asked_is_no_start_zone():
    """The slope from which snow can start is the user's: the same roll at 33 degrees is none."""
    assert find_start_ground(zoo.below_a_roll(), least_deg=33.0).count == 0


def test_exposed_ground_only_with_a_lookout():
    search = found(zoo.below_a_mound(), exposed_ok=True)
    site = search.sites[0]
    assert site.exposure.share > 0.0
    assert site.statement.startswith("Reached: with ")
    assert WORDS not in site.statement
    assert site.lookout is not None
    assert site.lookout.name == f"L{site.number}"
    assert site.lookout.sees_site >= 0.8
    row, col = search.reach.share.cell_of(*site.lookout.at_m)
    assert search.reach.share.values[row, col] == 0.0


def test_exposed_ground_is_refused_without_being_asked_for():
    with pytest.raises(NothingFoundError, match="--exposed-ok"):
        found(zoo.below_a_mound())


def test_exposed_ground_without_any_lookout_is_refused(monkeypatch):
    monkeypatch.setattr(site_places, "lookout_of", lambda *_args: None)
    with pytest.raises(NothingFoundError, match="have no lookout place"):
        found(zoo.below_a_mound(), exposed_ok=True)


def test_no_trap_inside():
    """Every site keeps off the gully, which is told where it is near."""
    ground = zoo.crossed_by_a_gully()
    search = find_sites(ground, GroundLayers(), SiteRequest(width_m=60.0, height_m=40.0))
    middle = np.array([600_280.0, 5_100_280.0])
    turn = np.radians(zoo.AZIMUTH)
    for site in search.sites:
        corners = np.array(site.outline.exterior.coords) - middle
        sideways = corners @ np.array([-np.cos(turn), np.sin(turn)])
        assert sideways.min() > 10.0 or sideways.max() < -10.0
    assert search.refused.with_trap >= 1
    assert any("gully" in text for site in search.sites for text in site.traps_near)


def test_ground_above_that_is_not_known_is_refused():
    """A slope that runs off the elevation model upwards: nobody knows what is above."""
    with pytest.raises(NothingFoundError, match="lie below ground that runs off the elevation model"):
        found(zoo.ground(zoo.falls((-2000, zoo.MEADOW_DEG))))


def layer(ground, kind, area):
    cover = np.zeros(ground.values.size)
    cover[cells_of_outline(area, ground)] = 1.0
    return GroundLayers(
        layers=(
            GroundLayer(
                kind=kind,
                cover=ground.with_values(cover.reshape(ground.shape)),
                outline=MultiPolygon([area]),
                source="x",
            ),
        )
    )


@pytest.mark.parametrize("kind", ["trees", "water", "no_go", "buildings"])
def test_no_site_in_a_wood_in_water_or_on_no_go_ground(kind):
    ground = zoo.meadow()
    x, y = MIDDLE
    layers = layer(ground, kind, box(x - 30, y - 300, x + 300, y + 300))
    for site in found(ground, layers, within_m=300.0).sites:
        assert not site.outline.intersects(layers.layers[0].outline.buffer(-ground.cell_m))
    with pytest.raises(NothingFoundError):
        found(ground, layer(ground, kind, box(x - 300, y - 300, x + 300, y + 300)))


def test_a_closed_wood_on_the_face_is_no_start_zone():
    """Crowns over the whole face take the start zone away."""
    ground = zoo.below_a_face()
    whole = ground.with_values(np.ones(ground.shape))
    assert find_start_ground(ground, whole).count == 0


def test_sites_are_what_was_asked_for():
    """Size on the slope, slope within limits, near enough, apart from each other, off the rim."""
    ground = zoo.behind_a_ridge()
    search = found(ground, within_m=400.0, width_m=80.0, height_m=40.0, count=4)
    shapes = [site.outline for site in search.sites]
    for site in search.sites:
        sides = np.hypot(*np.diff(np.array(site.outline.exterior.coords), axis=0).T)
        assert sides[0] == pytest.approx(80.0, abs=1e-6)
        assert sides[1] / np.cos(np.radians(site.slope_deg)) == pytest.approx(40.0, abs=1e-6)
        cells = cells_of_outline(site.outline, ground)
        assert search.starts.slope_deg.ravel()[cells].max() <= 25.0
        assert (site_exposure.spread_over(search.reach.share, ground).ravel()[cells] == 0.0).all()
        assert site.exposure.distance_m >= search.request.margin_m
        assert box(*ground.bounds).buffer(-95.0).contains(site.outline)
        assert 0.0 <= site.rank <= 1.0
        assert sum(part.weight for part in site.parts) == pytest.approx(1.0)
    assert all(a.distance(b) >= 0.5 * 80.0 for k, a in enumerate(shapes) for b in shapes[:k])
    order = [(site.way_in is None, -site.rank) for site in search.sites]
    assert order == sorted(order)


def test_ways_keep_to_ground_that_no_body_reaches():
    site = found(zoo.behind_a_ridge()).sites[0]
    assert site.way_in is not None
    assert site.way_out is not None
    assert site.way_in.reached_m == site.way_out.reached_m == 0.0
    assert site.way_in.to == "the starting place"
    turn = abs((site.way_in.bearing_deg - site.way_out.bearing_deg + 180.0) % 360.0 - 180.0)
    assert turn >= 89.0
    assert site.way_out.steepest_deg <= 30.0


def test_a_walk_up_takes_its_time():
    """Tobler 1993, off path: 0.6 x 6 exp(-3.5 |S + 0.05|) km/h; up 15 degrees takes 1.4 times as long as down them."""
    ground = zoo.meadow()
    turn = np.radians(zoo.AZIMUTH)
    below = (MIDDLE[0] + 250.0 * np.sin(turn), MIDDLE[1] + 250.0 * np.cos(turn))
    (x, y), flat = MIDDLE, np.zeros(ground.shape)
    slope_deg = np.full(ground.shape, zoo.MEADOW_DEG)
    around = site_places.cut_surroundings(
        ground, flat, slope_deg, GroundLayers(), (x - 500.0, y - 500.0, x + 500.0, y + 500.0)
    )
    way, _ = site_places.ways_of(around, box(x - 50.0, y - 50.0, x + 50.0, y + 50.0), below, None)
    (x0, y0), (x1, y1) = way.line.coords[0], way.line.coords[-1]
    rise = float(ground.sample(x1, y1)) - float(ground.sample(x0, y0))
    assert rise > 20.0
    slope = rise / way.line.length
    up, down = (way.length_m / (0.6 * 6.0 / 3.6 * np.exp(-3.5 * abs(s + 0.05))) for s in (slope, -slope))
    assert way.time_s == pytest.approx(up, rel=0.1)
    assert up > 1.2 * down


def test_a_way_in_over_reached_ground_costs_rank():
    """The same parts: half the rank from 500 m on; without a way in a site comes after all others."""
    site = found(zoo.behind_a_ridge()).sites[0]
    way = site.way_in
    clear = sites.rank_of(site.parts, way)
    assert clear == pytest.approx(site.rank)
    assert sites.rank_of(site.parts, dataclasses.replace(way, reached_m=250.0)) == pytest.approx(0.75 * clear)
    assert sites.rank_of(site.parts, dataclasses.replace(way, reached_m=900.0)) == pytest.approx(0.5 * clear)
    without = dataclasses.replace(site, way_in=None, rank=1.0, number=0)
    assert [one.way_in is None for one in sites.rank_sites([without, site], 2)] == [False, True]


def test_a_starting_place_that_bodies_reach_is_told():
    told = "A body reaches the starting place itself"
    search = found(zoo.below_a_mound(), exposed_ok=True)
    assert float(search.reach.share.sample(*MIDDLE)) > 0.0
    assert any(told in note for note in search.notes)
    assert not any(told in note for note in found(zoo.behind_a_ridge()).notes)


def test_threads_do_not_show(monkeypatch):
    ground = zoo.behind_a_ridge()
    results = []
    for threads in ("1", "2", "3"):
        monkeypatch.setenv("LASTSEEN_THREADS", threads)
        results.append(found(ground))
    for other in results[1:]:
        assert np.array_equal(results[0].reach.share.values, other.reach.share.values)
        assert np.array_equal(results[0].reach.speed_m_s, other.reach.speed_m_s)
        assert np.array_equal(results[0].reach.source, other.reach.source)
        assert [one.outline.wkb for one in results[0].sites] == [one.outline.wkb for one in other.sites]


def test_a_turned_map_gives_a_turned_reach():
    """Quarter turns move the edge of the reach by no more than a cell (steps in time round differently)."""
    ground = zoo.behind_a_ridge()
    one = simulate_start_zones(ground, find_start_ground(ground))
    other = simulate_start_zones(turned(ground), find_start_ground(turned(ground)))
    a, b = np.rot90(one.share.values) > 0.0, other.share.values > 0.0
    wide = ndimage.binary_dilation(a, np.ones((5, 5)))
    narrow = ndimage.binary_erosion(a, np.ones((5, 5)))
    assert np.mean(b & ~wide) < 0.002
    assert np.mean(narrow & ~b) < 0.002


def test_more_friction_reaches_no_farther():
    ground = zoo.below_a_face()
    starts = find_start_ground(ground)
    reached = [
        np.count_nonzero(simulate_start_zones(ground, starts, frictions=((mu,) * 4,)).share.values)
        for mu in (0.25, 0.35, 0.5)
    ]
    assert reached[0] > reached[1] > reached[2] > 0


def test_the_ensemble_begins_at_the_outer_friction():
    frictions = member_frictions()
    for k, size in enumerate((1, 2, 3, 4)):
        low, _, high = outer_friction(size)
        assert low <= OUTER_FRICTION[size]
        column = [one[k] for one in frictions]
        assert column[0] == low
        assert column == sorted(column)
        assert column[-1] < high


def test_size_by_what_the_ground_can_hold():
    """A face 60 m long on the slope and 1 km wide holds size 4; a patch of it only size 1 or 2."""
    ground = zoo.below_a_face()
    assert find_start_ground(ground).size.max() == 4
    z = zoo.meadow()
    bump = np.hypot(*np.meshgrid(np.arange(z.shape[1]) - 120.0, np.arange(z.shape[0]) - 120.0)) * z.cell_m
    patch = z.with_values(z.values + 8.0 * np.clip(1.0 - bump / 18.0, 0.0, 1.0))
    assert 1 <= find_start_ground(patch).size.max() <= 2
    assert find_start_ground(ground, most_size=3).size.max() == 3
    assert find_start_ground(ground, most_size=3).could_be.max() == 4


def test_a_hole_of_no_data_is_kept_off():
    ground = zoo.meadow()
    values = ground.values.copy()
    values[115:125, 115:125] = np.nan
    for site in found(ground.with_values(values), within_m=300.0).sites:
        assert site.outline.distance(box(600_575, 5_100_575, 600_625, 5_100_625)) > 50.0


BAD = {
    "size": ({"width_m": 5.0}, "10 to 500 m"),
    "slope": ({"low_deg": 26.0}, "lower limit below the upper"),
    "start below site": ({"start_deg": 20.0}, "not above that of start zones"),
    "count": ({"count": 0}, "at least one site"),
    "largest": ({"most_size": 5}, "size of 1 to 4"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_wish_that_cannot_be_meant(name):
    changed, text = BAD[name]
    with pytest.raises(InputError, match=text):
        dataclasses.replace(HERE, **changed)


def test_ground_too_small_for_a_site():
    ground = Grid(np.zeros((30, 30)), 0.0, 150.0, 5.0, zoo.UTM)
    with pytest.raises(InputError, match="must lie 100 m inside"):
        find_sites(ground, GroundLayers(), SiteRequest())


def test_no_sentence_promises_safety():
    for ground, wish in ((zoo.meadow(), {}), (zoo.below_a_mound(), {"exposed_ok": True})):
        search = found(ground, **wish)
        texts = [*search.notes, *(text for one in search.sites for text in (one.statement, one.reason))]
        assert not any("safe" in text.lower() for text in texts)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["gurten_swissalti3d_2m", "sthelens_10m", "davos_srtm_30m"])
def test_real_terrain(real_terrain, name):
    """On real ground every site that is offered keeps its promises; the reach covers all start zones."""
    elevation = open_elevation((real_terrain[name],))
    west, south, east, north = elevation.bounds_m
    cut = 2000.0
    x, y = 0.5 * (west + east), 0.5 * (south + north)
    ground = read_window(elevation, (x - cut, y - cut, x + cut, y + cut))
    search = find_sites(ground, GroundLayers(), SiteRequest(exposed_ok=True, count=3))
    over = site_exposure.spread_over(search.reach.share, ground)
    rim = round(search.reach.share.cell_m / ground.cell_m)
    inner = (slice(0, ground.shape[0] - rim), slice(0, ground.shape[1] - rim))
    assert (over[inner][search.starts.zones[inner] > 0] > 0.0).all()
    for site in search.sites:
        cells = cells_of_outline(site.outline, ground)
        assert (over.ravel()[cells].max() > 0.0) <= (site.exposure.share > 0.0)
        assert site.lookout is not None or site.exposure.share == 0.0
