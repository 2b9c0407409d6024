"""The course of a run: step after step until an end is reached."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from lastseen.errors import ResourceError
from lastseen.grid import FloatArray, IntArray
from lastseen.motion.flow import kernels
from lastseen.motion.flow.bed import FRAME, Bed
from lastseen.motion.flow.books import kernels as books
from lastseen.motion.flow.carried import kernels as carrying
from lastseen.motion.flow.model import FlowEnd

CFL = 0.45
FALL_STEP = 0.4  # longest step as a share of sqrt(cell / g): bounds what gravity adds within a step
SHORTEST_STEP_S_PER_M = 1e-9
COMPARE_S = 5.0  # between two looks at whether the deposit still changes
AFTER_S, AFTER_STEP_S = 120.0, 0.05  # for people who slide on when the snow has stopped
GRANTED = 8.0  # entrainment fades over the last eighth of the growth


@dataclass(frozen=True)
class Terms:
    """When a run ends, and how it is booked. Volumes as sums of depths over cells."""

    time_limit_s: float
    moving_share: float
    energy_share: float
    change_share: float
    released: float
    growth: float
    block_cells: int
    seed: int
    trail_cell_m: float
    friction: float
    turbulence_m_s2: float
    watch: Callable[[float, FloatArray], None] | None
    watch_every_s: float


@dataclass
class Course:
    """Where a run stands."""

    lively: IntArray
    boxes: IntArray
    sums: FloatArray
    wave_m_s: float
    scratch: FloatArray = field(default_factory=lambda: np.zeros(kernels.PLANES))
    time_s: float = 0.0
    last_step_s: float = 0.0
    steps: int = 0
    updates: int = 0
    entrained: float = 0.0
    left: float = 0.0
    peak: float = 0.0
    set_out: bool = False
    watched: int = 0
    compared_s: float = 0.0
    compared: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))


def run_course(
    bed: Bed,
    state: FloatArray,
    seen: FloatArray,
    people: tuple[FloatArray, IntArray],
    rules: FloatArray,
    terms: Terms,
) -> tuple[Course, FlowEnd]:
    """Run until an end is reached; ``state``, ``seen`` and ``people`` (table and trails) are changed in place.

    Raises
    ------
    ResourceError
        If no time step is short enough.
    """
    course = _start(bed, state, terms.block_cells)
    end = FlowEnd.TIME_OVER
    while course.time_s < terms.time_limit_s:
        found = _go_on(bed, state, seen, people, rules, course, terms)
        if found is not None:
            end = found
            break
    if people[0].size:
        _let_people_stop(bed, state, people, course, terms)
    return course, end


def _go_on(
    bed: Bed,
    state: FloatArray,
    seen: FloatArray,
    people: tuple[FloatArray, IntArray],
    rules: FloatArray,
    course: Course,
    terms: Terms,
) -> FlowEnd | None:
    """One step; why the run ends with it, or None."""
    ny, nx = bed.ground.shape
    count = books.choose(course.lively, course.boxes, terms.block_cells, ny, nx)
    if count == 0:
        return FlowEnd.CAME_TO_REST
    boxes = course.boxes[:count]
    _step(bed, state, seen[5], boxes, rules, course, terms.time_limit_s)
    granted = _granted(course.entrained, terms.growth * terms.released)
    numbers = np.array([rules[1], course.last_step_s, course.time_s, granted, rules[6], float(terms.block_cells)])
    course.wave_m_s = books.finish(state, seen, bed.planes, boxes, course.lively, course.sums, numbers)
    course.updates += int(((boxes[:, 1] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 2])).sum())
    if people[0].size:
        _carry(bed, state, people, course, terms)
    _show(course, state, terms)
    return _ended(course, terms) or _settled(course, state, terms)


def _start(bed: Bed, state: FloatArray, block: int) -> Course:
    """Every block with snow is looked at once."""
    ny, nx = bed.ground.shape
    blocks = (-(-ny // block), -(-nx // block))
    wet = np.zeros((blocks[0] * block, blocks[1] * block), bool)
    wet[:ny, :nx] = state[0, FRAME:-FRAME, FRAME:-FRAME] > 0.0
    any_wet = wet.reshape(blocks[0], block, blocks[1], block).any(axis=(1, 3))
    top = np.broadcast_to(np.arange(blocks[0])[:, None] * block + FRAME, blocks)
    whole = (top, top + block - 1)
    waves = np.abs(state[1]) + np.abs(state[2]) + np.sqrt(state[0]) * (bed.planes[6] + bed.planes[7])
    return Course(
        lively=np.ascontiguousarray(np.stack([np.where(any_wet, books.ALL_AROUND, 0), *whole], axis=-1), np.int32),
        boxes=np.zeros((blocks[0] * blocks[1], 4), np.int32),
        sums=np.zeros((4, ny + 2 * FRAME)),
        wave_m_s=float(waves[state[0] > 0.0].max()),
    )


def _step(
    bed: Bed, state: FloatArray, trial: FloatArray, boxes: IntArray, rules: FloatArray, course: Course, limit_s: float
) -> None:
    """One step; one that would leave less than nothing in a cell is taken again, half as long."""
    cell = bed.ground.cell_m
    dt = FALL_STEP * math.sqrt(cell / kernels.GRAVITY_M_S2)
    if course.wave_m_s * dt > CFL * cell:
        dt = CFL * cell / course.wave_m_s
    left = limit_s - course.time_s
    dt = min(dt, left)
    while not kernels.step(state, bed.planes, trial, course.scratch, boxes, dt, rules):
        dt *= 0.5
        if not dt > SHORTEST_STEP_S_PER_M * cell:
            raise ResourceError(
                f"the flow found no time step after {course.time_s:.1f} s: smooth the ground or release less"
            )
    course.time_s = course.time_s + dt if dt < left else limit_s
    course.last_step_s = dt
    course.steps += 1


def _carry(bed: Bed, state: FloatArray, people: tuple[FloatArray, IntArray], course: Course, terms: Terms) -> int:
    """Move people through the last step; how many move."""
    return int(
        carrying.carry(
            *people,
            terms.trail_cell_m,
            state,
            bed.planes,
            bed.ground.cell_m,
            course.time_s,
            course.last_step_s,
            terms.seed,
            course.steps,
            terms.friction,
            terms.turbulence_m_s2,
        )
    )


def _let_people_stop(
    bed: Bed, state: FloatArray, people: tuple[FloatArray, IntArray], course: Course, terms: Terms
) -> None:
    """After the snow has stopped, people whom it left behind slide on until they rest."""
    at_rest = state.copy()
    at_rest[1:3] = 0.0
    after = replace(course, last_step_s=AFTER_STEP_S)
    for _ in range(round(AFTER_S / AFTER_STEP_S)):
        after.time_s += AFTER_STEP_S
        after.steps += 1
        if _carry(bed, at_rest, people, after, terms) == 0:
            return


def _show(course: Course, state: FloatArray, terms: Terms) -> None:
    """Let somebody watch: the depth at each full interval."""
    if terms.watch is not None and course.time_s >= course.watched * terms.watch_every_s:
        terms.watch(course.time_s, state[0, FRAME:-FRAME, FRAME:-FRAME].copy())
        course.watched += 1


def _granted(entrained: float, most: float) -> float:
    """Share of the entrainment that the growth still grants: all, fading to none at its end."""
    return min(1.0, max(0.0, GRANTED * (1.0 - entrained / most))) if most > 0.0 else 0.0


def _settled(course: Course, state: FloatArray, terms: Terms) -> FlowEnd | None:
    """Compare the depth with that of some seconds ago; whether the run ends here."""
    if terms.change_share <= 0.0 or course.time_s < course.compared_s + COMPARE_S:
        return None
    before, course.compared, course.compared_s = course.compared, state[0].copy(), course.time_s
    if not before.size or not course.set_out:
        return None
    moved = 0.5 * float(np.abs(course.compared - before).sum())
    return FlowEnd.SETTLED if moved < terms.change_share * (terms.released + course.entrained) else None


def _ended(course: Course, terms: Terms) -> FlowEnd | None:
    """Book a step; why the run ends here, or None."""
    moving, energy, entrained, left = (float(one) for one in course.sums.sum(axis=1))
    course.entrained += entrained
    course.left += left
    course.peak = max(course.peak, energy)
    enough = terms.moving_share * (terms.released + course.entrained - course.left)
    course.set_out = course.set_out or moving > enough
    if course.set_out and moving < enough:
        return FlowEnd.SLOW
    if energy < terms.energy_share * course.peak:
        return FlowEnd.SPENT
    return None
