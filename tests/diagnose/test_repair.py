"""Check-constrained repair and damaged copies: what was sent is found, and not where chance would."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.diagnose.copies import MOST_FRAMES, Copies
from benchtool.diagnose.repair import Mended, Repairs, flipped, repair

# sheet 5.7 (COMPUTED gallery, address 1) and sheet 3.3 / section 11
OSDP = [bytes.fromhex(text) for text in ("5301080005608B33", "53810800054039 35", "5301090005610050 14")]
MODBUS = [bytes.fromhex("1103006B00037687"), bytes.fromhex("110306AE415652434049AD")]


@pytest.mark.parametrize(("frame", "osdp"), [*((frame, True) for frame in OSDP), *((frame, False) for frame in MODBUS)])
def test_every_single_flipped_bit_is_mended(frame: bytes, osdp: bool) -> None:
    for at in range(len(frame)):
        for bit in range(8):
            read = bytearray(frame)
            read[at] ^= 1 << bit
            found = repair(bytes(read), (0x11,), osdp=osdp, modbus=not osdp)
            assert found is not None
            assert found.frame == frame
            assert found.how is (Mended.FIRST_WRONG if at == 0 else Mended.BIT)


@pytest.mark.parametrize(("frame", "osdp"), [(OSDP[0], True), (MODBUS[0], False)])
def test_a_lost_first_octet_is_found(frame: bytes, osdp: bool) -> None:
    found = repair(frame[1:], (3, 0x11), osdp=osdp, modbus=not osdp)
    assert found is not None
    assert (found.how, found.frame) == (Mended.FIRST_LOST, frame)


def test_chance_hardly_mends() -> None:
    rng = random.Random(2)
    tried = [rng.randbytes(rng.randrange(6, 20)) for _ in range(3000)]
    assert sum(repair(octets, (1, 2, 3), osdp=True, modbus=True) is not None for octets in tried) < 20


@given(st.binary(max_size=80))
def test_repair_never_raises(octets: bytes) -> None:
    found = repair(octets, (1,), osdp=True, modbus=True)
    assert found is None or found.frame != octets
    assert flipped(octets[:4], True) is None


def test_counts_of_repairs() -> None:
    assert Repairs(3, {Mended.BIT: 2}).count(Mended.BIT) == 2
    assert Repairs().count(Mended.FIRST_LOST) == 0


def test_copies_are_found_whole_and_inside_a_span() -> None:
    copies = Copies()
    for frame in (*OSDP, *MODBUS):
        copies.learn(frame)
    frame = OSDP[0]
    damaged = frame[:3] + bytes((frame[3] ^ 0x21,)) + frame[4:]
    assert copies.find(damaged) == (0, frame)
    assert copies.find(b"\x00\xfc" + damaged + b"\x80") == (2, frame)
    assert copies.find(bytes(8)) is None
    assert copies.find(b"\x01\x02" + bytes(60)) is None


def test_copies_take_bounded_room() -> None:
    copies = Copies()
    for number in range(3 * MOST_FRAMES):
        copies.learn(number.to_bytes(8, "big"))
    copies.learn(bytes(100))
    assert list(copies.kept) == [8]
    assert len(copies.kept[8]) == MOST_FRAMES
    assert (3 * MOST_FRAMES - 1).to_bytes(8, "big") in copies.kept[8]
