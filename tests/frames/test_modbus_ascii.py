"""Modbus in ASCII mode: published frames, damage, lumps, meanings; found by itself only where it is certain."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Direction, Gap, LineCounts
from benchtool.capture.settings import LineSettings
from benchtool.frames.crc import with_crc_modbus
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.explain import explain
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.modbus.ascii import MAX_CHARACTERS, from_ascii, inside, lrc, same_parity, to_ascii
from benchtool.frames.modbus.ascii_decoder import AsciiDecoder
from benchtool.frames.modbus.ascii_finder import AsciiFinder
from tests.strategies import Heard, as_chunks, bus_traffic, modbus_ascii_traffic

LINE = LineSettings(9600)
S = 1_000_000_000
OCTET_NS = LINE.char_ns
ASCII, UNKNOWN = Protocol.MODBUS_ASCII, Protocol.UNKNOWN

# sheet 3.3 (LRC verified there): a page's ASCII form, and pymodbus' unit tests
PUBLISHED = [
    (":1103006B00037E", Role.REQUEST, "read holding registers: start 107, quantity 3"),
    (":0003007C00027F", Role.REQUEST, "read holding registers: start 124, quantity 2"),
    (":000304008D008EDE", Role.REPLY, "read holding registers, reply: byte count 4, registers 141 142"),
    (":0083027B", Role.REPLY, "read holding registers refused: exception 02 illegal data address"),
    (":1103007C00026E", Role.REQUEST, "read holding registers: start 124, quantity 2"),
    (":110304008D008ECD", Role.REPLY, "read holding registers, reply: byte count 4, registers 141 142"),
    (":1183026A", Role.REPLY, "read holding registers refused: exception 02 illegal data address"),
    (":FF03007C000280", Role.REQUEST, "read holding registers: start 124, quantity 2"),
    (":FF0304008D008EDF", Role.REPLY, "read holding registers, reply: byte count 4, registers 141 142"),
    (":FF83027C", Role.REPLY, "read holding registers refused: exception 02 illegal data address"),
]


def whole(text: str) -> bytes:
    return text.encode() + b"\r\n"


def decoded(octets: bytes, decoder: AsciiDecoder | AsciiFinder | None = None, lump: int = 4096) -> list[Frame]:
    decoder = AsciiDecoder(LINE) if decoder is None else decoder
    frames = []
    for at in range(0, len(octets), lump):
        piece = octets[at : at + lump]
        frames += decoder.feed(Chunk(at * OCTET_NS, (at + len(piece)) * OCTET_NS, piece))
    return frames + decoder.close()


def finder() -> AsciiFinder:
    return AsciiFinder(BusDecoder(LINE))


@pytest.mark.parametrize(("text", "role", "said"), PUBLISHED)
def test_published_frames(text: str, role: Role, said: str) -> None:
    (frame,) = decoded(whole(text))
    assert (ASCII, Reason.OK, role, whole(text)) == (frame.protocol, frame.reason, frame.role, frame.octets)
    assert int(text[1:3], 16) == frame.address
    assert explain(frame).text().startswith(said)
    body = from_ascii(frame.octets)
    assert body is not None
    assert to_ascii(body) == frame.octets


@pytest.mark.parametrize("lump", [1, 3, 62, 4096])
def test_published_frames_end_to_end(lump: int) -> None:
    stream = b"".join(whole(text) for text, _, _ in PUBLISHED)
    for decoder in (AsciiDecoder(LINE), finder()):
        frames = decoded(stream, decoder, lump)
        assert [frame.octets for frame in frames] == [whole(text) for text, _, _ in PUBLISHED]
        assert {frame.protocol for frame in frames} == {ASCII}
        assert [frame.role for frame in frames] == [role for _, role, _ in PUBLISHED]
        assert [frame.t_ns for frame in frames][1:] == [frame.end_ns for frame in frames][:-1]


def test_the_published_check_value() -> None:
    # sheet 3.2: two's complement of the sum; 61 is sent as "6" "1"
    assert lrc(bytes.fromhex("1103006B0003")) == 0x7E
    octets = bytes(
        (
            1,
            0x61 ^ 0xFF,
        )
    )
    assert to_ascii(octets)[-4:-2] == f"{lrc(octets):02X}".encode()
    assert to_ascii(bytes((0x9F,)) + b"\0")[-4:] == b"61\r\n"


@given(st.binary(min_size=2, max_size=254))
def test_the_sum_of_all_octets_with_the_check_value_is_nothing(octets: bytes) -> None:
    # from the definition, sheet 3.2
    assert sum(octets + bytes((lrc(octets),))) % 256 == 0
    assert from_ascii(to_ascii(octets)) == octets


def test_lengths_of_a_frame() -> None:
    # sheet 3.1: at most 513 characters
    assert len(to_ascii(bytes(254))) == MAX_CHARACTERS
    for octets in (bytes(255), b"\x01", b""):
        with pytest.raises(ValueError, match="513"):
            to_ascii(octets)
    assert inside(b":123\r\n") is None
    assert inside(b":12G4") is None


DAMAGED = [
    # one thing wrong in sheet 3.3's :1103006B00037E
    (b":1103006B00037D\r\n", Reason.CHECK_FAILED, "LRC is 7D, the octets give 7E"),
    (b":1103006B0003?E\r\n", Reason.CHECK_FAILED, "character 13 is no hexadecimal digit"),
    (b":1103006B0037E\r\n", Reason.CHECK_FAILED, "13 digits are no whole octets"),
    (b":1103\r\n", Reason.CHECK_FAILED, "7 characters, a frame has 9 to 513"),
    (b":1103006B0003", Reason.TRUNCATED, "cut off after 13 characters"),
    (b":1103006B00037E\r", Reason.TRUNCATED, "cut off after 16 characters"),
    (b":1", Reason.TRUNCATED, "cut off after 2 characters"),
    (b":", Reason.TRUNCATED, "cut off after 1 characters"),
]


@pytest.mark.parametrize(("octets", "reason", "problem"), DAMAGED)
def test_damage_is_told_and_the_next_frame_is_found(octets: bytes, reason: Reason, problem: str) -> None:
    good = whole(PUBLISHED[1][0])
    first, second = decoded(octets + good)
    assert (first.octets, first.protocol, first.reason, second.octets) == (octets, ASCII, reason, good)
    assert problem in explain(first).problems


def test_what_stands_between_frames_is_unknown() -> None:
    good = whole(PUBLISHED[0][0])
    frames = decoded(b"\x01\x02" + good + b"\r\n" + good + b"junk")
    assert [(frame.protocol, frame.octets) for frame in frames] == [
        (UNKNOWN, b"\x01\x02"),
        (ASCII, good),
        (UNKNOWN, b"\r\n"),
        (ASCII, good),
        (UNKNOWN, b"junk"),
    ]
    assert len(decoded(b"x" * 10_000)) == 3


def test_a_start_without_an_end_is_cut_at_the_longest_frame() -> None:
    frames = decoded(b":" + b"0" * 1000)
    assert [(len(frame.octets), frame.reason) for frame in frames] == [
        (513, Reason.TRUNCATED),
        (488, Reason.NOT_RECOGNISED),
    ]


def test_a_second_between_characters_ends_a_frame() -> None:
    # sheet 3.1: at most 1 s between characters
    good = whole(PUBLISHED[0][0])
    for pause, whole_frame in ((S - 1000, True), (S, False)):
        decoder = AsciiDecoder(LINE)
        first = decoder.feed(Chunk(0, 5 * OCTET_NS, good[:5]))
        assert (first, decoder.pending) == ([], 5)
        begin = 5 * OCTET_NS + pause
        frames = decoder.feed(Chunk(begin, begin + 12 * OCTET_NS, good[5:])) + decoder.close()
        assert (len(frames) == 1) == whole_frame
        assert b"".join(frame.octets for frame in frames) == good


def test_silence_and_gaps_end_what_is_pending() -> None:
    decoder = AsciiDecoder(LINE)
    decoder.feed(Chunk(0, 5 * OCTET_NS, b":1103"))
    assert decoder.flush(S) == []
    assert decoder.flush(5 * OCTET_NS + S)[0].reason is Reason.TRUNCATED
    assert decoder.flush(9 * S) == []
    decoder.feed(Chunk(2 * S, 2 * S + OCTET_NS, b":"))
    assert decoder.feed(LineCounts(2 * S)) == []
    assert decoder.feed(Chunk(2 * S, 2 * S, b"")) == []
    (cut,) = decoder.feed(Gap(3 * S, 4 * S, "pulled out"))
    assert cut.octets == b":"
    (after,) = decoder.feed(Chunk(5 * S, 6 * S, whole(PUBLISHED[0][0])))
    assert after.silence_ns is None


@pytest.mark.parametrize("parity", [0, 1], ids=["even", "odd"])
def test_a_line_of_seven_bits_heard_with_eight(parity: int) -> None:
    # Both have 10 bits (sheet 3.1 and 2): the eighth bit then holds the parity.
    plain = whole(PUBLISHED[5][0])
    octets = bytes(octet | 0x80 * (octet.bit_count() % 2 ^ parity) for octet in plain)
    assert same_parity(octets)
    for decoder in (AsciiDecoder(LINE), finder()):
        (frame,) = decoded(octets, decoder)
        assert (frame.octets, frame.protocol, frame.ok, frame.address) == (octets, ASCII, True, 0x11)
        assert explain(frame).values()["registers"] == [141, 142]


def test_small_letters_are_read_and_told() -> None:
    (frame,) = decoded(whole(":110304008d008ecd"))
    assert frame.ok
    assert explain(frame).problems == ("small letters as digits",)


def test_fields_lie_where_the_characters_are() -> None:
    (frame,) = decoded(whole(PUBLISHED[0][0]))
    fields = explain(frame).fields
    assert [frame.octets[f.start : f.start + f.length] for f in fields] == [b"006B", b"0003"]


def test_repeated_writes_are_request_and_reply() -> None:
    octets = to_ascii(bytes.fromhex("110600010003"))
    roles = [frame.role for frame in decoded(octets * 4)]
    assert roles == [Role.REQUEST, Role.REPLY] * 2


def test_marks_and_direction_are_kept() -> None:
    octets = whole(PUBLISHED[0][0])
    marks = b"\x02" + bytes(16)
    for decoder in (AsciiDecoder(LINE), finder()):
        (frame,) = decoder.feed(Chunk(0, 17 * OCTET_NS, octets, marks, Direction.SENT)) + decoder.close()
        assert (frame.marks, frame.direction) == (marks, Direction.SENT)


# Found by itself


def test_what_may_become_a_frame_is_kept_for_a_second() -> None:
    good = whole(PUBLISHED[0][0])
    held = finder()
    pause = 100 * OCTET_NS
    assert held.feed(Chunk(0, 5 * OCTET_NS, good[:5])) == []
    # The decoder within tells its span after its own silence; the beginning of a frame is kept longer.
    assert held.flush(5 * OCTET_NS + pause) == []
    assert held.pending == 5
    (span,) = held.flush(5 * OCTET_NS + S)
    assert (span.protocol, span.octets, held.pending) == (UNKNOWN, good[:5], 0)
    begin = 2 * S
    held.feed(Chunk(begin, begin + 5 * OCTET_NS, good[:5]))
    held.flush(begin + 5 * OCTET_NS + pause)
    spans = held.feed(Gap(3 * S, 4 * S, "pulled out"))
    assert [span.octets for span in spans] == [good[:5]]


def test_a_frame_with_pauses_is_joined_and_one_with_a_second_is_not() -> None:
    good = whole(PUBLISHED[0][0])
    for pause, joined in ((S // 2, True), (S + OCTET_NS, False)):
        held = finder()
        frames = held.feed(Chunk(0, 5 * OCTET_NS, good[:5], b"\0\2\0\0\0"))
        begin = 5 * OCTET_NS + pause
        frames += held.feed(Chunk(begin, begin + 12 * OCTET_NS, good[5:]))
        frames += held.close()
        assert b"".join(frame.octets for frame in frames) == good
        assert ([frame.protocol for frame in frames] == [ASCII]) == joined
        if joined:
            assert frames[0].marks == b"\0\2" + bytes(15)
            assert (frames[0].t_ns, frames[0].end_ns) == (0, begin + 12 * OCTET_NS)


def test_the_beginning_behind_a_whole_frame_is_kept() -> None:
    good = whole(PUBLISHED[0][0])
    held = finder()
    first = good + good[:6]
    frames = held.feed(Chunk(0, len(first) * OCTET_NS, first))
    begin = (len(first) + 50) * OCTET_NS
    frames += held.feed(Chunk(begin, begin + 11 * OCTET_NS, good[6:]))
    assert [frame.octets for frame in frames + held.close()] == [good, good]


def test_it_is_found_among_other_traffic() -> None:
    rtu = with_crc_modbus(bytes.fromhex("0103006B0003"))
    good = whole(PUBLISHED[0][0])
    decoder = finder()
    frames = []
    at = 0
    for piece in (rtu, b"noise" + good[:6], good[6:] + b"more", rtu, good, whole(":1103006B00037D"), b"::"):
        frames += decoder.feed(Chunk(at, at + len(piece) * OCTET_NS, piece))
        at += (len(piece) + 50) * OCTET_NS
    frames += decoder.close()
    assert [(frame.protocol, frame.reason, frame.octets) for frame in frames] == [
        (Protocol.MODBUS_RTU, Reason.OK, rtu),
        (UNKNOWN, Reason.NOT_RECOGNISED, b"noise"),
        (ASCII, Reason.OK, good),
        (UNKNOWN, Reason.NOT_RECOGNISED, b"more"),
        (Protocol.MODBUS_RTU, Reason.OK, rtu),
        (ASCII, Reason.OK, good),
        # Two sound ones make the protocol known here: from now on a wrong check value is one.
        (ASCII, Reason.CHECK_FAILED, whole(":1103006B00037D")),
        (UNKNOWN, Reason.NOT_RECOGNISED, b"::"),
    ]


@pytest.mark.parametrize(
    "octets",
    [
        b"hello: 12\r\n",
        whole(":1103006B00037D"),
        whole(":11037G"),
        b":1103006B00037E",
        whole(":1150" + f"{lrc(bytes((0x11, 0x50))):02X}"),
        bytes(octet | 0x80 * (index == 3) for index, octet in enumerate(whole(PUBLISHED[0][0]))),
        b"log 12:30:45\r\n" * 3,
        b":\r\n:\r\n",
    ],
    ids=str,
)
def test_what_is_not_certain_stays_unknown(octets: bytes) -> None:
    plain = BusDecoder(LINE)
    chunk = Chunk(0, len(octets) * OCTET_NS, octets)
    expected = plain.feed(chunk) + plain.close()
    assert decoded(octets, finder()) == expected
    assert all(frame.protocol is UNKNOWN for frame in expected)


@given(bus_traffic(OCTET_NS), st.integers(1, 40))
def test_other_traffic_is_decoded_as_before(heard: list[Heard], lump: int) -> None:
    plain, found = BusDecoder(LINE), finder()
    ours: list[Frame] = []
    theirs: list[Frame] = []
    for chunk in as_chunks(heard, OCTET_NS, lambda at: at % lump == 0):
        theirs += plain.feed(chunk)
        ours += found.feed(chunk)
    theirs += plain.close()
    ours += found.close()
    if not any(frame.protocol is ASCII for frame in ours):
        assert ours == theirs
    assert b"".join(frame.lead + frame.octets for frame in ours) == b"".join(f.lead + f.octets for f in theirs)
    assert found.pending == 0
    assert found.counters == plain.counters


@given(modbus_ascii_traffic(), st.integers(1, 40))
def test_every_octet_ends_in_a_frame_and_every_sound_frame_is_found(
    traffic: tuple[list[bytes], list[bytes]], lump: int
) -> None:
    pieces, sound = traffic
    stream = b"".join(pieces)
    frames = decoded(stream, None, lump)
    assert b"".join(frame.octets for frame in frames) == stream
    assert [frame.octets for frame in frames if frame.ok] == sound
    assert decoded(stream) == [
        frame._replace(t_ns=new.t_ns, end_ns=new.end_ns) for frame, new in zip(frames, decoded(stream), strict=True)
    ]
    for frame in frames:
        assert explain(frame).text()


@given(st.binary(max_size=60), st.sampled_from(Reason), st.sampled_from(Role))
def test_describing_never_raises(octets: bytes, reason: Reason, role: Role) -> None:
    for characters in (octets, b":" + octets.hex().encode(), b":" + octets.hex().encode() + b"\r\n"):
        frame = Frame(ASCII, 0, 0, characters, reason, role)
        meaning = explain(frame)
        assert meaning.text()
        for field in meaning.fields:
            assert 0 <= field.start <= field.start + field.length <= max(len(characters), 1)
        assert frame.address is None or 0 <= frame.address <= 255
