"""What holds for every traffic: no octet lost, no dependence on chunks, the hot path as the careful one, recovery."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Direction, Item
from benchtool.capture.settings import LineSettings
from benchtool.frames.crc import modbus_ok, with_crc_modbus
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.explain import explain
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from tests.strategies import Heard, as_chunks, bus_traffic, capture_items, every_modbus_frame, osdp_frames

LINE = LineSettings(9600)
OCTET_NS = LINE.char_ns
SILENCES = st.sampled_from([0, 16_000_000])


def whole(_: int) -> bool:
    return False


def single(_: int) -> bool:
    return True


def decode(
    heard: list[Heard], cuts: Callable[[int], bool], resolution_ns: int = 0, *, fast: bool = True
) -> list[Frame]:
    decoder = BusDecoder(LINE, resolution_ns, fast=fast)
    frames: list[Frame] = []
    fed = 0
    for chunk in as_chunks(heard, OCTET_NS, cuts):
        fed += len(chunk.octets)
        frames += decoder.feed(chunk)
        assert fed == sum(len(f.lead) + len(f.octets) for f in frames) + decoder.pending
    frames += decoder.close()
    assert decoder.pending == 0
    assert decoder.counters == {}
    return frames


def is_request_and_00(frame: bytes) -> bool:
    return len(frame) in (5, 9) and frame[-1] == 0 and modbus_ok(frame[:-1])


@given(bus_traffic(OCTET_NS), SILENCES)
@settings(max_examples=150)
def test_every_octet_lies_in_one_frame_in_order(heard: list[Heard], resolution_ns: int) -> None:
    frames = decode(heard, whole, resolution_ns)
    assert bytes(h.octet for h in heard) == b"".join(f.lead + f.octets for f in frames)
    at = 0
    for frame in frames:
        first = at + len(frame.lead)
        last = first + len(frame.octets)
        assert frame.t_ns == heard[first].t_ns
        assert frame.end_ns == heard[last - 1].t_ns + OCTET_NS
        assert frame.silence_ns == (heard[at].t_ns - heard[at - 1].t_ns - OCTET_NS if at else None)
        marks = bytes(h.mark for h in heard[first:last])
        assert frame.marks == (marks if any(marks) else b"")
        directions = {h.direction for h in heard[first:last]}
        assert frame.direction is (directions.pop() if len(directions) == 1 else Direction.UNKNOWN)
        at = last


@given(bus_traffic(OCTET_NS), st.sets(st.integers(0, 200)), SILENCES)
@settings(max_examples=150)
def test_frames_do_not_depend_on_how_octets_are_split(heard: list[Heard], cuts: set[int], resolution_ns: int) -> None:
    expected = decode(heard, whole, resolution_ns)
    assert expected == decode(heard, cuts.__contains__, resolution_ns)
    assert expected == decode(heard, single, resolution_ns)


@given(bus_traffic(OCTET_NS), st.sets(st.integers(0, 200)))
@settings(max_examples=150)
def test_the_hot_path_gives_what_the_careful_rules_give(heard: list[Heard], cuts: set[int]) -> None:
    assert decode(heard, cuts.__contains__, fast=False) == decode(heard, cuts.__contains__, fast=True)


@given(bus_traffic(OCTET_NS), st.lists(st.floats(0, 1), max_size=4).map(sorted))
@settings(max_examples=150)
def test_saying_what_time_it_is_changes_no_frame(heard: list[Heard], when: list[float]) -> None:
    decoder = BusDecoder(LINE)
    frames: list[Frame] = []
    chunks = as_chunks(heard, OCTET_NS, lambda index: index % 5 == 0)
    for chunk, after in zip(chunks, [*chunks[1:], None], strict=False):
        frames += decoder.feed(chunk)
        until = after.t_ns if after is not None else chunk.end_ns + 10**9
        for part in when:
            frames += decoder.flush(chunk.end_ns + round((until - chunk.end_ns) * part))
    assert decode(heard, whole) == frames + decoder.close()


@given(st.lists(capture_items(), max_size=12), st.integers(0, 10**8), st.integers(-(2**61), 2**61))
@settings(max_examples=150)
def test_nothing_is_raised_and_nothing_lost_whatever_comes(items: list[Item], resolution_ns: int, t_ns: int) -> None:
    decoder = BusDecoder(LINE, resolution_ns)
    frames: list[Frame] = []
    for item in items:
        frames += decoder.feed(item)
    frames += decoder.flush(t_ns) + decoder.close()
    expected = b"".join(item.octets for item in items if isinstance(item, Chunk))
    assert expected == b"".join(f.lead + f.octets for f in frames)
    for frame in frames:
        explain(frame).text()


@given(
    st.sampled_from(Protocol),
    st.sampled_from(Reason),
    st.one_of(st.binary(min_size=1, max_size=40), every_modbus_frame(), osdp_frames()),
)
def test_any_frame_can_be_explained(protocol: Protocol, reason: Reason, octets: bytes) -> None:
    meaning = explain(Frame(protocol, 0, 0, octets, reason))
    assert meaning.title
    for field in meaning.fields:
        assert field.start >= 0
        assert field.start + field.length <= len(octets)


def at_once(*pieces: bytes, t_ns: int = 0) -> list[Heard]:
    octets = b"".join(pieces)
    return [Heard(octet, t_ns + index * OCTET_NS) for index, octet in enumerate(octets)]


@given(osdp_frames(), st.integers(0, 10**6), osdp_frames())
@settings(max_examples=200)
def test_osdp_recovers_with_the_next_good_frame_without_silence(sound: bytes, where: int, after: bytes) -> None:
    """Damage to one octet of a frame, its length too, never swallows the frames that follow directly."""
    at, bit = where % len(sound), where // len(sound) % 8
    damaged = sound[:at] + bytes((sound[at] ^ 1 << bit,)) + sound[at + 1 :]
    known = bytes.fromhex("5301080005608B33")  # sheet 5.7
    frames = decode(at_once(known, damaged, known, known), whole)
    good = [f.octets for f in frames if f.ok]
    assert good[0] == known
    assert good[-2:] == [known, known]


@pytest.mark.parametrize("silence", [4, 30])
@given(sound=every_modbus_frame(), where=st.integers(0, 10**6), after=every_modbus_frame())
@settings(max_examples=100)
def test_modbus_recovers_with_the_next_frame_after_a_silence(
    silence: int, sound: bytes, where: int, after: bytes
) -> None:
    assume(not is_request_and_00(after))
    at, bit = where % len(sound), where // len(sound) % 8
    damaged = sound[:at] + bytes((sound[at] ^ 1 << bit,)) + sound[at + 1 :]
    first = at_once(damaged)
    frames = decode(first + at_once(after, t_ns=(len(damaged) + silence) * OCTET_NS), whole)
    assert any(f.ok and f.octets == after for f in frames)


@given(st.lists(every_modbus_frame(), min_size=2, max_size=8))
@settings(max_examples=100)
def test_modbus_frames_back_to_back_are_split(sent: list[bytes]) -> None:
    """But for a reply that is a sound request and a 00, out of turn or where that request came before (sheet 3.2)."""
    assume(not any(is_request_and_00(one) or one in sent[:at] for at, one in enumerate(sent)))
    frames = decode(at_once(*sent), whole)
    assert sent == [f.octets for f in frames]
    assert all(f.ok for f in frames)


@given(st.lists(st.one_of(every_modbus_frame(), osdp_frames()), min_size=2, max_size=8))
@settings(max_examples=100)
def test_a_mixed_bus_is_decoded(sent: list[bytes]) -> None:
    heard: list[Heard] = []
    for octets in sent:
        heard += at_once(octets, t_ns=heard[-1].t_ns + 6 * OCTET_NS if heard else 0)
    assert sent == [f.octets for f in decode(heard, whole) if f.ok]


@given(address=st.integers(1, 247), cuts=st.sets(st.integers(0, 20)), pause=st.booleans())
@settings(max_examples=60)
def test_an_exception_status_that_begins_like_its_request_is_a_reply(address: int, cuts: set[int], pause: bool) -> None:
    """The CRC of octets that end in their own CRC is 0000 (sheet 3.2), so such a reply is its request and a 00."""
    request = with_crc_modbus(bytes((address, 7)))
    reply = with_crc_modbus(request[:3])
    assert reply == request + b"\0"
    after = (len(request) + 4) * OCTET_NS if pause else len(request) * OCTET_NS
    frames = decode(at_once(request) + at_once(reply, t_ns=after), cuts.__contains__)
    assert [(f.octets, f.role, f.ok) for f in frames] == [(request, Role.REQUEST, True), (reply, Role.REPLY, True)]


@given(
    address=st.integers(1, 247),
    function=st.sampled_from((3, 4)),
    first=st.integers(0, 0xFFFF),
    cuts=st.sets(st.integers(0, 30)),
    pause=st.booleans(),
)
@settings(max_examples=100)
def test_a_read_reply_whose_check_ends_in_00_stays_whole(
    address: int, function: int, first: int, cuts: set[int], pause: bool
) -> None:
    """One reply of 9 octets in 256 ends so; its first 8 have a right check value too (sheet 3.2)."""
    request = with_crc_modbus(bytes((address, function, 0, 0, 0, 2)))
    head = bytes((address, function, 4)) + first.to_bytes(2, "big")
    reply = next(
        frame for last in range(0x10000) if (frame := with_crc_modbus(head + last.to_bytes(2, "big")))[-1] == 0
    )
    after = (len(request) + 4) * OCTET_NS if pause else len(request) * OCTET_NS
    sent = at_once(request) + at_once(reply, t_ns=after) + at_once(request, t_ns=after + 30 * OCTET_NS)
    for fast in (True, False):
        frames = decode(sent, cuts.__contains__, fast=fast)
        assert [(f.octets, f.role) for f in frames] == [
            (request, Role.REQUEST),
            (reply, Role.REPLY),
            (request, Role.REQUEST),
        ]
