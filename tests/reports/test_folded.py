"""Folding keeps all words, whole, within the width."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from benchtool.reports.folded import fold

WORDS = st.text(st.characters(codec="ascii", categories=("L", "N", "P")), min_size=1, max_size=18)


@given(st.lists(WORDS, min_size=1, max_size=30), st.integers(40, 120))
def test_no_word_is_lost_or_broken(words: list[str], width: int) -> None:
    line = " ".join(words)
    folded = fold([line], width)
    assert " ".join(folded).split() == words
    assert all(len(one) <= width for one in folded)


def test_later_lines_hang_below_the_text() -> None:
    assert fold(["- one two three"], 10) == ["- one two", "  three"]
    assert fold(["12. one two three"], 12) == ["12. one two", "    three"]
    assert fold(["name   one two three four"], 18) == ["name   one two", "       three four"]
    assert fold(["short", ""], 10) == ["short", ""]
