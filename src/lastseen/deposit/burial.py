"""How deep a carried person lies: the snow above them in their event, as shares and as a map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from lastseen.grid import Grid
from lastseen.motion import Carried

# Snow above a person that covers all of them: about the thickness of a body that lies; design choice, no source.
FULLY_BURIED_M = 0.3
DEPTHS_M = (0.5, 1.0, 1.5)  # full burial possible, typical, deep: design choice after published median depths


@dataclass(frozen=True)
class Burial:
    """How deep those lie who were caught and stayed on the model.

    A person's place in the snow is not modelled: the depth above them is the debris at their place times a relative
    depth drawn evenly between 0 (on the surface) and 1 (on the ground). Design choice, no source.

    Attributes
    ----------
    fully : float
        Share with more than 0.3 m of snow above.
    deeper : tuple of (depth_m, share)
        Shares with more than 0.5, 1.0 and 1.5 m above.
    p50_m, p90_m : float
        Median and 90th percentile of the depth of those fully buried; NaN where nobody is.
    maps : tuple of (depth_m, Grid)
        For 0.3, 0.5, 1.0 and 1.5 m: the probability of lying in the cell and deeper than that; each sums to its share.
    """

    fully: float
    deeper: tuple[tuple[float, float], ...]
    p50_m: float
    p90_m: float
    maps: tuple[tuple[float, Grid], ...]


def how_deep(person: Carried, poa: Grid, sigma_cells: float) -> Burial | None:
    """Burial of the caught; None where the model does not know it.

    Parameters
    ----------
    person : Carried
    poa : Grid
        Gives the cells of the maps.
    sigma_cells : float
        Spread of one possible person, cells.
    """
    count = person.caught() & ~person.left_grid & ~person.in_no_data
    depth = person.burial_m[count]
    if depth.size == 0 or np.isnan(depth).any():
        return None
    row, col = poa.cell_of(person.x_m[count], person.y_m[count])
    maps = tuple((level, _map(poa, row[depth > level], col[depth > level], depth.size, sigma_cells))
                 for level in (FULLY_BURIED_M, *DEPTHS_M))  # fmt: skip
    deep = depth[depth > FULLY_BURIED_M]
    p50, p90 = np.quantile(deep, [0.5, 0.9]) if deep.size else (np.nan, np.nan)
    return Burial(
        float((depth > FULLY_BURIED_M).mean()),
        tuple((level, float((depth > level).mean())) for level in DEPTHS_M),
        float(p50),
        float(p90),
        maps,
    )


def _map(poa: Grid, row: np.ndarray, col: np.ndarray, of: int, sigma_cells: float) -> Grid:
    counts = np.zeros(poa.shape)
    inside = (row >= 0) & (row < poa.shape[0]) & (col >= 0) & (col < poa.shape[1])
    np.add.at(counts, (row[inside], col[inside]), 1.0 / of)
    if not inside.any():
        return poa.with_values(counts)
    rim = int(np.ceil(4.0 * sigma_cells)) + 1
    part = (slice(max(0, int(row[inside].min()) - rim), int(row[inside].max()) + rim + 1),
            slice(max(0, int(col[inside].min()) - rim), int(col[inside].max()) + rim + 1))  # fmt: skip
    total = counts[part].sum()
    wide = ndimage.gaussian_filter(counts[part], sigma_cells, mode="constant", truncate=4.0)
    counts[part] = wide * (total / wide.sum())
    return poa.with_values(counts)
