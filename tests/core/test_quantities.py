"""Numbers in words: what is not nothing is never called so."""

import re
from pathlib import Path

import pytest

import lastseen
from lastseen.core.quantities import area_text, depth_text, percent, share_words, short_percent


@pytest.mark.parametrize(
    ("share", "decimals", "text"),
    [
        (0.0, 0, "0 %"), (0.001, 0, "under 1 %"), (0.0049, 0, "under 1 %"), (0.005, 0, "0 %"), (0.0051, 0, "1 %"),
        (0.994, 0, "99 %"), (1.0, 0, "100 %"),
        (0.995, 0, "over 99 %"), (0.9996, 0, "over 99 %"), (0.9996, 1, "over 99.9 %"), (1.0 - 1e-15, 0, "100 %"),
        (0.0004, 1, "under 0.1 %"), (0.0, 1, "0.0 %"), (0.994, 1, "99.4 %"),
        (None, 0, "no data"),
    ],
)  # fmt: skip
def test_percent(share, decimals, text):
    assert percent(share, decimals) == text


def test_short_percent():
    shares = (0.0, 0.0001, 0.025, 0.2, 0.9996, 1.0)
    assert [short_percent(one) for one in shares] == ["0 %", "under 0.1 %", "2.5 %", "20 %", "over 99.9 %", "100 %"]


def test_some_debris_is_never_called_none():
    assert [depth_text(depth) for depth in (0.0, 0.01, 0.049, 0.05, 1.26)] == [
        "0.0 m", "under 0.1 m", "under 0.1 m", "0.1 m", "1.3 m",
    ]  # fmt: skip


def test_shares_are_written_one_way():
    """Shares go through this room: nobody formats percent by hand, with or without a space."""
    by_hand = re.compile(r":\.\d%\}|\{100(\.0)? \* [^{}]*\} %|\d%[ ,.;\"]")
    for path in Path(lastseen.__file__).parent.rglob("*.py"):
        if path.name != "wording.py":
            lines = path.read_text(encoding="utf-8").splitlines()
            assert [line for line in lines if by_hand.search(line)] == [], path


@pytest.mark.parametrize(
    ("area_m2", "cell_m", "words"),
    [
        (2_316.4, 2.0, "2,300 m2"),
        (20_641.0, 10.0, "21,000 m2"),
        (87.0, 5.0, "87 m2"),
        (18_262.0, 30.0, "10,000 to 100,000 m2 (cells of 30 m tell the order of magnitude)"),
        (1_000.0, 25.0, "1,000 to 10,000 m2 (cells of 25 m tell the order of magnitude)"),
        (0.0, 30.0, "0 m2"),
    ],
)
def test_areas_have_the_digits_that_their_cells_allow(area_m2, cell_m, words):
    """Two figures; the power of ten alone on cells wider than 10 m."""
    assert area_text(area_m2, cell_m) == words
    assert area_text(area_m2, cell_m, "m²") == words.replace("m2", "m²")


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "none"), (0.02, "under one in thirty"), (0.05, "about one in twenty"), (0.1, "about one in ten"),
        (0.2, "about one in five"), (0.33, "about a third"), (0.5, "about half"), (0.95, "most"),
    ],
)  # fmt: skip
def test_rough_shares_are_told_by_the_nearest_word(share, words):
    assert share_words(share) == words
