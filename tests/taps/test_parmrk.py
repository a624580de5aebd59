"""The stream of a line that marks errors, by injected octets: a pseudo-terminal never shows one (sheet 10.6)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.chunk import Mark
from benchtool.taps.parmrk import ParmrkDecoder, name_marks

F, P, B = int(Mark.FRAMING), int(Mark.PARITY), int(Mark.BREAK)


# sheet 10.1 (READ, man7/glibc): `FF FF` → FF; `FF 00 00` → break or bad 00; `FF 00 b` → bad b; a lone FF waits.
@pytest.mark.parametrize(
    ("stream", "octets", "marks"),
    [
        ("", "", []),
        ("00 11 13 7F 80 FE", "00 11 13 7F 80 FE", []),
        ("FF FF", "FF", []),
        ("41 FF FF 42", "41 FF 42", []),
        ("FF 00 00", "00", [B]),
        ("FF 00 53", "53", [F]),
        ("41 FF 00 53 42", "41 53 42", [0, F, 0]),
        ("FF 00 FF", "FF", [F]),
        ("FF FF FF 00 00", "FF 00", [0, B]),
        ("FF FF 00 00", "FF 00 00", []),
        ("FF 00 00 FF 00 00", "00 00", [B, B]),
    ],
)
def test_table_of_the_sheet(stream: str, octets: str, marks: list[int]) -> None:
    assert ParmrkDecoder(parity=False).feed(bytes.fromhex(stream)) == (bytes.fromhex(octets), bytes(marks))


def test_with_parity_a_bad_octet_is_one_of_two_things() -> None:
    assert ParmrkDecoder(parity=True).feed(b"\xff\x00\x53") == (b"\x53", bytes([F | P]))
    assert ParmrkDecoder(parity=True).feed(b"\xff\x00\x00") == (b"\x00", bytes([B]))


@pytest.mark.parametrize("start", [b"\xff", b"\xff\x00"])
def test_an_unfinished_sequence_waits_and_is_given_back_by_flush(start: bytes) -> None:
    decoder = ParmrkDecoder(parity=False)
    assert decoder.feed(b"\x41" + start) == (b"\x41", b"")
    assert decoder.holds
    assert decoder.flush() == (start, b"")
    assert not decoder.holds
    assert decoder.feed(b"\x42") == (b"\x42", b"")


def test_a_sequence_no_line_sends_keeps_both_octets_and_is_counted() -> None:
    decoder = ParmrkDecoder(parity=False)
    assert decoder.feed(b"\xff\x41\x42") == (b"\xff\x41\x42", b"")
    assert decoder.strays == 1


def _as_the_kernel_sends(octets: list[tuple[int, bool]]) -> bytes:
    stream = bytearray()
    for octet, good in octets:
        if not good:
            stream += bytes([0xFF, 0x00, octet])
        elif octet == 0xFF:
            stream += b"\xff\xff"
        else:
            stream.append(octet)
    return bytes(stream)


_OCTETS = st.lists(st.tuples(st.one_of(st.sampled_from([0, 0xFF]), st.integers(0, 255)), st.booleans()), max_size=40)


@given(octets=_OCTETS, cuts=st.lists(st.integers(0, 120), max_size=8), parity=st.booleans())
def test_any_line_comes_out_the_same_however_it_is_cut(
    octets: list[tuple[int, bool]], cuts: list[int], parity: bool
) -> None:
    stream = _as_the_kernel_sends(octets)
    places = sorted({0, len(stream), *(cut % (len(stream) + 1) for cut in cuts)})
    decoder = ParmrkDecoder(parity=parity)
    out, bad = b"", b""
    for begin, end in pairwise(places):
        piece, marks = decoder.feed(stream[begin:end])
        assert len(marks) in (0, len(piece))
        out += piece
        bad += marks or bytes(len(piece))
    assert out == bytes(octet for octet, _ in octets)
    assert [not mark for mark in bad] == [good for _, good in octets]
    assert not decoder.holds
    assert decoder.strays == 0
    expected = F | P if parity else F
    assert all(mark in (0, expected if octet else B) for octet, mark in zip(out, bad, strict=True))


@given(st.binary(max_size=64), st.integers(0, 64))
def test_garbage_raises_nothing_and_loses_no_octet_value(data: bytes, cut: int) -> None:
    whole, split = ParmrkDecoder(parity=False), ParmrkDecoder(parity=False)
    octets = whole.feed(data)[0] + whole.flush()[0]
    again = split.feed(data[:cut])[0] + split.feed(data[cut:])[0] + split.flush()[0]
    assert again == octets
    assert len(data) / 3 <= len(octets) <= len(data)
    assert [x for x in octets if x not in (0, 0xFF)] == [x for x in data if x not in (0, 0xFF)]


@pytest.mark.parametrize(
    ("octet", "parity", "counted", "mark"),
    [
        (0x53, False, Mark.NONE, F),
        (0x53, False, Mark.PARITY, F),
        (0x53, True, Mark.NONE, F | P),
        (0x53, True, Mark.PARITY, P),
        (0x53, True, Mark.FRAMING, F),
        (0x53, True, Mark.BREAK, F | P),
        (0x53, True, Mark.FRAMING | Mark.PARITY, F | P),
        (0x00, False, Mark.NONE, B),
        (0x00, False, Mark.FRAMING, F),
        (0x00, False, Mark.BREAK | Mark.FRAMING, B),
        (0x00, True, Mark.PARITY, P),
        (0x00, True, Mark.NONE, B),
    ],
)
def test_counters_name_what_the_stream_leaves_open(octet: int, parity: bool, counted: Mark, mark: int) -> None:
    marks = bytes([0, F | P, 0])
    assert name_marks(bytes([0, octet, 0x41]), marks, counted, parity=parity) == bytes([0, mark, 0])
