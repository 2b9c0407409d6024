"""The course of a drill: covered ground against time, with the survival curve and the noted phases beside it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from lastseen.drill.debrief import Debrief
from lastseen.grid import FloatArray
from lastseen.products.drillsheet import base
from lastseen.products.mapsheet.drawing import Drawing
from lastseen.products.mapsheet.layout import Box
from lastseen.search.survival import survival_bounds_percent

COURSE_MM = 34.0
STEPS_MIN = (1, 2, 5, 10, 15, 30, 60)
_SAMPLES = 240


def draw_course(d: Drawing, box: Box, made: Debrief, times_s: FloatArray, marks: Sequence[tuple[float, str]]) -> None:
    """Shares of the outline covered by a time, per cent, and the survival of somebody buried at the clock's zero.

    Parameters
    ----------
    d : Drawing
    box : Box
        Where on the page.
    made : Debrief
    times_s : ndarray, shape (3, samples)
        First times: sure, as recorded, perhaps.
    marks : sequence of (seconds since zero, text)
    """
    ends = [float(one.time_s[-1]) - made.zero_s for one in made.searchers] + [at for at, _ in marks]
    last = 1.03 * max(60.0, *ends)
    inner = Box(box.left + 12.0, box.bottom + 6.5, box.width - 50.0, box.height - 12.0)
    ink, person = d.palette.ground, d.palette.person.line
    d.text(
        box.left,
        box.top - 1.5,
        "Covered, and alive if buried at 0:00, against the drill's clock",
        7.0,
        weight="bold",
        va="center",
    )

    def at(seconds: float, percent: float) -> tuple[float, float]:
        return inner.left + inner.width * seconds / last, inner.bottom + inner.height * percent / 100.0

    for percent in (0, 25, 50, 75, 100):
        d.line([at(0.0, percent), at(last, percent)], ink.grid, 0.3)
        d.text(inner.left - 1.2, at(0.0, percent)[1], f"{percent} %", base.SMALL, ha="right", va="center")
    step = next((one for one in STEPS_MIN if last / 60.0 / one <= 16), STEPS_MIN[-1])
    for minute in range(0, int(last / 60.0) + 1, step):
        x, y = at(60.0 * minute, 0.0)
        d.line([(x, y), (x, y - 0.9)], ink.frame, 0.5)
        d.text(x, y - 1.4, f"{minute}" + (" min" if minute == 0 else ""), base.SMALL, ha="center", va="top")
    time = np.linspace(0.0, last, _SAMPLES)
    alive = [survival_bounds_percent(made.clock.curve, one / 60.0) for one in time.tolist()]
    named: list[tuple[float, str, str]] = []
    weight = made.lattice.weight_m2
    for row, colour, width, words in (
        (1, ink.text, 1.4, "covered as recorded"),
        (0, d.palette.debris.ramp[4], 1.4, "surely covered"),
    ):
        share = _covered(times_s[row] - made.zero_s, weight, time)
        d.line([at(t, v) for t, v in zip(time, share, strict=True)], colour, width, zorder=4)
        named.append((float(share[-1]), words, colour))
    for which, dashes in ((0, (3.0, 1.5)), (1, (3.0, 1.5))):
        d.line([at(t, v[which]) for t, v in zip(time, alive, strict=True)], person, 1.0, dashes, zorder=3.9)
    named.append((0.5 * sum(alive[-1]), f"alive ({made.clock.curve.name})", person))
    _name_lines(d, inner, named)
    for seconds, _ in marks:
        if not math.isfinite(seconds):
            continue
        x, top = at(max(0.0, seconds), 100.0)
        d.line([(x, inner.bottom), (x, top)], ink.faint_text, 0.5, (1.0, 1.2), zorder=3.5)
    _name_marks(d, inner, [(at(max(0.0, s), 0.0)[0], words) for s, words in marks if math.isfinite(s)])
    d.line([(inner.left, inner.bottom), (inner.right, inner.bottom)], ink.frame, 0.7)


def _covered(first_s: FloatArray, weight: FloatArray, time: FloatArray) -> FloatArray:
    """Share covered by each time, per cent."""
    seen = np.isfinite(first_s)
    order = np.argsort(first_s[seen], kind="stable")
    total = np.concatenate([[0.0], np.cumsum(weight[seen][order])])
    return np.asarray(100.0 * total[np.searchsorted(first_s[seen][order], time, side="right")] / weight.sum())


def _name_lines(d: Drawing, inner: Box, named: Sequence[tuple[float, str, str]]) -> None:
    """Names at the right ends, moved apart."""
    y = math.inf
    for value, words, colour in sorted(named, reverse=True):
        y = min(y - 3.0, inner.bottom + inner.height * value / 100.0)
        d.text(inner.right + 1.5, y, words, base.PLAIN, va="center", color=colour)


def _name_marks(d: Drawing, inner: Box, marks: Sequence[tuple[float, str]]) -> None:
    """Letters of the phases above their lines; what would touch the one before is left out."""
    right = -math.inf
    for x, words in sorted(marks):
        wide = d.width_mm(words, base.SMALL)
        if x - 0.5 * wide > right + 0.6:
            d.text(x, inner.top + 1.3, words, base.SMALL, ha="center", va="center")
            right = x + 0.5 * wide
