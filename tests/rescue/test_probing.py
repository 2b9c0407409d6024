"""Probing: holes of a spiral on a slope, probe lines, POD by geometry against draws."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from lastseen.core.errors import InputError
from lastseen.rescue.probing import (
    BODY,
    PROBE_LINES,
    PROBE_NOTES,
    SHAPES,
    Body,
    grid_pod,
    holes_for_radius,
    holes_per_100_m2,
    lay_spiral,
    plan_line,
    probe_notes,
)


@given(radius=st.floats(0.5, 2.5), spacing=st.floats(0.2, 0.25))
def test_spiral_takes_as_many_holes_as_its_circle(radius, spacing):
    """The spiral's own count lies within 10 % of area over spacing squared."""
    assert lay_spiral(radius, spacing).holes == pytest.approx(holes_for_radius(radius, spacing), rel=0.10)


@given(radius=st.floats(0.5, 2.0), spacing=st.floats(0.2, 0.25))
def test_spiral_leaves_no_gap(radius, spacing):
    """Holes are a spacing apart along it, never crowd, and every place inside lies within a spacing of one."""
    spiral = lay_spiral(radius, spacing)
    holes = np.column_stack([spiral.across_m, spiral.up_m])
    assert np.hypot(*holes.T).max() <= radius + 1e-9
    assert tuple(holes[0]) == (0.0, 0.0)
    step = np.hypot(*np.diff(holes, axis=0).T)
    assert step.max() <= spacing + 1e-6
    tree = cKDTree(holes)
    assert tree.query(holes, k=2)[0][:, 1].min() >= 0.7 * spacing
    grid = np.stack(np.meshgrid(*[np.linspace(-radius, radius, 81)] * 2), axis=-1).reshape(-1, 2)
    inside = grid[np.hypot(*grid.T) <= radius - spacing]
    assert tree.query(inside)[0].max() <= 0.9 * spacing


@given(slope=st.floats(0.0, 60.0))
def test_spiral_lies_on_the_slope(slope):
    """Distances are on the snow, the probe is at right angles to it, and flat ground leaves the map as it is."""
    spiral = lay_spiral(1.0, 0.25, slope)
    assert np.allclose(np.hypot(spiral.map_up_m, spiral.height_m), np.abs(spiral.up_m))
    assert np.allclose(spiral.height_m, np.tan(math.radians(slope)) * spiral.map_up_m, atol=1e-9)
    probe = np.array(spiral.into_snow)
    surface = np.column_stack([spiral.across_m, spiral.map_up_m, spiral.height_m])
    assert np.allclose(surface @ probe, 0.0, atol=1e-9)
    assert np.linalg.norm(probe) == pytest.approx(1.0)
    assert probe[2] < 0.0
    assert spiral.holes == lay_spiral(1.0, 0.25).holes


def drawn_pod(across_m, along_m, shape, draws=20_000):
    """Bodies thrown at random and asked hole by hole; for the ellipsoid by the ray of each probe through it."""
    rng = np.random.default_rng(5)
    half = 0.5 * np.array([BODY.length_m, BODY.width_m, BODY.thickness_m])
    hits = 0
    holes = np.stack(np.meshgrid(np.arange(-4, 5) * across_m, np.arange(-4, 5) * along_m), axis=-1).reshape(-1, 2)
    for _ in range(draws):
        place = holes - rng.uniform([0.0, 0.0], [across_m, along_m])
        if shape == "ellipsoid, any way":
            turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
            start = np.column_stack([place, np.zeros(len(place))]) @ turn / half
            ray = np.array([0.0, 0.0, 1.0]) @ turn / half
            b = start @ ray
            hits += bool((b * b - (ray @ ray) * ((start**2).sum(axis=1) - 1.0) >= 0.0).any())
        else:
            angle = rng.uniform(0.0, math.pi)
            u = (place @ [math.cos(angle), math.sin(angle)]) / half[0]
            v = (place @ [-math.sin(angle), math.cos(angle)]) / half[1]
            inside = np.maximum(np.abs(u), np.abs(v)) <= 1.0 if shape == "rectangle, flat" else u**2 + v**2 <= 1.0
            hits += bool(inside.any())
    return hits / draws


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize(
    ("across_m", "along_m"),
    [(0.75, 0.70), *(pytest.param(*p, marks=pytest.mark.slow) for p in ((0.5, 0.5), (1.2, 0.8)))],
)
def test_geometry_agrees_with_thrown_bodies(across_m, along_m, shape):
    """POD from even draws lies within 1 % of bodies thrown one by one, holes asked one by one."""
    assert grid_pod(across_m, along_m, shape) == pytest.approx(drawn_pod(across_m, along_m, shape), abs=0.01)


@pytest.mark.parametrize("shape", SHAPES)
def test_narrow_grids_hit_everybody_and_wide_ones_hardly(shape):
    """POD falls with spacing, from 1 to next to nothing."""
    pods = [grid_pod(s, s, shape) for s in (0.12, 0.25, 0.5, 0.75, 1.0, 2.0, 5.0)]
    assert pods[0] == 1.0
    assert all(a >= b for a, b in pairwise(pods))
    assert pods[-1] < 0.04


@given(across=st.floats(0.3, 2.0), along=st.floats(0.3, 2.0))
def test_shapes_keep_their_order(across, along):
    """A rectangle is hit more often than the ellipse inside it; turning the grid by a right angle changes nothing."""
    assert grid_pod(across, along, "ellipse, flat") <= grid_pod(across, along, "rectangle, flat") + 1e-9
    for shape in SHAPES:
        assert grid_pod(across, along, shape) == pytest.approx(grid_pod(along, across, shape), abs=0.012)


def test_published_pods_stand_beside_the_geometry_untouched():
    """70, 76, 88 and about 95 % are kept with their body models, and lie within what the shapes span."""
    assert [line.pod for line in PROBE_LINES if line.pod] == [0.70, 0.76, 0.95, 0.88]
    for line in PROBE_LINES:
        assert line.model
        assert line.source
        if line.pod:
            span = [grid_pod(line.across_m, line.along_m, shape) for shape in SHAPES]
            assert min(span) - 0.02 <= line.pod <= max(span) + 1e-9


@given(people=st.integers(1, 30), width=st.floats(2.0, 200.0), length=st.floats(2.0, 200.0))
def test_line_plan_covers_the_ground(people, width, length):
    """Holes are at least the density times the area; more people never take longer; no time without a number."""
    for line in PROBE_LINES:
        plan = plan_line(line, width, length, people, 5.0)
        assert plan.holes >= holes_per_100_m2(line.across_m, line.along_m) * width * length / 100.0 - 1e-6
        assert plan.sweeps * people * line.holes_each * line.across_m >= width - 1e-6
        assert (plan.sweeps - 1) * people * line.holes_each * line.across_m < width + 1e-6
        assert plan.minutes == pytest.approx(plan.steps * line.holes_each * 5.0 / 60.0)
        assert plan_line(line, width, length, people + 1, 5.0).minutes <= plan.minutes
        assert plan_line(line, width, length, people).minutes is None


def test_probe_length():
    """Short probes, deep readings and shallow readings are told."""
    assert probe_notes(3.0) == ()
    assert "3 m at least are carried (common practice, no source)" in probe_notes(2.4)[0]
    assert any("out of reach" in note for note in probe_notes(2.4, 2.5))
    assert any("about 2 m deep is enough" in note for note in probe_notes(3.0, 1.2))
    assert not any("is enough" in note for note in probe_notes(3.0, 1.3))
    assert "missed inside the spiral" in PROBE_NOTES[0]


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: lay_spiral(0.0), "the radius is 0 m"),
        (lambda: lay_spiral(1.0, 0.01), "the spacing is 0.01 m: give 0.1 to 1 m"),
        (lambda: lay_spiral(1.0, 0.25, 80.0), "the slope is 80 degrees"),
        (lambda: holes_for_radius(-1.0), "the radius is -1 m"),
        (lambda: holes_per_100_m2(0.0, 1.0), "give spacings above 0 m"),
        (lambda: grid_pod(0.05, 0.5, SHAPES[0]), "give spacings of 0.1 to 5 m"),
        (lambda: grid_pod(0.5, 0.5, "egg"), "no shape is called 'egg'"),
        (lambda: grid_pod(0.5, 0.5, SHAPES[0], Body(length_m=0.0)), "a body of 0 x 0.5 x 0.25 m"),
        (lambda: plan_line(PROBE_LINES[0], 10.0, 10.0, 0), "0 people in a probe line: give 1 or more"),
        (lambda: plan_line(PROBE_LINES[0], 0.0, 10.0, 5), "ground of 0 x 10 m"),
        (lambda: plan_line(PROBE_LINES[0], 10.0, 10.0, 5, 0.0), "0 seconds for a hole"),
        (lambda: probe_notes(0.0), "a probe of 0 m"),
        (lambda: probe_notes(3.0, -1.0), "a reading of -1.0 m"),
    ],
)
def test_bad_numbers(call, text):
    """One clear sentence each."""
    with pytest.raises(InputError, match=text):
        call()
