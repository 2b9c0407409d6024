"""The release that belongs to a last-seen point: how large, how thick, and where it lies."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal

import numpy as np
from scipy.signal import fftconvolve
from shapely.geometry import MultiPolygon, Polygon
from skimage import measure

from lastseen.core import (
    BoolArray,
    FloatArray,
    Grid,
    InputError,
    IntArray,
    cells_of_outline,
    map_in_threads,
    outline_of_cells,
    shared_folder,
    to_lonlat,
)
from lastseen.snow import release_kernels
from lastseen.snow.sliding_mass import Samples, slide_samples
from lastseen.terrain import Terrain, read_terrain, smooth_heights

# ---- How large and how thick a slab of each destructive size is

SLAB_DENSITY_KG_M3 = 200.0  # EAWS size text: 2,000 m3 weigh about 400 t
DEPOSIT_DENSITY_KG_M3 = 400.0  # from memory: dry deposits 300-450, moist and wet ones 450-600
# Median human-triggered slab: 50 m wide, 80 m long, 38 degrees (Schweizer & Luetschg 2001, CRST 33:147).
LENGTH_TO_WIDTH = 80.0 / 50.0
MEDIAN_SLOPE_DEG = 38.0


@cache
def read_calibration() -> dict[str, Any]:
    """What ``make calibrate`` fitted to reported avalanches (``shared/reference/calibration.toml``)."""
    path = shared_folder("shared") / "reference" / "calibration.toml"
    found: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    return found


@dataclass(frozen=True, kw_only=True)
class SlabClass:
    """A destructive size: the slab of median reported width and crown thickness, and how both spread."""

    size: int
    width_m: float
    thickness_at_38_m: float
    # standard deviation of the logarithm
    width_spread: float
    thickness_spread: float
    thickness_range_m: tuple[float, float]  # 5th and 95th percentile of reported crowns
    volume_range_m3: tuple[float, float]  # released volumes that belong to the class
    length_to_width: float = LENGTH_TO_WIDTH

    @property
    def area_m2(self) -> float:
        """Area on the slope of the slab of median width."""
        return self.length_to_width * self.width_m**2

    @property
    def volume_m3(self) -> float:
        """Volume of the slab of median width and thickness."""
        return self.area_m2 * self.thickness_at_38_m

    @property
    def typical_volume_m3(self) -> float:
        """Typical volume of the class (EAWS size table): the middle of its range."""
        return float(f"{math.sqrt(self.volume_range_m3[0] * self.volume_range_m3[1]):.3g}")


SIZES = (1, 2, 3, 4)


@cache
def slab_class(size: int) -> SlabClass:
    """The slab of a destructive size, 1 to 4."""
    if size not in SIZES:
        raise InputError(f"destructive size {size} is not known: choose 1, 2, 3 or 4")
    row = read_calibration()["slab"][str(size)]
    pairs = {name: tuple(row[name]) for name in ("thickness_range_m", "volume_range_m3")}
    return SlabClass(size=size, **{**row, **pairs})


def slope_factor(slope_deg: float) -> float:
    """Slab thickness against that on 28 degrees: 0.291 / (sin - 0.202 cos).

    Salm, Burkard & Gubler (1990, SLF Mitteilung 47). Steep slopes carry thinner slabs. Slopes are held within 25 to
    60 degrees, outside which the law has no meaning.
    """
    slope = math.radians(min(max(slope_deg, 25.0), 60.0))
    return 0.291 / (math.sin(slope) - 0.202 * math.cos(slope))


def thickness_m(size: int, slope_deg: float) -> float:
    """Slab thickness normal to the slope, by destructive size, scaled with slope after Salm et al. (1990)."""
    return slab_class(size).thickness_at_38_m * slope_factor(slope_deg) / slope_factor(MEDIAN_SLOPE_DEG)


def deposit_volume_m3(released_m3: float, growth: float) -> float:
    """Volume of the deposit: mass released plus mass entrained (growth times released), at deposit density."""
    return released_m3 * (1.0 + growth) * SLAB_DENSITY_KG_M3 / DEPOSIT_DENSITY_KG_M3


# ---- Where snow could start, and the release that belongs to a last-seen point

# Slabs start between these slopes: 80 % lie in 30-45 degrees, the whole range reported is 25-55 (Perla 1977) and
# 28-60 (Buehler et al. 2013, NHESS 13:1321; both quoted from memory). Canopy is not known to a bare elevation model.
LEAST_SLOPE_DEG = 28.0
LARGEST_SLOPE_DEG = 55.0
START_ZONE_SMOOTHING_M = 4.0  # design choice: a slab bridges ground rougher than this
FARTHEST_ASCENT_M = 2500.0  # design choice: longest path of a size 4 event, EAWS size table
LARGEST_TURN_DEG = 75.0  # design choice: a slab does not reach round a ridge
# A stand prevents release where crowns cover more than 30 to 50 % and gaps are below 25 m (from memory; the larger
# share is taken, so that terrain stays start zone where in doubt).
CLOSED_CANOPY: float = 0.5
LEAST_GAP_M = 25.0
# The ensemble draws releases between these shares of the area of the class, which cut off the tails of what is
# reported (design choice).
LEAST_EXTENT, LARGEST_EXTENT = 0.2, 3.0

# In the order of preference among releases that reach alike.
Side = Literal["here", "above", "beside", "below", "drawn"]
NEAR_M = 60.0  # start zones this near are looked at on all sides of the point; design choice
SEED_SPACING_M = 12.0  # of the start-zone cells from which samples are let down; design choice
MOST_SEEDS = 800
SEED_TIME_S = 180.0  # design choice: longer than what takes a person lasts
MOST_RELEASES = 6  # that are compared; design choice
LEVEL_TANGENT = 0.25  # a release is beside the point where it lies within 14 degrees of its level; design choice


@dataclass(frozen=True, kw_only=True)
class Release:
    """The snow that starts."""

    cells: IntArray  # flat indices on the ground's lattice in the order of growth; the ensemble takes the first ones
    nominal_cells: int  # how many of them make the release of the class's area
    outline: Polygon | MultiPolygon  # the nominal release, map metres
    area_m2: float  # its area on the slope
    slope_deg: float  # its mean slope
    thickness_m: float  # slab thickness normal to the slope
    volume_m3: float
    top_m: tuple[float, float]  # its highest point, where the crown is
    drawn: bool
    reason: str  # one plain sentence: how it was found
    side: Side = "here"  # where it lies from the last-seen point

    def moved(self, ground: Grid, other: Grid) -> Release:
        """The same on a larger window of the same lattice."""
        rows, cols = self.cells // ground.shape[1], self.cells % ground.shape[1]
        down, right = (round(m / ground.cell_m) for m in (other.north_m - ground.north_m, ground.west_m - other.west_m))
        return replace(self, cells=((rows + down) * other.shape[1] + cols + right).astype(np.int32))


def find_start_zone_terrain(ground: Grid, cover: Grid | None = None) -> tuple[BoolArray, Terrain]:
    """Cells steep enough for a slab to start and not under a closed canopy, and the smoothed terrain that decided it.

    ``cover`` is the share of each cell under crowns, where known.
    """
    terrain = read_terrain(smooth_heights(ground, START_ZONE_SMOOTHING_M))
    slope = terrain.slope_deg.values
    with np.errstate(invalid="ignore"):
        steep = (slope >= LEAST_SLOPE_DEG) & (slope <= LARGEST_SLOPE_DEG)
    return (steep if cover is None else steep & (crown_cover(cover) < CLOSED_CANOPY)), terrain


def crown_cover(cover: Grid) -> FloatArray:
    """Share under crowns over a disc as wide as the smallest gap that can release, 0 to 1; crowns outside are none."""
    radius = max(0.5, 0.5 * LEAST_GAP_M / cover.cell_m)
    y, x = np.mgrid[-int(radius) : int(radius) + 1, -int(radius) : int(radius) + 1]
    disc = (x * x + y * y <= radius * radius).astype(float)
    if disc.size == 1:
        return cover.values.astype(float)
    share: FloatArray = fftconvolve(np.pad(cover.values, int(radius), mode="edge"), disc / disc.sum(), mode="valid")
    return np.clip(np.round(share, 9), 0.0, 1.0)


def find_release(
    ground: Grid, x_m: float, y_m: float, size: int, slab_m: float | None = None, cover: Grid | None = None
) -> Release:
    """The release that belongs to a last-seen point, map metres.

    The start-zone terrain that holds the point, or that lies above it on the path of steepest ascent, is grown from
    there to the area of the size class, 1 to 4. Growth follows the shape of the median human-triggered slab, 50 m wide
    and 80 m long (Schweizer & Luetschg 2001). A start zone that is entered from below grows upward only, because
    nothing below its edge can release. Wind and snowpack are not guessed.

    Slab thickness goes by size and slope where not given; under a closed canopy (``cover``, share of each cell under
    crowns, 0 to 1) there is no start zone. InputError if the point lies on no data, or nothing above it is steep
    enough.
    """
    return _grow_up_the_fall_line(_Zones.of(ground, size, cover), (x_m, y_m), slab_m)


def _grow_up_the_fall_line(zones: _Zones, at_m: tuple[float, float], slab_m: float | None) -> Release:
    outside = " outside the trees that were given" if zones.trees else ""
    row, col, climbed_m = _ascend(zones.smooth, zones.slope_deg, zones.start, at_m, outside)
    where = "holds the last-seen point" if climbed_m == 0 else f"lies {climbed_m:.0f} m above it up the fall line"
    return zones.release(row, col, slab_m=slab_m, where=where, side="here" if climbed_m == 0 else "above")


@dataclass(frozen=True, kw_only=True)
class Slippery:
    """What snow of a size slides with that goes far; for looking up the slope."""

    friction: tuple[float, float]  # lowest, and most likely
    drag_per_m: float  # least


def find_releases(
    ground: Grid,
    surface: Grid,
    disc: tuple[float, float, float],
    size: int,
    *,
    snow: Slippery,
    slab_m: float | None = None,
    cover: Grid | None = None,
    side: Literal["here", "above", "below"] | None = None,
) -> tuple[Release, ...]:
    """All releases that may have taken a person from a last-seen disc (x, y, radius; map metres), at most six.

    Start-zone terrain is looked for at the point, up the fall line (:func:`find_release`), within 60 m on all sides,
    and above wherever samples of the size's friction that are let down from it pass the disc, so that points in the
    run-out find the start zones above them. One at the point is the only answer, unless a ``side`` is asked for.
    ``surface`` is the ground as moving snow feels it. InputError if there is none.
    """
    zones = _Zones.of(ground, size, cover)
    row, col = (int(index) for index in ground.cell_of(disc[0], disc[1]))
    found: list[Release] = []
    nothing: InputError | None = None
    try:
        found.append(_grow_up_the_fall_line(zones, disc[:2], slab_m))
    except InputError as error:
        if not ground.contains(disc[0], disc[1]) or np.isnan(ground.values[row, col]) or not zones.start.any():
            raise
        nothing = error
    if side is None and found and found[0].side == "here":
        return tuple(found)
    found += _grow_near(zones, disc, slab_m, side)
    if side in (None, "above"):
        found += _grow_above(zones, surface, disc, snow, slab_m)
    if side is not None:
        found = [release for release in found if release.side == side]
    if found:
        return tuple(found[:MOST_RELEASES])
    if side is None and nothing is not None:
        raise nothing
    place = {"here": "at", "above": "above", "below": f"within {NEAR_M:.0f} m below"}[side or "here"]
    raise InputError(
        f"there is no start-zone terrain of {LEAST_SLOPE_DEG:.0f} to {LARGEST_SLOPE_DEG:.0f} degrees of the size class "
        f"{place} the last-seen point: leave --release-side out, move the point, or draw the release"
    )


@dataclass(frozen=True, kw_only=True)
class _Zones:
    """Start-zone terrain that can hold a slab of a size class."""

    ground: Grid
    wanted: SlabClass
    smooth: Grid
    slope_deg: FloatArray
    aspect_deg: FloatArray
    labels: IntArray
    start: BoolArray
    trees: bool  # whether trees took away some of it

    @classmethod
    def of(cls, ground: Grid, size: int, cover: Grid | None) -> _Zones:
        wanted = slab_class(size)
        steep, terrain = find_start_zone_terrain(ground, cover)
        least_cells = max(4, int(0.25 * wanted.area_m2 / ground.cell_area_m2))
        labels = measure.label(steep, connectivity=1)
        large = np.bincount(labels.ravel()) >= least_cells
        large[0] = False
        return cls(
            ground=ground,
            wanted=wanted,
            smooth=terrain.elevation,
            slope_deg=terrain.slope_deg.values,
            aspect_deg=terrain.aspect_deg.values,
            labels=labels,
            start=large[labels],
            trees=cover is not None,
        )

    def release(
        self,
        row: int,
        col: int,
        *,
        slab_m: float | None,
        where: str,
        side: Side,
        among: BoolArray | None = None,
    ) -> Release:
        """The release that grows from a cell, over cells of ``among`` where given."""
        turn = np.abs((self.aspect_deg - self.aspect_deg[row, col] + 180.0) % 360.0 - 180.0)
        with np.errstate(invalid="ignore"):
            allowed = (self.labels == self.labels[row, col]) & (turn <= LARGEST_TURN_DEG)
        if among is not None:
            allowed &= among
        allowed[row, col] = True
        order = _grow(self.smooth, allowed, row, col, self.wanted)
        reason = f"Start-zone terrain of {LEAST_SLOPE_DEG:.0f} to {LARGEST_SLOPE_DEG:.0f} degrees that {where}"
        return _release(self.ground, self.slope_deg, order, self.wanted, slab_m=slab_m, reason=reason, side=side)

    def away_m(self, x_m: float, y_m: float) -> FloatArray:
        """Distance of each cell from a point, on the map."""
        ny, nx = self.ground.shape
        x, y = self.ground.centre_of(np.zeros(nx, int), np.arange(nx))[0], self.ground.centre_of(np.arange(ny), 0)[1]
        return np.asarray(np.hypot(x[None, :] - x_m, y[:, None] - y_m))

    @property
    def slab_width_m(self) -> float:
        """Width of the slab on the map, about."""
        return math.sqrt(self.wanted.area_m2 / self.wanted.length_to_width)


def _grow_near(
    zones: _Zones, disc: tuple[float, float, float], slab_m: float | None, side: Side | None
) -> list[Release]:
    """Releases from the start-zone cells nearest to a point, one for each way that they face.

    Below the point nothing above it breaks: the crown is at its height.
    """
    away, z = zones.away_m(disc[0], disc[1]), zones.smooth.values
    row, col = (int(index) for index in zones.ground.cell_of(disc[0], disc[1]))
    among = (z < z[row, col]) if side == "below" else None
    cells = np.flatnonzero(zones.start & (away <= max(NEAR_M, disc[2])) & (True if among is None else among))
    cells = cells[np.argsort(away.ravel()[cells], kind="stable")]
    found: list[Release] = []
    while cells.size and len(found) < MOST_RELEASES // 2:
        r, c = divmod(int(cells[0]), z.shape[1])
        grown = zones.release(r, c, slab_m=slab_m, where="", side="below", among=among)
        if among is None:
            grown = replace(grown, side="here" if away[r, c] <= disc[2] else _side_of(grown, zones.smooth, disc))
        begins = f"begins {away[r, c]:.0f} m from the last-seen point"
        lies = begins if grown.side == "here" else f"{begins} and lies {grown.side} it"
        found.append(replace(grown, reason=grown.reason.replace("degrees that ", f"degrees that {lies}", 1)))
        turn = np.abs((zones.aspect_deg.ravel()[cells] - zones.aspect_deg[r, c] + 180.0) % 360.0 - 180.0)
        cells = cells[turn > LARGEST_TURN_DEG]
    return found


def _side_of(release: Release, ground: Grid, disc: tuple[float, float, float]) -> Side:
    """Whether a release lies above, beside or below a point, by the middle of its cells."""
    cells = release.cells[: release.nominal_cells]
    x, y = ground.centre_of(cells // ground.shape[1], cells % ground.shape[1])
    row, col = (int(index) for index in ground.cell_of(disc[0], disc[1]))
    rise = float(ground.values.ravel()[cells].mean() - ground.values[row, col])
    level = LEVEL_TANGENT * math.dist((float(x.mean()), float(y.mean())), disc[:2])
    return "above" if rise > level else "below" if rise < -level else "beside"


def _grow_above(
    zones: _Zones, surface: Grid, disc: tuple[float, float, float], snow: Slippery, slab_m: float | None
) -> list[Release]:
    """Releases from start-zone cells above a disc from which samples pass it, a slab's width apart at least."""
    away, z = zones.away_m(disc[0], disc[1]), zones.smooth.values
    row, col = (int(index) for index in zones.ground.cell_of(disc[0], disc[1]))
    with np.errstate(invalid="ignore"):
        seen = z - z[row, col] >= snow.friction[0] * away  # the energy line of the most slippery snow
    seen &= zones.start & (away > disc[2]) & (away <= FARTHEST_ASCENT_M)
    step = max(1, round(SEED_SPACING_M / zones.ground.cell_m))
    while np.count_nonzero(seen[::step, ::step]) > MOST_SEEDS:
        step += 1
    rows, cols = (step * index for index in np.nonzero(seen[::step, ::step]))
    if rows.size == 0:
        return []
    x, y = zones.ground.centre_of(rows, cols)
    wide = (disc[0], disc[1], max(disc[2], 0.5 * zones.slab_width_m))
    still = np.zeros(rows.size)

    def slide(friction: float) -> BoolArray:
        all_of, drag = np.full(rows.size, friction), np.full(rows.size, snow.drag_per_m)
        samples = Samples(x_m=x, y_m=y, east_m_s=still, north_m_s=still, friction=all_of, drag_per_m=drag)
        return np.isfinite(slide_samples(surface, samples, wide, time_limit_s=SEED_TIME_S).disc_east_m_s)

    passes = np.sum(map_in_threads(slide, snow.friction), axis=0)
    passing = np.flatnonzero(passes > 0)
    found: list[Release] = []
    for k in _spread_out(x[passing], y[passing], away[rows[passing], cols[passing]], zones.slab_width_m):
        r, c = int(rows[passing[k]]), int(cols[passing[k]])
        where = f"lies {away[r, c]:.0f} m from the last-seen point and above it"
        found.append(zones.release(r, c, slab_m=slab_m, where=where, side="above", among=np.asarray(away > disc[2])))
    return found


def _spread_out(x_m: FloatArray, y_m: FloatArray, away_m: FloatArray, apart_m: float) -> list[int]:
    """A few of some points, the nearest first, that lie as far from each other as can be, by rising distance."""
    if away_m.size == 0:
        return []
    chosen = [int(np.argmin(away_m))]
    gap = np.full(away_m.size, np.inf)
    while len(chosen) < MOST_RELEASES - 1:
        gap = np.minimum(gap, np.hypot(x_m - x_m[chosen[-1]], y_m - y_m[chosen[-1]]))
        if gap.max() <= apart_m:
            break
        chosen.append(int(np.argmax(gap)))
    return sorted(chosen, key=lambda k: (float(away_m[k]), k))


def build_drawn_release(
    ground: Grid, outline: Polygon | MultiPolygon, size: int, slab_m: float | None = None
) -> Release:
    """A release from a drawn outline in map metres; InputError if it holds no cell centre or touches no data."""
    cells = cells_of_outline(outline, ground)
    if cells.size == 0:
        raise InputError("the drawn release covers no cell of the elevation model: draw a larger one, or check its CRS")
    slope = read_terrain(smooth_heights(ground, START_ZONE_SMOOTHING_M)).slope_deg.values
    if np.isnan(slope.ravel()[cells]).any():
        raise InputError("the drawn release lies partly on no data: draw it inside the elevation model")
    centre = outline.representative_point()
    x, y = ground.centre_of(cells // ground.shape[1], cells % ground.shape[1])
    # Nearest the middle first, higher first among equals, so that a smaller extent keeps the middle.
    order = cells[np.lexsort((-ground.values.ravel()[cells], np.round(np.hypot(x - centre.x, y - centre.y), 3)))]
    slab = _slab_on(ground, slope, order, size, slab_m)
    return Release(
        cells=order.astype(np.int32),
        nominal_cells=order.size,
        outline=outline,
        drawn=True,
        side="drawn",
        reason="Drawn by the user",
        **slab,
    )


def _ascend(
    ground: Grid, slope_deg: FloatArray, start: BoolArray, at_m: tuple[float, float], outside: str
) -> tuple[int, int, float]:
    """Walk up the steepest neighbour from a point until a cell of ``start``; returns row, column, metres walked."""
    row, col = (int(index) for index in ground.cell_of(at_m[0], at_m[1]))
    z = ground.values
    if not ground.contains(at_m[0], at_m[1]) or np.isnan(z[row, col]):
        raise InputError(
            f"the last-seen point {to_lonlat(at_m[0], at_m[1], ground.crs).notations()['lonlat']} lies on no data: "
            "move it, or fill the gap in the elevation model"
        )
    walked, steepest, low = 0.0, 0.0, z[row, col]
    while not start[row, col]:
        slope = slope_deg[row, col]
        steepest = max(steepest, 0.0 if np.isnan(slope) else float(slope))
        r0, c0 = max(row - 1, 0), max(col - 1, 0)
        near = z[r0 : row + 2, c0 : col + 2] - z[row, col]
        rows, cols = np.indices(near.shape)
        far = np.hypot(rows + r0 - row, cols + c0 - col)
        with np.errstate(invalid="ignore", divide="ignore"):
            rise = np.where((far > 0) & np.isfinite(near), near / far, -np.inf)
        best = np.unravel_index(int(np.argmax(rise)), rise.shape)
        if rise[best] <= 0 or walked > FARTHEST_ASCENT_M:
            raise InputError(
                f"nothing steep enough above the last-seen point: the steepest way up was followed for {walked:.0f} m "
                f"and {z[row, col] - low:.0f} m of height, the steepest ground on it was {steepest:.0f} degrees, and "
                f"no start-zone terrain of {LEAST_SLOPE_DEG:.0f} to {LARGEST_SLOPE_DEG:.0f} degrees of the size class "
                f"was met{outside}; move the point, choose a smaller size class where there is one, or draw the release"
            )
        walked += float(far[best]) * ground.cell_m
        row, col = int(best[0]) + r0, int(best[1]) + c0
    return row, col, walked


def _grow(ground: Grid, allowed: BoolArray, row: int, col: int, wanted: SlabClass) -> IntArray:
    qx = np.gradient(ground.values, ground.cell_m)
    order = np.empty(int(allowed.sum()), np.int32)
    n = release_kernels.grow(
        row,
        col,
        allowed,
        ground.values,
        np.nan_to_num(qx[1]),
        np.nan_to_num(-qx[0]),
        ground.cell_m,
        wanted.length_to_width,
        LARGEST_EXTENT * wanted.area_m2,
        order,
    )
    return order[:n]


def _release(
    ground: Grid,
    slope: FloatArray,
    order: IntArray,
    wanted: SlabClass,
    *,
    slab_m: float | None,
    reason: str,
    side: Side,
) -> Release:
    """The release of a size class from the cells that it grows over in turn."""
    surface = ground.cell_area_m2 / np.cos(np.radians(slope.ravel()[order]))
    nominal = min(order.size, max(1, int(np.searchsorted(np.cumsum(surface), wanted.area_m2)) + 1))
    slab = _slab_on(ground, slope, order[:nominal], wanted.size, slab_m)
    if slab["area_m2"] < 0.95 * wanted.area_m2:
        size = f"less than the {wanted.area_m2:.0f} m2 of the size class"
        reason += f"; the start zone ends at {slab['area_m2']:.0f} m2, {size}"
    return Release(
        cells=order,
        nominal_cells=nominal,
        outline=outline_of_cells(order[:nominal], ground),
        drawn=False,
        reason=f"{reason}.",
        side=side,
        **slab,
    )


def _slab_on(ground: Grid, slope_deg: FloatArray, cells: IntArray, size: int, slab_m: float | None) -> dict[str, Any]:
    """Area on the slope, mean slope, thickness, volume and highest point of a slab, as :class:`Release` names them."""
    slopes = slope_deg.ravel()[cells]
    area_m2 = float(np.sum(ground.cell_area_m2 / np.cos(np.radians(slopes))))
    mean = float(np.mean(slopes))
    mean = mean if math.isfinite(mean) else 0.0
    thickness = slab_m if slab_m is not None else thickness_m(size, mean)
    top = int(cells[int(np.argmax(ground.values.ravel()[cells]))])
    x, y = ground.centre_of(top // ground.shape[1], top % ground.shape[1])
    return {
        "area_m2": area_m2,
        "slope_deg": mean,
        "thickness_m": thickness,
        "volume_m3": area_m2 * thickness,
        "top_m": (float(x), float(y)),
    }
