"""A server answers the specification's own requests with the specification's own replies, and refuses in its order."""

from __future__ import annotations

from typing import Any

import pytest

from benchtool.frames.crc import with_crc_modbus
from benchtool.frames.frame import Role
from benchtool.frames.modbus.build import encode
from benchtool.frames.modbus.functions import EXCEPTIONS, FUNCTIONS
from benchtool.simulate.modbus_counts import BUS_MESSAGES, BUSY, MESSAGES, NAK, NO_RESPONSE
from benchtool.simulate.modbus_counts import EXCEPTIONS as REFUSED
from benchtool.simulate.modbus_points import Change, Points, Table
from benchtool.simulate.modbus_unit import Refusal, Unit

S = 1_000_000_000


def bits_from(start: int, octets: str) -> dict[int, int]:
    """Bits from an address on, the low bit of each octet first (sheet 3.3, "Meaning checks")."""
    every = [octet >> bit & 1 for octet in bytes.fromhex(octets) for bit in range(8)]
    return dict(enumerate(every, start))


def published() -> Unit:
    """A server that holds what the specification's examples tell of."""
    points = Points(
        {
            Table.COILS: {**bits_from(19, "CD6B05"), 172: 0},
            Table.INPUTS: bits_from(0xC4, "ACDB35"),
            Table.HOLDING: {
                **dict.fromkeys(range(20), 0),
                **dict(enumerate([0x00FE, 0x0ACD, 1, 3, 13, 0xFF], 3)),
                **dict(enumerate([555, 0, 100], 107)),
            },
            Table.INPUT_REGISTERS: {8: 10},
        }
    )
    points.queues[0x04DE] = [0x01B8, 0x1284]
    points.files = {4: {1: 0x0DFE, 2: 0x0020, 7: 0, 8: 0, 9: 0}, 3: {9: 0x33CD, 10: 0x0040}}
    unit = Unit(points, identity={0: "Invented", 1: "DI-4", 2: "1.2"})
    unit.status = 0x6D
    unit.counts.busy = True
    unit.counts.events = 264
    return unit


def ask(unit: Unit, body: str, now_ns: int = 0, *, broadcast: bool = False) -> str | None:
    said = unit.answer(bytes.fromhex(body), now_ns, broadcast=broadcast)
    return None if said is None else said.hex(" ").upper()


# sheet 3.3, the specification's PDU examples (READ in V1.1b3)
EXAMPLES = [
    ("01 00 13 00 13", "01 03 CD 6B 05"),
    ("02 00 C4 00 16", "02 03 AC DB 35"),
    ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    ("04 00 08 00 01", "04 02 00 0A"),
    ("05 00 AC FF 00", "05 00 AC FF 00"),
    ("06 00 01 00 03", "06 00 01 00 03"),
    ("07", "07 6D"),
    ("08 00 00 A5 37", "08 00 00 A5 37"),
    ("0B", "0B FF FF 01 08"),
    ("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),
    ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),
    ("16 00 04 00 F2 00 25", "16 00 04 00 F2 00 25"),
    ("17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF", "17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF"),
    ("18 04 DE", "18 00 06 00 02 01 B8 12 84"),
    ("01 04 A1 00 01", "81 02"),
    ("14 0E 06 00 04 00 01 00 02 06 00 03 00 09 00 02", "14 0C 05 06 0D FE 00 20 05 06 33 CD 00 40"),
    ("15 0D 06 00 04 00 07 00 03 06 AF 04 BE 10 0D", "15 0D 06 00 04 00 07 00 03 06 AF 04 BE 10 0D"),
]


@pytest.mark.parametrize(("asked", "told"), EXAMPLES, ids=[asked for asked, _ in EXAMPLES])
def test_the_specifications_examples_are_answered_as_printed(asked: str, told: str) -> None:
    assert ask(published(), asked) == told


def test_no_function_of_the_table_is_without_an_example() -> None:
    # 0C and 11 have none in the sheet (0C's is inconsistent), 2B only its request: see below
    asked = {int(body[:2], 16) for body, _ in EXAMPLES}
    assert set(FUNCTIONS) - asked == {0x0C, 0x11, 0x2B}


def test_what_is_written_is_there_afterwards() -> None:
    unit = published()
    for body, _ in EXAMPLES:
        ask(unit, body)
    points = unit.points
    assert points.get(Table.COILS, 172) == [1]
    assert points.get(Table.COILS, 19, 10) == [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]
    # 17 has read from 3 on after 16 was done on it: from here on the mask is looked at alone
    assert points.get(Table.HOLDING, 1, 2) == [10, 258]
    assert points.get(Table.HOLDING, 14, 3) == [255, 255, 255]
    assert [points.files[4][at] for at in (7, 8, 9)] == [0x06AF, 0x04BE, 0x100D]


def test_the_mask_as_the_sheet_has_it() -> None:
    # sheet 3.3: 0x12 -> (0x12 & 0xF2) | (0x25 & ~0xF2) = 0x17
    unit = Unit(Points({Table.HOLDING: {4: 0x12}}))
    ask(unit, "16 00 04 00 F2 00 25")
    assert unit.points.get(Table.HOLDING, 4) == [0x17]


@pytest.mark.parametrize(
    ("asked", "exception"),
    [
        # sheet 3.4: function, then quantity or value, then address
        ("41", 1),
        ("00", 1),
        ("2B 0D 00", 1),
        ("08 00 13 00 00", 1),
        ("08 01 00 00 00", 1),
        ("01 00 13 00 00", 3),
        ("01 00 13 07 D1", 3),
        ("01 FF FF 07 D1", 3),
        ("02 00 00 00 00", 3),
        ("03 00 6B 00 7E", 3),
        ("03 FF FF 00 00", 3),
        ("04 00 08 00 00", 3),
        ("05 00 AC 12 34", 3),
        ("0F 00 13 07 B1 F7" + " 00" * 247, 3),
        ("0F 00 13 00 0A 03 CD 01 00", 3),
        ("10 00 01 00 02 02 00 0A", 3),
        ("10 00 01 00 00 00", 3),
        ("17 00 03 00 7E 00 0E 00 01 02 00 FF", 3),
        ("08 00 0B 00 01", 3),
        ("08 00 01 12 34", 3),
        ("08 00 03 0A 01", 3),
        ("14 00", 3),
        ("2B 0E 05 00", 3),
        ("03 00", 3),
        ("07 00", 3),
        ("01 00 13 00 19", 2),
        ("03 00 6A 00 02", 2),
        ("03 FF FF 00 02", 2),
        ("04 00 09 00 01", 2),
        ("05 00 AB FF 00", 2),
        ("06 01 00 00 03", 2),
        ("0F 00 12 00 02 01 03", 2),
        ("10 00 6D 00 02 04 00 0A 01 02", 2),
        ("16 01 00 00 F2 00 25", 2),
        ("17 01 00 00 06 00 0E 00 01 02 00 FF", 2),
        ("17 00 03 00 06 01 00 00 01 02 00 FF", 2),
        ("18 04 DF", 2),
        ("14 07 06 00 05 00 01 00 02", 2),
        ("14 07 06 00 04 00 02 00 02", 2),
        ("14 07 07 00 04 00 01 00 02", 2),
        ("15 09 06 00 04 00 03 00 01 00 01", 2),
        ("2B 0E 04 07", 2),
    ],
)
def test_refusals_in_the_order_of_the_specification(asked: str, exception: int) -> None:
    unit = published()
    function = int(asked[:2], 16)
    assert ask(unit, asked) == f"{function | 0x80:02X} {exception:02X}"
    # sheet 3.1: CPT3 counts exceptions, CPT4 what was for this server
    assert (unit.counts.by_sub_function[REFUSED], unit.counts.by_sub_function[MESSAGES]) == (1, 1)
    assert unit.points.get(Table.HOLDING, 14) == [0], "nothing was written"


def test_a_queue_too_long_for_a_reply_is_refused() -> None:
    # sheet 3.3 (FIFO): at most 31 registers, from memory
    unit = published()
    unit.points.queues[1] = [7] * 31
    unit.points.queues[2] = [7] * 32
    assert (ask(unit, "18 00 01") or "").startswith("18 00 40 00 1F")
    assert ask(unit, "18 00 02") == "98 03"


def test_only_some_functions() -> None:
    unit = Unit(Points({Table.HOLDING: {0: 1}}), functions=[3])
    assert ask(unit, "03 00 00 00 01") == "03 02 00 01"
    assert ask(unit, "06 00 00 00 01") == "86 01"
    with pytest.raises(ValueError, match="65"):
        Unit(Points(), functions=[3, 65])


def test_refusals_on_purpose() -> None:
    points = Points({Table.HOLDING: dict.fromkeys(range(10), 0)})
    unit = Unit(points, refusals=[Refusal(6, every=3), Refusal(4, function=3, start=5, end=6)])
    told = [ask(unit, "06 00 01 00 09") for _ in range(6)]
    assert told == ["06 00 01 00 09", "06 00 01 00 09", "86 06"] * 2
    assert [ask(unit, f"03 00 0{start} 00 02") for start in (3, 4, 6, 7)] == [
        "83 06" if n == 2 else told
        for n, told in enumerate(["03 04 00 00 00 00", "83 04", "83 06", "03 04 00 00 00 00"])
    ]
    assert unit.counts.by_sub_function[BUSY] == 3
    for wrong in (Refusal(9), Refusal(6, every=0)):
        with pytest.raises(ValueError, match="refusal"):
            Unit(points, refusals=[wrong])


def test_every_exception_can_be_told() -> None:
    for code in EXCEPTIONS:
        unit = Unit(Points(), refusals=[Refusal(code)])
        assert ask(unit, "07") == f"87 {code:02X}"
        assert unit.counts.by_sub_function[NAK] == (code == 7)


def test_changes_happen_at_their_times_and_writes_are_told() -> None:
    written: list[Any] = []
    points = Points(
        {Table.INPUTS: {0: 0}},
        changes=[Change(2 * S, Table.INPUTS, 0, [0]), Change(S, Table.INPUTS, 0, [1, 1])],
        on_write=lambda *what: written.append(what),
    )
    unit = Unit(points)
    points.set(Table.HOLDING, 3, [9])
    assert [ask(unit, "02 00 00 00 01", at) for at in (0, S - 1, S, 3 * S)] == [
        "02 01 00",
        "02 01 00",
        "02 01 01",
        "02 01 00",
    ]
    assert ask(unit, "02 00 00 00 02", 3 * S) == "02 01 02"
    ask(unit, "06 00 03 00 0C", 4 * S)
    ask(unit, "06 00 04 00 0C", 4 * S)
    assert written == [(4 * S, Table.HOLDING, 3, [12])]


@pytest.mark.parametrize(
    ("table", "start", "values"),
    [(Table.COILS, 0, [2]), (Table.HOLDING, 65535, [1, 2]), (Table.HOLDING, -1, [1]), (Table.INPUT_REGISTERS, 0, [-1])],
)
def test_what_no_place_can_hold(table: Table, start: int, values: list[int]) -> None:
    with pytest.raises(ValueError, match=table.value):
        Points().set(table, start, values)
    with pytest.raises(ValueError, match=table.value):
        Points(changes=[Change(0, table, start, values)])


def test_counters_are_told_and_cleared() -> None:
    # sheet 3.1: sub-functions 0B to 12 are CPT1 to CPT8
    unit = published()
    unit.counts.by_sub_function |= {BUS_MESSAGES: 0xFFFF}
    unit.counts.add(BUS_MESSAGES)
    ask(unit, "01 04 A1 00 01")
    assert ask(unit, "06 00 01 00 03", broadcast=True) is None
    assert ask(unit, "08 00 0B 00 00") == "08 00 0B 00 00"
    assert ask(unit, "08 00 0D 00 00") == "08 00 0D 00 01"
    assert ask(unit, "08 00 0E 00 00") == "08 00 0E 00 05"
    assert ask(unit, "08 00 0F 00 00") == "08 00 0F 00 01"
    unit.counts.damaged()
    assert ask(unit, "08 00 0C 00 00") == "08 00 0C 00 01"
    unit.counts.register = 0x1234
    assert ask(unit, "08 00 02 00 00") == "08 00 02 12 34"
    assert ask(unit, "08 00 14 00 00") == "08 00 14 00 00"
    assert ask(unit, "08 00 03 0A 00") == "08 00 03 0A 00"
    assert ask(unit, "08 00 0A 00 00") == "08 00 0A 00 00"
    assert set(unit.counts.by_sub_function.values()) == {0}


def test_events_count_what_was_done() -> None:
    # from memory: not exceptions, not fetching the counter
    unit = Unit(Points({Table.HOLDING: {0: 1}}))
    for body in ("03 00 00 00 01", "03 00 01 00 01", "0B", "06 00 00 00 02"):
        ask(unit, body)
    assert ask(unit, "0B") == "0B 00 00 00 02"
    log = ask(unit, "0C")
    assert log is not None
    # the latest first, and no text of the specification is asserted here (sheet: inconsistent)
    assert bytes.fromhex(log)[8:] == bytes.fromhex("80 40 80 40 80 40 80 41 80 40 80")
    for _ in range(100):
        ask(unit, "07")
    assert len(unit.counts.log) == 64
    assert len(bytes.fromhex(ask(unit, "0C") or "")) == 2 + 6 + 64


def test_listen_only_until_restarted() -> None:
    # from memory
    unit = Unit(Points({Table.HOLDING: {0: 1}}))
    assert ask(unit, "08 00 04 00 00") is None
    assert ask(unit, "03 00 00 00 01") is None
    assert ask(unit, "06 00 00 00 02") is None
    assert unit.counts.by_sub_function[NO_RESPONSE] == 2
    assert ask(unit, "08 00 01 FF 00") is None
    assert ask(unit, "03 00 00 00 01") == "03 02 00 01", "it heard nothing in between"
    assert ask(unit, "08 00 01 00 00") == "08 00 01 00 00"


def test_its_identity() -> None:
    # reply from memory (docs/modbus.md); the request is sheet 3.3
    unit = published()
    assert ask(unit, "2B 0E 01 00") == (
        "2B 0E 01 81 00 00 03 00 08 49 6E 76 65 6E 74 65 64 01 04 44 49 2D 34 02 03 31 2E 32"
    )
    assert ask(unit, "2B 0E 04 01") == "2B 0E 04 81 00 00 01 01 04 44 49 2D 34"
    assert ask(unit, "2B 0E 01 07") == ask(unit, "2B 0E 01 00"), "one that is not is taken for the first"
    assert ask(Unit(Points()), "2B 0E 01 00") == "AB 01"


def test_a_long_identity_comes_in_parts() -> None:
    texts = {number: chr(65 + number % 26) * 60 for number in (*range(7), 0x80, 0x81)} | {0x82: "x" * 400}
    unit = Unit(Points(), identity=texts)
    got: dict[int, str] = {}
    at, asked = 0, 0
    while True:
        told = bytes.fromhex(ask(unit, f"2B 0E 03 {at:02X}") or "")
        assert len(told) <= 253
        assert told[3] == 0x83
        asked += 1
        place = 7
        for _ in range(told[6]):
            number, length = told[place], told[place + 1]
            got[number] = told[place + 2 : place + 2 + length].decode()
            place += 2 + length
        if not told[4]:
            break
        at = told[5]
    assert asked > 2
    assert {number: text[:244] for number, text in texts.items()} == got
    assert ask(Unit(Points(), identity={0: "a", 4: "b"}), "2B 0E 01 00") == "2B 0E 01 82 00 00 01 00 01 61"


def test_its_server_identity() -> None:
    unit = Unit(Points(), server_id=b"DI-4")
    assert ask(unit, "11") == "11 05 44 49 2D 34 FF"
    unit.running = False
    assert ask(unit, "11") == "11 05 44 49 2D 34 00"


def test_nothing_is_asked_of_nobody() -> None:
    assert published().answer(b"", 0) is None


def test_a_read_of_files_too_long_for_a_reply() -> None:
    unit = Unit(Points())
    unit.points.files = {1: dict.fromkeys(range(200), 7)}
    assert len(unit.answer(bytes.fromhex("14 07 06 00 01 00 00 00 79"), 0) or b"") == 2 + 2 + 2 * 0x79
    assert ask(unit, "14 07 06 00 01 00 00 00 7A") == "94 03"


def test_the_frames_of_the_sheet_are_whole() -> None:
    # sheet 3.3: wrapped as server 1's frames
    unit = published()
    told = unit.answer(encode_body(3, start=107, quantity=3), 0)
    assert told is not None
    assert with_crc_modbus(b"\x01" + told) == bytes.fromhex("01 03 06 02 2B 00 00 00 64 05 7A")


def encode_body(function: int, **values: Any) -> bytes:
    return bytes((function,)) + encode(function, Role.REQUEST, values)
