"""What people type: units, decimal commas, choices cut short; and that what is shown can be typed again."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.install.record import Bus, CableKind, Device, Reader, Supply
from benchtool.install.schema import Slot, slots_of
from benchtool.install.typed import TypedError, text_of, value_of
from tests.record_values import values


def slot(kind: type, name: str) -> Slot:
    return next(one for one in slots_of(kind) if one.name == name)


@pytest.mark.parametrize(
    ("kind", "name", "typed", "value"),
    [
        (Device, "metres", "80", 80.0),
        (Device, "metres", "80,5 m", 80.5),
        (Device, "metres", " 0.5m ", 0.5),
        (Device, "stub_m", "0", 0.0),
        (Device, "address", "7", 7),
        (Device, "address", "7.0", 7),
        (Device, "serial", "007", "007"),
        (Device, "kind", "inter", "interface"),
        (Device, "kind", "Reader", "reader"),
        (Device, "terminator", "on", True),
        (Device, "terminator", "No", False),
        (Bus, "baud", "9600 bit/s", 9600),
        (Bus, "baud", "9600 baud", 9600),
        (Bus, "baud", "19200 Bd", 19200),
        (Bus, "baud", "115200bps", 115200),
        (CableKind, "awg", "AWG 22", 22.0),
        (CableKind, "awg", "22 awg", 22.0),
        (CableKind, "area_mm2", "0,5 mm2", 0.5),
        (Device, "metres", "80 metres", 80.0),
        (Device, "bias_ohm", "560 Ω", 560.0),
        (Device, "unit_load", "1/8", 0.125),
        (Device, "unit_load", "1/8 unit load", 0.125),
        (Reader, "cores", "D0=green D1=white", {"D0": "green", "D1": "white"}),
        (Reader, "cores", "D0 = light green; D1=white", {"D0": "light green", "D1": "white"}),
        (Supply, "zero_joined_to", "psu-1, psu-2", ("psu-1", "psu-2")),
    ],
)
def test_what_is_typed_is_understood(kind: type, name: str, typed: str, value: Any) -> None:
    assert value_of(slot(kind, name), typed) == value


@pytest.mark.parametrize(
    ("kind", "name", "typed", "why"),
    [
        (Device, "metres", "-1", "0 to 5000 m is possible"),
        (Device, "metres", "80 ft", "a number is wanted, in m"),
        (Device, "metres", "1,200", "two ways"),
        (Device, "metres", "1,200 m", "two ways"),
        (Device, "metres", "1/8 m", "a number is wanted, in m"),
        (Device, "unit_load", "1/0", "a number is wanted, in unit loads"),
        (Device, "idle_ma", "0.2 A", "a number is wanted, in mA"),
        (Device, "address", "7 V", "a whole number is wanted"),
        (Bus, "baud", "19.2 kbaud", "a whole number is wanted, in bit/s"),
        (Device, "metres", "nan", "a number is wanted"),
        (Device, "metres", "1e999", "finite"),
        (Device, "address", "7.5", "whole number"),
        (Device, "address", "300", "0 to 255"),
        (Device, "address", "seven", "whole number"),
        (Device, "kind", "door", "one of controller"),
        (Device, "kind", "", "empty"),
        (Device, "terminator", "perhaps", "yes or no"),
        (Device, "serial", "1.23E+15", "rounded"),
        (Device, "serial", "a\udcff", "UTF-8"),
        (Reader, "cores", "green", "pairs are wanted"),
        (Reader, "cores", "D0=green; D0=white", "twice"),
        (Reader, "cores", "{broken", "pairs are wanted"),
    ],
)
def test_what_cannot_stand_is_refused_with_the_reason(kind: type, name: str, typed: str, why: str) -> None:
    with pytest.raises(TypedError, match=why):
        value_of(slot(kind, name), typed)


@given(st.data())
def test_what_is_shown_can_be_typed_again(data: st.DataObject) -> None:
    one = data.draw(st.sampled_from([one for kind in (Device, Reader, Supply, Bus) for one in slots_of(kind)]))
    if one.is_list:
        return
    value = data.draw(values(one))
    shown = text_of(one, value)
    if one.kind is str:
        if value.strip() and not (one.name == "serial" and "E+" in value):
            assert value_of(one, shown) == value.strip()
    elif shown:
        assert value_of(one, shown) == value
    else:
        assert value in ((), {})


@given(st.sampled_from([one for kind in (Device, Reader, Supply, Bus) for one in slots_of(kind)]), st.text(max_size=30))
def test_any_text_is_a_value_or_refused(one: Slot, typed: str) -> None:
    if one.is_list:
        return
    try:
        value = value_of(one, typed)
    except TypedError:
        return
    assert value is not None
