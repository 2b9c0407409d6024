"""What a start zone does to somebody who is caught in it, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lastseen.preread.gathering import AT_START
from lastseen.preread.sheets import KINDS
from lastseen.wording import depth_words, percent

if TYPE_CHECKING:
    from lastseen.preread.gathering import ZoneRow

# Slopes of reported incidents, 5th, 50th and 95th percentile: Tirol 1993-2024, aggregated open data.
INCIDENT_SLOPES_DEG = (27.0, 38.0, 45.0)


def worst_trap(row: ZoneRow) -> str:
    """Kind of the trap that weighs most; empty where none is met."""
    kind = int(row.values[AT_START.index("worst_kind")])
    return KINDS[kind - 1] if kind else ""


def zone_sentence(row: ZoneRow) -> str:
    """What a start zone does, in one sentence."""
    told = dict(zip(AT_START, row.values, strict=True))
    shares = [(name, told[name]) for name in ("burial", "trauma", "water", "no_way_out") if told[name] >= 0.1]
    words = ", ".join(
        f"{name.replace('_', ' ')} {percent(share)}" for name, share in sorted(shares, key=lambda p: -p[1])
    )
    far = (
        f"carried {told['distance_m']:.0f} m, {told['drop_m']:.0f} m down, debris {depth_words(told['debris_m'])}"
        if np.isfinite(told["distance_m"])
        else "all bodies leave the elevation model"
    )
    trap = worst_trap(row)
    return f"{row.slope_deg:.0f} degrees; {far}{'; ' + trap if trap else ''}{'; ' + words if words else ''}."
