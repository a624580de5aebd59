"""When a missing terminator cannot show."""

from __future__ import annotations

import pytest

from benchtool.diagnose.reflections import blind_length_m, times_too_long

FOOT_M = 0.3048


@pytest.mark.parametrize(("baud", "feet"), [(115200, 475), (57600, 950)])
def test_longest_blind_length_is_the_published_table(baud: int, feet: float) -> None:
    # Sheet 1.5 (READ): a controller maker's table, 0.66 ft/ns, three round trips in half a bit: 475 ft and 950 ft.
    assert blind_length_m(baud) == pytest.approx(feet * FOOT_M, rel=0.02)


def test_2000_feet_at_9600_is_blind() -> None:
    # Sheet 1.5 (READ): an RS-485 handbook's worked example, 2000 ft at 9600 needs no termination.
    assert blind_length_m(9600) > 2000 * FOOT_M


@pytest.mark.parametrize(("baud", "metres"), [(9600, 1200), (57600, 1200), (115200, 868.06), (1_000_000, 100)])
def test_longest_pair_is_the_product_rule_with_its_cap(baud: int, metres: float) -> None:
    # Sheet 1.3 (COMPUTED from READ): 1e8 / rate, at most 1200 m.
    assert times_too_long(metres, baud) == pytest.approx(1.0, rel=1e-4)
