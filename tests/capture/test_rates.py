"""The lists of bit rates belong together."""

from __future__ import annotations

from benchtool.capture.rates import DEVICE_RATES, MEASURED_RATES, OSDP_RATES, TRIED_RATES


def test_each_list_holds_the_narrower_one() -> None:
    # sheet 5.2: what OSDP allows.
    assert OSDP_RATES == (9600, 19200, 38400, 57600, 115200, 230400)
    assert set(OSDP_RATES) < set(DEVICE_RATES) < set(TRIED_RATES)
    assert set(DEVICE_RATES) < set(MEASURED_RATES)
    for rates in (DEVICE_RATES, TRIED_RATES, MEASURED_RATES):
        assert len(set(rates)) == len(rates)
    assert sorted(MEASURED_RATES) == list(MEASURED_RATES)
