"""Buses unlike those that the explorer is measured on: nothing false is claimed of them, and what stays open is said.

The protocols are invented here; their check values are computed here, bit by bit.
"""

from __future__ import annotations

import random
from collections.abc import Iterable

import pytest

from benchtool.capture.chunk import Chunk, LineErrors, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.explore.claims import What
from benchtool.explore.explore import Explored, explore
from benchtool.frames.protocol_table import Place

MS = 1_000_000
INFO = TapInfo("strange", LineSettings(9600), LineErrors.MARKED)


def crc(data: bytes, width: int, poly: int, value: int) -> bytes:
    """A CRC, most significant bit first, high octet first."""
    top = 1 << width - 1
    for octet in data:
        value ^= octet << width - 8
        for _ in range(8):
            value = (value << 1 ^ (poly if value & top else 0)) & (2 * top - 1)
    return value.to_bytes(width // 8, "big")


def heard(frames: Iterable[tuple[bytes, int]]) -> Explored:
    """What is found out of frames, each after so many nanoseconds of silence."""
    chunks, now = [], 0
    for octets, wait in frames:
        now += wait
        ended = now + len(octets) * INFO.settings.char_ns
        chunks.append(Chunk(now, ended, octets))
        now = ended
    return explore(chunks, INFO)


def polled(count: int, devices: int, *, first: int = 1, own_ns: int = 0) -> Explored:
    """Devices asked in turn, with a CRC of 8 bits; `own_ns`: how much later the next device answers than the last."""
    chooser = random.Random(4)
    frames = []
    for turn in range(count):
        at = first + turn % devices
        ask, reply = bytes((0x99, at, 1)), bytes((0x9A, at, 1)) + chooser.randbytes(1 + turn // 2 % 2)
        frames += [(ask + crc(ask, 8, 0xA7, 0x3C), 50 * MS), (reply + crc(reply, 8, 0xA7, 0x3C), 5 * MS + at * own_ns)]
    return heard(frames)


@pytest.mark.parametrize(("count", "devices"), [(7, 5), (12, 20), (40, 40), (16, 3), (24, 7)])
def test_an_address_asked_in_turn_is_not_called_a_counter(count: int, devices: int) -> None:
    found = polled(count, devices)
    assert found.claim(What.COUNTER) is None
    assert found.claim(What.ADDRESS) is None
    assert any("an address asked in turn or a counter" in text for text in found.open_questions)
    assert not any("one device alone" in text for text in found.open_questions)


def test_times_of_their_own_tell_devices_from_a_count() -> None:
    found = polled(60, 7, own_ns=700_000)
    assert found.table is not None
    assert found.table.address == Place(1)
    assert found.claim(What.COUNTER) is None


def test_where_the_round_ends_tells_devices_from_a_count() -> None:
    found = polled(40, 5)
    assert found.table is not None
    assert found.table.address == Place(1)


def test_a_count_over_all_octets_is_a_counter() -> None:
    found = polled(300, 256, first=0)
    assert found.table is not None
    assert found.table.counter == Place(1)
    assert found.claim(What.ADDRESS) is None


def test_what_no_reply_brings_back_is_a_counter() -> None:
    frames = []
    for turn in range(30):
        ask, reply = bytes((0x42, turn % 8, 5)), bytes((0x43, 0x70, 5 + turn % 2))
        frames += [(ask + crc(ask, 16, 0x8BB7, 0xFFFF), 50 * MS), (reply + crc(reply, 16, 0x8BB7, 0xFFFF), 5 * MS)]
    found = heard(frames)
    assert found.table is not None
    assert found.table.counter == Place(1)


def test_two_controllers() -> None:
    chooser = random.Random(2)
    frames = []
    for turn in range(160):
        device, controller = chooser.randrange(1, 5), 0xC0 + turn % 2
        for head, wait in (((device, controller, 0x20), 40 * MS), ((controller, device, 0xA0), 6 * MS)):
            octets = bytes((0x55, *head)) + chooser.randbytes(2)
            frames.append((octets + crc(octets, 16, 0x1021, 0x1234), wait))
    found = heard(frames)
    assert found.claim(What.ADDRESS) is None
    assert any("change places in replies" in text for text in found.open_questions)


def test_frames_of_one_talker_have_no_replies() -> None:
    chooser = random.Random(6)
    found = heard((bytes((0xAA, turn & 0xFF, 7)) + chooser.randbytes(4), 50 * MS) for turn in range(120))
    assert found.claim(What.ROLE) is None
    assert found.claim(What.PERIOD) is None


def test_a_decimal_sum_in_text_is_not_called_another() -> None:
    chooser = random.Random(7)
    frames = []
    for turn in range(120):
        at = turn % 4 + 1
        for text, wait in ((f"A{at:02d}:RD", 100 * MS), (f"a{at:02d}:V={chooser.randrange(4000)}", 20 * MS)):
            frames.append((f"${text}*{sum(text.encode()) % 256:03d}\r\n".encode(), wait))
    found = heard(frames)
    assert found.claim(What.CHECK) is None
    assert found.table is not None
    # Polls and answers alike are whole frames.
    assert (found.sound, found.damaged) == (240, 0)
    assert found.table.starts == (b"$",)
    assert found.table.ends == (b"\r\n",)


def test_a_check_value_that_explains_one_side_only_is_not_believed() -> None:
    chooser = random.Random(10)
    frames = []
    for turn in range(60):
        ask, reply = b"\x21" + chooser.randbytes(12), bytes((0x22, turn & 3)) + chooser.randbytes(2)
        frames += [(ask, 50 * MS), (reply + bytes((sum(reply) & 0xFF,)), 5 * MS)]
    found = heard(frames)
    assert found.check.best is None
    assert any("too little to be believed" in text for text in found.open_questions)


def test_a_wide_check_value_is_not_made_of_a_narrow_one() -> None:
    # Five polls whose CRC of 8 bits is shifted once from one to the next, behind an octet that never changes.
    assert polled(7, 5).check.best is None


def test_acknowledgements_of_one_octet_are_said() -> None:
    chooser = random.Random(8)
    frames = []
    for _ in range(60):
        octets = bytes((0xF0, chooser.choice((1, 2, 4)))) + chooser.randbytes(3)
        frames += [(octets + crc(octets, 8, 0x31, 0), 50 * MS), (b"\x06", 6 * MS)]
    found = heard(frames)
    assert found.claim(What.CHECK) is not None
    assert any("06 comes by itself 60 times" in text for text in found.open_questions)


def test_escaped_octets_are_said() -> None:
    chooser = random.Random(9)
    frames = []
    for turn in range(240):
        body = bytes((chooser.choice((0x11, 0x15)), 0x80 * (turn & 1))) + chooser.randbytes(6)
        whole = body + crc(body, 16, 0x1021, 0x1234)
        sent = b"".join(bytes((0x7D, one ^ 0x20)) if one in (0x7D, 0x7E) else bytes((one,)) for one in whole)
        frames.append((b"\x7e" + sent + b"\x7e", 4 * MS if turn & 1 else 40 * MS))
    found = heard(frames)
    assert found.claim(What.CHECK) is not None
    assert any("7E never comes inside a sound frame" in text for text in found.open_questions)
