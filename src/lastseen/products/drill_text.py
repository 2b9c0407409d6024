"""Targets, exercises and debriefs told in a terminal."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping
from pathlib import Path

from lastseen.drill.debrief import Debrief, clock_text
from lastseen.drill.exercises import Exercise
from lastseen.drill.planned import Planned
from lastseen.drill.targets.model import Hidden
from lastseen.products.caution import SHORT_CAUTION
from lastseen.products.tables import table
from lastseen.wording import percent

WIDTH = 110


def exercises_text(known: Mapping[str, Exercise]) -> str:
    """All exercises with what they ask and where they come from."""
    rows = []
    for name, one in known.items():
        low, high = one.depth_m
        depth = f"{low:g} m" if low == high else f"{low:g} to {high:g} m"
        field = f"{one.field_m[0]:g} x {one.field_m[1]:g} m" if one.field_m else ""
        limit = f"{one.time_limit_min:g} min" if one.time_limit_min else ""
        hidden = f"{one.targets}" + (f" + {one.decoys}" if one.decoys else "")
        words = f"{one.title}. {one.source} ({one.confidence}). {one.note}".strip()
        rows.append((name, hidden, depth, field, limit, words))
    return table(("name", "hidden", "depth", "ground", "limit", "what and from where"), rows)


def targets_text(plan: Planned, hidden: Hidden, folder: Path) -> str:
    """What was hidden, without its places: the staff sheet has them."""
    decoys = len(hidden.targets) - hidden.transmitters
    told = [
        plan.name,
        f"Exercise    {hidden.exercise_name}: {hidden.exercise.source}",
        f"Hidden      {hidden.transmitters} transmitters, {decoys} decoys, seed {hidden.seed}",
    ]
    for one in sorted(hidden.difficulty, key=lambda target: int(target.name[1:])):
        p10, p50, p90 = one.first_signal_s
        times = f"{clock_text(p50)} ({clock_text(p10)} to {clock_text(p90)})" if math.isfinite(p50) else ""
        signal = f"first signal after {times}" if times else "not heard on the plan's walk"
        near = f", nearest other {one.neighbour_m:.0f} m" if math.isfinite(one.neighbour_m) else ""
        told.append(f"{one.name:<12}{one.depth_m:.2f} m deep, {signal}, overlap {percent(one.overlap)}{near}")
    told += _wrapped("Note        ", _target_notes(plan))
    return "\n".join([*told, "", *textwrap.wrap(SHORT_CAUTION, WIDTH), "", f"Written to {folder}"])


def _target_notes(plan: Planned) -> list[str]:
    told = ["Dummies only. Hide only on ground that no start zone in this model reaches: see lastseen drill sites."]
    if plan.poa is None:
        told.append("The folder holds no probability of area: any place of the outline is as likely.")
    if plan.flat:
        told.append("The ground is taken as flat for want of an elevation model.")
    return told


def debrief_text(made: Debrief, folder: Path) -> str:
    """A debrief in a dozen lines."""
    band, left = made.band, made.leftover
    shares = f"surely {percent(band.sure)}, perhaps {percent(band.perhaps)}, not {percent(band.none)}"
    word = f"tracks at their word {percent(band.half, 1)} (planned {percent(made.plan.coverage, 1)})"
    told = [made.plan.name, f"Covered     {shares}; {word}"]
    for one in made.searchers:
        when = (
            f", {clock_text(float(one.time_s[0]) - made.zero_s)} to {clock_text(float(one.time_s[-1]) - made.zero_s)}"
            if one.track.timed
            else ", no times"
        )
        told += _wrapped(
            f"{'S' + str(one.number):<12}",
            [f"{one.track.name}: {one.metres:.0f} m{when}; {percent(one.band.half)} of the outline as recorded"],
        )
        told += _wrapped(" " * 12, one.said)
    told += _wrapped("Next        ", left.advice)
    told += _wrapped("Note        ", made.notes)
    return "\n".join([*told, "", *textwrap.wrap(SHORT_CAUTION, WIDTH), "", f"Written to {folder}"])


def _wrapped(mark: str, texts: Iterable[str]) -> list[str]:
    lines = []
    for text in texts:
        lines += textwrap.wrap(text, WIDTH, initial_indent=mark, subsequent_indent=" " * 12)
        mark = " " * 12
    return lines
