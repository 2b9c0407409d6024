"""Clean made terrains: what the report must not doubt. Thirty, of many kinds, cells and reliefs; all from seeds.

Reliefs are scaled so that a twentieth of the ground is steeper than some 45 degrees, as in steep mountains, or less.
"""

import numpy as np
from scipy import fft, ndimage

from dem_zoo import UTM
from lastseen.core.grid import Grid

SHAPE = (420, 500)


def self_affine(hurst, seed, shape=SHAPE):
    """A surface whose spectrum falls as ground's does, with mean 0 and standard deviation 1 (spectral synthesis)."""
    rng = np.random.default_rng(seed)
    ky, kx = np.meshgrid(fft.fftfreq(shape[0]), fft.rfftfreq(shape[1]), indexing="ij")
    k = np.hypot(kx, ky)
    k[0, 0] = np.inf
    spectrum = k ** -(hurst + 1.0) * np.exp(2j * np.pi * rng.random(k.shape))
    surface = fft.irfft2(spectrum, s=shape)
    return (surface - surface.mean()) / surface.std()


def as_steep(values, cell_m, degrees):
    """Stretched in height so that a twentieth of the cells is steeper."""
    north, east = np.gradient(values, cell_m)
    return values * np.tan(np.radians(degrees)) / np.percentile(np.hypot(north, east), 95)


def _ground(values, cell_m, base_m=1500.0):
    return Grid(np.asarray(values, float) + base_m, 600_000.0, 5_200_000.0, cell_m, UTM)


def terrains():
    """Name and grid, one after the other."""
    row, col = np.indices(SHAPE).astype(float)
    kinds = [
        (0.65, 30.0, 45), (0.7, 30.0, 38), (0.75, 30.0, 48), (0.85, 30.0, 30), (0.7, 10.0, 45), (0.8, 10.0, 48),
        (0.85, 10.0, 30), (0.8, 5.0, 45), (0.85, 5.0, 50), (0.9, 5.0, 25), (0.85, 2.0, 45), (0.9, 2.0, 50),
        (0.95, 2.0, 20), (0.9, 1.0, 48), (0.95, 1.0, 15),
    ]  # fmt: skip
    for seed, (hurst, cell_m, degrees) in enumerate(kinds):
        yield f"self-affine {seed}", _ground(as_steep(self_affine(hurst, seed), cell_m, degrees), cell_m)
    for seed in range(4):
        ridges = -abs(self_affine(0.95, 200 + seed)) + 0.05 * self_affine(0.8, 100 + seed)
        yield f"ridges {seed}", _ground(as_steep(ridges, 10.0, 50), 10.0, 2600.0)
    for seed in range(3):
        base = as_steep(self_affine(0.95, 300 + seed), 5.0, 40)
        yield f"lakes {seed}", _ground(np.maximum(base, np.percentile(base, 20 + 10 * seed)), 5.0)
    for seed in range(3):
        base = as_steep(self_affine(0.9, 400 + seed), 2.0, 35)
        edge = row + 12.0 * self_affine(0.9, 500 + seed)
        yield f"cliff {seed}", _ground(base + 60.0 / (1.0 + np.exp(np.clip(-(edge - 210.0), -50, 50))), 2.0)
    yield "lowland of few metres", _ground(2.0 * self_affine(0.95, 600), 10.0, 12.0)
    yield "lowland in whole metres", _ground(np.rint(25.0 * self_affine(0.95, 601)), 30.0, 90.0)
    yield "cone", _ground(-0.7 * 5.0 * np.hypot(row - 200.3, col - 231.7), 5.0, 2000.0)
    steps = 8.0 * np.floor((1.2 * row + 6.0 * self_affine(0.9, 602)) / 40.0) + 0.0217 * row
    yield "terraces", _ground(ndimage.gaussian_filter(steps, 1.0), 2.0)
    blocks = as_steep(self_affine(0.9, 604), 2.0, 35) + 0.6 * self_affine(0.6, 603)
    yield "blocky moraine", _ground(blocks, 2.0)
