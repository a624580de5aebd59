"""What comes from files never steers the terminal it is shown on."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.printable import printable


@given(st.text())
def test_no_control_is_left_and_nothing_else_is_lost(text: str) -> None:
    shown = printable(text, "·")
    assert shown.isprintable()
    assert len(shown) == len(text)
    assert all(new == old or (new == "·" and not old.isprintable()) for new, old in zip(shown, text, strict=True))


def test_escapes_that_name_a_window_or_colour_letters_are_taken_apart() -> None:
    assert printable("x\x1b]0;title\x07\x1b[31mred\n") == "x ]0;title  [31mred "
