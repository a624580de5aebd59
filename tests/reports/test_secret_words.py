"""Notes keep what a technician notes, and show no card, key or PIN. The rules are judgements, the examples invented."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.reports.secret_words import masked, masked_note, may_be_secret


@pytest.mark.parametrize(
    "text",
    [
        "address 5 does not answer, its supply reads 9.1 V",
        "ab-ohms 61.25, idle -0.213 V at 14:05",
        "2026-11-28: arrived 08:30:15, reader 3 has a loose lid",
        "bus runs at 115200 8N1, was 9600 before",
        "1200 ohm from A to ground, 4700 ohm from B",
        "addresses 17 18 19 are dead, 20-25 work",
        "supply 11.5-12.5 V, 250mA, 12,89 V before",
        "card 2 of 5 opens, 10/12 replies",
        "cable no 3 from door number 12, about 1000 m",
        "card does not open the door, key switch works",
        "the 120 ohm at both ends are there",
        "line 230V near it, 3 errors in 5000 frames",
        "password changed at the controller, self test: pass",
        "facility 2 has no reader yet",
        "card-reader 5 at rs-485, card facade open",
        "card-2 opens, fob_3 and tag/12 too, key-switch works",
        "types RX-90 and SN-409, keypad-12, pin-out of plug 3",
        "decoded 1200 frames, code.7z is kept",
        "voltage-drop at stage9600 is gone",
    ],
)
def test_what_a_technician_notes_stays(text: str) -> None:
    assert masked_note(text) == (text, 0)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("card 213,02000 opens it", "card *** opens it"),
        ("PIN 123 works", "PIN *** works"),
        ("the pin is 1234#", "the pin is ***"),
        ("tried 8675309 twice", "tried *** twice"),
        ("key 30 31 32 33 34 35 36 37 38 39 3A 3B 3C 3D 3E 3F taken", "key *** taken"),
        ("scbk=303132333435363738393A3B3C3D3E3F", "scbk=***"),
        ("badge no. 00213-02000", "badge no. ***"),
        ("code: 77", "code: ***"),
        ("26 bits 0x1AB2C3D4", "26 bits ***"),
        ("card number 12345678901234 and 4411", "card number ***"),
        ("5551 V", "5551 V"),
        ("0213 02000", "***"),
        ("held 213,200 twice", "held *** twice"),
        ("held 213-200", "held ***"),
        ("it sends 12345C", "it sends ***"),
        ("facility 12 number 34567", "facility ***"),
        ("facility 57, number 20118", "facility ***"),
        ("facility: 12, number: 34567", "facility: ***"),
        ("FC 12 number 34567", "FC ***"),
        ("facility 12 alone, FC: 7", "facility *** alone, FC: ***"),
        ("tag 0C 12 34 56", "tag ***"),
        ("pass=invented9, pwd: invented8", "pass=***, pwd: ***"),
        ("password invented9 works", "password *** works"),
        ("Kennwort ist invented", "Kennwort ist ***"),
        ("swapped 40951", "swapped ***"),
        ("PIN-4711 works", "PIN-*** works"),
        ("pin_4711", "pin_***"),
        ("code-4711", "code-***"),
        ("pin/4711", "pin/***"),
        ("pin.4711", "pin.***"),
        ("pin;4711", "pin;***"),
        ("door-pin-4711", "door-pin-***"),
        ("my_pin_no_4711", "my_pin_no_***"),
        ("card-213", "card-***"),
        ("card-12345678", "card-***"),
        ("card_number_12345678", "***"),
        ("badgeno12345", "badgeno***"),
        ("x12345678y", "x***y"),
        ("uid deadbeef", "uid ***"),
        ("csn=DEADBEEF seen", "csn=*** seen"),
        ("uid_deadbeef", "uid_***"),
        ("card number ABCDEFAB", "card number ***"),
    ],
)
def test_what_may_be_a_card_a_key_or_a_pin_does_not(text: str, shown: str) -> None:
    assert masked_note(text)[0] == shown


@pytest.mark.parametrize(
    "text",
    [
        "facility 12 number 34567", "facility 57, number 34567", "facility: 12, number: 34567", "FC 12 number 34567",
        "tag 0C 12 34 567", "tag 34 56 7A BC", "pass=x34567", "pwd: x34567", "password x34567",
        "site code 12, card 34567",
    ],
)  # fmt: skip
def test_what_is_announced_is_hidden_in_any_text(text: str) -> None:
    shown, count = masked(text, "***", free=False)
    assert count == 1
    assert "34" not in shown
    assert masked(text, "***", free=False, keys_alone=True) == (text, 0)


@pytest.mark.parametrize(
    "text", ["RX-9001", "SN 40951", "serial number 40951 stands at if-2 too", "Facility 12", "Code"]
)
def test_names_and_serial_numbers_stay_where_the_text_is_no_note(text: str) -> None:
    assert masked(text, "***", free=False) == (text, 0)


@given(st.integers(100_000, 4_294_967_295), st.sampled_from(("card {}", "it was {}.", "read {}, then", "({})", "{}")))
def test_no_number_of_a_card_is_shown(number: int, around: str) -> None:
    if number not in (115200, 230400, 250000):
        assert str(number) not in masked_note(around.format(number))[0]


@given(st.binary(min_size=8, max_size=16), st.sampled_from(("", " ", ":", "-")))
def test_no_key_in_octets_is_shown(key: bytes, between: str) -> None:
    written = key.hex(between) if between else key.hex()
    shown, _ = masked_note(f"the reader has {written} now")
    if sum(letter.isdigit() for letter in written) >= 4:
        assert written not in shown


@given(st.text())
def test_any_text_is_taken(text: str) -> None:
    masked_note(text)
    may_be_secret(text)


@pytest.mark.parametrize("text", ["73 91", "57, 201", "7391x", "held 7391x twice", "20118V"])
def test_a_slip_of_the_finger_and_a_row_of_numbers_are_hidden(text: str) -> None:
    shown = masked_note(text)[0]
    assert not any(number in shown for number in ("73", "91", "57", "201", "20118"))


@pytest.mark.parametrize("answer", ["115200 8N1", "9600", "12.1 V", "0.24", "x9", "1.2k", "open", "14:05:30"])
def test_what_a_hunt_asks_for_may_be_repeated(answer: str) -> None:
    assert not may_be_secret(answer)


@pytest.mark.parametrize("answer", ["7391x", "20118V", "57:20118", "at 73 then 91", "pin 7", "73 91", "1" * 5000])
def test_what_may_be_a_secret_may_not(answer: str) -> None:
    assert may_be_secret(answer)
