"""A deposit to practise on: its shape laid over a site, and how a machine pushes it together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from pyproj import CRS
from scipy import ndimage, sparse
from scipy.optimize import linprog
from shapely import LineString, MultiPolygon, Point, Polygon, box
from shapely.affinity import affine_transform

from lastseen.core import (
    BoolArray,
    FloatArray,
    Grid,
    InputError,
    NothingFoundError,
    Snow,
    cells_of_outline,
    keep_areas,
    percent,
    smooth_outline,
)
from lastseen.jobs.notes import note_grid, to_sentences
from lastseen.snow import DEPOSIT_DENSITY_KG_M3, SLAB_DENSITY_KG_M3, deposit_volume_m3, slab_class
from lastseen.terrain import Elevation, read_ground, read_terrain, smooth_heights

# Places on a site are (across, down) in map metres from its middle: across to the right of whoever looks up the
# slope, down along the fall line.
CELL_M = 1.0
RIM_M = 60.0  # ground drawn round the site, for snow that is pushed from there
FILLED = 0.92  # share of the width and height of the site that a deposit may take; design choice
LEAST_THICKNESS_M = 0.05
# Mean thickness of a deposit by destructive size: design choice. What people are found under is 1.0 m deep on average
# (Falk et al. 1994: 105 cm, sd 85), so a size 2 that buries people lies between 0.5 and 1.5 m.
MEAN_THICKNESS_M = {1: 0.4, 2: 0.8, 3: 1.5, 4: 2.5}
TOE = 0.35  # share by which the toe is thicker than the mean, and the upper end thinner; design choice
LOBES = ((2, 0.07), (3, 0.06), (5, 0.04), (8, 0.02))  # waves of the edge and their share; design choice
HUMMOCK_M = 1.3  # standard deviation of a hummock, about 4 m from one to the next; design choice
HUMMOCK_SHARE = 0.22  # standard deviation of thickness that hummocks add; design choice


@dataclass(frozen=True, kw_only=True)
class SiteFrame:
    """Where a site lies."""

    middle_m: tuple[float, float]  # map metres
    downhill_deg: float  # azimuth of the fall line from grid north
    width_m: float  # on the map, across the fall line; the height along it
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
        n = 2 * math.ceil((math.hypot(0.5 * self.width_m, 0.5 * self.height_m) + RIM_M) / CELL_M)
        west = math.floor(self.middle_m[0] - 0.5 * n * CELL_M)
        north = math.ceil(self.middle_m[1] + 0.5 * n * CELL_M)
        return Grid(np.zeros((n, n)), float(west), float(north), CELL_M, self.crs)

    def places_of(self, grid: Grid) -> tuple[FloatArray, FloatArray]:
        """Places on the site (across, down) of the middles of all cells."""
        return self.to_site(*grid.centre_of(*np.indices(grid.shape)))


@dataclass(frozen=True, eq=False, kw_only=True)
class DepositModel:
    """The debris of a plan: mean thickness, outline, and the direction in which it came."""

    thickness_m: Grid  # vertical, at deposit density
    outline: MultiPolygon
    flow_deg: float  # azimuth of the main path inside the outline, from grid north
    name: str


@dataclass(frozen=True, eq=False, kw_only=True)
class SnowShape:
    """Snow to be laid on a site."""

    thickness_m: Grid  # vertical, above the snow that is there; 0 outside
    outline: MultiPolygon  # map metres
    volume_m3: float
    greatest_m: float
    scale: float  # lengths against those of the deposit that it stands for; 1 is true size
    source: str  # one plain sentence: what it stands for

    @property
    def area_m2(self) -> float:
        """Map area."""
        return float(self.outline.area)


def lay_sized(frame: SiteFrame, size: int, seed: int) -> SnowShape:
    """The deposit of a destructive size, 1 to 4: a lobed tongue with a thick toe and hummocks.

    Volume: released volume of the class (EAWS size table), grown by half on its way and packed from slab to deposit
    density. Lobes and hummocks are drawn by the seed; the volume is not changed by them. Where the site is too small,
    the tongue is cut down in its lengths, its thickness stays, and the sentence says so.
    """
    slab = slab_class(size)
    volume = deposit_volume_m3(slab.typical_volume_m3, Snow().growth[1])
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
    a, d = frame.places_of(grid)
    radius = np.hypot(a / (0.5 * width), d / (0.5 * length))
    relative = radius / _edge(np.arctan2(a / width, -d / length), phases)
    profile = np.sqrt(np.clip(1.0 - relative**2, 0.0, 1.0)) * (1.0 + TOE * np.clip(2.0 * d / length, -1.0, 1.0))
    text = (
        f"Deposit of size {size}: {volume:.0f} m3 (released volume of the EAWS size table, grown by "
        f"{percent(Snow().growth[1])} of its mass, packed to deposit density), "
        f"{MEAN_THICKNESS_M[size]:g} m thick on average"
    )
    if share < 0.99:
        text += f"; the site holds {percent(share)} of its area, so it is smaller and just as thick"
    return _add_hummocks(
        grid, outline, profile, volume_m3=share * volume, scale=math.sqrt(share), source=f"{text}.", rng=rng
    )


def lay_modelled(frame: SiteFrame, model: DepositModel, seed: int) -> SnowShape:
    """The debris of a plan, turned into the fall line of the site and made smaller where the site is.

    Its thickness is the mean over the events of the plan and stays as it is; hummocks are drawn by the seed.
    """
    if model.outline.is_empty:
        raise InputError(f"the plan {model.name} has no debris outline: use another plan, or --size")
    x, y = model.outline.centroid.coords[0]
    crs = model.thickness_m.crs
    turned = SiteFrame(middle_m=(x, y), downhill_deg=model.flow_deg, width_m=1.0, height_m=1.0, crs=crs)
    (rx, ry), (dx, dy) = turned.right, turned.down
    to_site = [rx, ry, dx, dy, -(x * rx + y * ry), -(x * dx + y * dy)]
    local = keep_areas(affine_transform(model.outline, to_site))
    west, north, east, south = local.bounds  # across and down
    scale = min(1.0, FILLED * frame.width_m / (east - west), FILLED * frame.height_m / (south - north))
    middle = (0.5 * (west + east), 0.5 * (north + south))
    (rx, ry), (dx, dy) = frame.right, frame.down
    moved = affine_transform(local, [scale, 0.0, 0.0, scale, -scale * middle[0], -scale * middle[1]])
    outline = keep_areas(affine_transform(moved, [rx, dx, ry, dy, *frame.middle_m]))
    grid = frame.lattice()
    a, d = frame.places_of(grid)
    sampled = model.thickness_m.sample(*turned.to_map(a / scale + middle[0], d / scale + middle[1]))
    profile = np.where(_covered_cells(outline, grid), np.nan_to_num(sampled), 0.0)
    volume = float(profile.sum()) * grid.cell_area_m2
    if volume <= 0.0:
        raise InputError(f"the plan {model.name} has no thickness inside its debris outline: make it again")
    text = f"Debris of the plan {model.name}: mean thickness over its events"
    text += f", drawn at {scale:.2f} of its lengths and just as thick." if scale < 0.995 else ", at true size."
    rng = np.random.default_rng(seed)
    return _add_hummocks(grid, outline, profile, volume_m3=volume, scale=scale, source=text, rng=rng)


def _add_hummocks(
    grid: Grid, outline: MultiPolygon, profile: FloatArray, *, volume_m3: float, scale: float, source: str,
    rng: np.random.Generator,
) -> SnowShape:  # fmt: skip
    """Hummocks on a profile, brought to its volume."""
    noise = ndimage.gaussian_filter(rng.normal(size=grid.shape), HUMMOCK_M / grid.cell_m, mode="wrap")
    rough = profile * np.maximum(1.0 + HUMMOCK_SHARE * noise / noise.std(), 0.2)
    thickness = np.where(profile > 0.0, np.maximum(rough, LEAST_THICKNESS_M), 0.0)
    thickness *= volume_m3 / (float(thickness.sum()) * grid.cell_area_m2)
    laid, greatest = grid.with_values(thickness), float(thickness.max())
    return SnowShape(
        thickness_m=laid, outline=outline, volume_m3=volume_m3, greatest_m=greatest, scale=scale, source=source
    )


def _edge(turn: FloatArray, phases: FloatArray) -> FloatArray:
    """Radius of the edge against the ellipse, at most 1."""
    waves = sum(share * np.sin(k * turn + phase) for (k, share), phase in zip(LOBES, phases, strict=True))
    return np.asarray(1.0 - sum(share for _, share in LOBES) + np.asarray(waves))


def _covered_cells(outline: MultiPolygon, grid: Grid) -> BoolArray:
    inside = np.zeros(grid.shape, bool)
    inside.flat[cells_of_outline(outline, grid)] = True
    return inside


# ---- How a machine pushes the snow together: stakes, cut and fill, and what goes where with the least pushing

STAKES_M = (10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0)  # between stakes, the closest that keeps to the number below
MOST_STAKES = 80  # more cannot be read on the sheet; design choice
SNOW_M, LEFT_M = 0.8, 0.3  # snow that lies on the site, and what the machine leaves; common practice, no source
# Pushed snow is as dense as a deposit, and its mass is kept: 1 m3 that lies gives this much (densities from memory).
PACKING = SLAB_DENSITY_KG_M3 / DEPOSIT_DENSITY_KG_M3
KEEP_M = 2.0  # snow at the foot of the deposit stays; design choice
UPHILL = 2.0  # a metre up the slope counts as so many more: machines push down or across; common practice, no source
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
LEAST_HAUL_M3, LEAST_M3 = 0.5, 0.01


@dataclass(frozen=True, kw_only=True)
class Stake:
    """A stake in the middle of its square."""

    name: str  # letter of the row from the top, number from the left as seen from below
    at_m: tuple[float, float]
    fill_m3: float  # snow to be laid on its square
    cut_m3: float  # snow to be taken from it as it lies
    fill_m: float  # thickness to be laid at the stake itself
    cut_m: float  # depth to be taken at the stake itself


@dataclass(frozen=True, kw_only=True)
class Haul:
    """Snow that is pushed from one square to another; its volume as it lies there in the end."""

    from_stake: str
    to_stake: str
    volume_m3: float
    distance_m: float


@dataclass(frozen=True, eq=False, kw_only=True)
class PushPlan:
    """Cut and fill of a deposit."""

    stakes: tuple[Stake, ...]  # row by row from the top; only squares where something is cut or filled
    hauls: tuple[Haul, ...]  # with the least pushing (volume times distance), the largest first
    fill_m3: float
    cut_m3: float  # as it lies; times the packing it is the fill
    packing: float  # volume that 1 m3 of snow as it lies has when it is pushed
    cut_m: float  # depth that is taken, the same everywhere
    borrow: MultiPolygon  # where snow is taken from
    borrow_m2: float
    mean_push_m: float  # mean distance that the snow is pushed
    stake_m: float


def plan_pushing(
    frame: SiteFrame, shape: SnowShape, allowed: BoolArray | None = None, *, snow_m: float = SNOW_M,
    left_m: float = LEFT_M, packing: float = PACKING, stake_m: float | None = None,
) -> PushPlan:  # fmt: skip
    """Stakes, cut and fill, balanced: what is cut, times the packing, is what is filled.

    Snow is taken from the ground nearest round the deposit, to one depth, above it and beside it before below it. Which
    square gives to which is the transport with the least sum of volume times distance (Hitchcock 1941), by linear
    programming; a push up the slope counts three times.

    ``allowed`` are the cells of the shape's lattice from which snow may be taken, all where not given; ``snow_m`` and
    ``left_m`` the vertical depth that lies there and that is left; ``packing`` the volume of 1 m3 of it when it is
    pushed. Without ``stake_m`` stakes stand at the least of 10, 15, 20, 25, 30, 40 and 50 m that needs at most 80.
    """
    choices = STAKES_M if stake_m is None else (stake_m,)
    if not (snow_m > left_m >= 0.0 and 0.1 <= packing <= 2.0 and 2.0 <= choices[0] <= 50.0):
        raise InputError(
            f"snow of {snow_m:g} m of which {left_m:g} m stay, packing {packing:g}, stakes every {choices[0]:g} m: "
            "give more snow than stays, a packing of 0.1 to 2 and stakes every 2 to 50 m"
        )
    grid = shape.thickness_m
    fill = grid.values * grid.cell_area_m2
    borrowed = _borrow_cells(frame, shape, allowed, float(fill.sum()) / packing, snow_m - left_m)
    cut = np.where(borrowed, float(fill.sum()) / packing / max(int(borrowed.sum()), 1), 0.0)
    for apart in choices:
        stakes = [stake for stake in _stakes(frame, grid, fill, cut, apart) if stake.fill_m3 + stake.cut_m3 > LEAST_M3]
        if len(stakes) <= MOST_STAKES:
            break
    hauls, pushed = _hauls(frame, stakes, packing)
    return PushPlan(
        stakes=tuple(stakes),
        hauls=hauls,
        fill_m3=float(fill.sum()),
        cut_m3=float(cut.sum()),
        packing=packing,
        cut_m=float(cut.max()) / grid.cell_area_m2,
        borrow=keep_areas(smooth_outline(borrowed, grid.west_m, grid.north_m, grid.cell_m)),
        borrow_m2=float(borrowed.sum()) * grid.cell_area_m2,
        mean_push_m=pushed,
        stake_m=apart,
    )


def _borrow_cells(
    frame: SiteFrame, shape: SnowShape, allowed: BoolArray | None, wanted_m3: float, depth_m: float
) -> BoolArray:
    """The cells nearest round the deposit that hold enough snow; those below it count as farther away."""
    grid = shape.thickness_m
    covered = _covered_cells(shape.outline, grid) | (grid.values > 0.0)
    away, (i, j) = ndimage.distance_transform_edt(~covered, sampling=grid.cell_m, return_indices=True)
    free = away >= KEEP_M
    _, down = frame.places_of(grid)
    away = away + UPHILL * np.maximum(down - down[i, j], 0.0)
    if allowed is not None:
        free &= allowed
    order = np.argsort(np.where(free, away, np.inf), axis=None, kind="stable")
    cells = math.ceil(wanted_m3 / (depth_m * grid.cell_area_m2))
    if cells > int(free.sum()):
        raise NothingFoundError(
            f"{wanted_m3:.0f} m3 of snow are wanted as it lies, and round the deposit there are "
            f"{float(free.sum()) * depth_m * grid.cell_area_m2:.0f} m3 down to what stays: choose a smaller --size "
            "or a smaller plan, or give the depth of the snow with --snow-depth"
        )
    borrowed = np.zeros(grid.shape, bool)
    borrowed.flat[order[:cells]] = True
    return borrowed


def _stakes(frame: SiteFrame, grid: Grid, fill: FloatArray, cut: FloatArray, stake_m: float) -> list[Stake]:
    """Squares of the site's own directions, and what is cut and filled in each."""
    across, down = frame.places_of(grid)
    busy = (fill > 0.0) | (cut > 0.0)
    i, j = np.floor(down / stake_m).astype(int), np.floor(across / stake_m).astype(int)
    i0, j0 = int(i[busy].min()), int(j[busy].min())
    i, j = i - i0, j - j0
    ni, nj = int(i[busy].max()) + 1, int(j[busy].max()) + 1
    fills, cuts = (np.bincount((i * nj + j)[busy], part[busy], ni * nj).tolist() for part in (fill, cut))

    def stake(k: int) -> Stake:
        row, col = divmod(k, nj)
        a, d = np.array((col + j0 + 0.5) * stake_m), np.array((row + i0 + 0.5) * stake_m)
        x, y = (float(value) for value in frame.to_map(a, d))
        laid, taken = (_depth_at(grid, part, x, y) for part in (fill, cut))
        name = _stake_name(row, col)
        return Stake(name=name, at_m=(x, y), fill_m3=fills[k], cut_m3=cuts[k], fill_m=laid, cut_m=taken)

    return [stake(k) for k in range(ni * nj)]


def _depth_at(grid: Grid, volume_m3: FloatArray, x: float, y: float) -> float:
    """Depth at a place; the middle of a square on the rim can lie off the lattice, where nothing is done."""
    if not bool(grid.contains(x, y)):
        return 0.0
    r, c = (int(index) for index in grid.cell_of(x, y))
    return float(volume_m3[r, c]) / grid.cell_area_m2


def _stake_name(row: int, col: int) -> str:
    letters = LETTERS[row] if row < len(LETTERS) else LETTERS[row // len(LETTERS) - 1] + LETTERS[row % len(LETTERS)]
    return f"{letters}{col + 1:02d}"


def _hauls(frame: SiteFrame, stakes: list[Stake], packing: float) -> tuple[tuple[Haul, ...], float]:
    """The transport with the least pushing, and the mean distance of it."""
    givers = [stake for stake in stakes if stake.cut_m3 > 0.0]
    takers = [stake for stake in stakes if stake.fill_m3 > 0.0]
    supply = np.array([giver.cut_m3 * packing for giver in givers])
    demand = np.array([taker.fill_m3 for taker in takers])
    supply *= demand.sum() / supply.sum()  # equal but for rounding
    begin, end = (np.array([stake.at_m for stake in part]) for part in (givers, takers))
    way = begin[:, None, :] - end[None, :, :]
    distance = np.hypot(way[..., 0], way[..., 1])
    (_, up_from), (_, up_to) = (frame.to_site(*places.T) for places in (begin, end))
    cost = distance + UPHILL * np.maximum(up_from[:, None] - up_to[None, :], 0.0)
    n, m = distance.shape
    given, taken = sparse.kron(sparse.eye(n), np.ones((1, m))), sparse.kron(np.ones((1, n)), sparse.eye(m))
    equal = sparse.vstack([given, taken], format="csr")
    found = linprog(cost.ravel(), A_eq=equal, b_eq=np.concatenate([supply, demand]), method="highs-ds")
    if found.x is None:
        raise NothingFoundError("no transport of the snow was found: choose stakes farther apart")
    volumes = found.x.reshape(n, m)

    hauls = [
        Haul(
            from_stake=giver.name, to_stake=taker.name, volume_m3=volumes[i, j].item(), distance_m=distance[i, j].item()
        )
        for i, giver in enumerate(givers)
        for j, taker in enumerate(takers)
        if volumes[i, j] >= LEAST_HAUL_M3
    ]
    hauls.sort(key=lambda haul: (-round(haul.volume_m3, 3), haul.from_stake, haul.to_stake))
    return tuple(hauls), float((volumes * distance).sum() / volumes.sum())


DEPOSIT_LIMITS = (
    "volumes are those of the drawn shape; a machine builds it to about 0.25 m (common practice, no source)",
    "snow that is cut, times the packing, is the fill: measure the density on the day, and give --packing",
    "stakes are to be found by hand-held receivers to a few metres: measure the distances between them with a tape",
    "keep people and dogs out of the work of the machine; its driver decides where it can go",
)


@dataclass(frozen=True, eq=False, kw_only=True)
class PracticeDeposit:
    """A deposit on a site, ready to be handed over."""

    name: str
    ground: Grid  # elevations round the site, metres
    elevation: Elevation
    frame: SiteFrame
    shape: SnowShape
    pushing: PushPlan
    site: dict[str, Any]  # what ``sites.json`` says about the site: its statement stands on the sheet
    seed: int
    notes: tuple[str, ...]

    @property
    def statement(self) -> str:
        """What comes down to the site."""
        return str(self.site.get("statement", "What comes down to this site is not known."))

    @property
    def left_out(self) -> str:
        """What was not looked at when the site was found, after a semicolon; empty where nothing is."""
        left_out = self.site.get("left_out")
        return f"; {left_out} when its site was looked for" if left_out else ""

    @property
    def outline(self) -> MultiPolygon:
        """The site itself."""
        (rx, ry), (dx, dy) = self.frame.right, self.frame.down
        a, b = 0.5 * self.frame.width_m, 0.5 * self.frame.height_m
        return MultiPolygon([affine_transform(box(-a, -b, a, b), [rx, dx, ry, dy, *self.frame.middle_m])])


def deposit_sentence(made: PracticeDeposit) -> str:
    """Cut and fill in one sentence."""
    push, shape = made.pushing, made.shape
    return (
        f"{shape.volume_m3:.0f} m3 over {shape.area_m2:.0f} m2, on average {shape.volume_m3 / shape.area_m2:.1f} m and "
        f"at most {shape.greatest_m:.1f} m thick. Fill {push.fill_m3:.0f} m3 = cut {push.cut_m3:.0f} m3 x packing "
        f"{push.packing:g}; {push.cut_m:.2f} m are taken from {push.borrow_m2:.0f} m2, pushed {push.mean_push_m:.0f} m "
        "on average."
    )


STEEPEST_WORK_DEG = 30.0  # snow is not pushed from steeper ground; common practice, no source
AROUND_M = 400.0  # ground beyond the site: more than the sheet shows


def lay_deposit(
    elevation: Elevation, frame: SiteFrame, site: dict[str, Any], *, like: DepositModel | int, reach: Grid | None,
    seed: int, snow_m: float, left_m: float, packing: float, stake_m: float | None, name: str | None,
) -> PracticeDeposit:  # fmt: skip
    """Lay the deposit of a size, or of a plan, over a site that was found.

    ``elevation`` is opened at the site, ``site`` is what ``sites.json`` says about it. ``reach`` is the share of
    frictions with which a body from a start zone passes: snow is taken only from ground below 30 degrees where that is
    0. ``snow_m`` lies there and the machine leaves ``left_m`` of it.
    """
    if elevation.crs != frame.crs:
        raise InputError(
            f"the elevation model is worked on in {elevation.crs.name} and the sites in {frame.crs.name}: name the "
            "one that the sites were found on"
        )
    half = 0.5 * math.hypot(frame.width_m, frame.height_m) + AROUND_M
    x, y = frame.middle_m
    checked = read_ground(elevation, (x - half, y - half, x + half, y + half))
    ground = checked.grid
    if math.isnan(float(ground.sample(x, y))):
        where = f"site {site['number']} lies on no data of the elevation model"
        raise InputError(f"{where}: name the one that it was found on")
    shape = lay_sized(frame, like, seed) if isinstance(like, int) else lay_modelled(frame, like, seed)
    allowed = _allowed_cells(shape.thickness_m, ground, reach)
    pushing = plan_pushing(frame, shape, allowed, snow_m=snow_m, left_m=left_m, packing=packing, stake_m=stake_m)
    taken = (
        f"{snow_m:g} m of snow were taken to lie there, of which {left_m:g} m stay: measure it, and give --snow-depth",
        f"the site is {frame.width_m:.0f} x {frame.height_m:.0f} m on the map",
    )
    return PracticeDeposit(
        name=name or f"Practice deposit on site {site['number']}",
        ground=ground,
        elevation=elevation,
        frame=frame,
        shape=shape,
        pushing=pushing,
        site=site,
        seed=seed,
        notes=to_sentences(
            (*checked.report.notes, *note_grid(frame.crs, "", elevation.middle), *taken, *DEPOSIT_LIMITS)
        ),
    )


def _allowed_cells(lattice: Grid, ground: Grid, reach: Grid | None) -> BoolArray:
    """Cells of the deposit's lattice from which snow may be taken."""
    x, y = lattice.centre_of(*np.indices(lattice.shape))
    slope = ground.with_values(read_terrain(smooth_heights(ground, 4.0)).slope_deg.values).sample(x, y)
    with np.errstate(invalid="ignore"):
        allowed: BoolArray = slope <= STEEPEST_WORK_DEG
    if reach is not None:
        allowed &= ~(reach.sample(x, y) > 0.0)
    return allowed


def find_flow_deg(path: LineString, outline: MultiPolygon) -> float:
    """Azimuth from where the main path enters the debris to where it ends in it; its own ends where it never enters."""
    parts = shapely.get_parts(path.intersection(outline))
    inside = [part for part in parts if isinstance(part, LineString) and not part.is_empty]
    ends = [xy for part in inside for xy in (part.coords[0], part.coords[-1])] or list(path.coords)
    ordered = sorted(ends, key=lambda xy: float(path.project(Point(xy))))
    (x0, y0), (x1, y1) = ordered[0][:2], ordered[-1][:2]
    return math.degrees(math.atan2(x1 - x0, y1 - y0)) % 360.0
