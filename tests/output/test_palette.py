"""Every two meanings can be told apart, by every kind of eye and in grey."""

import importlib.util
import itertools
import sys
from pathlib import Path

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from lastseen.output.draw.palette import load_palette

DOCS = Path(__file__).resolve().parents[2] / "docs"
# CIEDE2000 (Sharma, Wu & Dalal 2005): 1 is about the least that an eye can tell side by side; lines and areas that do
# not touch need more. Design choice.
LEAST_LINES, LEAST_STEPS, LEAST_MEANINGS = 12.0, 4.0, 10.0


def _sheet():
    spec = importlib.util.spec_from_file_location("make_palette_sheet", DOCS / "make_palette_sheet.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


SHEET = _sheet()
CASES = list(itertools.product((False, True), SHEET.SIGHTS))


def rgb(text):
    return np.array([int(text[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0


def lab(text, sight):
    return rgb2lab(SHEET.seen(rgb(text), sight))


def apart(one, other, sight):
    return float(deltaE_ciede2000(lab(one, sight), lab(other, sight)))


def other_dashes(one, other):
    """Whether two dash patterns differ at a glance: in how many strokes, or by half of the longest one."""
    if len(one) != len(other):
        return True
    return any(max(a, b) >= 1.5 * min(a, b) for a, b in zip(one, other, strict=True))


def other_width(one, other):
    return max(one, other) >= 1.6 * min(one, other)


@pytest.mark.parametrize(("dark", "sight"), CASES)
def test_every_two_lines_differ(dark, sight):
    """By colour, or by dashes, or by width: no two meanings look the same."""
    lines = SHEET.lines_of(load_palette(dark=dark))
    alike = [
        (one[0], other[0], round(apart(one[1], other[1], sight), 1))
        for one, other in itertools.combinations(lines, 2)
        if apart(one[1], other[1], sight) < LEAST_LINES
        and not other_dashes(one[3], other[3])
        and not other_width(one[2], other[2])
    ]
    assert alike == []


@pytest.mark.parametrize(("dark", "sight"), CASES)
def test_steps_of_a_ramp_differ_and_run_one_way(dark, sight):
    """Neighbouring steps differ, and lightness rises or falls all along: the order shows in grey."""
    palette = load_palette(dark=dark)
    for ramp in (palette.debris.ramp, palette.thickness.ramp):
        for one, other in itertools.pairwise(ramp):
            assert apart(one, other, sight) >= LEAST_STEPS, (one, other)
        lightness = np.diff([lab(one, sight)[0] for one in ramp])
        assert (lightness > 0).all() if dark else (lightness < 0).all()


@pytest.mark.parametrize(("dark", "sight"), [case for case in CASES if case[1] != "grey"])
def test_families_of_meaning_differ_in_colour(dark, sight):
    """The person is no debris, no ground, no snow that moves and no lane, whatever the eye; grey has only styles."""
    palette = load_palette(dark=dark)
    others = [*palette.debris.ramp, palette.debris.outline, palette.snow.release, palette.snow.path]
    others += [palette.lanes.colour, palette.ground.contour, *palette.ground.relief, palette.ground.paper]
    for other in others:
        assert apart(palette.person.line, other, sight) >= LEAST_MEANINGS, other


def test_traps_differ_by_letter_and_hatch():
    """One letter and one hatch for each kind."""
    signs = load_palette().traps.signs.values()
    assert len({one.letter for one in signs}) == len(signs)
    assert len({one.hatch for one in signs}) == len(signs)


@pytest.mark.parametrize("sight", SHEET.SIGHTS)
def test_simulated_sight_keeps_white_and_greys(sight):
    """Machado, Oliveira & Fernandes 2009: rows sum to one, so what has no colour stays as it is."""
    np.testing.assert_allclose(SHEET.SIGHTS[sight].sum(axis=1), 1.0, atol=2e-6)
    for grey in (0.0, 0.3, 0.7, 1.0):
        np.testing.assert_allclose(SHEET.seen(np.full(3, grey), sight), grey, atol=1e-5)


def test_dichromats_confuse_what_they_should():
    """Red and green of equal lightness come close for two kinds of eye and stay apart for the third."""
    red, green = "#b0562c", "#6c7a10"
    assert apart(red, green, "normal") > 25
    assert apart(red, green, "deuteranopia") < 0.5 * apart(red, green, "normal")
    assert apart(red, green, "tritanopia") > 20


@pytest.mark.slow
def test_the_sheet_can_be_drawn(tmp_path):
    """The script makes the picture that lies in docs."""
    SHEET.main(tmp_path / "palette.png")
    assert (tmp_path / "palette.png").stat().st_size > 50_000
    assert (DOCS / "palette.png").is_file()
