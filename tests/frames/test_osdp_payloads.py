"""Payloads that are too short, too long or not defined, misuse of the encoder, and the tables' own soundness."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.meaning import Value
from benchtool.frames.osdp import words
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.layout import Group, Layout, Number, Repeat, Span
from benchtool.frames.osdp.payloads import decode_payload, encode_payload
from benchtool.frames.osdp.tables import COMMAND_PAYLOADS, REPLY_PAYLOADS, layout_of

KEYS = [*((code, False) for code in range(256)), *((code, True) for code in range(256))]


@given(st.sampled_from(KEYS), st.binary(max_size=80), st.integers(0, 1400), st.booleans())
def test_every_payload_octet_lies_in_one_field(key: tuple[int, bool], data: bytes, offset: int, cut_off: bool) -> None:
    fields, problems = decode_payload(*key, data, offset, cut_off=cut_off)
    places = [octet for f in fields for octet in range(f.start, f.start + f.length)]
    assert places == list(range(offset, offset + len(data)))
    assert all(isinstance(problem, str) for problem in problems)


def _masked(layout: Layout, data: bytes) -> bytes:
    """The payload with the pad bits of a card read cleared: they are not kept (sheet trap 7)."""
    if layout is REPLY_PAYLOADS[Reply.RAW] and data[4:]:
        unused = -(data[2] | data[3] << 8) % 8
        return data[:-1] + bytes((data[-1] >> unused << unused,))
    return data


@given(st.sampled_from(KEYS), st.binary(max_size=80))
def test_what_decodes_whole_encodes_to_the_same_octets(key: tuple[int, bool], data: bytes) -> None:
    fields, problems = decode_payload(*key, data, 0)
    if not any(problem.startswith("payload too") for problem in problems):
        assert encode_payload(*key, {f.name: f.value for f in fields}) == _masked(layout_of(*key), data)


def _values(layout: Layout, draw: st.DrawFn) -> dict[str, Value]:
    out: dict[str, Value] = {}
    counts: dict[str, str] = {}

    def number(item: Number) -> int:
        low = -(1 << 8 * item.size - 1) if item.signed else 0
        high = (1 << 8 * item.size - item.signed) - 1
        return draw(st.integers(low, high)) * item.scale

    def plain(item: Number | Span | Group, suffix: str) -> None:
        if isinstance(item, Number):
            out[item.name + suffix] = number(item)
        elif isinstance(item, Group):
            out[item.name + suffix] = {part.name: number(part) for part in item.items}
        elif item.kind.value == "bits":
            out[item.name] = draw(st.text("01", max_size=64))
        elif item.kind.value == "octets":
            size = item.size
            out[item.name] = draw(st.binary(min_size=size or 0, max_size=size or 40)).hex().upper()
        else:
            out[item.name] = draw(st.text(st.characters(max_codepoint=255), max_size=40))
        if isinstance(item, Span) and item.count:
            counts[item.name] = item.count

    for item in layout.items:
        if isinstance(item, Repeat):
            for index in range(draw(st.integers(item.least, 5))):
                for part in item.items:
                    plain(part, item.suffix(index))
        else:
            plain(item, "")
    for count in counts.values():
        del out[count]
    return out


TABLED = [*((int(code), False) for code in COMMAND_PAYLOADS), *((int(code), True) for code in REPLY_PAYLOADS)]


@pytest.mark.parametrize("key", TABLED)
@given(draw=st.data())
def test_any_values_come_back(key: tuple[int, bool], draw: st.DataObject) -> None:
    values = _values(layout_of(*key), draw.draw)  # type: ignore[arg-type]
    fields, problems = decode_payload(*key, encode_payload(*key, values), 0)
    decoded = {f.name: f.value for f in fields}
    assert values == {name: decoded.get(name, "") for name in values}
    assert not any(problem.startswith("payload too") for problem in problems)


@pytest.mark.parametrize(
    ("code", "reply", "octets", "names", "problem"),
    [
        (Command.POLL, False, "00", ["extra"], "payload too long: expected 0 octets, found 1"),
        (Command.ID, False, "", [], "payload too short: expected 1 octet, found 0"),
        (Command.ID, False, "0000", ["reply_type", "extra"], "payload too long: expected 1 octet, found 2"),
        (Command.LED, False, "", [], "payload too short: expected a multiple of 14 octets, found 0"),
        (
            Command.LED,
            False,
            "00" * 9,
            ["reader", "led", "temporary"],
            "payload too short: expected a multiple of 14 octets, found 9",
        ),
        (
            Command.OUT,
            False,
            "000132000001",
            ["output", "code", "timer", "output_2", "code_2"],
            "payload too short: expected a multiple of 4 octets, found 6",
        ),
        (Reply.PDCAP, True, "04", ["function"], "payload too short: expected a multiple of 3 octets, found 1"),
        (Reply.ISTATR, True, "", [], "payload too short: expected at least 1 octets, found 0"),
        (
            Reply.RAW,
            True,
            "00011A00AA",
            ["reader", "format", "bit_count", "bits"],
            "payload too short: expected 4 octets and what bit count says, found 5",
        ),
        (Reply.COM, True, "0580", ["address", "incomplete"], "payload too short: expected 5 octets, found 2"),
        (Command.MFG, False, "0102", ["oui"], "payload too short: expected at least 3 octets, found 2"),
        (Reply.NAK, True, "", [], "payload too short: expected at least 1 octets, found 0"),
    ],
)
def test_wrong_lengths_say_what_was_expected(
    code: int, reply: bool, octets: str, names: list[str], problem: str
) -> None:
    fields, problems = decode_payload(code, reply, bytes.fromhex(octets), 0)
    assert [f.name for f in fields] == names
    assert problem in problems


def test_a_frame_cut_off_does_not_blame_its_payload() -> None:
    assert decode_payload(Reply.RAW, True, bytes.fromhex("00011A00AA"), 0, cut_off=True)[1] == ()


@pytest.mark.parametrize(
    ("code", "reply", "octets", "problem"),
    [
        (Command.OUT, False, "00070000", "code 7 is not defined"),
        (Command.LED, False, "0000020101090004000000000000", "on colour 9 is not defined"),
        (Command.COMSET, False, "7F80250000", "address 127 is above 126"),  # sheet 5.5: below 7F
        (Command.TEXT, False, "00010000010141", "row 0 is below 1"),  # sheet 5.5: 1-based
        (Reply.RSTATR, True, "0003", "reader 1 3 is not defined"),
        (Reply.NAK, True, "20", "reason 32 is not defined"),
        (Reply.NAK, True, "0300", "only a NAK about a command record carries a status for each record"),
        (Command.KEYSET, False, "010141", "a secure channel key has 16 octets, not 1"),
        (Reply.FTSTAT, True, "000000FCFF0000", "status -4 is not defined"),
    ],
)
def test_values_that_are_not_allowed(code: int, reply: bool, octets: str, problem: str) -> None:
    assert problem in decode_payload(code, reply, bytes.fromhex(octets), 0)[1]


def test_a_refused_record_is_named() -> None:
    fields, problems = decode_payload(Reply.NAK, True, b"\x09\x00\x01", 6)
    assert [(f.name, f.value, f.start) for f in fields] == [("reason", 9, 6), ("record", 0, 7), ("record_2", 1, 8)]
    assert problems == ()


def test_leftovers_of_a_secret_payload_are_secret() -> None:
    fields, _ = decode_payload(Reply.RAW, True, bytes.fromhex("0001080041FFFF"), 0)
    assert [(f.name, f.secret) for f in fields][-2:] == [("bits", True), ("extra", True)]


@pytest.mark.parametrize(("code", "reply"), [(0x99, False), (0x99, True), (Reply.SPER, True), (Command.XMIT, False)])
def test_data_without_a_table_is_hidden(code: int, reply: bool) -> None:
    fields, problems = decode_payload(code, reply, b"\x12\x34", 6)
    assert [(f.name, f.value, f.secret) for f in fields] == [("data", "1234", True)]
    assert problems == ()


@pytest.mark.parametrize(
    ("code", "reply", "values", "says"),
    [
        (Command.BUZ, False, {"reader": 0}, "tone is missing"),
        (Command.BUZ, False, {"reader": None}, "reader is missing"),
        (Command.ID, False, {"reply_type": 0, "rely": 1}, "no field 'rely' here; the fields are reply_type"),
        (Command.POLL, False, {"x": 0}, "no field 'x' here; the fields are none"),
        (Command.ACURXSIZE, False, {"size": 65536}, "size 65536 does not fit in 2 octets"),
        (Command.ACURXSIZE, False, {"size": -1}, "does not fit"),
        (Command.ACURXSIZE, False, {"size": "big"}, "size takes a number, not 'big'"),
        (Command.OUT, False, {"output": 0, "code": 5, "timer": 150}, "timer comes in steps of 100 ms, not 150"),
        (Command.OUT, False, {"output": 0, "code": "up", "timer": 0}, "code takes a number, not 'up'"),
        (Command.OUT, False, {}, "output is missing"),
        (Command.LED, False, {"reader": 0, "led": 0, "temporary": 1}, "temporary takes a dict of control"),
        (Reply.PDCAP, True, {"capability": {"function": 1, "compliance": 1, "number": 1, "y": 2}}, "no field 'y'"),
        (Reply.RAW, True, {"reader": 0, "format": 1, "bit_count": 3, "bits": "01"}, "bit_count says 3, but bits has 2"),
        (Reply.RAW, True, {"reader": 0, "format": 1, "bits": "0x"}, "bits takes 0 and 1 only"),
        (Reply.RAW, True, {"reader": 0, "format": 1, "bit_count": 1, "bits": 1}, "bits takes bits as a string"),
        (Command.CHLNG, False, {"rnd_a": "00"}, "rnd_a takes 8 octets, not 1"),
        (Command.CHLNG, False, {"rnd_a": "zz"}, "rnd_a is not octets"),
        (Reply.FMT, True, {"reader": 0, "direction": 0, "characters": "€"}, "characters is not characters"),
    ],
)
def test_encoder_refuses_misuse(code: int, reply: bool, values: dict[str, Value], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        encode_payload(code, reply, values)


def test_encoder_takes_words() -> None:
    values: dict[str, Value] = {"output": 1, "code": "temporary on", "timer": 500}
    assert encode_payload(Command.OUT, False, values) == bytes.fromhex("01050500")


@pytest.mark.parametrize(
    ("record", "text"),
    [
        ((1, 1, 4), "contact status unsupervised, 4 of them"),
        ((2, 9, 1), "output control level 9"),
        ((9, 0, 0), "communication security none"),
        ((11, 0, 4), "largest combined message 1024 octets"),
        ((13, 1, 2), "readers 2"),
        ((8, 0, 0), "check characters checksum only"),
        ((12, 1, 1), "smart card level 1"),
        ((77, 1, 1), "unknown function 77 level 1"),
    ],
)
def test_capabilities_in_words(record: tuple[int, int, int], text: str) -> None:
    assert words.capability_text(*record) == text


def test_whole_capability_records_only() -> None:
    # sheet 5.5: function, compliance, number
    assert words.capability_records(bytes((3, 1, 1, 8, 1, 0, 9))) == [(3, 1, 1), (8, 1, 0)]
    assert words.capability_records(b"") == []


@pytest.mark.parametrize(
    ("octets", "text"),
    [
        ("0000010000000000000000000000", ["cancel", "no change"]),
        ("0000070000000000000700000000", ["control 7 (not defined)", "control 7 (not defined)"]),
    ],
)
def test_lights_in_words(octets: str, text: list[str]) -> None:
    fields, _ = decode_payload(Command.LED, False, bytes.fromhex(octets), 0)
    assert [f.text for f in fields][2:] == text


@pytest.mark.parametrize(
    ("control", "text"), [(0, "none"), (3, "interleave ok + leave secure channel"), (9, "interleave ok + bit 3")]
)
def test_transfer_flags_in_words(control: int, text: str) -> None:
    fields, _ = decode_payload(Reply.FTSTAT, True, bytes((control, 0, 0, 0, 0, 0, 1)), 0)
    assert fields[0].text == text
