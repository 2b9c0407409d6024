"""Inputs that cannot be used are refused with what, where and what to do."""

import numpy as np
import pytest

from lastseen.core.errors import InputError
from lastseen.snow.carried import Tracers
from lastseen.snow.flow import FlowSnow, prepare_bed, simulate_flow
from snow.made_flow import WEST_M, ground_of, patch

GROUND = ground_of(lambda x, y: -0.6 * x, 30, 20)
RELEASE = patch(GROUND, 10.0, 30.0, 10.0, 30.0)


def with_value(value):
    changed = RELEASE.copy()
    changed[3, 7] = value
    return changed


@pytest.mark.parametrize(
    ("release", "text"),
    [
        (RELEASE[:-1], "shape"),
        (with_value(np.nan), "row 3, column 7"),
        (with_value(-0.1), "row 3, column 7"),
        (with_value(np.inf), "row 3, column 7"),
        (0.0 * RELEASE, "empty"),
    ],
)
def test_bad_releases(release, text):
    with pytest.raises(InputError, match=text):
        simulate_flow(GROUND, release, FlowSnow(friction=0.3))


def test_a_release_on_no_data():
    values = GROUND.values.copy()
    values[8, 9] = np.nan
    with pytest.raises(InputError, match="row 8, column 9"):
        simulate_flow(GROUND.with_values(values), RELEASE, FlowSnow(friction=0.3))


def test_ground_without_elevation_and_gaps_in_the_plain_frame():
    values = np.full(GROUND.shape, np.nan)
    with pytest.raises(InputError, match="no elevation"):
        prepare_bed(GROUND.with_values(values))
    values[2:] = 1.0
    with pytest.raises(InputError, match="gaps"):
        prepare_bed(GROUND.with_values(values), plain=True)


@pytest.mark.parametrize(
    "numbers",
    [
        {"friction": -0.1},
        {"friction": np.nan},
        {"friction": 0.3, "turbulence_m_s2": 0.0},
        {"friction": 0.3, "growth": -1.0},
        {"friction": 0.3, "cohesion_pa": np.inf},
        {"friction": 0.3, "density_kg_m3": 0.0},
        {"friction": 0.3, "layer_m": -0.1},
    ],
)
def test_bad_snow(numbers):
    with pytest.raises(InputError):
        FlowSnow(**numbers)


def test_bad_runs_and_tracers():
    with pytest.raises(InputError, match="time limit"):
        simulate_flow(GROUND, RELEASE, FlowSnow(friction=0.3), time_limit_s=0.0)
    with pytest.raises(InputError, match="blocks of 4"):
        simulate_flow(GROUND, RELEASE, FlowSnow(friction=0.3), block_cells=4)
    one = np.zeros(1)
    with pytest.raises(InputError, match="outside"):
        simulate_flow(
            GROUND,
            RELEASE,
            FlowSnow(friction=0.3),
            tracers=Tracers(x_m=one, y_m=one, speed_factor=one, start_s=one, diffusion_m2_s=one),
        )
    with pytest.raises(InputError, match="length"):
        Tracers(x_m=one + WEST_M, y_m=np.zeros(2), speed_factor=one, start_s=one, diffusion_m2_s=one)
    with pytest.raises(InputError, match="finite"):
        Tracers(x_m=one * np.nan, y_m=one, speed_factor=one, start_s=one, diffusion_m2_s=one)
    with pytest.raises(InputError, match="seed"):
        Tracers(x_m=one, y_m=one, speed_factor=one, start_s=one, diffusion_m2_s=one, seed=-1)


@pytest.mark.parametrize("shape", [(1, 1), (1, 30), (2, 3), (33, 65)])
def test_grounds_of_any_size(shape):
    """A single cell, a single row and blocks with a rest of one cell run and balance."""
    ground = ground_of(lambda x, y: -0.6 * x - 0.1 * y, shape[1], shape[0])
    run = simulate_flow(ground, np.full(shape, 0.5), FlowSnow(friction=0.3, growth=0.5), time_limit_s=5.0)
    assert run.balance.error < 1e-10
    assert run.depth_m.shape == shape
