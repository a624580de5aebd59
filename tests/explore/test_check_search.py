"""The search for an unknown check value, on frames that an independent library completed, and where there is none."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import crccheck.crc
import pytest

from benchtool.explore.check_search import search
from benchtool.explore.explained import CheckResult
from benchtool.explore.same import merged
from benchtool.frames.check_value import CheckKind, CheckValue

Complete = Callable[[bytes], bytes]

CLASSES = {kind._names[0]: kind for kind in crccheck.crc.ALLCRCCLASSES if 8 <= kind._width <= 64}
"""Written by others: the frames of these tests do not come from our own arithmetic."""


def frames(
    complete: Complete, seed: int, *, count: int = 40, damage: float = 0.01, sizes: tuple[int, ...] = (4, 5, 8, 11)
) -> list[bytes]:
    """Invented frames: start 02, address, length, command, payload, check; one octet in a hundred has a flipped bit."""
    chooser = random.Random(seed)
    made = []
    for _ in range(count):
        size = chooser.choice(sizes)
        body = bytes((2, chooser.choice((1, 2, 3)), size, chooser.choice((0x10, 0x20)))) + chooser.randbytes(size)
        whole = complete(body)
        made.append(bytes(octet ^ (1 << chooser.randrange(8) if chooser.random() < damage else 0) for octet in whole))
    return made


def by_crccheck(kind: Any, *, first: int = 0, tail: bytes = b"", order: str = "big") -> Complete:
    size = -(-kind._width // 8)

    def complete(body: bytes) -> bytes:
        value: int = kind.calc(body[first:])
        return body + value.to_bytes(size, "little" if order == "little" else "big") + tail

    return complete


def agrees(result: CheckResult, complete: Complete, sizes: tuple[int, ...] = (6, 9, 14, 23)) -> bool:
    """Whether the first explanation is right on frames of other lengths that nobody has seen."""
    chooser = random.Random(7)
    return result.best is not None and all(
        result.best.check.ok(complete(b"\x02" + chooser.randbytes(size - 1))) for size in sizes
    )


@pytest.mark.parametrize("name", sorted(CLASSES))
def test_every_row_of_the_catalogue_is_found(name: str) -> None:
    seed = sorted(CLASSES).index(name)
    complete = by_crccheck(
        CLASSES[name],
        first=seed % 2,
        tail=b"\x03" if seed % 3 == 0 else b"",
        order="little" if seed % 5 < 2 else "big",
    )
    result = search(frames(complete, seed))
    assert agrees(result, complete)
    best = result.best
    assert best is not None
    assert best.check.name
    assert best.proved
    assert best.right >= 25


@pytest.mark.parametrize("seed", range(12))
def test_a_crc_of_no_catalogue_is_found_by_algebra(seed: int) -> None:
    chooser = random.Random(1000 + seed)
    width = (8, 16, 16, 32)[seed % 4]
    turned = chooser.random() < 0.5

    class Odd(crccheck.crc.CrcBase):  # type: ignore[misc]  # the library has no types
        _names = ("odd",)
        _width = width
        _poly = chooser.randrange(3, 1 << width, 2)
        _initvalue = chooser.choice((0, (1 << width) - 1, chooser.randrange(1 << width)))
        _reflect_input = turned
        _reflect_output = turned
        _xor_output = chooser.choice((0, (1 << width) - 1))

    complete = by_crccheck(Odd, first=seed % 2, order="little" if seed % 3 == 0 else "big")
    result = search(frames(complete, seed))
    assert agrees(result, complete)


def test_one_length_leaves_the_constants_open() -> None:
    class Odd(crccheck.crc.CrcBase):  # type: ignore[misc]  # as above
        _width, _poly, _initvalue, _xor_output = 16, 0x4A2B | 1, 0x1234, 0x00FF
        _reflect_input = _reflect_output = False

    complete = by_crccheck(Odd)
    result = search(frames(complete, 3, sizes=(6,)))
    assert agrees(result, complete, sizes=(10,))
    assert any("one length" in note for note in result.notes)


SUMS: dict[str, tuple[Complete, CheckKind]] = {
    "sum": (lambda body: body + bytes((sum(body) & 0xFF,)), CheckKind.SUM),
    "twos": (lambda body: body + bytes((-sum(body) & 0xFF,)), CheckKind.SUM),
    "ones": (lambda body: body + bytes((~sum(body) & 0xFF,)), CheckKind.SUM),
    "after-start": (lambda body: body + bytes((sum(body[1:]) & 0xFF, 3)), CheckKind.SUM),
    "sum16": (lambda body: body + sum(body).to_bytes(2, "little"), CheckKind.SUM),
    "odd-start": (lambda body: body + bytes((sum(body, 0x5A) & 0xFF,)), CheckKind.SUM),
    "text": (lambda body: body + f"{sum(body) & 0xFF:02X}\r\n".encode(), CheckKind.SUM),
}


@pytest.mark.parametrize("name", SUMS)
def test_common_sums_are_found(name: str) -> None:
    complete, kind = SUMS[name]
    result = search(frames(complete, 5))
    assert agrees(result, complete)
    assert result.best is not None
    assert result.best.check.kind is kind


def test_exclusive_or_with_an_octet_left_out() -> None:
    def complete(body: bytes) -> bytes:
        value = 0
        for octet in body:
            value ^= octet
        return body + b"\x03" + bytes((value,))

    result = search(frames(complete, 5))
    assert agrees(result, complete)
    assert result.best is not None
    assert (result.best.check.kind, result.best.check.gap) == (CheckKind.XOR, 1)


@pytest.mark.parametrize("seed", range(10))
def test_frames_without_a_check_value_are_not_given_one(seed: int) -> None:
    chooser = random.Random(seed)
    values = range(256) if seed % 2 else (0, 1, 2, 0x30, 0x31)

    def complete(body: bytes) -> bytes:
        return body + bytes(chooser.choice(values) for _ in range(2))

    dull = [bytes(chooser.choice(values) for _ in range(chooser.randrange(5, 14))) for _ in range(40)]
    assert search(frames(complete, seed)).explanations == ()
    assert search(dull).explanations == ()


def test_too_few_frames_are_told() -> None:
    result = search([b"\x02\x01\x03", b"\x02\x02\x04", b"\x02\x01\x03"])
    assert result.best is None
    assert "too few" in result.notes[0]
    assert search([]).explanations == ()


def test_what_traffic_cannot_tell_apart_is_listed_or_merged() -> None:
    # The start octet is 00: with a start value of 0 it makes no difference whether it is covered.
    xmodem = CLASSES["CRC-16/XMODEM"]
    sent = [b"\x00" + frame[1:] for frame in frames(lambda body: body, 9, damage=0)]
    whole = [by_crccheck(xmodem)(body) for body in sent]
    result = search(whole)
    assert {one.check.start for one in result.explanations} >= {0, 1}
    told = merged(result, whole)
    assert len(told.explanations) == 1
    assert any("other way" in note for note in told.notes)


def test_a_rival_that_differs_is_kept() -> None:
    # No two octets have a bit in common, so that nothing carries: added and xored they are the same.
    check = CheckValue(CheckKind.SUM, 8)
    heard = [check.completed(bytes((1, 2, 4 << index, 0))) for index in range(5)]
    found = search(heard)
    told = merged(found, heard)
    assert {one.check.kind for one in found.explanations} >= {CheckKind.SUM, CheckKind.XOR}
    assert {one.check.kind for one in told.explanations} >= {CheckKind.SUM, CheckKind.XOR}
