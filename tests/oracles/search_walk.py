"""Slow readable twin of a simulated search: plain numpy, its own draws, its own walk, its own dipole."""

import math

import numpy as np
import shapely

from oracles.coverage import elevation_at

SAMPLE_S = 0.5  # between two looks at the receiver


def tobler_off_path(slope):
    """6 exp(-3.5 |S + 0.05|) km/h (Tobler 1993), times 0.6 off the path, in m/s; beyond 0.3 its height in an hour."""
    held = min(max(slope, -0.3), 0.3)
    speed = 0.6 * 6.0 / 3.6 * math.exp(-3.5 * abs(held + 0.05))
    if held == slope:
        return speed
    return speed * (abs(held) / math.hypot(1.0, held)) / (abs(slope) / math.hypot(1.0, slope))


def walk_positions(lines, ground, begin_s=0.0):
    """Times and places (x, y, z) of somebody who walks straight lines one after the other, every half second."""
    times, places, now = [], [], begin_s
    for line in lines:
        (ax, ay), (bx, by) = line.coords[0], line.coords[-1]
        length = math.hypot(bx - ax, by - ay)
        parts = max(1, round(length / 10.0))
        for k in range(parts):
            t0, t1 = k / parts, (k + 1) / parts
            x = np.array([ax + t0 * (bx - ax), ax + t1 * (bx - ax)])
            y = np.array([ay + t0 * (by - ay), ay + t1 * (by - ay)])
            z0, z1 = elevation_at(*ground, x, y)
            run = length / parts
            if run == 0.0:
                continue
            took = math.hypot(run, z1 - z0) / tobler_off_path((z1 - z0) / run)
            share = np.arange(0.0, 1.0, min(1.0, SAMPLE_S / took))
            times.append(now + share * took)
            px, py = x[0] + share * (x[1] - x[0]), y[0] + share * (y[1] - y[0])
            places.append(np.column_stack([px, py, elevation_at(*ground, px, py)]))
            now += took
    return np.concatenate(times), np.concatenate(places)


def hide(outline, ground, strip_m, draws, rng):
    """Targets alike all over an outline: head at 105 cm, SD 85 (Falk et al. 1994), any direction, own range.

    About one in each square of a lattice, anywhere in it; the last of what is given is the surface each stands for.
    """
    west, south, east, north = outline.bounds
    side = math.sqrt(outline.area / draws)
    x, y = np.meshgrid(np.arange(west - side, east, side), np.arange(south - side, north, side))
    x, y = x + rng.uniform(0.0, side, x.shape), y + rng.uniform(0.0, side, y.shape)
    inside = shapely.contains_xy(outline, x, y)
    x, y = x[inside], y[inside]
    draws, d = x.size, 0.5 * ground[3]
    gx = (elevation_at(*ground, x + d, y) - elevation_at(*ground, x - d, y)) / (2 * d)
    gy = (elevation_at(*ground, x, y + d) - elevation_at(*ground, x, y - d)) / (2 * d)
    surface = np.sqrt(1.0 + gx**2 + gy**2)
    z = elevation_at(*ground, x, y) - np.maximum(0.0, rng.normal(1.05, 0.85, draws))
    turn, height = rng.uniform(0.0, 2.0 * math.pi, draws), rng.uniform(-1.0, 1.0, draws)
    flat = np.sqrt(1.0 - height**2)
    axis = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), height])
    best = 0.5 * strip_m * 2.0 ** (1.0 / 3.0)  # half a strip is the range across the axis of a dipole
    return np.column_stack([x, y, z]), axis, np.maximum(1.0, rng.normal(best, 0.1 * best, draws)), surface


def first_heard_s(walks, ground, target, axis, range_m):
    """When each target is first heard by any of several walkers; infinite where never."""
    out = np.full(len(target), np.inf)
    for lines, begin_s in walks:
        times, places = walk_positions(lines, ground, begin_s)
        for i in range(len(target)):
            step = places - target[i]
            away = np.sqrt((step**2).sum(axis=1))
            cosine = (step @ axis[i]) / np.maximum(away, 1e-9)
            heard = away <= range_m[i] * ((1.0 + 3.0 * cosine**2) / 4.0) ** (1.0 / 6.0)
            if heard.any():
                out[i] = min(out[i], times[int(np.argmax(heard))])
    return out


def quantiles(values, weights, shares):
    """Weighted quantiles: the least value with at least that share of the weight at or below it."""
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return values[order][np.searchsorted(total, np.asarray(shares) * total[-1])]
