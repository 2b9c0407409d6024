"""Single bodies on the ground: where each one goes, how fast, and where it stops.

Design: both slope and curvature act on the body (Nohguchi 1989, Ann. Glaciol. 13; physics of a point mass on a surface
z = b(x, y)); friction is Voellmy's: Coulomb mu times the normal load, plus drag g v^2 / (xi h).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from lastseen.core import FloatArray, Grid, IntArray
from lastseen.snow import sliding_mass_kernels
from lastseen.terrain import smooth_heights

SNOW_SMOOTHING_M = 2.5  # design choice: moving snow does not feel ground rougher than about its own depth
LARGEST_STEP_S = 0.05
LARGEST_STEP_CELLS = 0.25
TIME_LIMIT_S = 600.0


@dataclass(frozen=True, kw_only=True)
class Samples:
    """Bodies about to move, map metres and m/s, horizontal components (east, north)."""

    x_m: FloatArray
    y_m: FloatArray
    east_m_s: FloatArray
    north_m_s: FloatArray
    friction: FloatArray  # Coulomb mu
    drag_per_m: FloatArray  # g / (xi h)


@dataclass(frozen=True, kw_only=True)
class SampleTracks:
    """Where bodies went and stopped. All arrays are per body unless said otherwise."""

    # shape (n_visits,); cells entered in turn (flat indices), all bodies one after the other, and the speed at entry
    cells: IntArray
    speeds_m_s: FloatArray
    offsets: IntArray  # shape (n + 1,); body b owns visits offsets[b] to offsets[b + 1]
    # where the body came to rest, or left
    x_m: FloatArray
    y_m: FloatArray
    reason: IntArray  # 0 stopped, 1 left the grid, 2 met no data, 3 ran out of time
    # greatest speed, time to rest, greatest fall through the air, way on the surface
    fastest_m_s: FloatArray
    time_s: FloatArray
    fall_m: FloatArray
    path_m: FloatArray
    # velocity at the first entry of the disc asked about; NaN where the body never entered it
    disc_east_m_s: FloatArray
    disc_north_m_s: FloatArray

    @property
    def count(self) -> int:
        """Number of bodies."""
        return int(self.x_m.size)

    def part(self, bodies: slice) -> SampleTracks:
        """The tracks of some bodies, as if they had been run alone; ``bodies`` has a start and a stop."""
        first, last = int(self.offsets[bodies.start]), int(self.offsets[bodies.stop])
        by_body = {field.name: getattr(self, field.name)[bodies] for field in fields(self)[3:]}
        offsets = self.offsets[bodies.start : bodies.stop + 1] - self.offsets[bodies.start]
        return SampleTracks(
            cells=self.cells[first:last], speeds_m_s=self.speeds_m_s[first:last], offsets=offsets, **by_body
        )

    @property
    def index_of_visit(self) -> IntArray:
        """The body of each visit."""
        return np.repeat(np.arange(self.count, dtype=np.int32), np.diff(self.offsets))


def smooth_for_snow(ground: Grid) -> Grid:
    """The ground as moving snow feels it: lightly smoothed."""
    return smooth_heights(ground, SNOW_SMOOTHING_M)


def slide_samples(
    ground: Grid,
    bodies: Samples,
    disc: tuple[float, float, float] = (0.0, 0.0, 0.0),
    *,
    largest_step_s: float = LARGEST_STEP_S,
    largest_step_cells: float = LARGEST_STEP_CELLS,
    time_limit_s: float = TIME_LIMIT_S,
    centripetal_load: bool = True,
) -> SampleTracks:
    """Let bodies slide over the ground until they stop, leave it, or the time limit (ten minutes) has passed.

    Parameters
    ----------
    ground : Grid
        Elevations, metres, as the snow feels them (see :func:`smooth_for_snow`).
    disc : x_m, y_m, radius_m
        Velocities at the first entry of this disc are reported.
    largest_step_s, largest_step_cells, time_limit_s : float
        Bounds of one time step and of the whole run.
    centripetal_load : bool
        Whether friction feels the load from curved ground. Without it a body under Coulomb friction alone stops on
        its energy line (Heim 1932).
    """
    n = bodies.x_m.size
    start = np.column_stack(
        [bodies.x_m - ground.west_m, ground.north_m - bodies.y_m, bodies.east_m_s, -bodies.north_m_s]
    ).astype(np.float64)
    final, reason, offsets = np.empty((n, 9)), np.empty(n, np.int32), np.empty(n + 1, np.int32)
    cells, speeds = sliding_mass_kernels.slide(
        ground.values,
        ground.cell_m,
        start,
        np.ascontiguousarray(bodies.friction, np.float64),
        np.ascontiguousarray(bodies.drag_per_m, np.float64),
        np.array([disc[0] - ground.west_m, ground.north_m - disc[1], disc[2]]),
        np.array([largest_step_s, largest_step_cells, time_limit_s, 1.0 if centripetal_load else 0.0]),
        final,
        reason,
        offsets,
    )
    return SampleTracks(
        cells=cells,
        speeds_m_s=speeds,
        offsets=offsets,
        x_m=final[:, 0] + ground.west_m,
        y_m=ground.north_m - final[:, 1],
        reason=reason,
        fastest_m_s=final[:, 3],
        time_s=final[:, 4],
        fall_m=final[:, 5],
        path_m=final[:, 8],
        disc_east_m_s=final[:, 6],
        disc_north_m_s=-final[:, 7],
    )


def join_tracks(parts: list[SampleTracks]) -> SampleTracks:
    """Tracks of several runs as one, in their order."""
    counts = np.concatenate([np.diff(part.offsets) for part in parts])
    offsets = np.concatenate([[0], np.cumsum(counts)]).astype(np.int32)

    def all_of(name: str) -> FloatArray:
        return np.concatenate([getattr(part, name) for part in parts])

    return SampleTracks(
        cells=np.concatenate([part.cells for part in parts]),
        speeds_m_s=all_of("speeds_m_s"),
        offsets=offsets,
        x_m=all_of("x_m"),
        y_m=all_of("y_m"),
        reason=np.concatenate([part.reason for part in parts]),
        fastest_m_s=all_of("fastest_m_s"),
        time_s=all_of("time_s"),
        fall_m=all_of("fall_m"),
        path_m=all_of("path_m"),
        disc_east_m_s=all_of("disc_east_m_s"),
        disc_north_m_s=all_of("disc_north_m_s"),
    )
