"""Samples of snow as point masses on the ground: where each one goes, how fast, and where it stops.

Both slope and curvature act on a sample (Nohguchi 1989, Ann. Glaciol. 13; point mass on a surface z = b(x, y)).
Friction is Voellmy's: Coulomb mu times the normal load, plus drag g v^2 / (xi h).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from lastseen.core import FloatArray, Grid, IntArray, ResourceError
from lastseen.snow import sliding_mass_kernels as kernels
from lastseen.terrain import smooth_heights

SNOW_SMOOTHING_M = 2.5  # design choice: moving snow evens out ground rougher than about its own depth
LARGEST_STEP_S = 0.05
LARGEST_STEP_CELLS = 0.25
TIME_LIMIT_S = 600.0
MOST_VISITS = 250_000_000  # cells entered by all samples of a run: 3 GB


@dataclass(frozen=True, kw_only=True)
class Samples:
    """Samples about to move, map metres and m/s, horizontal components (east, north); arrays of shape (n,)."""

    x_m: FloatArray
    y_m: FloatArray
    east_m_s: FloatArray
    north_m_s: FloatArray
    friction: FloatArray  # Coulomb mu
    drag_per_m: FloatArray  # g / (xi h)


@dataclass(frozen=True, kw_only=True)
class SampleTracks:
    """Where samples went and stopped; arrays of shape (n,) unless said otherwise."""

    # cells, speeds_m_s: cells entered in turn (flat indices), all samples one after the other, and the speed at entry;
    # shape (n_visits,)
    cells: IntArray
    speeds_m_s: FloatArray
    offsets: IntArray  # sample b owns visits offsets[b] to offsets[b + 1]; shape (n + 1,)
    # x_m, y_m: where the sample came to rest, or left
    x_m: FloatArray
    y_m: FloatArray
    reason: IntArray  # 0 stopped, 1 left the grid, 2 met no data, 3 ran out of time
    # fastest_m_s, time_s, fall_m, path_m: greatest speed, time to rest, greatest fall through the air, way on the
    # surface
    fastest_m_s: FloatArray
    time_s: FloatArray
    fall_m: FloatArray
    path_m: FloatArray
    # disc_east_m_s, disc_north_m_s: velocity at the first entry of the disc asked about; NaN where the sample never
    # entered it
    disc_east_m_s: FloatArray
    disc_north_m_s: FloatArray

    @property
    def count(self) -> int:
        """Number of samples."""
        return int(self.x_m.size)

    def part(self, samples: slice) -> SampleTracks:
        """The tracks of some samples, as if they had been run alone; ``samples`` has a start and a stop."""
        first, last = int(self.offsets[samples.start]), int(self.offsets[samples.stop])
        by_sample = {name: getattr(self, name)[samples] for name in _BY_SAMPLE}
        offsets = self.offsets[samples.start : samples.stop + 1] - self.offsets[samples.start]
        return SampleTracks(
            cells=self.cells[first:last], speeds_m_s=self.speeds_m_s[first:last], offsets=offsets, **by_sample
        )

    @property
    def index_of_visit(self) -> IntArray:
        """The sample of each visit."""
        return np.repeat(np.arange(self.count, dtype=np.int32), np.diff(self.offsets))


_BY_SAMPLE = tuple(field.name for field in fields(SampleTracks) if field.name not in {"cells", "speeds_m_s", "offsets"})


def smooth_for_snow(ground: Grid) -> Grid:
    """The ground lightly smoothed, as moving snow follows it."""
    return smooth_heights(ground, SNOW_SMOOTHING_M)


def slide_samples(
    ground: Grid,
    samples: Samples,
    disc: tuple[float, float, float] = (0.0, 0.0, 0.0),
    *,
    largest_step_s: float = LARGEST_STEP_S,
    largest_step_cells: float = LARGEST_STEP_CELLS,
    time_limit_s: float = TIME_LIMIT_S,
    centripetal_load: bool = True,
) -> SampleTracks:
    """Let samples slide over the ground until they stop, leave it, or the time limit has passed.

    The ground is that of :func:`smooth_for_snow`. Velocities at the first entry of ``disc`` (x, y, radius in map
    metres) are kept. Without ``centripetal_load``, the load from curved ground on friction, a sample under Coulomb
    friction alone stops on its energy line (Heim 1932). ResourceError if the samples together enter more cells than fit
    into memory.
    """
    n = samples.x_m.size
    start = np.column_stack(
        [samples.x_m - ground.west_m, ground.north_m - samples.y_m, samples.east_m_s, -samples.north_m_s]
    ).astype(np.float64)
    rules = kernels.SlideRules(
        largest_step_s=float(largest_step_s),
        largest_step_cells=float(largest_step_cells),
        time_limit_s=float(time_limit_s),
        centripetal=1.0 if centripetal_load else 0.0,
        most_visits=MOST_VISITS,
        disc_x=float(disc[0] - ground.west_m),
        disc_y=float(ground.north_m - disc[1]),
        disc_radius=float(disc[2]),
    )
    final, offsets = np.empty((n, kernels.FINAL_COLUMNS)), np.empty(n + 1, np.int32)
    reason = np.zeros(n, np.int32)
    cells, speeds = kernels.slide(
        ground.values,
        ground.cell_m,
        start,
        np.ascontiguousarray(samples.friction, np.float64),
        np.ascontiguousarray(samples.drag_per_m, np.float64),
        rules,
        final,
        reason,
        offsets,
    )
    if (reason == kernels.TOO_LONG).any():
        raise ResourceError(
            f"{n} samples of snow enter more than {MOST_VISITS:.2g} cells: use fewer of them, or larger cells"
        )
    return SampleTracks(
        cells=cells,
        speeds_m_s=speeds,
        offsets=offsets,
        x_m=final[:, kernels.END_X] + ground.west_m,
        y_m=ground.north_m - final[:, kernels.END_Y],
        reason=reason,
        fastest_m_s=final[:, kernels.FASTEST],
        time_s=final[:, kernels.TIME],
        fall_m=final[:, kernels.FALL],
        path_m=final[:, kernels.PATH],
        disc_east_m_s=final[:, kernels.DISC_X],
        disc_north_m_s=-final[:, kernels.DISC_Y],
    )


def join_tracks(parts: list[SampleTracks]) -> SampleTracks:
    """Tracks of several runs as those of one run, in their order."""
    counts = np.concatenate([np.diff(part.offsets) for part in parts])
    names = ("cells", "speeds_m_s", *_BY_SAMPLE)
    arrays = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    return SampleTracks(offsets=np.concatenate([[0], np.cumsum(counts)]).astype(np.int32), **arrays)
