"""Reading an area: against brute force, closed forms, and itself under other threads and windows."""

import math
from dataclasses import fields, replace

import numpy as np
import pytest

from lastseen.core.errors import InputError
from lastseen.core.grid import Grid
from lastseen.core.scenario import Snow
from lastseen.jobs.reading.block_reading import START_QUANTITIES, read_area
from lastseen.jobs.reading.block_run import (
    LARGEST_STEP_CELLS,
    LARGEST_STEP_S,
    draw_by_place,
    draw_shared,
    pile_half_cells,
    simulate_block,
    slab_cells,
)
from lastseen.jobs.reading.ground import PreparedGround, heights_of_grid, tiles_of
from lastseen.snow.sliding_mass import Samples, slide_samples
from oracles import preread as oracle
from oracles import sliding_mass as slow_body
from reading import grounds


def reached(area):
    """Share of the members in which snow from any start zone comes over each cell."""
    return np.bitwise_count(area.totals.mask) / area.draws.count


def at_start(area, name):
    return area.start_values[START_QUANTITIES.index(name)].astype(float)


def small():
    """A ground small enough for brute force, in one window whatever the block."""
    whole = grounds.rough_face()
    return replace(whole, values=whole.values[:70, :48].copy())


def brute(ground, members, seed):
    """Every start cell by the twin; the window of all blocks is the whole ground, so that bits must agree."""
    heights = heights_of_grid(ground)
    prepared = PreparedGround(heights=heights, with_traps=False)
    draws = draw_shared(Snow(), seed, members)
    tile = prepared.over(heights.extent)
    top, left = heights.extent.top, heights.extent.left
    felt = Grid(tile.smoothed_m, 0.0, 0.0, ground.cell_m, ground.crs)
    c = ground.cell_m

    def run(row, col, member):
        slab = float(draws.thickness_m(tile.slope_deg[row, col].astype(float))) * draws.slab_factor[member]
        a, b, own = (oracle.draw(seed, row + top, col + left, member, what) for what in range(3))
        mu = draws.friction[member] * (0.75 + own * (1.25 - 0.75))
        mu = min(mu, 0.95 * math.tan(math.radians(float(tile.slope_deg[row, col]))))  # a slab that broke has slid
        drag = 9.81 / (draws.turbulence_m_s2[member] * slab * 1.0)
        names = [field.name for field in fields(Samples)]
        values = (col * c + b * c, -(row * c + a * c), 0.0, 0.0, mu, drag)
        one = {name: np.array([value]) for name, value in zip(names, values, strict=True)}
        t = slide_samples(felt, Samples(**one), largest_step_s=LARGEST_STEP_S, largest_step_cells=LARGEST_STEP_CELLS)
        stop = None
        if t.reason[0] in (0, 3):
            stop = int(-t.y_m[0] // c), int(t.x_m[0] // c)
        x, y = (col + 0.5) * c, -(row + 0.5) * c
        drop = tile.smoothed_m[row, col] - tile.smoothed_m[stop] if stop else math.nan
        return t.cells.tolist(), t.speeds_m_s.tolist(), stop, math.hypot(t.x_m[0] - x, t.y_m[0] - y), drop

    n = heights.block_cells
    starts = [
        (int(row), int(col), ((row + top) // n, (col + left) // n, int(tile.zone[row, col])))
        for row, col in zip(*np.nonzero(tile.zone), strict=True)
    ]
    return tile, starts, oracle.gather(starts, members, run)


def test_back_gathering_equals_brute_force():
    """Each start by itself: who came over each cell, how fast, from how many zones; how far each start goes."""
    ground, members, seed = small(), 4, 11
    area = read_area(ground, seed=seed, members=members, spacing_m=0.0, with_traps=False)
    _, starts, (came, told) = brute(ground, members, seed)
    assert len(starts) > 500
    mask, fastest, zones = np.zeros(ground.shape, np.uint64), np.zeros(ground.shape, np.float32), np.zeros(ground.shape)
    for cell, (who, speed, names) in came.items():
        place = np.unravel_index(cell, ground.shape)
        mask[place] = sum(1 << m for m in who)
        fastest[place], zones[place] = np.float32(speed), len(names)
    np.testing.assert_array_equal(area.totals.mask, mask)
    np.testing.assert_array_equal(area.totals.fastest, fastest)
    np.testing.assert_array_equal(area.totals.zones, zones)
    for name, k in (("distance_m", 0), ("drop_m", 1), ("leaves", 2)):
        wanted = np.full(ground.shape, np.nan)
        for (row, col), values in told.items():
            wanted[row, col] = values[k]
        np.testing.assert_allclose(at_start(area, name), wanted, rtol=1e-5, atol=1e-4)


def test_debris_equals_brute_force():
    """Thickness where each sample of a slab stops, against all pairs of samples of its event."""
    ground, members, seed = small(), 4, 11
    heights = heights_of_grid(ground)
    draws = draw_shared(Snow(), seed, members)
    block = next(iter(tiles_of(heights.extent, heights.block_cells)))
    starts, _, runs = simulate_block(PreparedGround(heights=heights, with_traps=False), block, draws, 0.0)
    run = max(runs, key=lambda one: one.stop.size)
    rows, cols = np.divmod(run.stop, run.ground.smoothed_m.shape[1])
    slope = np.radians(starts.slope_deg[run.starts])
    slab = draws.thickness_m(starts.slope_deg[run.starts])
    for member in range(members):
        # Mass is kept: 200 kg/m3 of slab become 400 kg/m3 of deposit (densities from memory); a cell of 5 x 5 m.
        factor = draws.slab_factor[member] * (1.0 + draws.growth[member]) * 200.0 / 400.0
        volume = 25.0 / np.cos(slope) * slab * factor
        own = range(member, run.stop.size, members)
        samples = [
            (int(rows[b]), int(cols[b]), float(volume[k])) if run.stop[b] >= 0 else None for k, b in enumerate(own)
        ]
        wanted = oracle.piled(samples, pile_half_cells(draws, 5.0), 5.0)
        np.testing.assert_allclose(run.debris_m[member::members], wanted, rtol=1e-9)
    # A slab of size 2: 40 m wide (median, Tirol 1992-2024), 1.6 times as long (Schweizer & Luetschg 2001), square here.
    assert slab_cells(draws, 5.0) == round(math.sqrt(1.6 * 40.0**2 * math.cos(math.radians(38.0))) / 5.0)


def test_bodies_stop_where_the_slow_twin_stops():
    """Long steps for samples by the thousand against tiny steps on an independent surface, on smooth ground."""
    y, x = np.mgrid[0:120, 0:60] * 5.0
    z = 2000.0 + 260.0 * np.exp(-(((y - 40.0) / 170.0) ** 2)) - 0.00015 * (x - 140.0) ** 2 + 0.01 * x
    ground = grounds.grid(z)
    samples = Samples(
        x_m=ground.west_m + np.array([120.0, 160.0]), y_m=ground.north_m - np.array([150.0, 170.0]),
        east_m_s=np.zeros(2), north_m_s=np.zeros(2),
        friction=np.array([0.35, 0.30]), drag_per_m=np.array([0.02, 0.02]),
    )  # fmt: skip
    quick = slide_samples(ground, samples, largest_step_s=LARGEST_STEP_S, largest_step_cells=LARGEST_STEP_CELLS)
    for k, (px, py) in enumerate(((120.0, 150.0), (160.0, 170.0))):
        sx, sy, fastest = slow_body.slide(z, 5.0, px, py, 0.0, 0.0, float(samples.friction[k]), 0.02, dt=0.01)
        assert math.hypot(quick.x_m[k] - ground.west_m - sx, ground.north_m - quick.y_m[k] - sy) < 2.5
        assert quick.fastest_m_s[k] == pytest.approx(fastest, rel=0.03)


def digest(area):
    totals = area.totals
    return [array.tobytes() for array in (totals.mask, totals.fastest, totals.zones, area.start_values, area.zone)]


def test_threads_do_not_show(monkeypatch):
    ground = grounds.rough_face(ny=180, nx=140)
    monkeypatch.setenv("LASTSEEN_THREADS", "1")
    one = read_area(ground, members=5)
    monkeypatch.setenv("LASTSEEN_THREADS", "3")
    several = read_area(ground, members=5)
    assert digest(one) == digest(several)
    assert one.rows == several.rows


def test_the_seed_shows():
    ground = small()
    assert digest(read_area(ground, seed=1, members=4)) != digest(read_area(ground, seed=2, members=4))


def test_draws_belong_to_places():
    """A cell draws the same numbers whatever is drawn with it; they fill 0 to 1 evenly and differ by member."""
    rows, cols = np.arange(-300, 300), np.arange(600) * 7 - 1000
    all_of = draw_by_place(3, rows, cols, 8, 2)
    np.testing.assert_array_equal(all_of[17:40], draw_by_place(3, rows[17:40], cols[17:40], 8, 2))
    assert all_of[5, 3] == oracle.draw(3, int(rows[5]), int(cols[5]), 3, 2)
    assert abs(all_of.mean() - 0.5) < 0.02
    assert np.abs(np.corrcoef(all_of.T) - np.eye(8)).max() < 0.15


def test_a_ridge_shields_what_is_behind_it():
    """Start zones on one side only: nothing comes over the crest to the other."""
    ny, nx = 140, 80
    y = (np.arange(ny) + 0.5)[:, None] * 5.0 + 0.0 * np.arange(nx)
    north, south = np.clip(300.0 - y, 0.0, 200.0), np.clip(y - 300.0, 0.0, None)
    area = read_area(grounds.grid(2000.0 - 0.8 * north - 0.3 * south), members=6, with_traps=False)
    assert area.totals.mask[:58].any()
    assert not area.totals.mask[61:].any()


def test_no_start_zone_is_an_answer():
    area = read_area(grounds.grid(1000.0 + 0.1 * np.mgrid[0:60, 0:50][0] * 5.0), members=4)
    assert not area.totals.mask.any()
    assert area.rows == ()
    assert np.isnan(at_start(area, "distance_m")).all()


def test_no_data_is_no_ground():
    """A hole in the data: samples that come to it do not stay, and nothing is said inside."""
    ground = grounds.face(ny=110, nx=80)
    z = ground.values.copy()
    z[46:58, 10:70] = np.nan
    area = read_area(replace(ground, values=z), members=4, with_traps=False)
    assert not area.totals.mask[48:56, 12:68].any()
    above = at_start(area, "leaves")[20:40, 30:50]
    assert np.nanmin(above) == 1.0


def test_every_member_of_a_steep_even_face_comes_over_its_foot():
    area = read_area(grounds.face(), members=8, with_traps=False)
    assert (reached(area)[40:50, 20:70] == 1.0).all()
    assert (reached(area)[-10:, :] == 0.0).all()
    values = area.start_values[START_QUANTITIES.index("drop_m")]
    assert np.nanmax(values) <= 200.0 * math.tan(math.radians(40.0)) + 5.0


def test_members_out_of_range():
    with pytest.raises(InputError, match="choose 4 to 63"):
        read_area(small(), members=64)
