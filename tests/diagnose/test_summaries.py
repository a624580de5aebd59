"""The sentence of each finding is true of what was heard."""

from __future__ import annotations

import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import AtAddress
from benchtool.diagnose.summaries import summary


def row(address: int, answered: int) -> AtAddress:
    return AtAddress("osdp", address, 4, answered, 4 - answered, 0, 0, 2.0, 3.0)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ((row(1, 4), row(5, 3)), "devices answer, and no damage was seen"),
        ((row(1, 4), row(5, 0)), "nothing came from address 5 yet: listen longer"),
        ((row(1, 0), row(5, 0)), "nothing came from addresses 1, 5 yet"),
        (tuple(row(address, 0) for address in range(1, 9)), "from addresses 1, 2, 3, 4, 5, … yet"),
    ],
)
def test_no_bus_is_called_sound_without_naming_who_has_not_answered(rows: tuple[AtAddress, ...], words: str) -> None:
    assert words in summary(Cause.HEALTHY, "bus", Observed(symptoms={"load": 0.1}, octets=100, addresses=rows))
