"""A ground layer on the lattice of a window: how much of each cell it covers, and its outline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from shapely import MultiPolygon

from lastseen.grid import BoolArray, Grid

LayerKind = Literal["trees", "water", "crevasses", "rocks", "buildings", "roads", "no_go"]
KINDS: tuple[LayerKind, ...] = get_args(LayerKind)
MOSTLY = 0.5  # trees are a stand where at least this share of the cell lies under crowns; design choice


@dataclass(frozen=True, eq=False)
class GroundLayer:
    """One kind of thing on the ground.

    Attributes
    ----------
    kind : LayerKind
    cover : Grid
        Share of each cell that it covers, 0 to 1.
    outline : MultiPolygon
        Cut to the window, valid, map metres.
    source : str
        Names of the files it was read from.
    """

    kind: LayerKind
    cover: Grid
    outline: MultiPolygon
    source: str

    @property
    def cells(self) -> BoolArray:
        """Cells that hold it: any part of a cell counts, for trees half of it."""
        least = MOSTLY if self.kind == "trees" else np.finfo(float).tiny
        return np.asarray(self.cover.values >= least)


@dataclass(frozen=True, eq=False)
class GroundLayers:
    """All ground layers that were given, on one window.

    Attributes
    ----------
    layers : tuple of GroundLayer
        At most one of each kind.
    notes : tuple of str
        Plain sentences that the user must see.
    """

    layers: tuple[GroundLayer, ...] = ()
    notes: tuple[str, ...] = ()

    def of(self, kind: LayerKind) -> GroundLayer | None:
        """The layer of a kind, or None where none was given."""
        return next((one for one in self.layers if one.kind == kind), None)
