"""Protocol tables: their text form, what they refuse, and the decoder that reads a bus by one."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Gap, LineCounts, Mark
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.check_value import CheckKind, CheckValue
from benchtool.frames.explain import explain
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.protocol_file import KIND, ProtocolFileError, from_toml, to_toml
from benchtool.frames.protocol_table import LengthRule, Place, ProtocolTable, RoleRule
from benchtool.frames.table_decoder import TableDecoder

CRC = CheckValue(CheckKind.CRC, 16, start=1, tail=1, little=True, poly=0x8005, init=0xFFFF, refin=True, refout=True)
GATE = ProtocolTable(
    name="gate",
    settings=LineSettings(19200, CharFormat.parse("8E1")),
    starts=(b"\x02",),
    ends=(b"\x03",),
    least=7,
    most=40,
    length=LengthRule(Place(1), 0),
    silence_ns=2_000_000,
    check=CRC,
    address=Place(2, mask=0x7F),
    counter=Place(3),
    role=RoleRule(Place(2, mask=0x80), frozenset((0,)), frozenset((0x80,))),
    period_ns=50_000_000,
)
CHAR = GATE.settings.char_ns if GATE.settings else 0


def gate(address: int, payload: bytes, counter: int = 0, *, reply: bool = False) -> bytes:
    size = 4 + len(payload) + 3
    head = bytes((2, size, address | (0x80 if reply else 0), counter))
    return CRC.completed(head + payload + b"\0\0\x03")


def chunk(t_ms: float, octets: bytes, marks: bytes = b"") -> Chunk:
    t_ns = round(t_ms * 1e6)
    return Chunk(t_ns, t_ns + len(octets) * CHAR, octets, marks)


def decoded(table: ProtocolTable, *items: Chunk | Gap | LineCounts, resolution_ns: int = 0) -> list[Frame]:
    decoder = TableDecoder(table, table.settings or LineSettings(), resolution_ns)
    frames = [frame for item in items for frame in decoder.feed(item)]
    return frames + decoder.close()


PLACES = st.builds(Place, st.integers(0, 9), st.just(1), st.just(False), st.integers(1, 255))
CHECKS = st.one_of(
    st.none(),
    st.builds(
        CheckValue,
        st.just(CheckKind.CRC),
        st.just(16),
        start=st.integers(0, 4),
        gap=st.integers(0, 2),
        tail=st.integers(0, 3),
        little=st.booleans(),
        text=st.booleans(),
        poly=st.integers(0, 0x7FFF).map(lambda value: 2 * value + 1),
        init=st.integers(0, 0xFFFF),
        refin=st.booleans(),
        refout=st.booleans(),
        xorout=st.integers(0, 0xFFFF),
        name=st.sampled_from(("", "CRC-16/ARC")),
    ),
    st.builds(CheckValue, st.just(CheckKind.SUM), st.just(8), negate=st.booleans(), init=st.integers(0, 255)),
)
ROLES = st.builds(
    lambda place, values, cut: RoleRule(
        place, frozenset(one for one in values if one < cut), frozenset(one for one in values if one >= cut)
    ),
    PLACES,
    st.frozensets(st.integers(0, 255)),
    st.integers(0, 255),
)
PARTS_OF_A_TABLE = st.fixed_dictionaries(
    {
        "name": st.text(max_size=20).filter(lambda text: text.isprintable()),
        "settings": st.one_of(st.none(), st.just(LineSettings(19200, CharFormat.parse("7E2")))),
        "starts": st.lists(st.binary(min_size=1, max_size=3), max_size=2).map(tuple),
        "ends": st.lists(st.binary(min_size=1, max_size=2), max_size=2).map(tuple),
        "least": st.integers(1, 9),
        "most": st.integers(24, 4096),
        "lengths": st.lists(st.integers(9, 24), max_size=4).map(lambda values: tuple(sorted(values))),
        "length": st.one_of(st.none(), st.builds(LengthRule, PLACES, st.integers(-3, 12))),
        "silence_ns": st.integers(1, 10**6).map(lambda value: value * 1000),
        "check": CHECKS,
        "address": st.one_of(st.none(), PLACES),
        "reply_address": st.one_of(st.none(), PLACES),
        "counter": st.one_of(st.none(), PLACES),
        "speaks": st.one_of(st.none(), ROLES, st.integers(1, 10**5).map(lambda value: value * 1000)),
    }
)


@given(PARTS_OF_A_TABLE)
def test_a_table_comes_back_from_its_text(parts: dict[str, Any]) -> None:
    speaks = parts.pop("speaks")
    rule = parts["length"]
    # Such a field gives no length that frames may have; refused elsewhere.
    assume(rule is None or (rule.place.mask + rule.add >= parts["least"] and rule.add <= parts["most"]))
    by_field = speaks if isinstance(speaks, RoleRule) else None
    table = ProtocolTable(**parts, role=by_field, reply_within_ns=None if by_field is not None else speaks)
    assert from_toml(to_toml(table)) == table


def test_the_text_says_what_was_learned_and_reads_back() -> None:
    table = ProtocolTable(**{**{name: getattr(GATE, name) for name in GATE.__slots__}, "notes": ("a note",)})
    text = to_toml(table)
    assert "# a note" in text
    assert from_toml(text) == GATE


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("kind = ", "kine = "), "not a protocol table"),
        (("version = 1", "version = 9"), "version 9"),
        (("width = 16", "width = 99"), "3 to 64 bits"),
        (("width = 16", 'width = "x"'), "whole number"),
        (('kind = "crc"', 'kind = "magic"'), "one of crc"),
        (("polynomial", "polynom"), "polynom is not known"),
        (("polynomial = 0x8005", "polynomial = 0x8004"), "odd"),
        (('["02"]', '["0"]'), "octets in hex"),
        (('["02"]', '[""]'), "one to eight octets"),
        (("least = 7", "least = 70"), "the least not above the most"),
        (("least = 7", "lengths = [6]\nleast = 7"), "a length of 6 is not among 7 to 40 octets"),
        (("add = 0", "add = 100"), "the length field gives 100 to 355 octets, but frames have 7 to 40 octets"),
        (("add = 0", "add = -255"), "gives -255 to 0 octets"),
        (("at = 1 ", "at = 60 "), r"\[length\] at 60 lies behind the end of the longest frame, 40 octets"),
        (("at = 3 ", "at = 40 "), r"\[counter\] at 40 lies behind the end"),
        (("tail = 1", "tail = 40"), "the check value wants 44 octets or more, the longest frame has 40"),
        (("reply = [128]", "reply = [0, 128]"), "0 cannot stand in requests and in replies alike"),
        (("[role]", "[role]\nreply_within_ms = 9"), "by a field or by silences"),
        (("low_octet_first = true", "low_octet_first = 1"), "true or false"),
        (("silence_ms = 2", 'silence_ms = "a"'), "a number of 0 or more"),
        (("[length]", "[lengthy]"), "lengthy is not known"),
        (("baud = 19200", "baud = 3"), "bit rate"),
        (('"8E1"', '"9Z9"'), "character format"),
        (("request = [0]", "request = [true]"), "whole numbers"),
        (('name = "gate"', "name = 3"), "a text is wanted"),
        (("mask = 0x7F", "mask = 0x7FF"), "mask"),
        (("at = 1 ", "at = = 1 "), "not TOML"),
        (("at = 1 ", "size = 99999999999999\nat = 1 "), "1 or 2 octets"),
    ],
)
def test_a_wrong_table_is_told_in_one_line(change: tuple[str, str], told: str) -> None:
    text = to_toml(GATE)
    assert change[0] in text
    with pytest.raises(ProtocolFileError, match=told) as caught:
        from_toml(text.replace(*change, 1))
    assert "\n" not in str(caught.value)


def test_a_table_that_tells_nothing_is_refused() -> None:
    with pytest.raises(ProtocolFileError, match="nothing in it tells"):
        from_toml(f'kind = "{KIND}"\nversion = 1\n')
    with pytest.raises(ProtocolFileError, match=r"\[check\] is wanted"):
        from_toml(f'kind = "{KIND}"\nversion = 1\ncheck = 3\n')


def test_a_table_whose_octets_do_not_fit_is_refused() -> None:
    head = f'kind = "{KIND}"\nversion = 1\n[frame]\nleast = 3\nmost = 4\n'
    for text in ('start = ["02 03 04 05 06"]', 'start = ["01 02 03"]\nend = ["0D 0A"]', 'end = ["01 02 03 04 05"]'):
        with pytest.raises(ProtocolFileError, match="do not fit into the longest frame, 4 octets"):
            from_toml(f"{head}{text}\n")
    assert from_toml(f'{head}start = ["01 02"]\nend = ["0D 0A"]\n').starts == (b"\x01\x02",)


QUIET = ProtocolTable(
    least=4, most=4, lengths=(4,), check=CheckValue(CheckKind.XOR, 8), address=Place(0), reply_within_ns=20_000_000
)
"""No octet tells who speaks: replies follow within 20 ms."""


def quiet(*waits_ms: float) -> list[Chunk]:
    chunks, now = [], 0.0
    for wait in waits_ms:
        now += wait
        chunks.append(chunk(now, CheckValue(CheckKind.XOR, 8).completed(b"\x05\x01\x02\x00")))
        now += 4 * CHAR / 1e6
    return chunks


def test_silences_tell_who_speaks() -> None:
    frames = decoded(QUIET, *quiet(0, 8, 60, 8, 50, 90, 5, 5))
    assert [frame.role for frame in frames] == [
        Role.UNKNOWN,  # nothing is known of the silence before it
        Role.UNKNOWN,
        Role.REQUEST,
        Role.REPLY,
        Role.REQUEST,
        Role.REQUEST,
        Role.REPLY,
        Role.UNKNOWN,  # a reply never follows a reply
    ]
    assert TableDecoder(QUIET, LineSettings(19200)).notes == ()


def test_a_damaged_request_has_its_reply_all_the_same() -> None:
    asked, answered, again = quiet(0, 60, 8)
    frames = decoded(QUIET, asked, answered._replace(octets=b"\x05\x01\x03\x00"), again)
    assert [(frame.ok, frame.role) for frame in frames][1:] == [(False, Role.UNKNOWN), (True, Role.REPLY)]


def test_a_coarse_tap_tells_nothing_by_silences_and_says_so() -> None:
    assert {frame.role for frame in decoded(QUIET, *quiet(0, 8, 60, 8), resolution_ns=16_000_000)} == {Role.UNKNOWN}
    (note,) = TableDecoder(QUIET, LineSettings(19200), 16_000_000).notes
    assert "silences of 20 ms" in note
    assert "no finer than 16 ms" in note


def test_without_a_check_value_nothing_is_proved() -> None:
    plain = ProtocolTable(starts=(b"\x55",), least=4, most=4, lengths=(4,))
    good, wrong = decoded(plain, chunk(0, b"\x55\x01\x02\x03"), chunk(60, b"\x55\x01\x02\x03\x04"))[:2]
    assert (good.ok, good.proved) == (True, False)
    # Nothing is known whose value could be wrong.
    assert wrong.reason is not Reason.CHECK_FAILED
    (proved,) = decoded(GATE, chunk(0, gate(5, b"\x10", 7)))
    assert proved.proved


def test_a_sum_too_wide_for_its_field_is_refused() -> None:
    with pytest.raises(ProtocolFileError, match="16 bits"):
        from_toml(f'kind = "{KIND}"\nversion = 1\n[check]\nkind = "fletcher-255"\nwidth = 8\n')


def test_frames_roles_addresses_and_explanation() -> None:
    ask, answer = gate(5, b"\x10", 7), gate(5, b"\x90secret", 7, reply=True)
    frames = decoded(GATE, chunk(0, ask), chunk(12, answer))
    assert [frame.octets for frame in frames] == [ask, answer]
    assert [(frame.role, frame.address) for frame in frames] == [(Role.REQUEST, 5), (Role.REPLY, 5)]
    assert all(frame.ok and frame.protocol is Protocol.TABLE for frame in frames)
    assert frames[1].silence_ns == frames[1].t_ns - frames[0].end_ns
    meaning = explain(frames[1])
    assert meaning.title == "gate reply"
    assert meaning.values() == {"length": len(answer), "address": 5, "counter": 7, "check": answer[-3:-1].hex()}


def test_damage_is_named() -> None:
    ask = gate(5, b"\x10", 7)
    wrong = bytearray(ask)
    wrong[4] ^= 1
    frames = decoded(
        GATE,
        chunk(0, ask),
        chunk(30, bytes(wrong), bytes((0, 0, 0, 0, Mark.FRAMING, 0, 0, 0))),
        chunk(60, ask[:5]),
        chunk(90, b"\x77\x78"),
        chunk(120, ask),
    )
    assert [frame.reason for frame in frames] == [
        Reason.OK,
        Reason.CHECK_FAILED,
        Reason.TRUNCATED,
        Reason.NOT_RECOGNISED,
        Reason.OK,
    ]
    assert [frame.protocol for frame in frames][3] is Protocol.UNKNOWN
    assert frames[1].marks[4] == Mark.FRAMING
    assert frames[3].address is None
    assert "should be" in explain(frames[1]).problems[0]
    assert explain(frames[3]).title == "unknown octets"


def test_frames_without_silence_between_them() -> None:
    octets = gate(1, b"ab") + gate(1, b"xyz", reply=True) + gate(2, b"")
    assert [len(frame.octets) for frame in decoded(GATE, chunk(0, octets))] == [9, 10, 7]


def test_a_frame_that_comes_in_pieces() -> None:
    ask = gate(5, b"0123456789", 7)
    decoder = TableDecoder(GATE, LineSettings(19200), 16_000_000)
    assert decoder.feed(chunk(0, ask[:6])) == []
    assert decoder.pending == 6
    assert decoder.flush(5_000_000) == []
    (frame,) = decoder.feed(chunk(16, ask[6:]))
    assert frame.octets == ask
    assert decoder.feed(chunk(300, ask[:6])) == []
    (cut,) = decoder.flush(2_000_000_000)
    assert cut.reason is Reason.TRUNCATED
    assert decoder.close() == []


def test_a_gap_ends_what_is_pending_and_counts_are_let_pass() -> None:
    ask = gate(5, b"0123456789", 7)
    frames = decoded(GATE, chunk(0, ask[:6]), Gap(4_000_000, 900_000_000, "gone"), LineCounts(5, 1), chunk(950, ask))
    assert [frame.reason for frame in frames] == [Reason.TRUNCATED, Reason.OK]
    assert frames[1].silence_ns is None


def test_lengths_instead_of_a_field() -> None:
    check = CheckValue(CheckKind.SUM, 8)
    table = ProtocolTable(starts=(b"\x55",), least=4, most=6, lengths=(4, 6), check=check)
    short, long = check.completed(b"\x55\x01\x02\x00"), check.completed(b"\x55\x01\x02\x03\x04\x00")
    frames = decoded(table, chunk(0, short + long), chunk(40, long[:5]), chunk(90, short))
    assert [(frame.octets, frame.reason) for frame in frames] == [
        (short, Reason.OK),
        (long, Reason.OK),
        (long[:5], Reason.TRUNCATED),
        (short, Reason.OK),
    ]


def test_end_octets_and_silence_where_no_check_value_is_known() -> None:
    line = ProtocolTable(starts=(b":",), ends=(b"\r\n",), least=4, most=40)
    frames = decoded(line, chunk(0, b":ab\r\n:cdef\r\n"), chunk(50, b":x"), chunk(90, b":yz\r\n"))
    assert [frame.octets for frame in frames if frame.ok] == [b":ab\r\n", b":cdef\r\n", b":yz\r\n"]
    quiet = ProtocolTable(least=2, most=40, silence_ns=2_000_000)
    decoder = TableDecoder(quiet, LineSettings(19200))
    assert decoder.feed(chunk(0, b"abc")) == []
    (first,) = decoder.flush(10_000_000)
    assert first.octets == b"abc"
    assert [frame.octets for frame in decoder.feed(chunk(20, b"de")) + decoder.close()] == [b"de"]


def test_a_damaged_length_does_not_hold_up_what_follows() -> None:
    ask = gate(5, b"\x10", 7)
    wrong = bytes((2, 39)) + ask[2:]
    decoder = TableDecoder(GATE, LineSettings(19200))
    frames = decoder.feed(chunk(0, wrong)) + decoder.feed(chunk(60, ask))
    assert [frame.reason for frame in frames] == [Reason.TRUNCATED, Reason.OK]


def test_an_address_elsewhere_in_replies() -> None:
    check = CheckValue(CheckKind.XOR, 8)
    table = ProtocolTable(
        least=4,
        most=4,
        lengths=(4,),
        check=check,
        address=Place(0),
        reply_address=Place(1),
        role=RoleRule(Place(0), frozenset((9,)), frozenset((0,))),
    )
    frames = decoded(
        table, chunk(0, check.completed(b"\x09\x00\x01\x00")), chunk(9, check.completed(b"\x00\x09\x02\x00"))
    )
    assert [(frame.role, frame.address) for frame in frames] == [(Role.REQUEST, 9), (Role.REPLY, 9)]
    assert table.role_of(b"\x05") is Role.UNKNOWN


PARTS = st.lists(
    st.one_of(
        st.binary(min_size=1, max_size=12),
        st.builds(gate, st.integers(0, 127), st.binary(max_size=20), st.integers(0, 255), reply=st.booleans()),
        st.just(b"\x02"),
        st.just(b"\x02\x27"),
    ),
    max_size=8,
)


@settings(max_examples=60, deadline=None)
@given(
    PARTS, st.lists(st.tuples(st.integers(1, 30), st.integers(0, 40)), max_size=30), st.sampled_from((0, 16_000_000))
)
def test_no_octet_is_lost_however_they_come(
    parts: list[bytes], cuts: list[tuple[int, int]], resolution_ns: int
) -> None:
    octets = b"".join(parts)
    decoder = TableDecoder(GATE, LineSettings(19200), resolution_ns)
    frames: list[Frame] = []
    at = 0
    now = 0.0
    for size, wait in [*cuts, (len(octets) + 1, 0)]:
        piece = octets[at : at + size]
        at += size
        if piece:
            frames += decoder.feed(chunk(now, piece))
            now += len(piece) * CHAR / 1e6 + wait
            frames += decoder.flush(round(now * 1e6))
    frames += decoder.close()
    assert b"".join(frame.octets for frame in frames) == octets
    assert decoder.pending == 0
    assert all(later.t_ns >= sooner.t_ns for sooner, later in itertools.pairwise(frames))
    assert all(GATE.sound(frame.octets) for frame in frames if frame.ok)


@given(st.integers(0, 127), st.binary(max_size=20), st.integers(1, 30))
def test_a_frame_is_found_however_it_is_cut(address: int, payload: bytes, size: int) -> None:
    frame = gate(address, payload)
    pieces = [chunk(at * CHAR / 1e6, frame[at : at + size]) for at in range(0, len(frame), size)]
    assert [found.octets for found in decoded(GATE, *pieces)] == [frame]


def test_memory_is_bounded_without_silence() -> None:
    decoder = TableDecoder(GATE, LineSettings(19200))
    for index in range(60):
        decoder.feed(chunk(index * 100 * CHAR / 1e6, b"\x02\x20" * 50))
        assert decoder.pending < 1000
