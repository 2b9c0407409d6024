"""The shape of the deposit: of a plan's debris or of a destructive size, laid over a site.

Places on a site are (across, down) in map metres from its middle: across to the right of whoever looks up the slope,
down along the fall line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from pyproj import CRS
from scipy import ndimage
from shapely import MultiPolygon, Polygon
from shapely.affinity import affine_transform

from lastseen.errors import InputError
from lastseen.grid import FloatArray, Grid
from lastseen.outlines import cells_of_outline, only_areas
from lastseen.release import deposit_volume_m3, slab_class
from lastseen.scenario import Snow
from lastseen.wording import percent

CELL_M = 1.0
RIM_M = 60.0  # ground drawn round the site, for snow that is pushed from there
FILLED = 0.92  # share of the width and height of the site that a deposit may take; design choice
LEAST_THICKNESS_M = 0.05
# Mean thickness of a deposit by destructive size: design choice. What people are found under is 1.0 m deep on average
# (Falk et al. 1994: 105 cm, sd 85), so a size 2 that buries people lies between 0.5 and 1.5 m.
MEAN_THICKNESS_M = {1: 0.4, 2: 0.8, 3: 1.5, 4: 2.5}
TOE = 0.35  # share by which the toe is thicker than the mean, and the upper end thinner; design choice
LOBES = (
    (2, 0.07),
    (3, 0.06),
    (5, 0.04),
    (8, 0.02),
)  # waves of the edge round the deposit and their share; design choice
HUMMOCK_M = 1.3  # standard deviation of a hummock, about 4 m from one to the next; design choice
HUMMOCK_SHARE = 0.22  # standard deviation of thickness that hummocks add; design choice


@dataclass(frozen=True)
class SiteFrame:
    """Where a site lies.

    Attributes
    ----------
    middle_m : (x, y)
        Map metres.
    downhill_deg : float
        Azimuth of the fall line from grid north.
    width_m, height_m : float
        On the map, across and along the fall line.
    crs : pyproj.CRS
    """

    middle_m: tuple[float, float]
    downhill_deg: float
    width_m: float
    height_m: float
    crs: CRS

    @property
    def down(self) -> tuple[float, float]:
        """Unit vector down the fall line (east, north)."""
        turn = math.radians(self.downhill_deg)
        return math.sin(turn), math.cos(turn)

    @property
    def right(self) -> tuple[float, float]:
        """Unit vector to the right of whoever looks up the slope."""
        east, north = self.down
        return -north, east

    def to_map(self, across: FloatArray, down: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Map coordinates of places on the site."""
        (rx, ry), (dx, dy) = self.right, self.down
        return self.middle_m[0] + across * rx + down * dx, self.middle_m[1] + across * ry + down * dy

    def to_site(self, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Places on the site (across, down) of map coordinates."""
        (rx, ry), (dx, dy) = self.right, self.down
        x, y = x_m - self.middle_m[0], y_m - self.middle_m[1]
        return x * rx + y * ry, x * dx + y * dy

    def lattice(self) -> Grid:
        """Cells of 1 m over the site and what lies round it."""
        half = math.hypot(0.5 * self.width_m, 0.5 * self.height_m) + RIM_M
        n = 2 * math.ceil(half / CELL_M)
        west = math.floor(self.middle_m[0] - 0.5 * n * CELL_M)
        north = math.ceil(self.middle_m[1] + 0.5 * n * CELL_M)
        return Grid(np.zeros((n, n)), float(west), float(north), CELL_M, self.crs)


@dataclass(frozen=True, eq=False)
class DepositModel:
    """The debris of a plan: mean thickness, outline, and the direction in which it came.

    Attributes
    ----------
    thickness_m : Grid
        Vertical, at deposit density.
    outline : MultiPolygon
    flow_deg : float
        Azimuth of the main path inside the outline, from grid north.
    name : str
    """

    thickness_m: Grid
    outline: MultiPolygon
    flow_deg: float
    name: str


@dataclass(frozen=True, eq=False)
class SnowShape:
    """Snow to be laid on a site.

    Attributes
    ----------
    thickness_m : Grid
        Vertical, above the snow that is there; 0 outside.
    outline : MultiPolygon
        Map metres.
    volume_m3 : float
    greatest_m : float
    scale : float
        Lengths against those of the deposit that it stands for; 1 is true size.
    source : str
        One plain sentence: what it stands for.
    """

    thickness_m: Grid
    outline: MultiPolygon
    volume_m3: float
    greatest_m: float
    scale: float
    source: str

    @property
    def area_m2(self) -> float:
        """Map area."""
        return float(self.outline.area)


def lay_sized(frame: SiteFrame, size: int, seed: int) -> SnowShape:
    """The deposit of a destructive size: a lobed tongue with a thick toe and hummocks.

    Volume: released volume of the class (EAWS size table), grown by half on its way and packed from slab to deposit
    density. Lobes and hummocks are drawn by the seed; the volume is not changed by them. Where the site is too small,
    the tongue is cut down in its lengths, its thickness stays, and the sentence says so.

    Raises
    ------
    InputError
        If the size is not 1 to 4.
    """
    slab = slab_class(size)
    volume = deposit_volume_m3(slab.volume_m3, Snow().growth[1])
    area = volume / MEAN_THICKNESS_M[size]
    rng = np.random.default_rng(seed)
    phases = rng.uniform(0.0, 2.0 * math.pi, len(LOBES))
    turn = np.linspace(0.0, 2.0 * math.pi, 721)[:-1]
    edge = _edge(turn, phases)
    round_m2 = area / (math.pi / 4.0 * float(np.mean(edge**2)))  # of an ellipse, length times width
    longest = FILLED * frame.height_m / float(np.max(edge * np.abs(np.cos(turn))))
    widest = FILLED * frame.width_m / float(np.max(edge * np.abs(np.sin(turn))))
    length = min(math.sqrt(round_m2 * slab.length_to_width), longest)
    width = min(round_m2 / length, widest)
    share = min(1.0, length * width / round_m2)
    across, down = 0.5 * width * edge * np.sin(turn), -0.5 * length * edge * np.cos(turn)
    outline = MultiPolygon([Polygon(np.stack(frame.to_map(across[::4], down[::4]), axis=1))])
    grid = frame.lattice()
    a, d = frame.to_site(*_centres(grid))
    radius = np.hypot(a / (0.5 * width), d / (0.5 * length))
    relative = radius / _edge(np.arctan2(a / width, -d / length), phases)
    profile = np.sqrt(np.clip(1.0 - relative**2, 0.0, 1.0)) * (1.0 + TOE * np.clip(2.0 * d / length, -1.0, 1.0))
    told = (
        f"Deposit of size {size}: {volume:.0f} m3 (released volume of the EAWS size table, grown by "
        f"{percent(Snow().growth[1])} of its mass, packed to deposit density), "
        f"{MEAN_THICKNESS_M[size]:g} m thick on average"
    )
    if share < 0.99:
        told += f"; the site holds {percent(share)} of its area, so it is smaller and just as thick"
    return _finished(grid, outline, profile, share * volume, math.sqrt(share), f"{told}.", rng)


def lay_modelled(frame: SiteFrame, model: DepositModel, seed: int) -> SnowShape:
    """The debris of a plan, turned into the fall line of the site and made smaller where the site is.

    Its thickness is the mean over the events of the plan and stays as it is; hummocks are drawn by the seed.

    Raises
    ------
    InputError
        If the plan has no debris.
    """
    if model.outline.is_empty:
        raise InputError(f"the plan {model.name} has no debris outline: use another plan, or --size")
    turned = _own_frame(model)
    local = only_areas(affine_transform(model.outline, _to_site(turned)))
    west, north, east, south = local.bounds  # across and down
    scale = min(1.0, FILLED * frame.width_m / (east - west), FILLED * frame.height_m / (south - north))
    middle = (0.5 * (west + east), 0.5 * (north + south))
    (rx, ry), (dx, dy) = frame.right, frame.down
    moved = affine_transform(local, [scale, 0.0, 0.0, scale, -scale * middle[0], -scale * middle[1]])
    outline = only_areas(affine_transform(moved, [rx, dx, ry, dy, *frame.middle_m]))
    grid = frame.lattice()
    a, d = frame.to_site(*_centres(grid))
    x, y = turned.to_map(a / scale + middle[0], d / scale + middle[1])
    profile = np.nan_to_num(model.thickness_m.sample(x, y))
    inside = np.zeros(grid.values.size, bool)
    inside[cells_of_outline(outline, grid)] = True
    profile[~inside.reshape(grid.shape)] = 0.0
    volume = float(profile.sum()) * grid.cell_area_m2
    if volume <= 0.0:
        raise InputError(f"the plan {model.name} has no thickness inside its debris outline: make it again")
    told = f"Debris of the plan {model.name}: mean thickness over its events"
    told += f", drawn at {scale:.2f} of its lengths and just as thick." if scale < 0.995 else ", at true size."
    return _finished(grid, outline, profile, volume, scale, told, np.random.default_rng(seed))


def _finished(
    grid: Grid, outline: MultiPolygon, profile: FloatArray, volume_m3: float, scale: float, source: str,
    rng: np.random.Generator,
) -> SnowShape:  # fmt: skip
    """Hummocks on a profile, brought to its volume."""
    noise = ndimage.gaussian_filter(rng.normal(size=grid.shape), HUMMOCK_M / grid.cell_m, mode="wrap")
    rough = profile * np.maximum(1.0 + HUMMOCK_SHARE * noise / noise.std(), 0.2)
    thickness = np.where(profile > 0.0, np.maximum(rough, LEAST_THICKNESS_M), 0.0)
    thickness *= volume_m3 / (float(thickness.sum()) * grid.cell_area_m2)
    return SnowShape(
        grid.with_values(thickness), outline, volume_m3, float(thickness.max()), scale, source
    )  # fmt: skip


def _edge(turn: FloatArray, phases: FloatArray) -> FloatArray:
    """Radius of the edge against the ellipse, at most 1."""
    waves = sum(share * np.sin(k * turn + phase) for (k, share), phase in zip(LOBES, phases, strict=True))
    edge: FloatArray = 1.0 - sum(share for _, share in LOBES) + np.asarray(waves)
    return edge


def _centres(grid: Grid) -> tuple[FloatArray, FloatArray]:
    rows, cols = np.indices(grid.shape)
    return grid.centre_of(rows, cols)


def _own_frame(model: DepositModel) -> SiteFrame:
    middle = model.outline.centroid
    return SiteFrame((middle.x, middle.y), model.flow_deg, 1.0, 1.0, model.thickness_m.crs)


def _to_site(frame: SiteFrame) -> list[float]:
    """The affine map from map metres to (across, down), as shapely wants it."""
    (rx, ry), (dx, dy), (x, y) = frame.right, frame.down, frame.middle_m
    return [rx, ry, dx, dy, -(x * rx + y * ry), -(x * dx + y * dy)]
