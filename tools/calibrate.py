"""Fit slabs, friction and burial to reported avalanches, and write shared/reference/calibration.toml.

Run it with ``make calibrate``. Slabs by size are what is reported. Friction is tuned so that lengths, reach angles and
stopping places of events on invented slopes come as near as they can to those reported by size; burial so that the
share of fully buried and their depth do. The same seed gives the same file, bit for bit, with any number of threads.
With LASTSEEN_REAL_TERRAIN the tuned friction is tried on real slopes as well; these do not enter the fit.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import slopes
from slopes import REPORTED, SHARED, SIZES, Array, Events, reported, weigh, weighted_quantiles

EVENTS, SEED = 32, 2026
# Frictions that are tried. The highest is what a slab can have and still slide off the median start zone, 38 degrees;
# the lowest of each size stays within what is published for small and large events (0.16 to 0.30).
LOWEST = np.round(np.arange(0.16, 0.31, 0.02), 2)
MODES = np.round(np.arange(0.20, 0.72, 0.02), 2)
HIGHEST = np.round(np.arange(0.58, 0.76, 0.04), 2)
LEAST_SPREAD = 0.40  # between the lowest and the highest friction, as reported reach angles spread; design choice
# Lengths alone do not fix friction, since nobody reports how high the slopes were: it is drawn towards what was found
# for soft and dry slabs on snow, 0.40 to 0.55 (Martinelli, Lang & Mears 1980, J. Glaciol. 26:109, abstract).
PUBLISHED, PUBLISHED_UNIT = 0.475, 0.20
# The size with most reports is fitted first; then no larger size may have a higher friction, no smaller a lower one.
ORDER = (2, 1, 3, 4)
# What one unit of misfit is: design choice, about what two sets of reports of one size differ by.
LENGTH_UNIT, ANGLE_UNIT_DEG, STOP_UNIT = math.log(1.5), 5.0, 0.15
QUANTILE_WEIGHTS = np.array([0.5, 1.0, 1.0, 1.0, 0.5])
ANGLE_WEIGHT = 0.5  # the reported reach angles are of all sizes together
FULLY_M = 0.3  # as `FULLY_BURIED_M` of the package
POWERS = np.round(np.arange(1.0, 6.05, 0.1), 1)
SHARE_UNIT, DEPTH_UNIT_M = 0.05, 0.2
DEEPEST_M = 10.0


@dataclass(frozen=True, kw_only=True)
class Fit:
    """A friction law of a size, and how far what it gives is from what is reported."""

    law: tuple[float, float, float]
    misfit: float  # root of the mean of the three squares below
    length: float
    angle: float
    stop: float
    away: float  # of the most likely friction from what is published for slabs, in its unit

    @property
    def sum(self) -> float:
        """What is made least."""
        return round(self.misfit**2 + self.away**2, 9)


def slab_rows() -> dict[int, dict[str, object]]:
    """Medians and spreads of width and crown thickness by size; the spread is that of the quartiles."""
    rows: dict[int, dict[str, object]] = {}
    for size in SIZES:
        _, width = reported("width_m", size)
        _, crown = reported("crown_m", size)
        volume = REPORTED["volume_m3"][str(size)]
        rows[size] = {
            "width_m": float(width[2]),
            "thickness_at_38_m": float(crown[2]),
            "width_spread": round(math.log(width[3] / width[1]) / 1.349, 3),
            "thickness_spread": round(math.log(crown[3] / crown[1]) / 1.349, 3),
            "thickness_range_m": [float(crown[0]), float(crown[4])],
            "volume_range_m3": [round(volume / math.sqrt(10.0), 1), round(volume * math.sqrt(10.0), 1)],
        }
    return rows


def misfit(events: Events, size: int, law: tuple[float, float, float]) -> Fit:
    """How far the events of a size under a law are from what is reported."""
    weights = weigh(events, law)
    _, length = reported("length_m", size)
    _, angle = reported("reach_angle_deg", "any")
    far = np.log(weighted_quantiles(events.length_m, weights) / length) / LENGTH_UNIT
    lean = (weighted_quantiles(events.reach_deg, weights) - angle) / ANGLE_UNIT_DEG
    by_length, by_angle = (float(np.average(part**2, weights=QUANTILE_WEIGHTS)) for part in (far, lean))
    by_stop, parts = 0.0, [(1.0, by_length), (ANGLE_WEIGHT, by_angle)]
    if str(size) in REPORTED["stop"]:
        by_stop = ((stop_shares(events, weights)[2] - REPORTED["stop"][str(size)]["bottom"]) / STOP_UNIT) ** 2
        parts.append((1.0, by_stop))
    mean = sum(weight * part for weight, part in parts) / sum(weight for weight, _ in parts)
    away = abs(law[1] - PUBLISHED) / PUBLISHED_UNIT
    return Fit(law=law, misfit=mean**0.5, length=by_length**0.5, angle=by_angle**0.5, stop=by_stop**0.5, away=away)


def stop_shares(events: Events, weights: Array) -> tuple[float, float, float]:
    """Shares of the events that stop at the top, in the middle and at the bottom of their slope."""
    bottom = float(weights[events.stop >= slopes.FOOT_SHARE].sum() / weights.sum())
    top = float(weights[events.stop < slopes.TOP_SHARE].sum() / weights.sum())
    return top, 1.0 - top - bottom, bottom


def fit_friction(events: Events) -> dict[int, Fit]:
    """For each size the law with the least misfit among all that are tried, larger sizes not above smaller ones."""
    tried = [
        (float(low), float(mode), float(high))
        for low in LOWEST
        for high in HIGHEST
        if high - low >= LEAST_SPREAD
        for mode in MODES
        if low <= mode <= high
    ]
    found: dict[int, Fit] = {}
    for size in ORDER:
        part = events.part(events.size == size)
        allowed = [law for law in tried if all(_is_ordered(size, law, other, fit.law) for other, fit in found.items())]
        found[size] = min((misfit(part, size, law) for law in allowed), key=lambda fit: fit.sum)
    return {size: found[size] for size in SIZES}


def _is_ordered(size: int, law: tuple[float, ...], other: int, fitted: tuple[float, ...]) -> bool:
    """Whether the larger of two sizes has nowhere the higher friction."""
    larger, smaller = (law, fitted) if size > other else (fitted, law)
    return all(a <= b for a, b in zip(larger, smaller, strict=True))


def burial_shares(events: Events, laws: dict[int, Fit], power: float) -> tuple[dict[int, float], float, float, float]:
    """Share fully buried by size, and mean, standard deviation and median of the depth of those fully buried.

    Snow above a person is the snow at their place times u ** power, u even between 0 and 1: with power 1 a person lies
    anywhere in the snow, with more nearer its surface. Depths are of sizes 1 to 4 as often as Tirol has persons there.
    """
    shares, depths, weights = {}, [], []
    u = (np.arange(200) + 0.5) / 200
    for size, part in slopes.by_size(events):
        weight = weigh(part, laws[size].law)
        depth = part.persons_m[:, :, None] * (u**power)[None, None, :]
        known = np.isfinite(part.persons_m)
        each = np.broadcast_to(weight[:, None] * known, part.persons_m.shape)
        deep = np.nan_to_num(depth) > FULLY_M
        shares[size] = float((deep.mean(axis=2) * each).sum() / each.sum())
        of_size = REPORTED["buried"]["by_size"][str(size)]["persons"] / each.sum()
        depths.append(np.nan_to_num(depth)[deep])
        weights.append(np.broadcast_to((each * of_size)[:, :, None], depth.shape)[deep])
    deep_m, heavy = np.concatenate(depths), np.concatenate(weights)
    mean = float(np.average(deep_m, weights=heavy))
    spread = float(np.sqrt(np.average((deep_m - mean) ** 2, weights=heavy)))
    return shares, mean, spread, float(weighted_quantiles(deep_m, heavy, (0.5,))[0])


def burial_misfit(shares: dict[int, float], mean_m: float) -> float:
    """Root mean square of the differences in share (by persons reported) and mean depth, in units of each."""
    rows = REPORTED["buried"]["by_size"]
    squares = [((shares[size] - rows[str(size)]["share"]) / SHARE_UNIT) ** 2 for size in SIZES]
    by_share = np.average(squares, weights=[rows[str(size)]["persons"] for size in SIZES])
    by_depth = ((mean_m - REPORTED["burial_depth"]["mean_m"]) / DEPTH_UNIT_M) ** 2
    return float(np.sqrt(0.5 * (by_share + by_depth)))


def write(path: Path, events: Events, count: int, laws: dict[int, Fit]) -> None:
    """The file that the package reads."""
    lines = [
        "# Written by `make calibrate` (tools/calibrate.py) from reported.toml beside it; do not edit by hand.",
        "# Tuned to reported lengths by size, not to a place, a day or a snowpack.",
        "",
        f"seed = {SEED}",
        f"events = {events.size.size}  # {count} on each of {np.unique(events.slope).size} invented slopes",
        "",
        "# Slabs: median width and crown thickness reported by size (Tirol 1992-2024), sd of the logarithm from the",
        "# quartiles; volumes of a class after EAWS, half an order of magnitude to either side (design choice).",
    ]
    for size, row in slab_rows().items():
        lines += [f"[slab.{size}]", *(f"{key} = {value}" for key, value in row.items()), ""]
    lines += [
        "# Coulomb friction: lowest, most likely, highest (triangular law). Misfit is 1 where lengths are off by a factor",
        f"# of {math.exp(LENGTH_UNIT):.1f}, reach angles by {ANGLE_UNIT_DEG:g} degrees, the share that stops at the foot by {STOP_UNIT:g}.",
        f"# The fit is drawn towards {PUBLISHED:g}, the middle of what is published for slabs (unit {PUBLISHED_UNIT:g}).",
        "[friction]",
        'source = "tuned to reported lengths by size: Tirol 1992-2024 (lengths), ANENA 2017-2020 (reach angles, n = 69), '
        'Colorado 2010-2018 (where they stop)"',
        "",
    ]
    for size, fit in laws.items():
        part = events.part(events.size == size)
        weights = weigh(part, fit.law)
        length, angle = (weighted_quantiles(v, weights) for v in (part.length_m, part.reach_deg))
        lines += [
            f"[friction.{size}]",
            f"law = [{fit.law[0]:.2f}, {fit.law[1]:.2f}, {fit.law[2]:.2f}]",
            f"n = {reported('length_m', size)[0]}  # reported lengths",
            f"length_reported_m = {[float(v) for v in reported('length_m', size)[1]]}  # 5, 25, 50, 75, 95 %",
            f"length_m = {[round(float(v)) for v in length]}",
            f"reach_angle_deg = {[round(float(v)) for v in angle]}",
            f"stop_top_middle_foot = {[round(v, 2) for v in stop_shares(part, weights)]}",
            f"misfit = {fit.misfit:.2f}",
            f"misfit_length = {fit.length:.2f}",
            f"misfit_angle = {fit.angle:.2f}",
            f"misfit_stop = {fit.stop:.2f}",
            f"away_from_published = {fit.away:.2f}",
            "",
        ]
    lines += burial_lines(events, laws)
    path.write_text("\n".join(lines), encoding="utf-8")


def burial_lines(events: Events, laws: dict[int, Fit]) -> list[str]:
    """The laws of burial depth with their misfits; the default is the one with the least."""
    tried = {float(power): burial_shares(events, laws, float(power)) for power in POWERS}
    best = min(tried, key=lambda power: round(burial_misfit(tried[power][0], tried[power][1]), 9))
    rows = {"even": 1.0, "rising": best}
    default = min(rows, key=lambda name: burial_misfit(tried[rows[name]][0], tried[rows[name]][1]))
    lines = [
        "# Depth of a carried person: the snow at their place times u ** power, u even between 0 and 1. Even: anywhere in",
        "# the snow. Rising: large things rise in a moving mass of small ones (inverse grading), power fitted to share and",
        "# mean depth of the fully buried (0.3 m of snow above; design choice) together.",
        "[burial]",
        f'default = "{default}"',
        'source = "share fully buried by size: Tirol 1992-2024 (592 persons); mean depth: Falk et al. 1994 (n = 422)"',
        "",
    ]
    for name, power in rows.items():
        shares, mean, spread, median = tried[power]
        lines += [
            f"[burial.{name}]",
            f"power = {power:.1f}",
            f"fully_by_size = {[round(shares[size], 2) for size in SIZES]}",
            f"fully_reported = {[REPORTED['buried']['by_size'][str(size)]['share'] for size in SIZES]}",
            f"depth_mean_sd_median_m = {[round(v, 2) for v in (mean, spread, median)]}",
            f"depth_reported_mean_sd_m = {[REPORTED['burial_depth'][key] for key in ('mean_m', 'sd_m')]}",
            f"misfit = {burial_misfit(shares, mean):.2f}",
            "",
        ]
    return lines


def main() -> None:
    """Run, fit, write, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=EVENTS, help="events on each slope")
    parser.add_argument("--out", type=Path, default=SHARED / "calibration.toml")
    parser.add_argument("--keep", type=Path, help="also keep the events, for validate.py --events")
    given = parser.parse_args()
    events = slopes.run_all(given.events, SEED)
    if given.keep is not None:
        slopes.keep_events(events, given.keep)
    laws = fit_friction(events)
    write(given.out, events, given.events, laws)
    print(given.out.read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
