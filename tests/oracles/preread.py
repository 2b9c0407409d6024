"""A slow readable twin of the area reading: every start cell and member by itself, gathered with sets and dictionaries.

Only the motion of a single sample is taken from the package (it has a twin of its own in ``oracles/sample.py``).
"""

from __future__ import annotations

import math

MASK = (1 << 64) - 1
GOLDEN = 0x9E3779B97F4A7C15


def mixed(x):
    """The finaliser of splitmix64, in whole numbers of Python."""
    z = (x + GOLDEN) & MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & MASK
    return z ^ (z >> 31)


def draw(seed, row, col, member, what):
    """A number from 0 to below 1 that belongs to a cell, a member and a purpose."""
    h = mixed((seed * GOLDEN + what + 1) & MASK)
    h = mixed(h ^ (row & MASK))
    h = mixed(h ^ ((col & MASK) * GOLDEN & MASK))
    return (mixed((h + (member + 1) * GOLDEN) & MASK) >> 11) * 2.0**-53


def gather(starts, members, run):
    """Read starts one by one.

    ``starts`` is a list of (row, col, zone); ``run(row, col, member)`` gives cells entered, speeds, stop cell or None,
    distance and drop. Returns cell -> (members, greatest speed, zones) and start -> (mean distance, mean drop, share
    that leaves).
    """
    came, told = {}, {}
    for row, col, zone in starts:
        far, down, gone = [], [], 0
        for member in range(members):
            cells, speeds, stop, distance, drop = run(row, col, member)
            for cell, speed in zip(cells, speeds, strict=True):
                who, fastest, zones = came.get(cell, (set(), 0.0, set()))
                came[cell] = (who | {member}, max(fastest, speed), zones | {zone})
            if stop is None:
                gone += 1
            else:
                far.append(distance)
                down.append(drop)
        mean = [sum(one) / len(one) if one else math.nan for one in (far, down)]
        told[row, col] = (*mean, gone / members)
    return came, told


def piled(samples, half, cell_m):
    """Thickness where each sample of an event stops: snow of all that stop within a square, over its area.

    ``samples`` is a list of (row, col, volume) or None where a sample does not stay.
    """
    area = ((2 * half + 1) * cell_m) ** 2
    found = []
    for one in samples:
        if one is None:
            found.append(math.nan)
            continue
        near = [b[2] for b in samples if b is not None and abs(b[0] - one[0]) <= half and abs(b[1] - one[1]) <= half]
        found.append(sum(near) / area)
    return found
