"""What the kernels of the flow pass to each other: the planes by number, the table of persons, records of numbers."""

from __future__ import annotations

from typing import NamedTuple

from lastseen.core import FloatArray, IntArray

# Planes of the bed: height above the lowest cell, slopes p q, second derivatives r s t, roots of the pressure
# coefficients a_xx a_yy under a level surface, a_xy / a_xx and a_xy / a_yy, cosine of the slope, ground under a unit of
# map, one where there is no data, limited rise of the bed from side to side of a cell.
BED_HEIGHT, BED_P, BED_Q, BED_R, BED_S, BED_T, BED_ROOT_X, BED_ROOT_Y, BED_ASKEW_X, BED_ASKEW_Y = range(10)
BED_COSINE, BED_WIDTH, BED_HOLE, BED_RISE_X, BED_RISE_Y = range(10, 15)
BED_PLANES = 15
# Planes of the state: vertical depth and velocities.
DEPTH, VELOCITY_X, VELOCITY_Y = range(3)
STATE_PLANES = 3
# The same after a step that is tried, and the speed along the ground and that of the waves, 0 where nothing changed.
AFTER_SPEED, AFTER_WAVE = range(3, 5)
AFTER_PLANES = 5
# Planes of the record: greatest speed, arrival, greatest depth, layer that can be entrained, depth that left through
# the cell, and the same within the current step.
SEEN_SPEED, SEEN_ARRIVAL, SEEN_DEPTH, SEEN_LAYER, SEEN_LEFT, SEEN_LEAVING = range(6)
SEEN_PLANES = 6
# Rows of the sums of a step: depth that moves, depth entrained, cells that move.
SUM_MOVING, SUM_ENTRAINED, SUM_CELLS = range(3)
SUMS = 3
# Where a run stands: time, last step, greatest speed of a wave; snow that moves, moved at most and was entrained, as
# sums of depths; steps, cell updates, updates of cells that moved.
TIME_S, STEP_S, WAVE_M_S, MOVING, MOST_MOVING, ENTRAINED, STEPS, UPDATES, UPDATES_MOVING = range(9)
CLOCK = 9
GOING, STILL, STUCK = range(3)  # what ``advance`` says
WAITING, CARRIED, GONE, SUNK = 0.0, 1.0, 2.0, 3.0  # status
# Columns of the table of persons: place (m, y southwards), share of the speed of the snow, start (s; NaN: with the
# front), diffusion (m2/s), status, time of the last movement (s), greatest speed (m/s, on the map), cells in the trail,
# velocity eastwards and southwards (m/s).
X, Y, SHARE, START, DIFFUSION, STATUS, LAST, FASTEST, VISITS, EAST, SOUTH = range(11)
COLUMNS = 11


class FlowRules(NamedTuple):
    """Numbers of the scheme that hold for a run."""

    cell_m: float
    dry_m: float  # thinner snow does not move
    friction: float  # Coulomb mu
    hold_m2_s2: float  # cohesion over density
    drag: float  # g over Voellmy's xi
    most_entrained: float  # as a sum of depths
    most_m_s: float  # no snow is faster than a free fall over all of the ground
    time_limit_s: float
    courant: float
    longest_step_s: float
    shortest_step_s: float
    holes: int  # 1: there are cells without data
    block: int  # cells along a block


class FlowPlanes(NamedTuple):
    """All that the steps of a run change, and the bed."""

    state: FloatArray  # (3, rows + 4, columns + 4)
    after: FloatArray  # (5, rows + 4, columns + 4)
    bed: FloatArray  # (15, rows + 4, columns + 4)
    seen: FloatArray  # (6, rows + 4, columns + 4)
    active: IntArray  # (block rows, block columns, 3): what each block can reach, first and last row that changed
    boxes: IntArray  # (blocks, 4): first and last (exclusive) row and column of each block
    sums: FloatArray  # (3, rows + 4), filled in the order of columns, so that they do not depend on the blocks
    scratch: FloatArray  # (SCRATCH,)
    clock: FloatArray  # (9,)


class CarryRules(NamedTuple):
    """Numbers that hold for a run."""

    cell_m: float
    trail_cell_m: float  # of the lattice of the trails; 0 for none
    seed: int  # of the random walk
    friction: float  # Coulomb mu of a person without snow
    turbulence_m_s2: float  # and Voellmy's xi
