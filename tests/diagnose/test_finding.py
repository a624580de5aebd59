"""What findings and steps are made of, in words."""

from __future__ import annotations

import pytest

from benchtool.diagnose.finding import helps


@pytest.mark.parametrize(
    ("bits", "words"),
    [
        (0.03, "very little"),
        (0.15, "about a tenth"),
        # 2 ** -0.39 = 0.763 of the possibilities are left.
        (0.39, "about a quarter"),
        (0.585, "about a third"),  # log2(3 / 2)
        (1.0, "about half"),
        (2.0, "about three quarters"),
        (5.0, "nearly all"),
    ],
)
def test_how_much_a_measurement_helps_is_said_without_bits(bits: float, words: str) -> None:
    """A bit halves what is possible (Shannon's definition of information)."""
    assert helps(bits) == f"expected to rule out {words} of what is still possible"
