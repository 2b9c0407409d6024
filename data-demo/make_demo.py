"""Make Mount Ysterra, an invented mountain for practice with lastseen.

The place does not exist.  Nothing here is measured: every height comes from
the numbers in this file and a fixed random seed, so that two runs write the
same bytes.  The corner lies in open sea, so that nobody mixes the model up
with a real slope.

How it is built.  The mountain has its own axes: u runs along the main ridge,
v runs down from the ridge to the valley, both in metres and turned a little
against the map grid.  Side by side along u lie sectors, each with its own
profile from ridge to valley (PROFILES).  The sectors are blended, the axes are
bent by smooth noise, and then the landforms are cut in or laid on.

Usage: python make_demo.py [output.tif]
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import rasterio
from rasterio.transform import from_origin
from scipy.interpolate import PchipInterpolator, interp1d
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates

Grid = npt.NDArray[np.float64]

SEED = 20260
CELL = 2.0
ROWS, COLS = 1000, 1200
WEST, NORTH = 560000.0, 7302000.0
TURN_DEG = 7.0
ORIGIN_X, ORIGIN_Y = 1200.0, 300.0
V_FIRST, V_LAST, V_FOOT, Z_FOOT = -700.0, 2200.0, 1800.0, 1366.0
U_FIRST, U_LAST = -200.0, 2800.0
DESCRIPTION = "Mount Ysterra, an invented mountain for practice with lastseen. Not a real place."

# Profiles by slope: (down to this v, slope in degrees along v).
SLOPES: dict[str, list[tuple[float, float]]] = {
    "meadow": [(0, 6), (110, 11), (420, 17), (480, 24), (900, 31), (1130, 20), (1350, 8), (2200, 5)],
    "bowl_bed": [
        (0, 10),
        (70, 24),
        (330, 34.3),
        (560, 37.6),
        (620, 29),
        (760, 22.5),
        (1055, 20.5),
        (1140, 23.5),
        (1165, 16),
        (1195, 9),
        (1250, 6),
        (2200, 5),
    ],
    "bench": [
        (0, 10),
        (80, 19),
        (530, 35.8),
        (564, 5),
        (800, 33.5),
        (950, 26),
        (1130, 16.5),
        (1300, 13.5),
        (1450, 11),
        (1600, 7.5),
        (2200, 5),
    ],
    "cliff": [
        (0, 10),
        (80, 21),
        (370, 35.3),
        (580, 34.5),
        (740, 28),
        (840, 20),
        (885, 12),
        (965, 5),
        (1000, 9),
        (1250, 14),
        (1450, 8),
        (2200, 5),
    ],
}
# Profiles by points: (v, height).
POINTS: dict[str, list[tuple[float, float]]] = {
    "rib_west": [
        (-700, 2050),
        (0, 1966),
        (110, 1946),
        (340, 1874),
        (430, 1836),
        (560, 1752),
        (800, 1610),
        (1060, 1470),
        (1200, 1424),
        (1400, 1398),
        (1800, 1366),
        (2200, 1334),
    ],
    "summit": [
        (-700, 2380),
        (0, 2200),
        (60, 2170),
        (300, 1972),
        (530, 1794),
        (800, 1640),
        (1060, 1506),
        (1250, 1438),
        (1450, 1395),
        (1800, 1366),
        (2200, 1334),
    ],
    "rib_mid": [
        (-700, 2200),
        (0, 2085),
        (90, 2055),
        (360, 1892),
        (530, 1788),
        (800, 1632),
        (1060, 1522),
        (1250, 1457),
        (1450, 1405),
        (1800, 1366),
        (2200, 1334),
    ],
    "rib_east": [
        (-700, 2110),
        (0, 2020),
        (80, 1997),
        (370, 1822),
        (580, 1686),
        (740, 1594),
        (880, 1528),
        (1000, 1494),
        (1250, 1436),
        (1450, 1400),
        (1800, 1366),
        (2200, 1334),
    ],
    "east_end": [
        (-700, 2060),
        (0, 1960),
        (100, 1926),
        (400, 1738),
        (700, 1592),
        (1000, 1490),
        (1300, 1418),
        (1500, 1394),
        (1800, 1366),
        (2200, 1334),
    ],
}
# Where each sector holds its own profile: (name, from u, to u).
SECTORS: list[tuple[str, float, float]] = [
    ("meadow", 60, 270),
    ("rib_west", 425, 440),
    ("bowl", 600, 850),
    ("summit", 1035, 1048),
    ("bench", 1220, 1500),
    ("rib_mid", 1635, 1650),
    ("cliff", 1790, 2085),
    ("rib_east", 2250, 2265),
    ("east_end", 2480, 2800),
]
# The line of bowl, couloir and gully: (v, u).  The bend is at v = 845.
THALWEG: list[tuple[float, float]] = [
    (-700, 722),
    (250, 722),
    (330, 728),
    (620, 750),
    (845, 832),
    (1060, 756),
    (2200, 756),
]
FAN_APEX_V = 1066.0
V_AXIS = np.arange(V_FIRST, V_LAST + 0.5, 1.0)


def smooth_step(x: Grid) -> Grid:
    """0 below 0, 1 above 1, and a soft S between."""
    t = np.clip(x, 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t), dtype=np.float64)


def window(x: Grid, start: float, end: float, edge: float) -> Grid:
    """1 between start and end, fading to 0 over `edge` metres outside."""
    return smooth_step((x - start + edge) / edge) * smooth_step((end + edge - x) / edge)


def noise(stream: int, length_m: float) -> Grid:
    """Smooth noise over the map: mean 0, standard deviation 1, one stream of random numbers each."""
    rng = np.random.default_rng([SEED, stream])
    pad = int(3 * length_m / CELL)
    raw = rng.standard_normal((ROWS + 2 * pad, COLS + 2 * pad))
    field = gaussian_filter(raw, length_m / CELL, mode="wrap")[pad : pad + ROWS, pad : pad + COLS]
    return np.asarray((field - field.mean()) / field.std(), dtype=np.float64)


def runnels(u: Grid, v: Grid, stream: int, across_m: float, down_m: float) -> Grid:
    """Noise drawn out down the slope, like the runnels and small spurs that water leaves on steep ground."""
    rng = np.random.default_rng([SEED, stream])
    shape = (int((U_LAST - U_FIRST) / 4), int((V_LAST - V_FIRST) / 4))
    field = gaussian_filter(rng.standard_normal(shape), (across_m / 4, down_m / 4))
    field = field / field.std()
    return np.asarray(map_coordinates(field, [(u - U_FIRST) / 4, (v - V_FIRST) / 4], order=3, mode="nearest"))


def mountain_axes() -> tuple[Grid, Grid]:
    """The (u, v) of every cell: turned against the map grid and bent by smooth noise."""
    x, y = np.meshgrid((np.arange(COLS) + 0.5) * CELL, (ROWS - np.arange(ROWS) - 0.5) * CELL)
    cos, sin = np.cos(np.radians(TURN_DEG)), np.sin(np.radians(TURN_DEG))
    u = 1200.0 + (x - ORIGIN_X) * cos + (y - ORIGIN_Y) * sin
    v = (y - ORIGIN_Y) * cos - (x - ORIGIN_X) * sin
    u = 1000.0 + (u - 1000.0) / (1.0 + 0.0002 * (v - 500.0))
    u = u + 24.0 * noise(1, 130) + 7.0 * noise(2, 50)
    v = v + 17.0 * noise(3, 170) + 2.5 * noise(4, 50)
    foot = window(v, 850, 1450, 200) * (smooth_step((u - 1560) / 150) + smooth_step((560 - u) / 150))
    v = v + foot * (15.0 * noise(8, 65) + 4.0 * noise(19, 30))
    bays = PchipInterpolator(
        [-200, 200, 440, 720, 1015, 1200, 1500, 1640, 1790, 2085, 2230, 2800],
        [30, 5, -22, 14, -20, 20, -10, -30, 22, -8, -28, 30],
    )
    return u, v + bays(np.clip(u, -200, 2800)) * np.interp(v, [-300, 900, 1700], [1.0, 1.0, 0.2])


def profile_from_slopes(parts: list[tuple[float, float]]) -> Grid:
    """Heights along V_AXIS from (down to v, degrees), soft at the breaks."""
    ends = np.array([end for end, _ in parts])
    tangents = np.tan(np.radians([slope for _, slope in parts]))
    steps = tangents[np.minimum(np.searchsorted(ends, V_AXIS), len(parts) - 1)]
    steps = gaussian_filter1d(steps, 4.5, mode="nearest")
    fall = np.cumsum(steps)
    return np.asarray(Z_FOOT + np.interp(V_FOOT, V_AXIS, fall) - fall)


def smooth_curve(points: Sequence[tuple[float, float]]) -> Grid:
    """A curve along V_AXIS through (v, value), without overshoot."""
    along = np.array([v for v, _ in points], dtype=np.float64)
    values = np.array([value for _, value in points], dtype=np.float64)
    return np.asarray(PchipInterpolator(along, values)(V_AXIS))


def couloir_and_gully_depth() -> Grid:
    """How far the narrow channel is cut in, along V_AXIS."""
    points = [
        (-700, 0),
        (285, 0),
        (390, 13.5),
        (545, 13.5),
        (650, 6.5),
        (990, 6.6),
        (1060, 3.0),
        (1150, 0.8),
        (1210, 0),
        (2200, 0),
    ]
    return smooth_curve(points)


def bowl_depth() -> Grid:
    """How far the wide bowl is hollowed out, along V_AXIS; below it a faint swale goes on."""
    points = [(-700, 0), (10, 0), (170, 20), (300, 26), (440, 11), (620, 2.5), (980, 2), (1080, 0), (2200, 0)]
    return smooth_curve(points)


def sector_profiles() -> dict[str, Grid]:
    """One profile per sector along V_AXIS.  The bowl's ground is its bed plus what is cut in."""
    profiles = {name: profile_from_slopes(parts) for name, parts in SLOPES.items()}
    profiles["bowl"] = profiles.pop("bowl_bed") + couloir_and_gully_depth() + bowl_depth()
    for name, points in POINTS.items():
        profiles[name] = smooth_curve(points)
    return profiles


def sectors_blended(u: Grid, v: Grid) -> Grid:
    """The north side: profiles laid side by side along u, with soft seams."""
    profiles = sector_profiles()
    knots = [U_FIRST] + [edge for _, start, end in SECTORS for edge in (start, end)]
    rows = [profiles["meadow"] - 25.0] + [profiles[name] for name, _, _ in SECTORS for _ in range(2)]
    table = interp1d(knots, np.stack(rows), axis=0)(np.arange(U_FIRST, U_LAST + 1.0, 4.0))
    table = gaussian_filter1d(table, 6.0, axis=0, mode="nearest")
    return np.asarray(map_coordinates(table, [(u - U_FIRST) / 4.0, v - V_FIRST], order=1, mode="nearest"))


def main_ridge(north_side: Grid, u: Grid, v: Grid) -> Grid:
    """Let the ground fall off behind the ridge; broad and rounded in the west, narrower in the east."""
    crest = sectors_blended(u, np.zeros_like(v)) + 4.0 * noise(5, 55)
    steepness = np.interp(u, [0, 400, 900, 2800], [0.30, 0.36, 0.62, 0.60])
    south_side = crest + 4.0 + steepness * v + smooth_step((-v - 20) / 120) * smooth_step(u / 700) * 9.0 * noise(7, 55)
    round_m = np.interp(u, [0, 420, 800, 2800], [16.0, 13.0, 7.0, 6.0])
    gap = north_side - south_side
    return np.asarray(0.5 * (north_side + south_side - np.sqrt(gap * gap + round_m * round_m)))


def rockiness(u: Grid, v: Grid) -> Grid:
    """1 on the rocky ribs, near 0 on the smooth slopes, the meadow and the valley floor."""
    ribs = np.zeros_like(u)
    wander = u + 14.0 * noise(6, 60)
    for centre, half, first, last in (
        (500, 45, 260, 800),
        (1035, 80, -60, 980),
        (1645, 62, 180, 900),
        (2255, 70, 0, 850),
        (2580, 90, -100, 700),
    ):
        ribs += np.exp(-(((wander - centre) / half) ** 2)) * window(v, first, last, 180)
    south = 0.8 * smooth_step((-v - 25) / 80) * smooth_step((u - 350) / 250)
    return np.clip(ribs + south, 0.0, 1.0)


def spur_ground(u: Grid, v: Grid) -> Grid:
    """1 where small spurs may stand: the steep ground that none of the landforms needs for itself."""
    free = 1.0 - window(u, 620, 860, 60) * window(v, -700, 1500, 60)
    free *= 1.0 - window(u, 1190, 1510, 50) * window(v, -700, 1500, 100)
    free *= 1.0 - window(u, -900, 300, 60) * window(v, -700, 440, 120)
    free *= 1.0 - 0.8 * window(u, 1780, 2090, 50)
    return free * window(v, 60, 1000, 350)


def summit_cap(z: Grid, u: Grid, v: Grid) -> Grid:
    """Raise the highest point of the ridge into a summit."""
    out = np.hypot((u - 1046.0) / 1.5, v - 6.0 + 0.15 * (u - 1046.0)) * (1.0 + 0.1 * noise(9, 40))
    return np.asarray(z + 36.0 / (1.0 + (out / 62.0) ** 2) ** 1.5)


def ribs_roughened(z: Grid, u: Grid, v: Grid) -> Grid:
    """Broad irregularity everywhere, runnels on steep ground, broken rock on the ribs, fine noise all over."""
    rock = rockiness(u, v)
    steep = window(v, 90, 900, 250)
    calm = 1.0 - 0.75 * window(u, 1180, 1500, 60) * window(v, 60, 800, 60)
    calm *= 1.0 - 0.7 * window(u, 60, 320, 60) * window(v, 20, 460, 80)
    calm *= 1.0 - 0.5 * window(u, 1800, 2060, 60) * window(v, 60, 350, 40)
    broad = calm * np.interp(v, [1150, 1500], [1.0, 0.35])
    z = z + 3.2 * broad * noise(10, 70) + 1.4 * broad * noise(11, 32)
    small = runnels(u, v, 90, 19, 110) + 0.45 * runnels(u, v, 91, 11, 55)
    z = z + (0.25 + 0.45 * steep * calm + 2.0 * rock) * small
    z = z + 5.0 * spur_ground(u, v) * runnels(u, v, 92, 30, 130)
    z = z + rock * (2.6 * noise(12, 24) + 1.1 * noise(13, 11) + 0.4 * noise(14, 6))
    return np.asarray(z + (0.13 + 0.13 * calm) * noise(15, 7))


def thalweg(u: Grid, v: Grid) -> tuple[Grid, Grid]:
    """Distance from the thalweg (east is positive) and the sine of its heading against v."""
    points_v, points_u = zip(*THALWEG, strict=True)
    line = gaussian_filter1d(np.interp(V_AXIS, points_v, points_u), 15.0, mode="nearest")
    heading = np.arctan(np.gradient(line, V_AXIS))
    across = (u - np.interp(v, V_AXIS, line)) * np.cos(np.interp(v, V_AXIS, heading))
    return across, np.sin(np.interp(v, V_AXIS, heading))


def bowl_couloir_gully(z: Grid, u: Grid, v: Grid) -> Grid:
    """Cut the bowl, the couloir below it and the bent gully into the slope."""
    across, sine = thalweg(u, v)
    across = across + 1.0 * noise(20, 22)
    half_bowl = np.interp(v, [0, 120, 260, 420, 620, 1000], [125, 125, 110, 62, 55, 50])
    wide = np.cos(0.5 * np.pi * np.clip(across / half_bowl, -1, 1)) ** 2
    half_bed = np.interp(v, [300, 400, 540, 660, 1000, 1100], [5.0, 5.0, 5.0, 2.5, 4.0, 6.0])
    half_lip = np.interp(v, [285, 390, 540, 660, 1000, 1200], [40.0, 13.5, 13.0, 14.0, 14.5, 22.0])
    narrow = 1.0 - smooth_step((np.abs(across) - half_bed) / (half_lip - half_bed))
    level = window(v, 640, 1010, 60) * 0.44 * sine * across * np.exp(-((across / 30.0) ** 2))
    z = z - level - np.interp(v, V_AXIS, bowl_depth()) * wide
    return np.asarray(z - np.interp(v, V_AXIS, couloir_and_gully_depth()) * narrow)


def debris_fan(z: Grid, u: Grid, v: Grid) -> Grid:
    """Lay a cone of debris at the mouth of the gully, steeper at its apex, flat at its toe."""
    across, _ = thalweg(u, v)
    apex = (np.abs(across) < 3.0) & (np.abs(v - FAN_APEX_V) < 3.0)
    apex_z = float(z[apex].mean())
    out = np.hypot(across * 1.04, v - FAN_APEX_V) + 3.0 * noise(21, 40)
    tangents = np.tan(np.radians(np.interp(np.arange(900.0), [0, 60, 200, 330, 420], [14.5, 13.0, 11.5, 9.5, 8.5])))
    fall = np.concatenate([[0.0], np.cumsum(tangents)])
    cone = apex_z - 0.4 - np.interp(np.maximum(out, 0.0), np.arange(901.0), fall)
    cone = cone + 0.3 * noise(22, 14) + 0.16 * noise(23, 7)
    cone = np.where(v > FAN_APEX_V - 5.0, cone, -1e4)
    gap = z - cone
    trench = 1.4 * np.exp(-((across / 7.0) ** 2)) * window(v, 1050, 1085, 45)
    return np.asarray(np.where(cone > 0, 0.5 * (z + cone + np.sqrt(gap * gap + 1.2)), z) - trench)


def cliff_band(z: Grid, u: Grid, v: Grid) -> Grid:
    """Bite a rock step out of the slope; its foot climbs back to the old slope farther down."""
    line = 365.0 + 0.16 * (u - 1930.0) + 7.0 * noise(30, 28) + 2.0 * noise(31, 9)
    height = (15.0 + 1.6 * noise(32, 35)) * window(u, 1825, 2030, 60)
    below = v - line
    face = np.clip(below / 7.0, 0.0, 1.0)
    back = np.exp(-((np.maximum(below - 7.0, 0.0) / 170.0) ** 2))
    return np.asarray(z - height * face * back)


def closed_hollow(z: Grid, u: Grid, v: Grid) -> Grid:
    """Sink a basin at the foot of the slope, with a low crescent of moraine on its valley side."""
    du, dv = u - 1925.0, v - 925.0
    around = np.arctan2(dv, du)
    out = np.hypot(du / 1.15, dv) * (1.0 + 0.07 * np.sin(2 * around + 0.7) + 0.05 * np.sin(3 * around))
    basin = 5.8 * np.exp(-((out / 26.0) ** 2.6))
    bank = np.exp(-(((out - 38.0) / 14.0) ** 2)) * smooth_step(0.5 + 0.6 * np.sin(around + 0.3))
    return np.asarray(z - basin + 1.2 * bank)


def trough_beside_meadow(z: Grid, u: Grid, v: Grid) -> Grid:
    """Crown the meadow and lead what comes off the rib away in a shallow trough at its foot."""
    along = window(v, 60, 620, 160)
    bent = u + 0.06 * (v - 300.0)
    trough = 10.0 * np.exp(-(((bent - 345.0) / 30.0) ** 2))
    crown = 8.0 * np.exp(-(((bent - 215.0) / 75.0) ** 2))
    return np.asarray(z + along * (crown - trough))


def mount_ysterra() -> npt.NDArray[np.float32]:
    """All heights, rounded to 1/64 m so that the file packs well."""
    u, v = mountain_axes()
    z = main_ridge(sectors_blended(u, v), u, v)
    z = z + 0.012 * (u - 1200.0)
    z = summit_cap(z, u, v)
    z = ribs_roughened(z, u, v)
    z = trough_beside_meadow(z, u, v)
    z = bowl_couloir_gully(z, u, v)
    z = debris_fan(z, u, v)
    z = cliff_band(z, u, v)
    z = closed_hollow(z, u, v)
    return (np.round(z * 64.0) / 64.0).astype(np.float32)


def write_geotiff(path: Path, heights: npt.NDArray[np.float32]) -> None:
    """Write the one-band GeoTIFF."""
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=COLS,
        height=ROWS,
        count=1,
        dtype="float32",
        crs="EPSG:32631",
        transform=from_origin(WEST, NORTH, CELL, CELL),
        nodata=-9999.0,
        compress="deflate",
        predictor=3,
        zlevel=9,
        tiled=True,
        blockxsize=256,
        blockysize=256,
    ) as target:
        target.write(heights, 1)
        target.set_band_unit(1, "m")
        target.update_tags(TIFFTAG_IMAGEDESCRIPTION=DESCRIPTION)


def main() -> None:
    """Write ysterra.tif beside this script, or to the path given."""
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("ysterra.tif")
    heights = mount_ysterra()
    write_geotiff(path, heights)
    print(f"{path.name}: {heights.min():.1f} to {heights.max():.1f} m, {path.stat().st_size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
