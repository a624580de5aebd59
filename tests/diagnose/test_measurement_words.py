"""Ranges of readings in words."""

from __future__ import annotations

import pytest

from benchtool.diagnose.measurements import _range_text
from benchtool.diagnose.readings import METER

IDLE = next(kind for kind in METER if kind.name == "ab-idle")


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        ((-0.005, 0.001), "about 0.00 V"),
        ((-0.251, -0.249), "about -0.25 V"),
        ((-0.001, 0.4), "0.00 to 0.40 V"),
    ],
)
def test_no_volts_are_less_than_none(limits: tuple[float, float], said: str) -> None:
    assert _range_text(limits, IDLE) == said
