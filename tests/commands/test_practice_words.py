"""Every name of practice has plain words beside it, short enough for a line of 80 columns."""

from __future__ import annotations

import pytest

from benchtool.commands.practice_card import CardPractice
from benchtool.commands.practice_run import Practice
from benchtool.reports.practice_words import _HOWS, _SHORT, row, short


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
