"""Damage of every sort, and the good frames after it: found again within one good frame, and damage named sensibly."""

from __future__ import annotations

import random

import pytest
from fastcrc.crc16 import modbus as modbus_crc
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.check import check_ok
from tests.strategies import modbus_frames

SETTINGS = LineSettings(9600)
CHAR = SETTINGS.char_ns
POLL, ACK = (build_frame(1, 0x60, sequence=1), build_frame(1, 0x40, sequence=1, reply=True))
LED = build_frame(1, 0x69, bytes(range(14)), sequence=2)
KEYPAD = build_frame(1, 0x53, bytes.fromhex("00033132 0D"), sequence=2, reply=True)
# sheet 3.3 (from memory, CRC verified): the classic server 11
READ, READ_REPLY = bytes.fromhex("1103006B00037687"), bytes.fromhex("110306AE415652434049AD")
OSDP, MODBUS, UNKNOWN = Protocol.OSDP, Protocol.MODBUS_RTU, Protocol.UNKNOWN
OK, CHECK_FAILED, TRUNCATED = Reason.OK, Reason.CHECK_FAILED, Reason.TRUNCATED
BAD_HEADER, NOT_RECOGNISED = Reason.BAD_HEADER, Reason.NOT_RECOGNISED

Part = bytes | int
"""Octets, or characters of silence."""


def heard(*parts: Part) -> list[Chunk]:
    """One chunk for each run of octets."""
    made = []
    now = 0
    for part in parts:
        if isinstance(part, int):
            now += part * CHAR
        else:
            made.append(Chunk(now, now + len(part) * CHAR, part))
            now += len(part) * CHAR
    return made


def decode(*parts: Part) -> list[Frame]:
    """Frames, taken once from whole chunks and once octet by octet, which must agree."""
    results = []
    for singly in (False, True):
        decoder = BusDecoder(SETTINGS)
        frames: list[Frame] = []
        for chunk in heard(*parts):
            if singly:
                for at in range(len(chunk.octets)):
                    begin = chunk.t_ns + at * CHAR
                    frames += decoder.feed(Chunk(begin, begin + CHAR, chunk.octets[at : at + 1]))
            else:
                frames += decoder.feed(chunk)
        results.append(frames + decoder.close())
    assert results[0] == results[1]
    return results[0]


def good(frames: list[Frame]) -> list[bytes]:
    """Octets of the good frames."""
    return [frame.octets for frame in frames if frame.ok]


def damage(frame: bytes, kind: int, at: int, value: int) -> bytes:
    """One of: bits flipped, an octet lost, an octet put in, the end cut off, the length changed."""
    at %= len(frame)
    if kind == 0:
        return frame[:at] + bytes((frame[at] ^ (value or 1),)) + frame[at + 1 :]
    if kind == 1:
        return frame[:at] + frame[at + 1 :]
    if kind == 2:
        return frame[:at] + bytes((value,)) + frame[at:]
    if kind == 3:
        return frame[:at]
    return frame[:2] + bytes((frame[2] ^ (value or 1),)) + frame[3:]


damages = st.tuples(st.integers(0, 4), st.integers(0, 63), st.integers(0, 255))


@settings(max_examples=300)
@given(st.sampled_from([POLL, ACK, LED, KEYPAD]), damages, st.sampled_from([0, 3, 10, 25, 60]))
def test_osdp_comes_again_with_the_next_good_frame(frame: bytes, how: tuple[int, int, int], silence: int) -> None:
    """Even without any silence. sheet 5.1"""
    hurt = damage(frame, *how)
    assume(frame not in hurt + POLL and not check_ok(hurt))
    rest = [POLL, ACK, LED, KEYPAD]
    frames = decode(POLL, ACK, silence, hurt, *rest)
    assert good(frames)[:2] == [POLL, ACK]
    assert good(frames)[-4:] == rest


@settings(max_examples=300)
@given(st.sampled_from([POLL, LED]), damages)
def test_osdp_comes_again_where_the_first_frame_of_all_is_damaged(frame: bytes, how: tuple[int, int, int]) -> None:
    hurt = damage(frame, *how)
    assume(frame not in hurt and not check_ok(hurt))
    assert good(decode(hurt, ACK, LED, KEYPAD, POLL, ACK, LED, KEYPAD))[-7:] == [
        ACK,
        LED,
        KEYPAD,
        POLL,
        ACK,
        LED,
        KEYPAD,
    ]


@settings(max_examples=300)
@given(st.sampled_from([READ, READ_REPLY]), damages, st.sampled_from([0, 4, 10, 60]))
def test_modbus_comes_again_with_the_next_good_frame(frame: bytes, how: tuple[int, int, int], silence: int) -> None:
    """After a silence, and also directly after the damaged one, as a lumpy adapter delivers it. sheet 3.1"""
    hurt = damage(frame, *how)
    assume(frame not in hurt)
    frames = decode(READ, 5, READ_REPLY, 5, hurt, silence, READ, 5, READ_REPLY)
    assert good(frames)[:2] == [READ, READ_REPLY]
    assert good(frames)[-2:] == [READ, READ_REPLY]


@given(st.lists(modbus_frames(), min_size=1, max_size=6), st.sampled_from([0, 4, 25]))
def test_good_modbus_frames_are_all_found(frames: list[bytes], silence: int) -> None:
    parts: list[Part] = []
    for frame in frames:
        parts += [silence, frame]
    found = decode(*parts)
    if silence:
        assert [frame.octets for frame in found] == frames
        assert all(frame.ok for frame in found)
    else:
        assert b"".join(frame.octets for frame in found) == b"".join(frames)


@pytest.mark.parametrize("frame", [POLL, ACK, LED, KEYPAD, READ, READ_REPLY], ids=lambda frame: frame.hex())
def test_a_good_frame_is_answered_with_its_last_octet(frame: bytes) -> None:
    decoder = BusDecoder(SETTINGS)
    for at, octet in enumerate(frame * 3):
        found = decoder.feed(Chunk(at * CHAR, (at + 1) * CHAR, bytes((octet,))))
        assert [one.octets for one in found] == ([frame] if at % len(frame) == len(frame) - 1 else [])


@pytest.mark.parametrize(
    ("damaged", "protocol", "reason", "role"),
    [
        (LED[:9] + b"\x00" + LED[10:], OSDP, CHECK_FAILED, Role.REQUEST),
        (KEYPAD[:-1] + b"\x00", OSDP, CHECK_FAILED, Role.REPLY),
        (LED[:9], OSDP, TRUNCATED, Role.REQUEST),
        (POLL[:3], OSDP, TRUNCATED, Role.REQUEST),
        (POLL[:4] + b"\xf5" + POLL[5:], OSDP, BAD_HEADER, Role.REQUEST),
        (POLL[:2] + b"\x02" + POLL[3:], OSDP, BAD_HEADER, Role.REQUEST),
        (READ[:3] + b"\x00" + READ[4:], UNKNOWN, NOT_RECOGNISED, Role.UNKNOWN),
        (b"\x00\x80\x91", UNKNOWN, NOT_RECOGNISED, Role.UNKNOWN),
    ],
)
def test_names_of_damage_on_an_osdp_bus(damaged: bytes, protocol: Protocol, reason: Reason, role: Role) -> None:
    frames = decode(POLL, ACK, 30, damaged, 60, POLL, ACK)
    assert good(frames) == [POLL, ACK, POLL, ACK]
    (bad,) = [frame for frame in frames if not frame.ok]
    assert (bad.protocol, bad.reason, bad.role, bad.octets) == (protocol, reason, role, damaged)


@pytest.mark.parametrize(
    ("damaged", "protocol", "reason"),
    [
        (READ[:3] + b"\x00" + READ[4:], MODBUS, CHECK_FAILED),
        (READ_REPLY[:-1] + b"\x00", MODBUS, CHECK_FAILED),
        (READ[:5], MODBUS, TRUNCATED),
        (READ_REPLY[:7], MODBUS, TRUNCATED),
        (b"\xf8\x00\xe0", UNKNOWN, NOT_RECOGNISED),
        (b"\x53\x77", UNKNOWN, NOT_RECOGNISED),
    ],
)
def test_names_of_damage_on_a_modbus_bus(damaged: bytes, protocol: Protocol, reason: Reason) -> None:
    frames = decode(READ, 5, READ_REPLY, 30, damaged, 60, READ, 5, READ_REPLY)
    assert good(frames) == [READ, READ_REPLY, READ, READ_REPLY]
    (bad,) = [frame for frame in frames if not frame.ok]
    assert (bad.protocol, bad.reason, bad.octets) == (protocol, reason, damaged)


def test_a_damaged_modbus_frame_alone_on_a_bus_of_which_nothing_is_known() -> None:
    # sheet 3.3 (READ, pymodbus unit tests): "bad CRC sample used there"
    (frame,) = decode(bytes.fromhex("0083029121"))
    assert (frame.protocol, frame.reason) == (MODBUS, CHECK_FAILED)
    # sheet 3.3 BAD PRINT: the printed CRC FA C8 is wrong, 57 5F is right
    (frame,) = decode(bytes.fromhex("0110300C0001020001FAC8"))
    assert (frame.protocol, frame.reason) == (MODBUS, CHECK_FAILED)
    (frame,) = decode(bytes.fromhex("0110300C0001020001575F"))
    assert (frame.protocol, frame.reason, frame.role) == (MODBUS, OK, Role.REQUEST)


@pytest.mark.parametrize("known", [(), (POLL, ACK, 60), (READ, 5, READ_REPLY, 60)], ids=["nothing", "osdp", "modbus"])
@pytest.mark.parametrize(
    "octets",
    # sheet 11 (COMPUTED): reversed wires; twice, four times the sender's speed; parity read as data
    [
        "56F1FFFB3F7700",
        "777E29FFF913F1",
        "1EE6",
        "F88078",
        "66E698E600FE",
        "7878F8807 8F800F8".replace(" ", ""),
        "11206B03D7",
    ],
)
def test_a_wrong_line_gives_no_good_frame(known: tuple[Part, ...], octets: str) -> None:
    for repeats in (1, 40):
        frames = decode(*known, bytes.fromhex(octets) * repeats, 80)
        assert good(frames) == [part for part in known if isinstance(part, bytes)]


@pytest.mark.parametrize("inside", [POLL + ACK, READ + READ_REPLY, LED], ids=["osdp", "modbus", "one"])
@pytest.mark.parametrize("code", [0x80, 0x7C], ids=["MFG", "FILETRANSFER"])
@pytest.mark.parametrize("known", [(), (POLL, ACK)], ids=["nothing", "osdp"])
def test_a_frame_that_carries_frames_is_one(known: tuple[Part, ...], code: int, inside: bytes) -> None:
    """With a CRC. What a checksum, 8 bits, is trusted with is said in docs/decoding.md."""
    outer = build_frame(1, code, b"\x01\x02\x03" + inside, sequence=3)
    frames = decode(*known, outer, ACK)
    assert [frame.octets for frame in frames] == [*known, outer, ACK]
    assert all(frame.ok for frame in frames)


def test_a_modbus_write_that_carries_an_osdp_frame_is_one() -> None:
    body = bytes.fromhex("11100001000408") + POLL
    outer = body + modbus_crc(body).to_bytes(2, "little")
    frames = decode(READ, 5, READ_REPLY, 5, outer, 5, READ)
    assert [frame.octets for frame in frames] == [READ, READ_REPLY, outer, READ]


def test_the_longest_osdp_frame() -> None:
    """1440 octets, sheet 5.2; all of them start octets or marks but for header and check."""
    for filling in (b"\x53", b"\xff", b"\xff\x53", b"\x53\x01\x08\x00\x05"):
        longest = build_frame(1, 0x7C, (filling * 1432)[:1432], sequence=1)
        assert len(longest) == 1440
        frames = decode(POLL, longest, ACK)
        assert [frame.octets for frame in frames] == [POLL, longest, ACK]


def test_marks_before_a_start_octet_are_led_not_counted() -> None:
    """sheet 5.1, trap 4"""
    frames = decode(b"\xff" + POLL, 3, b"\xff" + ACK, 3, b"\xff\xff" + POLL)
    assert [(frame.lead, frame.octets) for frame in frames] == [(b"\xff", POLL), (b"\xff", ACK), (b"\xff\xff", POLL)]
    assert frames[1].silence_ns == 3 * CHAR
    assert frames[1].t_ns - frames[0].end_ns == 4 * CHAR


@pytest.mark.parametrize("pause", [4, 10, 19, 23, 30])
@pytest.mark.parametrize("at", range(1, 22, 4))
def test_a_false_silence_inside_an_osdp_frame_is_borne(pause: int, at: int) -> None:
    """A computer that stalls makes silences that were never on the line; up to 30 characters here, 31 ms at 9600."""
    frames = decode(POLL, ACK, LED[:at], pause, LED[at:], KEYPAD)
    assert [frame.octets for frame in frames] == [POLL, ACK, LED, KEYPAD]


def test_modbus_echoes_are_request_and_reply_in_turn() -> None:
    # sheet 3.3: 05, 06 (READ) and 0F, 10 with their shorter replies
    exchange = ["110500ACFF004E8B", "110500ACFF004E8B", "1106000100039A9B", "1106000100039A9B"]
    exchange += ["110F0013000A02CD01BF0B", "110F0013000A2699", "1110000100020400 0A0102C6F0", "1110000100021298"]
    parts: list[Part] = []
    for text in exchange * 2:
        parts += [bytes.fromhex(text), 5]
    frames = decode(*parts)
    assert [frame.octets.hex() for frame in frames] == [bytes.fromhex(text).hex() for text in exchange * 2]
    assert [frame.role for frame in frames] == [Role.REQUEST, Role.REPLY] * 8


def test_a_repeated_request_is_no_reply() -> None:
    """A reply comes within a second (sheet 3.1); the same again later is asked again."""
    write = bytes.fromhex("1106000100039A9B")
    frames = decode(write, 2000, write, 5, write)
    assert [frame.role for frame in frames] == [Role.REQUEST, Role.REQUEST, Role.REPLY]


def test_reading_bits_where_request_and_reply_are_both_eight_octets() -> None:
    """A reply of three octets of bits is as long as any request; what was asked tells."""
    request = _modbus("110200C40016")  # sheet 3.3: 22 inputs, three octets
    reply = bytes.fromhex("110203ACDB352018")  # sheet 3.3
    frames = decode(request, 5, reply, 30, request, 5, reply)
    assert [frame.octets for frame in frames] == [request, reply] * 2
    assert [frame.role for frame in frames] == [Role.REQUEST, Role.REPLY] * 2


def test_the_address_that_is_a_start_octet() -> None:
    parts = [
        _modbus("530300010004"),
        _modbus("530308" + "5301080005608B33"),
        _modbus("5306000000FF"),
        _modbus("538302"),
    ]
    frames = decode(parts[0], 5, parts[1], 5, parts[2], 5, parts[3])
    assert [frame.octets for frame in frames] == parts
    assert all(frame.ok and frame.protocol is MODBUS for frame in frames)
    together = decode(READ, 5, READ_REPLY, 5, b"".join(parts))
    assert [frame.octets for frame in together[2:]] == parts


@pytest.mark.parametrize("function", [65, 72, 100, 110])
def test_functions_of_the_user_are_ended_by_silence(function: int) -> None:
    """65 to 72 and 100 to 110 have no known length (V1.1b3, sheet 3): CRC and silence tell."""
    frame = _modbus(f"11{function:02X}0102030405")
    frames = decode(frame, 6, READ, 6, frame, 6, READ_REPLY)
    assert [one.octets for one in frames] == [frame, READ, frame, READ_REPLY]
    assert all(one.ok for one in frames)


def test_both_protocols_on_one_bus() -> None:
    sequence = [POLL, ACK, READ, READ_REPLY, LED, KEYPAD, READ, READ_REPLY, POLL, ACK]
    for silence in (0, 5, 25):
        parts: list[Part] = []
        for frame in sequence:
            parts += [silence, frame]
        frames = decode(*parts)
        assert [frame.octets for frame in frames] == sequence
        assert all(frame.ok for frame in frames)


@pytest.mark.parametrize("known", [(), (POLL, ACK), (READ, 5, READ_REPLY)], ids=["nothing", "osdp", "modbus"])
def test_noise_seldom_looks_like_a_good_frame(known: tuple[Part, ...]) -> None:
    """At most one false frame in 20 000 octets here; docs/decoding.md has the rates over ten million."""
    noise = random.Random(485).randbytes(40_000)
    decoder = BusDecoder(SETTINGS)
    frames: list[Frame] = []
    for chunk in heard(*known, 30, noise):
        frames += decoder.feed(chunk)
    frames += decoder.close()
    assert sum(frame.ok for frame in frames) - sum(isinstance(part, bytes) for part in known) <= 2
    assert b"".join(frame.lead + frame.octets for frame in frames).endswith(noise)


def _modbus(text: str) -> bytes:
    octets = bytes.fromhex(text)
    return octets + modbus_crc(octets).to_bytes(2, "little")


@pytest.mark.parametrize("known", [(), (POLL, ACK), (READ, 5, READ_REPLY)], ids=["nothing", "osdp", "modbus"])
@pytest.mark.parametrize(
    "text",
    ["010302000179 84", "0083029131", "01076DE3DD", "010741E2", "0118000600 0201B812841918", "01010155"],
)
def test_a_short_modbus_frame_is_answered_with_its_last_octet_too(known: tuple[Part, ...], text: str) -> None:
    """A reply may be shorter than the request of its function. sheet 3.3"""
    octets = bytes.fromhex(text)
    frame = octets if modbus_crc(octets) == 0 else _modbus(text)
    decoder = BusDecoder(SETTINGS)
    now = 0
    for chunk in heard(*known):
        decoder.feed(chunk)
        now = chunk.end_ns
    now += 10 * CHAR
    found = []
    for octet in frame:
        found = decoder.feed(Chunk(now, now + CHAR, bytes((octet,))))
        now += CHAR
    assert [one.octets for one in found] == [frame]


def test_a_request_repeated_while_its_longer_reply_is_due_waits_for_a_silence() -> None:
    """Read exception status: 4 octets, its reply 5. sheet 3.3"""
    decoder = BusDecoder(SETTINGS)
    request = bytes.fromhex("010741E2")
    assert [one.octets for one in decoder.feed(Chunk(0, 4 * CHAR, request))] == [request]
    assert decoder.feed(Chunk(20 * CHAR, 24 * CHAR, request)) == []
    assert decoder.flush(27 * CHAR) == []
    assert [(one.octets, one.role) for one in decoder.flush(29 * CHAR)] == [(request, Role.REQUEST)]
