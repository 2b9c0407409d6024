"""Clock, digging and probing for the plan: its own walk, slope and burial depth, by the published rules."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely

from lastseen.products.figures.canvas import dress
from lastseen.products.figures.clock import draw_phases, draw_survival, range_text
from lastseen.products.mapsheet.layout import Box
from lastseen.products.mapsheet.panel import LEAST_TEXT, Item, Pen
from lastseen.products.mapsheet.shown import Shown
from lastseen.search.clock import RescueClock
from lastseen.search.plan_clock import WalkedLeg, clock_of_legs
from lastseen.search.probing import PROBE_LINES, PROBE_NOTES, probe_notes, spiral_holes
from lastseen.search.probing.spiral import SPACING_M, STOP_RADIUS_M
from lastseen.search.shovelling import Dig, plan_dig
from lastseen.search.survival import DEFAULT_CURVE, survival_curve
from lastseen.wording import percent

DEPTH_M = 1.0  # where no model says how deep; design choice
LEAST_DEPTH_M = 0.1
STEEPEST_DEG = 60.0  # of the digging rules
PROBE_M = 3.0
CLOCK_MM, NAMES_SHARE = 62.0, 0.42  # height of the figure, share of its width for the names of the phases

__all__ = ["Rescue", "clock_items", "dig_items", "probe_items", "range_text", "rescue_of"]


@dataclass(frozen=True)
class Rescue:
    """What clock, digging and probing are worked out for.

    Attributes
    ----------
    depth_m, slope_deg : float
    depth_words : str
        Where the depth comes from.
    clock : RescueClock or None
        None where there are no lanes to walk.
    dig : Dig
    """

    depth_m: float
    depth_words: str
    slope_deg: float
    clock: RescueClock | None
    dig: Dig

    def times(self) -> list[tuple[float, float, float]]:
        """Low, typical and high time of each phase, seconds."""
        return [phase.time_s.three for phase in self.clock.phases] if self.clock else []


def rescue_of(shown: Shown) -> Rescue:
    """The rescue of a plan: median depth of the fully buried and slope of the likeliest deposition zone."""
    burial = (shown.numbers.get("poa") or {}).get("burial") or {}
    found = burial.get("fully_p50_m")
    depth = round(max(found, LEAST_DEPTH_M), 1) if found else DEPTH_M
    words = "median of those fully buried in the model" if found else "assumed, no model says how deep"
    slope = round(min(_slope_deg(shown), STEEPEST_DEG))
    clock = None
    if shown.lanes:
        clock = clock_of_legs(
            [WalkedLeg(leg.searcher, leg.kind, leg.length_m, leg.time_s) for leg in shown.legs],
            strip_width_m=shown.numbers["coverage"]["strip_width_m"], depth_m=depth, slope_deg=slope,
            diggers=shown.searchers, curve=survival_curve(DEFAULT_CURVE),
        )  # fmt: skip
    return Rescue(depth, words, slope, clock, plan_dig(depth, slope, shown.searchers))


def _slope_deg(shown: Shown) -> float:
    """Mean slope of the likeliest zone, else of the ground inside the outline."""
    zones = shown.numbers.get("zones") or []
    if zones:
        return float(max(zones, key=lambda one: one["poa"])["slope_deg"])
    if shown.flat or shown.outline.is_empty:
        return 0.0
    ground = shown.ground.window(*shown.outline.buffer(2.0 * shown.ground.cell_m).bounds)
    dy, dx = np.gradient(ground.values, ground.cell_m)
    rows, cols = np.indices(ground.shape)
    x, y = ground.centre_of(rows.ravel(), cols.ravel())
    inside = shapely.contains_xy(shown.outline, x, y).reshape(ground.shape)
    slope = np.degrees(np.arctan(np.hypot(dx, dy)))[inside]
    mean = float(np.nanmean(slope)) if np.isfinite(slope).any() else 0.0
    return mean if math.isfinite(mean) else 0.0


def clock_items(pen: Pen, case: Rescue) -> list[Item]:
    """The clock as a figure, and what it rests on."""
    if case.clock is None:
        return []
    clock = case.clock
    low, typical, high = (round(time / 60.0) for time in clock.total_s.three)
    alive = ["no data" if a < b else f"{a:.0f} %" for a, b in clock.survival_percent]
    told = (
        f"Accident to head and chest free: {low} / {typical} / {high} min (low / typical / high); alive by then: "
        f"{' / '.join(alive)}. {case.depth_m:g} m deep ({case.depth_words}), {case.slope_deg:g}°, "
        f"{case.dig.diggers} to dig. Circle low, square typical, diamond high. Bar: typical "
        "time of a phase; line: where it ends, all low to all high."
    )
    figure = Item(CLOCK_MM, lambda x, y: _draw_clock(pen, clock, x, y))
    return [pen.heading("Clock"), *(replace(one, keep=True) for one in pen.paragraph(told)), figure]


def _draw_clock(pen: Pen, clock: RescueClock, x: float, y: float) -> None:
    d, names = pen.d, NAMES_SHARE * pen.width
    wide, longest = pen.width - names - 3.0, 1.06 * clock.total_s.high / 60.0
    frame = (0.0, 0.0, 1.0, 1.0)
    rows = 3.7 * len(clock.phases)
    lower = d.axes_in(Box(x + names, y - CLOCK_MM + 8.0, wide, rows), frame, 4.0)
    upper = d.axes_in(Box(x + names, y - CLOCK_MM + 10.0 + rows, wide, CLOCK_MM - 13.0 - rows), frame, 4.0)
    for axes in (upper, lower):
        axes.set_axis_on()
        axes.patch.set_visible(False)
        dress(axes, d.palette)
        axes.set_xlim(0.0, longest)
    draw_survival(upper, clock, d.palette, longest, sizes=(LEAST_TEXT, LEAST_TEXT), named=False)
    draw_phases(lower, clock, d.palette, sizes=(LEAST_TEXT, LEAST_TEXT), names=names / wide)
    for axes in (upper, lower):
        axes.tick_params(labelsize=LEAST_TEXT, length=2, pad=1.5)
        for label in (axes.xaxis.label, axes.yaxis.label):
            label.set_fontsize(LEAST_TEXT)
    upper.tick_params(labelbottom=False)


def dig_items(pen: Pen, case: Rescue) -> list[Item]:
    """Conveyor, diggers, where to begin, turns."""
    dig = case.dig
    need = f"{dig.needed['scheme']} (one for 0.8 m) or {dig.needed['2023']} (one for a metre, 2023)"
    missing = max(dig.missing.values())
    team = f"{dig.diggers} in the team" + (f", up to {missing} missing" if missing else "")
    words = (
        f"{case.depth_m:g} m deep ({case.depth_words}) on {case.slope_deg:g}°: conveyor {dig.length_m:.1f} m long, "
        f"downhill from the probe. Diggers needed: {need}; {team}."
    )
    found = [pen.heading("Digging"), *pen.paragraph(words)]
    for rule in dig.starts:
        found += pen.paragraph(f"{rule.words[0].upper()}{rule.words[1:]} ({rule.source}).", hang=2.6, mark="•")
    for note in dig.notes:
        found += pen.paragraph(note, hang=2.6, mark="•")
    return found


def probe_items(pen: Pen, case: Rescue) -> list[Item]:
    """Spiral and probe lines."""
    spiral = spiral_holes(slope_deg=case.slope_deg)
    near = int((np.hypot(spiral.across_m, spiral.up_m) <= 1.0 + 1e-9).sum())
    words = (
        f"Spiral, {SPACING_M:g} m between holes, at right angles to the snow: {near} holes to 1 m, {spiral.holes} to "
        f"{STOP_RADIUS_M:g} m."
    )
    found = [pen.heading("Probing"), *pen.paragraph(words)]
    for note in (*probe_notes(PROBE_M, case.depth_m), *PROBE_NOTES):
        found += pen.paragraph(note, hang=2.6, mark="•")
    lines = [
        f"{one.name} {one.across_m:.2f} × {one.along_m:.2f} m: {percent(one.pod)}"
        + (f" ({one.year})" if one.year else "")
        for one in PROBE_LINES
    ]
    return [*found, *pen.paragraph(f"Probe lines, published POD: {'; '.join(lines)}.", hang=2.6, mark="•")]
