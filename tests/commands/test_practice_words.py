"""Every name of practice has plain words beside it, short enough for a line of 80 columns."""

from __future__ import annotations

import re

import pytest

from benchtool.commands.practice_card import CardPractice
from benchtool.commands.practice_run import Practice
from benchtool.reports.folded import fold
from benchtool.reports.practice_words import _HOWS, _SHORT, reading_words, row, short, shown
from benchtool.simulate.practice import hide


@pytest.mark.parametrize("game", [Practice, CardPractice])
def test_every_name_has_words_of_its_own(game: type[Practice] | type[CardPractice]) -> None:
    names = (*game.measurable, *game.visible, *game.tryable)
    words = [short(name) for name in names]
    assert all(words)
    assert len(set(words)) == len(names)
    measured = [name for name in (*game.measurable, *game.tryable) if len(row(name, 10)) >= 80]
    assert measured == []


def test_no_words_are_left_of_a_name_that_is_gone() -> None:
    beside = {"listen", "printed", "address", "length"}
    assert set(_SHORT) - beside == set(_HOWS)


def test_an_address_behind_the_name_makes_no_difference() -> None:
    assert short("supply@4") == short("supply@")
    assert "{" not in short("reader@4")


@pytest.mark.parametrize(
    ("value", "unit", "told"),
    [
        (57.66, "ohm", "57.7 ohm"),
        (2.37, "ohm", "2.37 ohm"),
        (999.6, "ohm", "1.00 kohm"),
        (6.765e4, "ohm", "67.7 kohm"),
        (9.947e5, "ohm", "995 kohm"),
        (1e6, "ohm", "open"),
        (-3.028e-05, "V", "0.00 V"),
        (0.008609, "V", "0.009 V"),
        (-0.2213, "V", "-0.221 V"),
        (12.44, "V", "12.4 V"),
    ],
)
def test_readings_are_shown_as_a_meter_shows_them(value: float, unit: str, told: str) -> None:
    assert shown(value, unit) == told
    assert reading_words("it", value, unit) == f"it {told}"


@pytest.mark.parametrize("columns", [60, 80])
def test_what_does_not_fit_hangs_behind_its_name(columns: int) -> None:
    for line in fold(Practice(hide(1, 3)).kinds_lines(), columns):
        assert len(line) <= columns
        assert re.match(r"[a-z0-9@-]+ +[0-9.]+ min  |(measure|look|try):$|An @|help| {18}\S|$", line), line
