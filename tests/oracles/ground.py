"""Slow readable twins of the terrain room: plain Python and numpy, nothing from the package."""

import heapq
import math

import numpy as np

NEIGHBOURS = [(-1, 0), (-1, 1), (0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1)]  # clockwise from north


def around(z, i, j):
    """Place, row and column of the known neighbours of a cell."""
    for k, (di, dj) in enumerate(NEIGHBOURS):
        r, c = i + di, j + dj
        if 0 <= r < z.shape[0] and 0 <= c < z.shape[1] and not math.isnan(z[r, c]):
            yield k, r, c


def drains(z, i, j):
    """Whether a cell lies on the frame or beside no data."""
    return len(list(around(z, i, j))) < 8


def priority_flood(z, least_step=None):
    """Priority-Flood of Barnes, Lehman & Mulla (2014), its plain form with one heap.

    ``least_step`` of each cell makes the filled ground fall everywhere, as their form with an epsilon does.
    """
    out = np.full(z.shape, np.nan)
    heap = [(z[i, j], i, j) for i, j in np.argwhere(~np.isnan(z)).tolist() if drains(z, i, j)]
    for level, i, j in heap:
        out[i, j] = level
    heapq.heapify(heap)
    while heap:
        level, i, j = heapq.heappop(heap)
        for _, r, c in around(z, i, j):
            if math.isnan(out[r, c]):
                step = 0.0 if least_step is None else least_step[r, c]
                out[r, c] = max(z[r, c], level + step)
                heapq.heappush(heap, (out[r, c], r, c))
    return out


def falling_ground(z, *, single=False, seed=5):
    """Ground without flats, hollows or ties, lowest on its outer frame and where there was no data.

    On it all definitions of routing agree, whatever they do with flats and borders. ``single`` rounds to float32.
    """
    random = np.random.default_rng(seed)
    filled = priority_flood(z, random.uniform(0.005, 0.02, z.shape))
    frame = np.nanmin(filled) - random.uniform(100.0, 120.0, z.shape)
    moat = np.isnan(z)
    moat[[0, -1], :] = moat[:, [0, -1]] = True
    out = np.where(moat, frame, filled)
    return out.astype(np.float32).astype(float) if single else out


def d8(z):
    """Neighbour of the steepest descent; 8 where none is lower; -1 at no data."""
    way = np.full(z.shape, -1)
    for i, j in np.argwhere(~np.isnan(z)).tolist():
        falls = [(z[i, j] - z[r, c]) / math.hypot(r - i, c - j) for _, r, c in around(z, i, j)]
        places = [k for k, _, _ in around(z, i, j)]
        way[i, j] = places[int(np.argmax(falls))] if falls and max(falls) > 0 else 8
    return way


def facet(z, i, j):
    """Azimuth (degrees) and slope of the steepest facet of Tarboton (1997), with his r and his eight facets."""
    best, azimuth = 0.0, math.nan
    known = {k: z[r, c] for k, r, c in around(z, i, j)}
    for straight in (0, 2, 4, 6):
        for side in (1, -1):
            corner = (straight + side) % 8
            if straight not in known or corner not in known:
                continue
            s1, s2 = z[i, j] - known[straight], known[straight] - known[corner]
            r, s = math.atan2(s2, s1), math.hypot(s1, s2)
            if r < 0:
                r, s = 0.0, s1
            if r > math.pi / 4:
                r, s = math.pi / 4, (z[i, j] - known[corner]) / math.sqrt(2)
            if s > best:
                best, azimuth = s, (45.0 * straight + side * math.degrees(r)) % 360.0
    return azimuth, best


def fall_along(z, i, j, azimuth):
    """Gradient of the facet of Tarboton (1997) on which an azimuth (degrees) lies, along that azimuth."""
    k = int(azimuth // 45.0) % 8
    straight, corner = (k, (k + 1) % 8) if k % 2 == 0 else ((k + 1) % 8, k)
    known = {n: z[r, c] for n, r, c in around(z, i, j)}
    r = math.radians(abs((azimuth - 45.0 * straight + 180.0) % 360.0 - 180.0))
    return (z[i, j] - known[straight]) * math.cos(r) + (known[straight] - known[corner]) * math.sin(r)


def shares(z, method, exponent=1.0, way=None):
    """Shares of the flow of each cell to its neighbours, shape (ny, nx, 8); ``way`` is taken where nothing is lower."""
    out = np.zeros((*z.shape, 8))
    single = d8(z) if way is None else way
    for i, j in np.argwhere(~np.isnan(z)).tolist():
        lower = [
            (k, (z[i, j] - z[r, c]) / math.hypot(r - i, c - j)) for k, r, c in around(z, i, j) if z[r, c] < z[i, j]
        ]
        azimuth, _ = facet(z, i, j)
        if method == "multiple" and lower:
            total = sum(fall**exponent for _, fall in lower)
            for k, fall in lower:
                out[i, j, k] = fall**exponent / total
        elif method == "D-infinity" and not math.isnan(azimuth):
            k = int(azimuth // 45.0)
            out[i, j, k % 8] += 1.0 - (azimuth / 45.0 - k)
            out[i, j, (k + 1) % 8] += azimuth / 45.0 - k
        elif 0 <= single[i, j] < 8:
            out[i, j, single[i, j]] = 1.0
    return out


def accumulate(z, parts):
    """Cells that drain through each cell, by following each cell's own unit of flow until it is gone."""
    ny, nx = z.shape
    known = ~np.isnan(z)
    flow, total = known.astype(float), known.astype(float)
    for _ in range(ny * nx):
        onward = np.zeros((ny, nx))
        for k, (di, dj) in enumerate(NEIGHBOURS):
            moved = flow * parts[:, :, k]
            onward[max(0, di) : ny + min(0, di), max(0, dj) : nx + min(0, dj)] += moved[
                max(0, -di) : ny - max(0, di), max(0, -dj) : nx - max(0, dj)
            ]
        if not onward.any():
            return np.where(known, total, np.nan)
        flow = onward
        total = total + onward
    raise ValueError("the flow runs in a circle")


def ruggedness(z, cell_m, half):
    """Vector ruggedness of Sappington et al. (2007), one cell at a time, from slopes and aspects after Horn."""
    k = np.array([[1, 2, 1]])
    normals = np.full((*z.shape, 3), np.nan)
    for i in range(1, z.shape[0] - 1):
        for j in range(1, z.shape[1] - 1):
            nine = z[i - 1 : i + 2, j - 1 : j + 2]
            east = ((nine[:, 2] - nine[:, 0]) * k[0]).sum() / (8 * cell_m) + 0 * nine[1, 1]
            north = ((nine[0] - nine[2]) * k[0]).sum() / (8 * cell_m)
            slope, aspect = math.atan(math.hypot(east, north)), math.atan2(-east, -north)
            normals[i, j] = (math.sin(slope) * math.sin(aspect), math.sin(slope) * math.cos(aspect), math.cos(slope))
    out = np.full(z.shape, np.nan)
    for i in range(half, z.shape[0] - half):
        for j in range(half, z.shape[1] - half):
            window = normals[i - half : i + half + 1, j - half : j + half + 1].reshape(-1, 3)
            out[i, j] = 1.0 - math.hypot(*window.sum(axis=0)) / len(window)
    return out


def relative_position(z, cell_m, inner_m, outer_m, least=0.99):
    """Height above the mean of a ring (Weiss 2001), one cell at a time."""
    out = np.full(z.shape, np.nan)
    reach = int(outer_m / cell_m) + 1
    ring = [
        (di, dj)
        for di in range(-reach, reach + 1)
        for dj in range(-reach, reach + 1)
        if inner_m - 1e-6 <= cell_m * math.hypot(di, dj) <= outer_m + 1e-6
    ]
    for i in range(z.shape[0]):
        for j in range(z.shape[1]):
            seen = [z[i + di, j + dj] for di, dj in ring if 0 <= i + di < z.shape[0] and 0 <= j + dj < z.shape[1]]
            seen = [one for one in seen if not math.isnan(one)]
            if len(seen) >= least * len(ring):
                out[i, j] = z[i, j] - sum(seen) / len(seen)
    return out


def openness(z, cell_m, radius_m):
    """Positive and negative openness (Yokoyama et al. 2002) in degrees, one line of sight at a time."""
    out = np.full((2, *z.shape), np.nan)
    for i in range(z.shape[0]):
        for j in range(z.shape[1]):
            zenith, nadir = [], []
            for di, dj in NEIGHBOURS:
                sights = []
                for step in range(1, int(radius_m / (cell_m * math.hypot(di, dj)) + 1e-9) + 1):
                    r, c = i + step * di, j + step * dj
                    inside = 0 <= r < z.shape[0] and 0 <= c < z.shape[1]
                    height = z[r, c] if inside else math.nan
                    sights.append(math.degrees(math.atan((height - z[i, j]) / (step * cell_m * math.hypot(di, dj)))))
                if math.isnan(sights[0]):
                    break
                known = [one for one in sights if not math.isnan(one)]
                zenith.append(90.0 - max(known))
                nadir.append(90.0 + min(known))
            else:
                out[:, i, j] = sum(zenith) / 8.0, sum(nadir) / 8.0
    return out


def wall_drop(z, cell_m, wall_deg, longest_m):
    """Height between the ends of the steepest steps up and down that are steeper than a limit."""
    out = np.full(z.shape, np.nan)
    for i, j in np.argwhere(~np.isnan(z)).tolist():
        ends = []
        for sign in (1.0, -1.0):
            r, c, gone = i, j, 0.0
            while True:
                steps = [
                    (sign * (z[y, x] - z[r, c]) / (cell_m * math.hypot(y - r, x - c)), -k, y, x)
                    for k, y, x in around(z, r, c)
                ]
                steep, _, y, x = max(steps, default=(0.0, 0, r, c))
                gone += cell_m * math.hypot(y - r, x - c)
                if math.degrees(math.atan(steep)) < wall_deg or gone > longest_m:
                    break
                r, c = y, x
            ends.append(z[r, c])
        out[i, j] = ends[0] - ends[1]
    return out
