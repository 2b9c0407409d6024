"""The ground as the flow needs it: slopes, second derivatives and pressure coefficients, once for many runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lastseen.errors import InputError
from lastseen.grid import BoolArray, FloatArray, Grid
from lastseen.motion.flow.kernels import GRAVITY_M_S2

FRAME = 2  # cells around the ground in every plane of the kernels


@dataclass(frozen=True)
class Bed:
    """Planes of the ground with a frame of two cells; see the kernels for their meaning.

    Attributes
    ----------
    ground : Grid
        Elevations, metres; NaN is no data.
    planes : ndarray, shape (14, ny + 4, nx + 4)
    sink : ndarray of bool, shape (ny + 4, nx + 4)
        Cells without data: what flows in is counted and gone.
    plain : bool
        Whether gravity is that of shallow water instead of that of snow on a slope.
    """

    ground: Grid
    planes: FloatArray
    sink: BoolArray
    plain: bool


def lay_bed(ground: Grid, *, plain: bool = False) -> Bed:
    """Prepare the ground for runs of the flow.

    Slopes are central differences and second derivatives those of Zevenbergen & Thorne (1987, Earth Surface Processes
    and Landforms 12:47). Beside no data and at the edges slopes are one-sided and second derivatives 0.

    Parameters
    ----------
    ground : Grid
        Elevations in metres as the snow feels them: used as they are.
    plain : bool
        The frame of plain shallow water, for benchmarks.

    Raises
    ------
    InputError
        If there is no elevation at all, or a gap in it in the plain frame.
    """
    known = np.isfinite(ground.values)
    if not known.any():
        raise InputError("the ground for the flow has no elevation at all: check its extent")
    if plain and not known.all():
        raise InputError("the plain frame takes ground without gaps only: fill them, or use the general frame")
    z = np.pad(ground.values.astype(np.float64), FRAME, mode="edge")
    sink = np.pad(~known, FRAME, mode="constant", constant_values=False)
    planes = np.zeros((14, *z.shape))
    planes[0] = np.where(np.isfinite(z), z, 0.0)
    planes[11] = sink
    if plain:
        planes[6] = planes[7] = np.sqrt(GRAVITY_M_S2)
        planes[10] = 1.0 / _steepness(*_slopes(z, ground.cell_m))
    else:
        _fill_general(planes, z, ground.cell_m)
    return Bed(ground, planes, sink, plain)


def _fill_general(planes: FloatArray, z: FloatArray, cell_m: float) -> None:
    """Planes 1 to 10, 12, 13 on a slope: pressure -g cos2 G^-1 grad H, G^-1 = I - grad b grad b^T / (1 + |grad b|2)."""
    p, q = _slopes(z, cell_m)
    planes[1], planes[2] = p, q
    planes[3], planes[4], planes[5] = _second_derivatives(z, cell_m)
    steep = _steepness(p, q)
    planes[6] = np.sqrt(GRAVITY_M_S2 * (1.0 + q * q)) / steep
    planes[7] = np.sqrt(GRAVITY_M_S2 * (1.0 + p * p)) / steep
    planes[8], planes[9] = -p * q / (1.0 + q * q), -p * q / (1.0 + p * p)
    planes[10] = 1.0 / np.sqrt(steep)
    planes[12], planes[13] = _steps(z, 1), _steps(z, 0)


def _steps(z: FloatArray, axis: int) -> FloatArray:
    """Height by which the ground jumps at the face before each cell where slopes are limited; 0 on a plane.

    Each cell takes the gentler of its two slopes, or none where they differ in sign (minmod): no step is ever higher
    than the difference of the two cells. Beside no data there are no steps.
    """
    step = np.diff(z, axis=axis, prepend=z[:, :1] if axis == 1 else z[:1])
    after = np.diff(z, axis=axis, append=z[:, -1:] if axis == 1 else z[-1:])
    gentle = np.where(step * after > 0.0, np.where(np.abs(step) < np.abs(after), step, after), 0.0)
    jump = step - 0.5 * (gentle + np.roll(gentle, 1, axis=axis))
    jump[:, :1] = jump[:1] = 0.0
    found: FloatArray = np.nan_to_num(jump, nan=0.0)
    return found


def _steepness(p: FloatArray, q: FloatArray) -> FloatArray:
    """1 + |grad b|^2, that is 1 / cos^2 of the slope angle."""
    return 1.0 + (p * p + q * q)


def _slopes(z: FloatArray, cell_m: float) -> tuple[FloatArray, FloatArray]:
    """Eastward and southward slope: central where both neighbours are known, else one-sided, else 0."""
    found = []
    for axis in (1, 0):
        step = np.diff(z, axis=axis) / cell_m
        ahead, behind = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
        first, last = [slice(None)] * 2, [slice(None)] * 2
        first[axis], last[axis] = slice(1, None), slice(None, -1)
        ahead[tuple(last)], behind[tuple(first)] = step, step
        # The frame repeats the edge: at the edge itself only the inner difference counts.
        _drop_frame_steps(ahead, behind, axis)
        both = 0.5 * (ahead + behind)
        one = np.where(np.isfinite(ahead), ahead, behind)
        found.append(np.nan_to_num(np.where(np.isfinite(both), both, one), nan=0.0))
    for slope in found:
        _repeat_into_frame(slope)
    return found[0], found[1]


def _drop_frame_steps(ahead: FloatArray, behind: FloatArray, axis: int) -> None:
    """Forget the differences across the edge of the ground."""
    a, b = (ahead, behind) if axis == 0 else (ahead.T, behind.T)
    a[-FRAME - 1 :], b[: FRAME + 1] = np.nan, np.nan


def _repeat_into_frame(plane: FloatArray) -> None:
    """Give the frame the values of the outermost cells."""
    plane[:] = np.pad(plane[FRAME:-FRAME, FRAME:-FRAME], FRAME, mode="edge")


def _second_derivatives(z: FloatArray, cell_m: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Second derivatives xx, xy, yy (x east, y south); 0 at the edges and beside no data."""
    inner, area = slice(FRAME + 1, -FRAME - 1), cell_m * cell_m
    own, ahead, behind = slice(FRAME, -FRAME), slice(FRAME + 2, -FRAME), slice(FRAME, -FRAME - 2)
    xx, xy, yy = np.zeros(z.shape), np.zeros(z.shape), np.zeros(z.shape)
    xx[own, inner] = (z[own, ahead] - 2.0 * z[own, inner] + z[own, behind]) / area
    yy[inner, own] = (z[ahead, own] - 2.0 * z[inner, own] + z[behind, own]) / area
    south, north = z[ahead], z[behind]
    xy[inner, inner] = ((south[:, ahead] - south[:, behind]) - (north[:, ahead] - north[:, behind])) / (4.0 * area)
    found = [np.nan_to_num(one, nan=0.0) for one in (xx, xy, yy)]
    return found[0], found[1], found[2]
