"""The shortest walk over a convex outline on flat ground among all rotations, numbers of lanes and insets.

A slow twin that imports nothing from the package: equal strips on every rotation (1 degree), lanes as long as the
outline is in their strip, both ends pulled in by the same inset (1 m steps), straight joins; covered is what lies
within half a strip of the walk, by buffering it. ``python tests/search/brute_force.py`` writes brute_force.csv.
"""

import csv
import math
import sys
from pathlib import Path

import numpy as np
import shapely
from shapely import LineString, box
from shapely.affinity import rotate

LEAST = 0.99
FILE = Path(__file__).with_name("brute_force.csv")


def lanes_of(turned, count):
    """Start and end u and the height v of a lane in each of equal strips."""
    west, south, east, north = turned.bounds
    width = (north - south) / count
    rows = []
    for k in range(count):
        part = shapely.intersection(turned, box(west - 1, south + k * width, east + 1, south + (k + 1) * width))
        rows.append((part.bounds[0], part.bounds[2], south + (k + 0.5) * width))
    return rows


def walk_of(rows, inset):
    points = []
    for k, (a, b, v) in enumerate(rows):
        pull = min(inset, 0.5 * (b - a) - 0.5)
        ends = [(a + pull, v), (b - pull, v)]
        points += ends if k % 2 == 0 else ends[::-1]
    return LineString(points)


def covered(turned, walk, half):
    return shapely.intersection(turned, walk.buffer(half, quad_segs=12)).area / turned.area


def shortest(outline, strip_m):
    """Walk, rotation, lanes, inset and coverage of the shortest walk that covers enough."""
    best = (math.inf,)
    middle = outline.centroid
    for angle in range(180):
        turned = rotate(outline, -angle, origin=middle)
        height = turned.bounds[3] - turned.bounds[1]
        fewest = max(1, math.ceil(0.97 * height / strip_m))
        for count in (fewest, fewest + 1):
            rows = lanes_of(turned, count)
            low, high = 0, int(strip_m)
            if count > 1 and walk_of(rows, high).length > best[0]:
                continue
            if covered(turned, walk_of(rows, 0), 0.5 * strip_m) < LEAST:
                continue
            while high - low > 1:
                inset = (low + high) // 2
                good = covered(turned, walk_of(rows, inset), 0.5 * strip_m) >= LEAST
                low, high = (inset, high) if good else (low, inset)
            walk = walk_of(rows, low)
            if walk.length < best[0]:
                best = (walk.length, angle, count, low, covered(turned, walk, 0.5 * strip_m))
    return best


def main():
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    from search.outline_zoo import ZOO  # noqa: PLC0415  the path has to be known first

    with FILE.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(["name", "strip_m", "walk_m", "rotation_deg", "lanes", "inset_m", "coverage"])
        for name, case in ZOO.items():
            if case.convex:
                walk, *rest = shortest(case.outline, case.strip_m)
                out.writerow([name, case.strip_m, f"{walk:.1f}", *rest[:3], f"{rest[3]:.4f}"])


if __name__ == "__main__":
    main()
    print(np.array(FILE.read_text(encoding="utf-8").splitlines()))
