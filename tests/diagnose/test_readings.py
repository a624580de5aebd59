"""Readings as people type them, and saved diagnoses that are taken up again."""

from __future__ import annotations

import json
import math
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.diagnose.observed import Observed, StateError, from_json, is_saved, to_json
from benchtool.diagnose.places import AtAddress
from benchtool.diagnose.readings import (
    ACTIONS,
    METER,
    MOST_OHM,
    ByHand,
    Reading,
    ReadingError,
    Tried,
    kind_of,
    parse_reading,
    parse_tried,
)


@pytest.mark.parametrize(
    ("text", "kind", "value", "address"),
    [
        ("ab-ohms=61", "ab-ohms", 61.0, None),
        ("ab-ohms=61 ohm", "ab-ohms", 61.0, None),
        ("ab-ohms = 61Ω", "ab-ohms", 61.0, None),
        ("a-ground-ohms=120k", "a-ground-ohms", 120_000.0, None),
        ("ab-ohms=open", "ab-ohms", MOST_OHM, None),
        ("ab-ohms=OL", "ab-ohms", MOST_OHM, None),
        ("ab-ohms=4M", "ab-ohms", MOST_OHM, None),
        ("ab-idle=0.24", "ab-idle", 0.24, None),
        ("ab-idle=0,24 V", "ab-idle", 0.24, None),
        ("ab-idle=240m", "ab-idle", 0.24, None),
        ("ab-idle@5=-0.22", "ab-idle@", -0.22, 5),
        ("supply@0=11.9v", "supply@", 11.9, 0),
        ("ab-idle=-2e-1", "ab-idle", -0.2, None),
        ("AB-ohms=1E2", "ab-ohms", 100.0, None),
        ("ab-ohms=61 ohms", "ab-ohms", 61.0, None),
        ("ab-ohms=61\u2126", "ab-ohms", 61.0, None),
        ("ab-idle=\u22120.2", "ab-idle", -0.2, None),
    ],
)
def test_readings_are_understood(text: str, kind: str, value: float, address: int | None) -> None:
    found = parse_reading(text)
    assert (found.kind, found.address) == (kind, address)
    assert found.value == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ("ab-ohms", "looks like ab-ohms=61"),
        ("ab-ohm=61", "no such reading; there are ab-ohms"),
        ("ab-ohms=", "a number is wanted"),
        ("ab-ohms=sixty", "a number is wanted"),
        ("ab-ohms=61V", "is in ohm, not V"),
        ("ab-ohms=-3", "0 ohm or more"),
        ("ab-idle=open", "only ohms can be open"),
        ("ab-idle=nan", "a number is wanted"),
        ("ab-idle=1e999", "volts are wanted"),
        ("ab-idle=240000", "such as 0.24 or 240m"),
        ("ab-ohms=1e999", "0 ohm or more"),
        ("ab-ohms=1e24", "0 ohm or more is wanted; open, if the meter shows that it is"),
        ("ab-ohms=banana", "ab-ohms: a number is wanted, such as 61, 0.24 or 120k, not 'banana'"),
        ("ab-idle@256=0.2", "addresses go up to 255"),
        ("supply=12", "say at which address"),
        ("ab-ohms@5=60", "not of one device"),
        ("=5", "looks like"),
    ],
)
def test_a_wrong_reading_is_told_in_one_line_with_the_mend(text: str, mend: str) -> None:
    with pytest.raises(ReadingError) as caught:
        parse_reading(text)
    assert mend in str(caught.value)
    assert "\n" not in str(caught.value)


def test_actions_are_understood() -> None:
    assert parse_tried("swap-clip=better") == Tried("swap-clip", True)
    assert parse_tried("unplug@5=same") == Tried("unplug@", False, 5)
    for text in ("swap-clip", "swap-clip=maybe", "unplug=same", "hammer=better"):
        with pytest.raises(ReadingError):
            parse_tried(text)


@given(st.text(max_size=30))
def test_whatever_is_typed_is_taken_or_refused(text: str) -> None:
    for parse in (parse_reading, parse_tried):
        with suppress(ReadingError):
            parse(text)


def test_names_come_back_as_typed() -> None:
    for text in ("ab-idle@5=0.24", "ab-ohms=61"):
        assert parse_reading(text).name == text.split("=")[0]
    assert parse_tried("unplug@5=same").name == "unplug@5"


def test_ohms_are_compared_by_ratio_and_volts_by_difference() -> None:
    ohms, volts = kind_of("ab-ohms"), kind_of("ab-idle")
    assert ohms.scale(120) - ohms.scale(60) == pytest.approx(math.log10(2))
    assert ohms.spread(60) == pytest.approx(ohms.spread(6000), rel=0.01)
    # Half an ohm and one ohm are the same for a meter with leads; 60 and 120 are not.
    assert ohms.scale(1) - ohms.scale(0.5) < 2 * ohms.spread(0.5)
    assert ohms.scale(120) - ohms.scale(60) > 5 * ohms.spread(60)
    assert volts.scale(-0.2) == -0.2
    assert volts.spread(0.0) > 0


def test_every_kind_that_needs_the_power_off_has_the_caution() -> None:
    for kind in METER:
        assert kind.caution
        assert ("power off" in kind.caution) == kind.power_off
    assert all(action.caution for action in ACTIONS)


def test_the_later_of_two_readings_counts() -> None:
    both = ByHand((Reading("ab-ohms", 61), Reading("ab-idle", 0.2))) + ByHand((Reading("ab-ohms", 118),))
    assert {reading.name: reading.value for reading in both.readings} == {"ab-ohms": 118, "ab-idle": 0.2}


def saved() -> Observed:
    return Observed(
        tap="sim:demo",
        baud=19200,
        format="8E1",
        length_m=120.0,
        order=(1, 2),
        symptoms={"one": 0.5, "two": None},
        told={"one": ("5 of 10 octets", {"octets": 10})},
        addresses=(AtAddress("osdp", 1, 10, 9, 1, 0, 0, 2.0, 3.0),),
        octets=100,
        sender_baud=None,
        limits=("blind",),
        by_hand=ByHand((Reading("ab-idle@", 0.2, 1),), (Tried("swap-clip", False),), {"scope-idle-v": 0.2}),
    )


def test_a_saved_diagnosis_comes_back_whole() -> None:
    text = to_json(saved())
    assert is_saved(text.encode()[:200])
    assert from_json(text) == saved()


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"benchtool-diagnosis": 2}', '{"benchtool-diagnosis": 1}', '{"benchtool-diagnosis": 1, "x": 1}'],
)
def test_a_damaged_saved_diagnosis_is_told(text: str) -> None:
    with pytest.raises(StateError):
        from_json(text)


def odd(**changes: object) -> str:
    return json.dumps({**json.loads(to_json(saved())), **changes})


def hand(**changes: object) -> dict[str, object]:
    return {"readings": [], "tried": [], "scope": {}, **changes}


@pytest.mark.parametrize(
    "text",
    [
        odd(symptoms={"one": "x"}),
        odd(symptoms=[1]),
        odd(baud="x"),
        odd(octets=None),
        odd(length_m="far"),
        odd(length_m=-5),
        odd(order=["a"]),
        odd(limits=[1]),
        odd(told={"one": ["x", {"a": [1]}]}),
        odd(addresses=[{"protocol": "osdp", "address": 1}]),
        odd(addresses=[{**json.loads(to_json(saved()))["addresses"][0], "requests": "x"}]),
        odd(by_hand=hand(readings=[{"kind": "weight", "value": 1.0, "address": None}])),
        odd(by_hand=hand(readings=[{"kind": "ab-ohms", "value": "1", "address": None}])),
        odd(by_hand=hand(readings=[{"kind": "ab-idle", "value": math.nan, "address": None}])),
        odd(by_hand=hand(readings=[{"kind": "ab-idle@", "value": 0.2, "address": None}])),
        odd(by_hand=hand(readings=[{"kind": "ab-idle", "value": 0.2, "address": 5}])),
        odd(by_hand=hand(tried=[{"action": "hammer", "better": True, "address": None}])),
        odd(by_hand=hand(scope={"scope-idle-v": math.inf})),
        '{"benchtool-diagnosis": ' + "[" * 100_000,
    ],
)
def test_a_saved_diagnosis_of_odd_content_is_told_in_one_line(text: str) -> None:
    with pytest.raises(StateError) as caught:
        from_json(text)
    assert "--save" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_saved_text_cannot_steer_the_terminal() -> None:
    found = from_json(odd(tap="a\x1b[2Jb\nc", limits=["x\r\x07"]))
    assert found.tap.isprintable()
    assert found.limits[0].isprintable()


def test_where_polling_has_to_stop_the_users_are_warned() -> None:
    stopped = [kind for kind in METER if "polling stopped" in kind.how]
    assert stopped
    assert all("doors may not answer" in kind.caution for kind in stopped)


def test_probes_are_named_wherever_the_sign_counts() -> None:
    for kind in METER:
        if "idle" in kind.name:
            assert "red probe" in kind.how
            assert "black" in kind.how


def test_what_can_be_an_earth_fault_or_a_live_supply_is_cautioned() -> None:
    assert "electrician" in kind_of("ground-volts@").caution
    assert "live" in kind_of("supply@").caution
    assert "lock" in kind_of("supply@").caution


@pytest.mark.parametrize("text", ["ground-volts@5=230", "a-idle=-110", "supply@5=60", "ab-idle=230"])
def test_a_dangerous_voltage_stops_the_work(text: str) -> None:
    with pytest.raises(ReadingError, match="STOP, touch nothing"):
        parse_reading(text)
