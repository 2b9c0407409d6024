"""Reading a slope against closed forms: how far the bodies of an even face run onto the flat."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from pyproj import CRS

from lastseen.grid import Grid
from lastseen.motion.body_events import BODY_FRICTION
from lastseen.motion.laws import energy_line_runout_m
from lastseen.motion.members import uniform
from lastseen.preread.area import read_area
from lastseen.preread.carry import run_block
from lastseen.preread.ensemble import draw_ensemble, drawn
from lastseen.preread.lattice import heights_of_grid, tiles_of
from lastseen.preread.sheets import PreparedGround
from lastseen.scenario import Snow

NO_DRAG = (1e9, 1e9, 1e9)


def _face(slope_deg: float, cell_m: float) -> Grid:
    """An even face 300 m long on the map that ends in a bend onto flat ground; falls to the south."""
    ny, nx = round(1500.0 / cell_m), round(250.0 / cell_m)
    y = (np.arange(ny) + 0.5)[:, None] * cell_m + 0.0 * np.arange(nx)[None, :]
    return Grid(2000.0 - math.tan(math.radians(slope_deg)) * np.clip(y - 40.0, 0.0, 300.0), 0.0, 0.0, cell_m,
                CRS.from_epsg(32632))  # fmt: skip


def reach_ratio(slope_deg: float, friction: float, cell_m: float = 2.5) -> float:
    """Run-out on the flat of the bodies of a face against the closed form, mean over all bodies.

    Coulomb friction alone. On the face the energy line (Heim 1932) falls by the friction; in the bend the body weighs
    more, which takes exp(-2 mu theta) of v2 (point mass on a smooth bend); on the flat the energy line goes on.
    """
    heights = heights_of_grid(_face(slope_deg, cell_m))
    ensemble = draw_ensemble(Snow(friction=(friction,) * 3, turbulence_m_s2=NO_DRAG), 1, 4)
    prepared = PreparedGround(heights, with_traps=False)
    ratios = []
    for block in tiles_of(heights.extent, heights.block_cells):
        found = run_block(prepared, block, ensemble, 20.0)
        if found is None:
            continue
        starts, ground, runs = found
        off_row, own = (drawn(1, starts.rows, starts.cols, 4, what) for what in (0, 2))
        mu = ensemble.friction[None, :] * uniform(own, *BODY_FRICTION)
        y = ((starts.rows - heights.extent.top)[:, None] + off_row) * cell_m
        length = (340.0 - y) / math.cos(math.radians(slope_deg))
        for run in runs:
            end = -run.tracks.y_m + (ground.window.top - heights.extent.top) * cell_m - 340.0
            for k, body in enumerate(range(run.starts.start * 4, run.starts.stop * 4)):
                start, member = divmod(body, 4)
                m, way = float(mu[start, member]), float(length[start, member])
                if way > 100.0 and run.stop[k] >= 0:
                    bent = math.exp(-2.0 * m * math.radians(slope_deg))
                    ratios.append(float(end[k]) / (energy_line_runout_m(m, slope_deg, way) * bent))
    return float(np.mean(ratios))


def highest_reached_m(slope_deg: float) -> float:
    """Metres above the top of a face at which any body is met: a level top is reached by nothing."""
    area = read_area(_face(slope_deg, 5.0), members=4, with_traps=False)
    rows = np.flatnonzero(area.mask.any(axis=1))
    return float(max(0.0, 40.0 - 10.0 - rows[0] * 5.0)) if rows.size else 0.0


QUANTITIES: dict[str, Callable[..., float]] = {
    "preread_reach_ratio": reach_ratio,
    "preread_above_top_m": highest_reached_m,
}
