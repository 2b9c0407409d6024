"""The debrief on tracks that were made from a plan: what they cover, what is missed, how sure that is."""

import math
import operator
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage
from shapely import LineString, MultiPolygon, Point, box

from lastseen.core.errors import InputError, NothingFoundError
from lastseen.core.grid import Grid
from lastseen.jobs.practice.debrief import debrief
from lastseen.jobs.practice.targets import Target
from lastseen.jobs.practice.tracks import NotedTime, RawTrack, UnusedTrack, clean_track
from lastseen.jobs.practice.walked_coverage import ACROSS, find_first_times, find_radii, measure_band
from lastseen.rescue.survival import find_survival_curve, survival_percent
from lastseen.search.coverage import measure_coverage
from practice.walks import EAST, NORTH, START, UTM, corners_of, plan_on, recorded


def changed(raw, name, change):
    """A recording of another name whose arrays went through a function."""
    arrays = {key: change(getattr(raw, key)) for key in ("lon_deg", "lat_deg", "time_s", "segment")}
    return RawTrack(name=name, **arrays)


@pytest.fixture(scope="module")
def plan():
    return plan_on(200.0, 160.0, strip=40.0, slope_deg=20.0)


@pytest.fixture(scope="module")
def team_plan():
    return plan_on(300.0, 240.0, strip=40.0, searchers=2, slope_deg=15.0)


def white(sd, seed):
    generator = np.random.default_rng(seed)
    return lambda n: generator.normal(0.0, sd, (n, 2))


def drifting(sd, seed, seconds=60.0):
    """Error that changes slowly, as receivers have it: white noise blurred over a minute, brought to its size."""
    generator = np.random.default_rng(seed)

    def noise(n):
        rough = generator.normal(0.0, 1.0, (n + 600, 2))
        slow = ndimage.gaussian_filter1d(rough, seconds / 2.0, axis=0)[300 : 300 + n]
        return sd * slow / (1.0 / math.sqrt(2.0 * math.sqrt(math.pi) * seconds / 2.0))

    return noise


def truth(plan, parts):
    """Coverage of a walk by buffering on the snow, the plan's own independent measure."""
    return measure_coverage(
        plan.outline, [LineString(one) for one in parts], plan.ground, 0.5 * plan.strip_width_m
    ).fraction


@pytest.mark.parametrize("strip", [20.0, 40.0])
@pytest.mark.parametrize("searchers", [1, 2])
def test_a_perfect_walk_covers_what_the_plan_covers(strip, searchers):
    """Within half a per cent, with the track taken at its word."""
    plan = plan_on(160.0, 140.0, strip=strip, searchers=searchers, slope_deg=15.0)
    tracks = [recorded(corners_of(plan, k), f"s{k}") for k in range(1, searchers + 1)]
    made = debrief(plan, tracks)
    assert made.band.half == pytest.approx(plan.coverage, abs=0.005)
    assert made.lanes.walked > 0.97
    assert made.band.sure < made.band.half < made.band.most + 1e-9
    assert sum((made.band.sure, made.band.perhaps, made.band.none)) == pytest.approx(1.0)


def test_every_second_lane_missed_shows_the_missing_share(plan):
    """What is missing is what buffering the walked lanes leaves, and the gaps hold it."""
    lanes = list(plan.lanes())
    skipped = tuple(lanes[1::2])
    parts = corners_of(plan, 1, skip_lanes=skipped)
    made = debrief(plan, [recorded(parts)])
    missing = 1.0 - truth(plan, parts)
    assert missing > 0.25
    assert 1.0 - made.band.half == pytest.approx(missing, abs=0.005)
    total = made.lattice.weight_m2.sum()
    assert sum(hole.area_m2 for hole in made.leftover.holes) / total == pytest.approx(missing, abs=0.01)
    walked = {one.lane: one.walked for one in made.lanes.lanes}
    assert all(walked[n] < 0.05 for n in skipped)
    assert all(walked[n] > 0.9 for n in lanes if n not in skipped)
    assert any("not walked" in one for one in made.leftover.advice)


def test_gap_1_is_the_one_with_most_in_it(plan):
    """One lane left out on one side, two neighbours on the other: the wider gap comes first, and all is in square m."""
    lanes = list(plan.lanes())
    assert len(lanes) >= 5
    made = debrief(plan, [recorded(corners_of(plan, 1, skip_lanes=(lanes[0], *lanes[-2:])))])
    holes = made.leftover.holes
    assert [one.number for one in holes] == list(range(1, len(holes) + 1))
    assert holes[0].area_m2 > 1.5 * holes[1].area_m2
    assert [one.poa for one in holes] == sorted((one.poa for one in holes), reverse=True)
    assert holes[0].poa == pytest.approx(holes[0].area_m2 / made.lattice.weight_m2.sum(), abs=0.01)  # no map of it
    assert any(f"{sum(one.area_m2 for one in holes):.0f} m²" in one for one in made.leftover.advice)


# 68.3 % of fixes lie within this many standard deviations of one axis (Rayleigh law): sqrt(-2 ln 0.317) = 1.5153.
WITHIN = math.sqrt(-2.0 * math.log(1.0 - 0.683))


@pytest.mark.parametrize(("kind", "sd"), [(white, 5.0), (white, 5.0 / WITHIN), (drifting, 5.0 / WITHIN)])
@pytest.mark.parametrize("skip", [False, True])
@pytest.mark.parametrize("draws", [20, pytest.param(200, marks=pytest.mark.slow)])
def test_with_five_metres_of_noise_the_band_contains_the_truth(plan, kind, sd, skip, draws):
    """In at least 95 % of the draws: 5 m along each axis, and 5 m as the radius that holds two fixes in three."""
    parts = corners_of(plan, 1, skip_lanes=tuple(list(plan.lanes())[1::2]) if skip else ())
    true, radii, surface = truth(plan, parts), find_radii(40.0, 5.0), plan.surface
    lattice = debrief(plan, [recorded(parts)]).lattice
    inside = 0
    for seed in range(draws):
        track = clean_track(recorded(parts, noise=kind(sd, seed)), plan, gps_error_m=5.0)
        band = measure_band(find_first_times(track, lattice, surface, radii), lattice.weight_m2)
        inside += band.sure <= true <= band.most
    assert inside >= 0.95 * draws


@pytest.mark.parametrize("kind", [white, drifting])
@pytest.mark.parametrize("draws", [8, pytest.param(40, marks=pytest.mark.slow)])
def test_what_is_called_sure_was_covered_and_what_is_called_not_covered_was_not(plan, kind, draws):
    """Sample by sample: at least 95 % of what is called sure was in range of the true walk, and the reverse."""
    parts = corners_of(plan, 1, skip_lanes=tuple(list(plan.lanes())[1::2]))
    exact = debrief(plan, [recorded(parts)], gps_error_m=0.0)
    covered = np.isfinite(exact.team_s[1])
    right, missed = [], []
    for seed in range(draws):
        made = debrief(plan, [recorded(parts, noise=kind(5.0 / WITHIN, seed))], gps_error_m=5.0)
        sure, most = np.isfinite(made.team_s[0]), np.isfinite(made.team_s[2])
        right.append(covered[sure].mean())
        missed.append((~covered[~most]).mean())
    assert np.mean(right) >= 0.95
    assert np.mean(missed) >= 0.95


def test_a_strip_of_twenty_metres_cannot_be_graded_finely_and_it_says_so():
    narrow, wide = find_radii(20.0, 5.0), find_radii(40.0, 5.0)
    assert not narrow.gradable
    assert "cannot be graded finely" in narrow.verdict
    assert wide.gradable
    assert "cannot" not in wide.verdict
    plan = plan_on(80.0, 60.0, strip=20.0)
    made = debrief(plan, [recorded(corners_of(plan, 1))])
    assert made.band.sure < 0.5 < made.band.half
    assert any("cannot be graded finely" in note for note in made.notes)


def test_the_band_narrows_with_a_better_receiver():
    """Monotone in the GPS error; without it only the range is unsure."""
    radii = [find_radii(40.0, error) for error in (0.0, 2.0, 5.0, 10.0)]
    assert [one.sure_m for one in radii] == sorted((one.sure_m for one in radii), reverse=True)
    assert [one.perhaps_m for one in radii] == sorted(one.perhaps_m for one in radii)
    assert radii[0].sure_m == pytest.approx(20.0 * (1.0 - 1.96 * 0.1))
    assert find_radii(20.0, 50.0).sure_m == 0.0
    for wrong in ((0.0, 5.0), (40.0, -1.0), (40.0, math.inf)):
        with pytest.raises(InputError):
            find_radii(*wrong)


def test_the_two_radii_by_hand():
    """Strip of 40 m, GPS error of 5 m: range and error are independent, so their 19-in-20 margins add in squares.

    The field of a dipole falls with the cube of the distance and is twice as strong in line with it as beside it
    (textbook), so the best range is the cube root of 2 times the worst, 20 m; a tenth of either is one SD (design
    choice); 1.96 SD hold 19 in 20 of a normal law, and 5 m hold 68.3 % of fixes, which is 1.5153 SD (Rayleigh law).
    """
    gps = 1.96 / math.sqrt(-2.0 * math.log(1.0 - 0.683)) * 5.0
    best = 2.0 ** (1.0 / 3.0) * 20.0
    made = find_radii(40.0, 5.0)
    assert made.sure_m == pytest.approx(20.0 - math.hypot(gps, 1.96 * 0.1 * 20.0), abs=1e-3)
    assert made.perhaps_m == pytest.approx(best + math.hypot(gps, 1.96 * 0.1 * best), abs=1e-3)
    assert made.half_m == 20.0


def test_across_error_by_drawing():
    """5 m as the radius for two fixes in three: 19 in 20 lie within the margin to either side (100,000 draws)."""
    generator = np.random.default_rng(3)
    fixes = generator.normal(0.0, 1.0, (100_000, 2))
    fixes *= 5.0 / np.quantile(np.hypot(*fixes.T), 0.683)
    assert np.mean(np.abs(fixes[:, 0]) <= ACROSS * 5.0) == pytest.approx(0.95, abs=0.003)


@pytest.mark.parametrize("every_s", [0.1, 1.0, 5.0])
def test_the_rate_of_the_recording_does_not_matter(plan, every_s):
    """10 Hz, 1 Hz and every 5 s give the same coverage; noise too."""
    for noise in (None, white(3.3, 4)):
        made = debrief(plan, [recorded(corners_of(plan, 1), every_s=every_s, noise=noise)])
        assert made.band.half == pytest.approx(plan.coverage, abs=0.005 if noise is None else 0.02)
        assert made.searchers[0].track.cleaning.jumps == 0


def test_a_fix_every_minute_leaves_the_way_between_as_perhaps(plan):
    """What lies between fixes a minute apart is never sure."""
    made = debrief(plan, [recorded(corners_of(plan, 1), every_s=60.0)])
    often = debrief(plan, [recorded(corners_of(plan, 1))])
    assert made.band.sure < 0.5 * often.band.sure
    assert made.band.most > 0.9
    assert any("every 60 s" in one for one in made.searchers[0].cleaning_notes)


def test_a_gap_is_not_bridged(plan):
    """Two minutes without fixes: not covered there, said with time and length, and no speed over it."""
    raw = recorded(corners_of(plan, 1))
    out = (raw.time_s > START + 100.0) & (raw.time_s < START + 220.0)
    cut = RawTrack(
        name="gappy",
        lon_deg=raw.lon_deg[~out],
        lat_deg=raw.lat_deg[~out],
        time_s=raw.time_s[~out],
        segment=raw.segment[~out],
    )
    made, whole = debrief(plan, [cut]), debrief(plan, [raw])
    (gap,) = made.searchers[0].track.cleaning.gaps
    assert gap.from_s - START == pytest.approx(100.0, abs=1.0)
    assert gap.to_s - gap.from_s == pytest.approx(120.0, abs=2.0)
    assert made.band.half < whole.band.half - 0.1
    assert made.searchers[0].metres == pytest.approx(whole.searchers[0].metres - 1.2 * 120.0, rel=0.08)  # 1.2 m/s
    assert any(one.startswith(("Gap at 1:40: 120 s", "Gap at 1:40: 121 s")) for one in made.searchers[0].cleaning_notes)


def test_duplicates_disorder_and_jumps_are_mended_and_said(plan):
    """Each changes nothing in what is covered and stands in what is said."""
    raw = recorded(corners_of(plan, 1), noise=white(1.0, 2))
    base = debrief(plan, [raw])
    doubled = changed(raw, "d", lambda values: np.repeat(values, 2))
    order = np.arange(raw.time_s.size)
    order[50:60] = order[50:60][::-1]
    mixed = changed(raw, "m", lambda values: values[order])
    lat = raw.lat_deg.copy()
    lat[[40, 90, 91]] += 0.004
    jumped = RawTrack(name="j", lon_deg=raw.lon_deg, lat_deg=lat, time_s=raw.time_s, segment=raw.segment)
    for track, word in ((doubled, "there already"), (mixed, "out of order"), (jumped, "3 fixes were dropped as jumps")):
        made = debrief(plan, [track])
        assert made.band.half == pytest.approx(base.band.half, abs=0.003)
        assert any(word in one for one in made.searchers[0].cleaning_notes), made.searchers[0].cleaning_notes


@pytest.mark.parametrize("off_m", [100.0, 200.0, 400.0])
@pytest.mark.parametrize("bad", [1, 2])
def test_a_receiver_that_begins_with_bad_fixes(plan, off_m, bad):
    """They are dropped: nothing on the way from them counts as walked or covered, and no good fix goes with them."""
    raw = recorded(corners_of(plan, 1))
    base = debrief(plan, [raw])
    lat = raw.lat_deg.copy()
    lat[:bad] += off_m * np.arange(1, bad + 1)[::-1] / 111_320.0
    made = debrief(
        plan, [RawTrack(name="cold", lon_deg=raw.lon_deg, lat_deg=lat, time_s=raw.time_s, segment=raw.segment)]
    )
    assert made.searchers[0].track.cleaning.jumps == bad
    assert made.searchers[0].metres == pytest.approx(base.searchers[0].metres, abs=3.0 * bad)
    assert made.band.sure == pytest.approx(base.band.sure, abs=0.01)


def test_a_way_that_nobody_can_have_walked_is_not_covered(plan):
    """After 30 fixes far off the recording comes back at once: the line between is neither walked nor covered."""
    raw = recorded(corners_of(plan, 1))
    lat = raw.lat_deg.copy()
    lat[:30] += 400.0 / 111_320.0
    away, whole = (
        debrief(plan, [RawTrack(name="a", lon_deg=raw.lon_deg, lat_deg=lat, time_s=raw.time_s, segment=raw.segment)]),
        debrief(plan, [raw]),
    )
    (gap,) = away.searchers[0].track.cleaning.gaps
    assert gap.metres == pytest.approx(400.0, abs=5.0)
    assert away.searchers[0].metres < whole.searchers[0].metres + 5.0
    assert away.band.sure < whole.band.sure


def beside(raw):
    """The same walk a metre or so farther north: the same one point for point would be a copy."""
    return replace(raw, lat_deg=raw.lat_deg + 1e-5)


def test_notes_that_match_nobody_are_told(plan):
    """Left out without a word they would look like times that nobody noted."""
    raw = recorded(corners_of(plan, 1))
    hidden = Target(
        name="T1",
        what="target",
        x_m=EAST + 60.0,
        y_m=NORTH + 60.0,
        z_m=1000.0,
        depth_m=0.8,
        azimuth_deg=0.0,
        dip_deg=0.0,
        slope_deg=20.0,
    )
    rows = (("Anna", "T1"), ("s1", "T9"), ("WALKER", "t1"), ("3", ""))
    log = [NotedTime(searcher=who, target=what, phase="B", elapsed_s=90.0, time_s=None) for who, what in rows]
    made = debrief(plan, [raw, beside(raw)], log=log, targets=[hidden])
    assert made.notes[:2] == (
        "Noted times of Anna, 3 are left out: the tracks are walker, walker-2.",
        "Noted times of T9 meet no target: those of the site are T1.",
    )
    fine = debrief(plan, [raw, raw], log=log[2:3], targets=[hidden])
    assert not any("Noted times" in one for one in fine.notes)


def test_two_files_of_one_name_are_two_people(plan):
    """Their notes and their clocks stay apart."""
    raw = recorded(corners_of(plan, 1))
    log = [
        NotedTime(searcher="walker", target="", phase="A", elapsed_s=60.0, time_s=None),
        NotedTime(searcher="walker-2", target="", phase="A", elapsed_s=90.0, time_s=None),
    ]
    made = debrief(plan, [raw, beside(raw)], log=log, shifts_s={"walker-2": 30.0})
    assert [one.track.name for one in made.searchers] == ["walker", "walker-2"]
    assert [one.track.cleaning.shifted_s for one in made.searchers] == [0.0, 30.0]
    assert [[phase.ended_s for phase in one.phases] for one in made.searchers] == [[60.0], [90.0]]


def test_a_track_that_stays_elsewhere_is_no_jump(plan):
    """Somebody who is carried 300 m at once by a lift goes on being recorded there."""
    raw = recorded(corners_of(plan, 1))
    lat = raw.lat_deg.copy()
    lat[200:] += 0.003
    made = debrief(
        plan, [RawTrack(name="moved", lon_deg=raw.lon_deg, lat_deg=lat, time_s=raw.time_s, segment=raw.segment)]
    )
    assert made.searchers[0].track.cleaning.jumps <= 1
    assert made.searchers[0].track.x_m.size > 0.95 * raw.time_s.size


def test_clock_drift_changes_times_and_nothing_else(plan):
    """A clock that runs 2 % fast, and one that is an hour off."""
    targets = [
        Target(
            name="T1",
            what="target",
            x_m=EAST + 100,
            y_m=NORTH + 80,
            z_m=1029.0,
            depth_m=0.5,
            azimuth_deg=0.0,
            dip_deg=0.0,
            slope_deg=20.0,
        )
    ]
    base = debrief(plan, [recorded(corners_of(plan, 1))], targets=targets)
    fast = debrief(plan, [recorded(corners_of(plan, 1), drift=0.02)], targets=targets)
    assert fast.band.half == pytest.approx(base.band.half, abs=1e-6)
    assert fast.searchers[0].signals[0].likely_s == pytest.approx(
        1.02 * base.searchers[0].signals[0].likely_s, rel=0.01
    )
    late = [recorded(corners_of(plan, 1), "a"), recorded(corners_of(plan, 1), "b", begin=START + 7200.0)]
    told = debrief(plan, late)
    assert any("another time than all others" in note and "--shift" in note for note in told.notes)
    mended = debrief(plan, late, shifts_s={"b": -7200.0})
    assert not any("another time" in note for note in mended.notes)
    assert any("moved by -7200 s" in one for one in mended.searchers[1].cleaning_notes)
    with pytest.raises(InputError, match="no track is called 'c'"):
        debrief(plan, late, shifts_s={"c": 1.0})


def test_standing_still_shows_the_drift(plan):
    """Two minutes at one place while the recording strays by some metres."""
    corners = corners_of(plan, 1)[0]
    walk = recorded([corners])
    generator = np.random.default_rng(5)
    n = 120
    here = recorded([np.array([corners[0], corners[0] + 1e-3])])
    stray = 6.0 * np.sin(np.linspace(0.0, 2.0 * math.pi, n)) + generator.normal(0.0, 0.05, n)
    lat = np.full(n, here.lat_deg[0]) + stray / 111_200.0
    raw = RawTrack(
        name="still", lon_deg=np.r_[np.full(n, here.lon_deg[0]), walk.lon_deg], lat_deg=np.r_[lat, walk.lat_deg],
        time_s=np.r_[START - n + np.arange(n), walk.time_s], segment=np.r_[np.zeros(n, np.int32), walk.segment],
    )  # fmt: skip
    made = debrief(plan, [raw])
    assert 3.0 < made.searchers[0].track.cleaning.wander_m < 9.0
    assert any("standing still" in one for one in made.searchers[0].cleaning_notes)


def test_tracks_in_the_wrong_place_and_empty_ones_are_left_out_and_said(plan):
    good = recorded(corners_of(plan, 1), "good")
    far = RawTrack(
        name="far", lon_deg=good.lon_deg + 1.0, lat_deg=good.lat_deg, time_s=good.time_s, segment=good.segment
    )
    nothing = changed(good, "nothing", lambda values: values[:0])
    zeros = RawTrack(
        name="zeros",
        lon_deg=np.zeros(5),
        lat_deg=np.zeros(5),
        time_s=START + np.arange(5.0),
        segment=np.zeros(5, np.int32),
    )
    made = debrief(plan, [far, nothing, zeros, UnusedTrack(name="empty", reason="the file is empty"), good])
    assert [one.name for one in made.left_out] == ["far", "nothing", "zeros", "empty"]
    assert [one.track.name for one in made.searchers] == ["good"]
    assert any("far was left out: its nearest point lies" in note and "km" in note for note in made.notes)
    with pytest.raises(NothingFoundError, match="far: its nearest point"):
        debrief(plan, [far, nothing])
    with pytest.raises(NothingFoundError, match="none was given"):
        debrief(plan, [])


def test_without_times_only_places_count(plan):
    raw = recorded(corners_of(plan, 1))
    made = debrief(plan, [replace(raw, time_s=np.full(raw.time_s.size, np.nan))])
    assert made.band.half == pytest.approx(plan.coverage, abs=0.005)
    assert not made.timed
    assert made.searchers[0].speeds == ()
    assert any("holds no times" in one for one in made.searchers[0].cleaning_notes)
    assert all(math.isnan(one.begin_s) for one in made.lanes.lanes)


def test_one_fix_and_two_fixes_are_debriefed(plan):
    raw = recorded(corners_of(plan, 1))
    for n in (1, 2):
        made = debrief(plan, [changed(raw, "short", operator.itemgetter(slice(n)))])
        assert 0.0 < made.band.half < 0.2


def test_spacing_achieved_against_planned():
    """Lanes of a team walked 6 m too far apart on one side: the distance on the snow shows it."""
    plan = plan_on(200.0, 200.0, strip=40.0, searchers=1)
    lanes = plan.lanes()
    numbers = list(lanes)
    shift = {number: (6.0 * k, 0.0) for k, number in enumerate(numbers)}
    vertical = abs(lanes[numbers[0]].coords[0][0] - lanes[numbers[0]].coords[-1][0]) < 1.0
    parts = []
    for number in numbers:
        dx, dy = shift[number] if vertical else shift[number][::-1]
        sign = (
            1.0
            if lanes[numbers[-1]].centroid.distance(Point(EAST, NORTH))
            > lanes[numbers[0]].centroid.distance(Point(EAST, NORTH))
            else -1.0
        )
        parts.append(np.array([(x + sign * dx, y + sign * dy) for x, y in lanes[number].coords]))
    made = debrief(plan, [recorded(parts[:3])])
    pairs = {one.lanes: one for one in made.lanes.spacings}
    first = pairs[tuple(numbers[:2])]
    assert first.walked_m == pytest.approx(first.planned_m + 6.0, abs=0.3)


def test_a_turn_short_of_the_edge_is_seen(plan):
    """A lane cut by 15 m at its end: turned 15 m early, and as much farther from the edge."""
    number, line = next(iter(plan.lanes().items()))
    cut = np.array([line.coords[0], line.interpolate(line.length - 15.0).coords[0]])
    made = debrief(plan, [recorded([cut])])
    end = next(turn for turn in made.lanes.turns if turn.lane == number and turn.end == "end")
    start = next(turn for turn in made.lanes.turns if turn.lane == number and turn.end == "start")
    assert end.short_m == pytest.approx(15.0, abs=0.5)
    assert end.walked_edge_m - end.planned_edge_m == pytest.approx(15.0, abs=0.5)
    assert start.short_m == pytest.approx(0.0, abs=0.5)
    edge = Point(line.coords[-1]).distance(plan.outline.boundary)
    assert end.planned_edge_m == pytest.approx(edge, abs=3.0)


def test_speed_by_part(plan):
    """1.2 m/s on the map is more on the snow of a slope, never less."""
    made = debrief(plan, [recorded(corners_of(plan, 1, approach=True), speed=1.2)])
    speeds = {one.part: one for one in made.searchers[0].speeds}
    assert 1.2 <= speeds["in the outline"].m_s <= 1.2 / math.cos(math.radians(20.0)) + 0.02
    assert sum(one.seconds for one in speeds.values()) == pytest.approx(
        made.searchers[0].time_s[-1] - made.searchers[0].time_s[0], rel=0.02
    )


def targets_at(*places):
    return [
        Target(
            name=f"T{k}",
            what="target",
            x_m=EAST + x,
            y_m=NORTH + y,
            z_m=1000.0 + y * math.tan(math.radians(20.0)),
            depth_m=0.5,
            azimuth_deg=0.0,
            dip_deg=90.0,
            slope_deg=20.0,
        )
        for k, (x, y) in enumerate(places, 1)
    ]


def test_time_to_the_first_signal_possible_by_geometry():
    """An upright transmitter on level snow is heard 0.794 of the range away: Pythagoras beside a straight walk."""
    plan = plan_on(200.0, 160.0, strip=40.0)
    walk = np.array([(EAST, NORTH + 80.0), (EAST + 200.0, NORTH + 80.0)])
    hidden = [
        Target(
            name="T1",
            what="target",
            x_m=EAST + 120.0,
            y_m=NORTH + 90.0,
            z_m=1000.0,
            depth_m=0.0,
            azimuth_deg=0.0,
            dip_deg=90.0,
            slope_deg=0.0,
        )
    ]
    made = debrief(plan, [recorded([walk], speed=1.0)], targets=hidden, gps_error_m=5.0)
    (one,) = made.searchers[0].signals
    reach = math.sqrt(20.0**2 - 10.0**2)
    assert one.likely_s == pytest.approx(120.0 - reach, abs=1.0)
    assert one.first_s < one.likely_s < one.last_s
    log = [NotedTime(searcher="", target="T1", phase="B", elapsed_s=one.likely_s, time_s=None)]
    noted = debrief(plan, [recorded([walk], speed=1.0)], targets=hidden, log=log).searchers[0].signals[0]
    assert noted.words == "noted while it became possible"
    early = debrief(
        plan,
        [recorded([walk], speed=1.0)],
        targets=hidden,
        log=[NotedTime(searcher="", target="T1", phase="B", elapsed_s=10.0, time_s=None)],
    )
    assert "before it was possible" in early.searchers[0].signals[0].words
    late = debrief(
        plan,
        [recorded([walk], speed=1.0)],
        targets=hidden,
        log=[NotedTime(searcher="", target="T1", phase="B", elapsed_s=190.0, time_s=None)],
    )
    assert "after it must have been there" in late.searchers[0].signals[0].words


def test_phases_against_plan_and_survival_curve(plan):
    """Durations, verdicts, and the published survival at each end (Falk and others 1994)."""
    log = [
        NotedTime(searcher="walker", target="", phase="A", elapsed_s=100.0, time_s=None),
        NotedTime(searcher="walker", target="T1", phase="B", elapsed_s=400.0, time_s=None),
        NotedTime(searcher="walker", target="T1", phase="C", elapsed_s=420.0, time_s=None),
        NotedTime(searcher="1", target="T1", phase="E", elapsed_s=5000.0, time_s=None),
        NotedTime(searcher="somebody else", target="T1", phase="D", elapsed_s=7.0, time_s=None),
    ]
    made = debrief(plan, [recorded(corners_of(plan, 1))], log=log, curve="falk-1994")
    phases = {one.letter: one for one in made.searchers[0].phases}
    assert set(phases) == {"A", "B", "C", "E"}
    assert phases["B"].took_s == 300.0
    assert math.isnan(phases["E"].took_s)
    assert phases["C"].verdict == "within the plan"
    assert phases["A"].planned_s[1] > 120.0
    for one in phases.values():
        expected = survival_percent(find_survival_curve("falk-1994"), one.ended_s / 60.0)
        assert one.survival_percent == (expected, expected)
    with pytest.raises(InputError, match="ends before"):
        debrief(
            plan,
            [recorded(corners_of(plan, 1))],
            log=[
                NotedTime(searcher="", target="T1", phase="B", elapsed_s=90.0, time_s=None),
                NotedTime(searcher="", target="T1", phase="C", elapsed_s=80.0, time_s=None),
            ],
        )


def test_second_pass_belief_is_bayes(plan):
    """What is left after a pass sums to 1 and agrees with Bayes by hand (POD 1 sure, 0.5 perhaps)."""
    parts = corners_of(plan, 1, skip_lanes=tuple(list(plan.lanes())[1::2]))
    made = debrief(plan, [recorded(parts)])
    before, after = np.array(made.leftover.poa_before), np.array(made.leftover.poa_after)
    by_hand = before * np.array([0.0, 0.5, 1.0, 1.0])
    assert before.sum() == pytest.approx(1.0)
    assert after == pytest.approx(by_hand / by_hand.sum(), abs=1e-9)
    assert made.leftover.found == pytest.approx(1.0 - by_hand.sum(), abs=1e-9)
    assert any("half as wide, 20 m" in one for one in made.leftover.advice)


def test_probability_outside_the_outline_stays_outside_and_is_told():
    """An even map that reaches 100 m beyond an outline of 200 m holds a third outside; walking all of it raises that.

    What is left (Bayes, POD 1 sure and 0.5 perhaps): a third over a third and half of what is perhaps covered.
    """
    rows, cols, cell = 16, 30, 10.0
    poa = Grid(np.full((rows, cols), 1.0 / (rows * cols)), EAST, NORTH + 160.0, cell, UTM)
    plan = plan_on(200.0, 160.0, strip=40.0, poa=poa)
    made = debrief(plan, [recorded(corners_of(plan, 1))])
    sure, perhaps, none, outside = made.leftover.poa_before
    assert outside == pytest.approx(1.0 / 3.0, abs=0.002)
    assert (sure, perhaps) == pytest.approx((made.band.sure * 2.0 / 3.0, made.band.perhaps * 2.0 / 3.0), abs=0.003)
    after = outside / (outside + 0.5 * perhaps + none)
    assert made.leftover.poa_after[3] == pytest.approx(after, abs=1e-6)
    told = f"{100 * after:.0f} % of the probability now lies outside the outline: look at its edges too."
    assert told in made.leftover.advice
    inside = debrief(plan_on(200.0, 160.0, strip=40.0), [recorded(corners_of(plan, 1))])
    assert not any("outside the outline" in one for one in inside.leftover.advice)


def test_a_team_covers_what_its_tracks_cover_together(team_plan):
    tracks = [recorded(corners_of(team_plan, k), f"s{k}", noise=white(2.0, k)) for k in (1, 2)]
    made = debrief(team_plan, tracks)
    one, two = (debrief(team_plan, [track]) for track in tracks)
    both = np.isfinite(one.team_s[1]) | np.isfinite(two.team_s[1])
    assert made.band.half == pytest.approx(
        float(made.lattice.weight_m2[both].sum() / made.lattice.weight_m2.sum()), abs=1e-12
    )
    assert {lane.track for lane in made.lanes.lanes} == {"s1", "s2"}
    assert all((lane.walked > 0.9) == (lane.planned_searcher == 1) for lane in made.searchers[0].lanes.lanes)
    assert all(lane.track == f"s{lane.planned_searcher}" for lane in made.lanes.lanes)


def test_nobody_near_the_lanes_is_said(plan):
    """A walk along the edge covers a little and follows no lane."""
    west = np.array([(EAST - 15.0, NORTH), (EAST - 15.0, NORTH + 160.0)])
    made = debrief(plan, [recorded([west])])
    assert made.band.half < 0.1
    assert any("not followed" in note for note in made.notes)


def test_the_debrief_is_the_same_each_time(plan):
    track = recorded(corners_of(plan, 1), noise=white(3.0, 1))
    one, two = (debrief(plan, [track]) for _ in range(2))
    assert one.band == two.band
    assert one.leftover.advice == two.leftover.advice
    assert np.array_equal(one.team_s, two.team_s)


@pytest.mark.parametrize("slope_deg", [0.0, 35.0])
def test_times_of_coverage_by_geometry(slope_deg):
    """A straight walk at 1 m/s, level across a slope, covers what lies beside it within half a strip on the snow.

    ``y`` on the map is y / cos(slope) on the snow: Pythagoras with 20 m.
    """
    plan = plan_on(200.0, 30.0, strip=40.0, slope_deg=slope_deg)
    walk = np.array([(EAST - 50.0, NORTH + 15.0), (EAST + 250.0, NORTH + 15.0)])
    made = debrief(plan, [recorded([walk], speed=1.0)])
    x, y = made.lattice.x_m - EAST, made.lattice.y_m - NORTH - 15.0
    expected = 50.0 + x - np.sqrt(400.0 - (y / math.cos(math.radians(slope_deg))) ** 2)
    assert np.abs(made.team_s[1] - START - expected).max() < 1.5


def test_a_hole_in_the_outline_counts_for_nothing():
    plan = plan_on(100.0, 100.0)
    hole = box(EAST + 30, NORTH + 30, EAST + 70, NORTH + 70)
    holed = replace(plan, outline=MultiPolygon([plan.outline.geoms[0].difference(hole)]))
    made = debrief(holed, [recorded(corners_of(plan, 1))])
    flat_area = made.lattice.weight_m2.sum()
    assert flat_area == pytest.approx(10_000.0 - 1_600.0, rel=0.01)
    assert plan.crs == UTM
