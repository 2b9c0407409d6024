"""Bodies on the ground: energy, stopping, flight, edges, threads, and a slow independent twin."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS

from lastseen.core.errors import ResourceError
from lastseen.core.grid import Grid
from lastseen.core.machine import shared_folder
from lastseen.snow import sliding_mass
from lastseen.snow import sliding_mass_kernels as kernels
from lastseen.snow.sliding_mass import Samples, join_tracks, slide_samples, smooth_for_snow
from lastseen.terrain.elevation import open_elevation, read_window
from oracles import sliding_mass as oracle

UTM = CRS.from_epsg(32632)
GRAVITY = 9.81


def ground_of(height, nx=200, ny=120, cell_m=2.0):
    """A grid whose heights are a function of x and y in metres from the lower left corner."""
    x, y = np.meshgrid((np.arange(nx) + 0.5) * cell_m, (ny - np.arange(ny) - 0.5) * cell_m)
    return Grid(np.ascontiguousarray(np.broadcast_to(height(x, y), (ny, nx)), float), 0.0, ny * cell_m, cell_m, UTM)


def valley(x, y):
    """A slope that eases, with a bent trough: asymmetric and smooth."""
    return 300.0 * np.exp(-x / 180.0) + 0.004 * (y - 110.0 - 25.0 * np.sin(x / 60.0)) ** 2


def bodies_of(x, y, friction=0.3, drag=0.01, east=0.0, north=0.0):
    x, y = np.atleast_1d(np.asarray(x, float)), np.atleast_1d(np.asarray(y, float))
    values = {"east_m_s": east, "north_m_s": north, "friction": friction, "drag_per_m": drag}
    return Samples(x_m=x, y_m=y, **{name: np.full(x.shape, float(value)) for name, value in values.items()})


@pytest.mark.parametrize(("x", "y", "mu"), [(40.0, 100.0, 0.25), (60.0, 140.0, 0.3), (30.0, 80.0, 0.35)])
def test_kernel_agrees_with_the_slow_twin(x, y, mu):
    """Rest place within a fifth of a metre and greatest speed within half a per cent of the independent twin."""
    ground = ground_of(valley)
    tracks = slide_samples(ground, bodies_of(x, y, mu), largest_step_s=0.01, largest_step_cells=0.05)
    ox, oy, fastest = oracle.slide(ground.values, ground.cell_m, x, ground.north_m - y, 0.0, 0.0, mu, 0.01)
    assert tracks.reason[0] == kernels.STOPPED
    assert np.hypot(tracks.x_m[0] - ox, tracks.y_m[0] - (ground.north_m - oy)) < 0.2
    assert tracks.fastest_m_s[0] == pytest.approx(fastest, rel=5e-3)


def test_finer_steps_change_little():
    """The default time step is within half a cell of a ten times finer one."""
    ground = ground_of(valley)
    start = bodies_of(np.linspace(20, 80, 30), np.linspace(60, 160, 30), 0.28)
    coarse, fine = (
        slide_samples(ground, start),
        slide_samples(ground, start, largest_step_s=0.005, largest_step_cells=0.025),
    )
    assert np.quantile(np.hypot(coarse.x_m - fine.x_m, coarse.y_m - fine.y_m), 0.9) < 0.5 * ground.cell_m


@given(
    seed=st.integers(0, 10_000),
    friction=st.floats(0.0, 0.6),
    east=st.floats(-15.0, 15.0),
    north=st.floats(-15.0, 15.0),
)
def test_no_body_gains_energy(seed, friction, east, north):
    """Speed head never exceeds what was there at the start plus the drop, even over rough ground and cliffs."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(80) * 3.0, np.arange(60) * 3.0)
    z = 400.0 - 0.6 * x + 8.0 * np.sin(x / 17.0) * np.cos(y / 23.0) - 20.0 * (x > 120.0) + rng.normal(0, 0.3, x.shape)
    ground = Grid(z, 0.0, 180.0, 3.0, UTM)
    n = 20
    start = bodies_of(rng.uniform(30, 100, n), rng.uniform(30, 150, n), friction, 0.0, east, north)
    tracks = slide_samples(ground, start, time_limit_s=60.0)
    rows, cols = tracks.cells // 80, tracks.cells % 80
    # Heights of the spline surface lie between the least and greatest of the 4 x 4 cells around a point.
    around = [(i, j) for i in range(-2, 3) for j in range(-2, 3)]
    low = np.min([z[np.clip(rows + i, 0, 59), np.clip(cols + j, 0, 79)] for i, j in around], axis=0)
    at_rows, at_cols = ground.cell_of(start.x_m, start.y_m)
    surface = oracle.Surface(z, 3.0)
    near = [surface.shape(x, 180.0 - y)[:2] for x, y in zip(start.x_m, start.y_m, strict=True)]
    rise = np.array([p * east - q * north for p, q in near])
    top = np.max([z[at_rows + i, at_cols + j] for i, j in around], axis=0)
    head = top + (east**2 + north**2 + rise**2) / (2 * GRAVITY)
    excess = tracks.speeds_m_s**2 / (2 * GRAVITY) + low - head[tracks.index_of_visit]
    assert excess.max() < 0.0
    lost = [surface.height(x, 180.0 - y) for x, y in zip(start.x_m, start.y_m, strict=True)]
    exact = np.array(lost) + (east**2 + north**2 + rise**2) / (2 * GRAVITY)
    assert (tracks.fastest_m_s**2 / (2 * GRAVITY) + z.min() - exact).max() < 0.0


def test_frictionless_body_keeps_its_energy_to_a_thousandth():
    """Without friction, speed at the foot of a smooth curved slope is that of the drop."""
    ground = ground_of(lambda x, y: 100.0 * np.exp(-((x / 120.0) ** 2)), 250, 40)
    tracks = slide_samples(ground, bodies_of(40.0, 40.0, 0.0, 0.0), (400.0, 40.0, 5.0), largest_step_s=0.005)
    drop = float(ground.sample(40.0, 40.0) - ground.sample(395.0, 40.0))
    assert tracks.disc_east_m_s[0] == pytest.approx(np.sqrt(2 * GRAVITY * drop), rel=2e-3)


def test_body_rests_where_friction_holds_it():
    """On a slope below the friction angle nothing moves a millimetre; just above it everything does."""
    plane = ground_of(lambda x, y: 500.0 - 0.3 * x)
    held, moving = (
        slide_samples(plane, bodies_of(100.0, 100.0, 0.301)),
        slide_samples(plane, bodies_of(100.0, 100.0, 0.299)),
    )
    assert (held.x_m[0], held.time_s[0], held.reason[0]) == (100.0, 0.0, kernels.STOPPED)
    assert moving.reason[0] == kernels.LEFT_GRID


def test_slow_body_does_not_creep_for_ever():
    """A body that slides askew on ground slightly gentler than its friction comes to rest within its stopping time."""
    plane = ground_of(lambda x, y: 500.0 - 0.2 * x)
    tracks = slide_samples(plane, bodies_of(50.0, 100.0, 0.22, 0.01, 1.0, 2.0))
    assert tracks.reason[0] == kernels.STOPPED
    assert tracks.time_s[0] < 3.0 * np.sqrt(5.0) / (GRAVITY * (0.22 - 0.2))


def test_body_flies_off_a_ledge_and_lands_where_a_stone_would():
    """Off a ledge of 20 m with 10 m/s, the way through the air is that of free fall within a cell."""
    ground = ground_of(lambda x, y: np.where(x < 200.0, 120.0, 100.0) + 0 * y, 300, 40, 1.0)
    tracks = slide_samples(ground, bodies_of(150.0, 20.0, 0.0, 0.0, 10.0), largest_step_s=0.005)
    assert tracks.fall_m[0] == pytest.approx(20.0, abs=0.5)
    tracks = slide_samples(ground, bodies_of(150.0, 20.0, 0.5, 0.0, 25.0), largest_step_s=0.005)
    rest = tracks.x_m[0]
    take_off = np.sqrt(25.0**2 - 2 * 0.5 * GRAVITY * 49.0)
    landed = 199.0 + take_off * np.sqrt(2 * 20.0 / GRAVITY)
    assert rest == pytest.approx(landed + take_off**2 / (2 * 0.5 * GRAVITY), abs=3.0)


def test_stops_are_named():
    """Leaving the grid, meeting no data and stopping have their own codes."""
    plane = ground_of(lambda x, y: 500.0 - 0.6 * x)
    assert slide_samples(plane, bodies_of(100.0, 100.0)).reason[0] == kernels.LEFT_GRID
    holed = plane.values.copy()
    holed[:, 120:125] = np.nan
    assert slide_samples(plane.with_values(holed), bodies_of(100.0, 100.0)).reason[0] == kernels.NO_DATA
    assert slide_samples(ground_of(valley), bodies_of(60.0, 140.0)).reason[0] == kernels.STOPPED


def test_tracks_hold_every_cell_on_the_way():
    """A body's track starts in its first cell, ends in its last, and leaves each cell over one of its four sides."""
    ground = ground_of(valley)
    tracks = slide_samples(ground, bodies_of([60.0, 40.0], [140.0, 90.0]), largest_step_s=0.5, largest_step_cells=3.0)
    for body in range(2):
        cells = tracks.cells[tracks.offsets[body] : tracks.offsets[body + 1]]
        rows, cols = cells // 200, cells % 200
        assert (np.abs(np.diff(rows)) + np.abs(np.diff(cols)) == 1).all()
        assert (rows[0], cols[0]) == tuple(int(one) for one in ground.cell_of([60.0, 40.0][body], [140.0, 90.0][body]))
        last = ground.cell_of(tracks.x_m[body], tracks.y_m[body])
        assert (rows[-1], cols[-1]) == (int(last[0]), int(last[1]))


def test_long_steps_enter_the_cells_that_short_ones_enter():
    """Steps of a cell and a half, against two hundredths of a cell: under one cell in a hundred is missed or added."""
    ground = ground_of(valley)
    start = bodies_of(np.linspace(20, 80, 60), np.linspace(60, 160, 60), 0.28)
    entered = []
    for step_s, step_cells in ((1.0, 1.5), (0.01, 0.02)):
        mask = np.zeros(ground.values.size, bool)
        mask[slide_samples(ground, start, largest_step_s=step_s, largest_step_cells=step_cells).cells] = True
        entered.append(mask)
    long, short = entered
    assert (long ^ short).sum() < 0.01 * short.sum()


def test_one_by_one_equals_all_at_once():
    """Bodies do not know of each other: run apart or together, the bytes are the same."""
    ground = ground_of(valley)
    x, y = np.linspace(20, 90, 12), np.linspace(60, 160, 12)
    whole = slide_samples(ground, bodies_of(x, y))
    parts = join_tracks([slide_samples(ground, bodies_of(x[i : i + 5], y[i : i + 5])) for i in (0, 5, 10)])
    for name in ("cells", "speeds_m_s", "offsets", "x_m", "y_m", "time_s", "path_m"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(parts, name))


def turned(ground, quarter):
    values = np.ascontiguousarray(np.rot90(ground.values, quarter))
    return Grid(values, ground.west_m, ground.west_m + values.shape[0] * ground.cell_m, ground.cell_m, ground.crs)


def test_a_turned_mountain_gives_turned_tracks():
    """Turning the ground by 90 degrees turns the rest place with it, to a tenth of a millimetre."""
    ground = ground_of(valley, 200, 120)
    width, height = 400.0, 240.0
    here = slide_samples(ground, bodies_of(60.0, 140.0))
    there = slide_samples(turned(ground, 1), bodies_of(height - 140.0, 60.0))  # counter-clockwise: (x, y) -> (H - y, x)
    assert width > here.x_m[0]
    assert there.x_m[0] == pytest.approx(height - here.y_m[0], abs=1e-4)
    assert there.y_m[0] == pytest.approx(here.x_m[0], abs=1e-4)


def test_twisted_ground_loads_a_body_that_crosses_it():
    """On a saddle crossed on the diagonal, where only the mixed second derivative acts, the slow twin agrees."""
    ground = ground_of(lambda x, y: 300.0 - 0.2 * x + 0.004 * (x - 200.0) * (y - 120.0))
    start = bodies_of(170.0, 90.0, 0.45, 0.002, 12.0, 12.0)
    tracks = slide_samples(ground, start, largest_step_s=0.005, largest_step_cells=0.05)
    ox, oy, _ = oracle.slide(ground.values, ground.cell_m, 170.0, ground.north_m - 90.0, 12.0, -12.0, 0.45, 0.002)
    assert tracks.reason[0] == kernels.STOPPED
    assert np.hypot(tracks.x_m[0] - ox, tracks.y_m[0] - (ground.north_m - oy)) < 0.1


def test_landing_on_a_slope_keeps_the_speed_along_it():
    """Off a ledge onto a slope of 30 degrees, the part of the velocity along the slope is left after landing."""
    drop = np.tan(np.radians(30.0))
    ground = ground_of(lambda x, y: np.where(x < 60.0, 300.0, 285.0 - drop * (x - 60.0)) + 0 * y, 400, 40, 1.0)
    tracks = slide_samples(ground, bodies_of(30.0, 20.0, 0.0, 0.0, 12.0), (140.0, 20.0, 2.0), largest_step_s=0.002)
    # Free flight from (59, 300): 300 - g t^2 / 2 meets 285 - drop (12 t - 1).
    t = (12.0 * drop + np.sqrt((12.0 * drop) ** 2 + 2 * GRAVITY * (15.0 - drop))) / GRAVITY
    along = 12.0 * np.cos(np.radians(30.0)) + GRAVITY * t * np.sin(np.radians(30.0))
    way = (138.0 - 59.0 - 12.0 * t) / np.cos(np.radians(30.0))
    expected = np.sqrt(along**2 + 2 * GRAVITY * np.sin(np.radians(30.0)) * way) * np.cos(np.radians(30.0))
    assert tracks.disc_east_m_s[0] == pytest.approx(expected, rel=0.02)


def test_no_body_creeps_on_the_demo_mountain():
    """Of 600 bodies below the bench of Mount Ysterra none still moves after five minutes."""
    mountain = open_elevation([shared_folder("demo") / "ysterra.tif"])
    ground = smooth_for_snow(read_window(mountain, (560_900, 7_300_600, 561_500, 7_301_990)))
    x, y = np.meshgrid(np.linspace(561_225, 561_270, 20), np.linspace(7_300_740, 7_300_790, 30))
    friction = np.linspace(0.17, 0.32, x.size)
    rest = np.zeros(x.size)
    tracks = slide_samples(
        ground,
        Samples(
            x_m=x.ravel(),
            y_m=y.ravel(),
            east_m_s=rest,
            north_m_s=rest,
            friction=friction,
            drag_per_m=np.full(x.size, 0.0186),
        ),
    )
    assert (tracks.reason == kernels.STOPPED).mean() > 0.5
    assert tracks.time_s.max() < 300.0


@pytest.mark.parametrize("side", ["W", "E", "S", "N"])
def test_the_surface_ends_a_cell_and_a_half_before_each_edge(side):
    """On flat ground that is not square: at rest just inside, out of the model just outside."""
    flat = ground_of(lambda x, y: 100.0 + 0.0 * x, nx=11, ny=17)
    for gap, reason in ((3.0 + 1e-6, kernels.STOPPED), (3.0 - 1e-6, kernels.LEFT_GRID)):
        x = {"W": gap, "E": 22.0 - gap}.get(side, 11.0)
        y = {"S": gap, "N": 34.0 - gap}.get(side, 17.0)
        assert slide_samples(flat, bodies_of(x, y)).reason[0] == reason


@pytest.mark.parametrize("side", ["W", "E", "S", "N"])
def test_no_data_on_any_side_ends_the_way(side):
    """A sample that is driven towards a row or a column without data stops beside it, whichever side that is."""
    flat = ground_of(lambda x, y: 100.0 + 0.0 * x, nx=31, ny=25)
    holed = flat.values.copy()
    gap = {"W": np.s_[:, 6], "E": np.s_[:, 24], "S": np.s_[20, :], "N": np.s_[4, :]}[side]
    holed[gap] = np.nan
    east, north = {"W": (-20.0, 0.0), "E": (20.0, 0.0), "S": (0.0, -20.0), "N": (0.0, 20.0)}[side]
    tracks = slide_samples(flat.with_values(holed), bodies_of(31.0, 25.0, 0.05, 0.0, east, north))
    assert tracks.reason[0] == kernels.NO_DATA
    row, col = (int(at) for at in flat.cell_of(tracks.x_m[0], tracks.y_m[0]))
    assert {"W": col - 6, "E": 24 - col, "S": 20 - row, "N": row - 4}[side] in {1, 2}


@pytest.mark.parametrize(("east", "north"), [(9.0, 2.0), (-9.0, 2.0), (2.0, 9.0), (2.0, -9.0), (-7.0, -7.5)])
def test_the_way_on_flat_ground_is_that_of_friction(east, north):
    """Way and time to rest from a speed, and the velocity in a disc on the way, for each direction."""
    flat = ground_of(lambda x, y: 100.0 + 0.0 * x, nx=60, ny=50)
    speed = np.hypot(east, north)
    way = speed**2 / (2 * 0.2 * GRAVITY)
    half = (60.0 + 0.5 * way * east / speed, 50.0 + 0.5 * way * north / speed)
    tracks = slide_samples(flat, bodies_of(60.0, 50.0, 0.2, 0.0, east, north), (*half, 1.0), largest_step_s=0.005)
    assert np.hypot(tracks.x_m[0] - 60.0, tracks.y_m[0] - 50.0) == pytest.approx(way, rel=2e-3)
    assert tracks.path_m[0] == pytest.approx(way, rel=2e-3)
    assert tracks.time_s[0] == pytest.approx(speed / (0.2 * GRAVITY), rel=2e-3)
    assert tracks.fastest_m_s[0] == pytest.approx(speed)
    left = np.sqrt(speed**2 - 2 * 0.2 * GRAVITY * (0.5 * way - 1.0)) / speed
    assert (tracks.disc_east_m_s[0], tracks.disc_north_m_s[0]) == pytest.approx((left * east, left * north), rel=0.01)


def test_more_cells_than_there_is_room_for_are_refused(monkeypatch):
    """A run whose tracks would fill the memory ends in an error that says what to do."""
    ground = ground_of(valley)
    start = bodies_of([60.0, 40.0], [140.0, 90.0])
    whole = slide_samples(ground, start)
    monkeypatch.setattr(sliding_mass, "MOST_VISITS", int(whole.cells.size))
    np.testing.assert_array_equal(slide_samples(ground, start).cells, whole.cells)
    monkeypatch.setattr(sliding_mass, "MOST_VISITS", int(whole.cells.size) - 1)
    with pytest.raises(ResourceError, match="use fewer of them, or larger cells"):
        slide_samples(ground, start)


def test_a_part_of_some_tracks_is_that_of_a_run_apart():
    """Cells, speeds and all numbers of samples 3 to 6, and which sample each cell belongs to."""
    ground = ground_of(valley)
    x, y = np.linspace(20, 90, 12), np.linspace(60, 160, 12)
    whole = slide_samples(ground, bodies_of(x, y), (60.0, 110.0, 30.0))
    for samples in (slice(3, 7), slice(0, 1), slice(11, 12), slice(0, 12), slice(5, 5)):
        part, apart = whole.part(samples), slide_samples(ground, bodies_of(x[samples], y[samples]), (60.0, 110.0, 30.0))
        assert part.count == apart.count == samples.stop - samples.start
        for field in dataclasses.fields(part):
            np.testing.assert_array_equal(getattr(part, field.name), getattr(apart, field.name))
        assert np.bincount(part.index_of_visit, minlength=part.count).tolist() == np.diff(apart.offsets).tolist()


def test_without_a_disc_no_velocity_is_kept():
    """Nor at the origin of the map, which a sample crosses."""
    plane = ground_of(lambda x, y: 500.0 - 0.6 * x)
    around = Grid(plane.values, -200.0, 120.0, plane.cell_m, plane.crs)
    tracks = slide_samples(around, bodies_of(-50.0, 0.0))
    row, col = (int(at) for at in around.cell_of(0.0, 0.0))
    assert row * 200 + col in tracks.cells
    assert np.isnan([tracks.disc_east_m_s[0], tracks.disc_north_m_s[0]]).all()
    known = slide_samples(around, bodies_of(-50.0, 0.0), (0.0, 0.0, 1.0))
    assert known.disc_east_m_s[0] > 5.0
    assert known.disc_north_m_s[0] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("options", "limit_s"), [({}, 600.0), ({"time_limit_s": 7.3}, 7.3)])
def test_who_never_stops_is_followed_for_ten_minutes(options, limit_s):
    """Without friction, to and fro in a bowl."""
    bowl = ground_of(lambda x, y: 100.0 + 0.004 * ((x - 200.0) ** 2 + (y - 120.0) ** 2))
    tracks = slide_samples(bowl, bodies_of(150.0, 120.0, 0.0, 0.0), **options)
    assert tracks.reason[0] == kernels.OUT_OF_TIME
    assert tracks.time_s[0] == pytest.approx(limit_s, abs=1e-6)
    assert abs(tracks.x_m[0] - 200.0) <= 50.5


@pytest.mark.parametrize("azimuth_deg", [0.0, 90.0, 180.0, 270.0, 33.0, 147.0, 213.0, 301.0])
def test_the_steepest_way_down_a_plane_is_straight(azimuth_deg):
    """Every step as long as was asked, downhill, with the heights of the plane; it ends at the edge, whichever."""
    east, south = np.sin(np.radians(azimuth_deg)), -np.cos(np.radians(azimuth_deg))
    plane = ground_of(lambda x, y: 500.0 - 0.6 * (x * east - y * south), nx=60, ny=50)
    path = np.empty((500, 3))
    n, code = kernels.descend(plane.values, plane.cell_m, 60.0, 50.0, 1.5, path)
    assert code == kernels.LEFT_GRID
    k = np.arange(n)
    np.testing.assert_allclose(path[:n, 0], 60.0 + 1.5 * k * east, atol=1e-6)
    np.testing.assert_allclose(path[:n, 1], 50.0 + 1.5 * k * south, atol=1e-6)
    np.testing.assert_allclose(np.diff(path[:n, 2]), -0.9, atol=1e-6)
    far = np.array([60.0 + 1.5 * n * east, 50.0 + 1.5 * n * south])  # the first place that is not kept
    edge = np.minimum(far, [120.0, 100.0] - far).min()
    assert edge < 3.0 + 1e-6
    assert kernels.descend(plane.values, plane.cell_m, 60.0, 50.0, 1.5, path[:9]) == (9, kernels.OUT_OF_TIME)


def test_the_steepest_way_ends_in_a_pit_on_the_flat_and_at_no_data():
    bowl = ground_of(lambda x, y: 100.0 + 0.004 * ((x - 200.0) ** 2 + (y - 120.0) ** 2))
    path = np.empty((500, 3))
    n, code = kernels.descend(bowl.values, bowl.cell_m, 150.0, 90.0, 1.0, path)
    assert code == kernels.STOPPED
    assert np.hypot(path[n - 1, 0] - 200.0, path[n - 1, 1] - 120.0) < 1.0
    assert n == pytest.approx(np.hypot(50.0, 30.0), abs=2.0)
    flat = ground_of(lambda x, y: 100.0 + 0.0 * x, nx=60, ny=50)
    assert kernels.descend(flat.values, flat.cell_m, 60.0, 50.0, 1.0, path) == (1, kernels.STOPPED)
    holed = bowl.values.copy()
    holed[:, 85] = np.nan
    n, code = kernels.descend(holed, bowl.cell_m, 150.0, 90.0, 1.0, path)
    assert code == kernels.NO_DATA
    assert 164.0 < path[n - 1, 0] < 170.0
