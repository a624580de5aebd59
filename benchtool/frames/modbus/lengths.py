"""How long a Modbus RTU frame is, function by function: the rules that find its end without any silence.

Facts: the layouts of Modbus Application Protocol V1.1b3 in sheet 3.3 and 3.4; at most 256 octets (sheet 3.1).
A function has up to two rules, one for the request and one for the reply; which of them holds is found by the CRC.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchtool.frames.frame import Role

MIN_LENGTH = 4
"""Address, function, CRC."""
MAX_ADDRESS = 247
"""248 to 255 are reserved (sheet 3.1)."""
MAX_LENGTH = 256
EXCEPTION_LENGTH = 5
EXCEPTION_BIT = 0x80
EXCEPTION_CODES = frozenset((1, 2, 3, 4, 5, 6, 7, 8, 10, 11))
"""Sheet 3.4; 07 is legacy."""
NO_FIT = 0
"""The octets that are there break the rule."""

Rule = Callable[[bytes, int, int], int]
"""(octets, start, end of what is there) → the length; `NO_FIT`; or, below 0, minus the octets it takes to know."""


def fixed(length: int) -> Rule:
    """Always this long."""
    return lambda octets, start, end: length


def counted(at: int, around: int, least: int = 1, most: int = 252, step: int = 1) -> Rule:
    """`around` octets and as many as the octet at offset `at` says: a multiple of `step` from `least` to `most`."""

    def rule(octets: bytes, start: int, end: int) -> int:
        if end - start <= at:
            return -(at + 1)
        count = octets[start + at]
        return around + count if least <= count <= most and count % step == 0 else NO_FIT

    return rule


def _fifo_reply(octets: bytes, start: int, end: int) -> int:
    if end - start < 4:
        return -4
    count = octets[start + 2] << 8 | octets[start + 3]
    return 6 + count if 2 <= count <= 64 and count % 2 == 0 else NO_FIT


def _identification_request(octets: bytes, start: int, end: int) -> int:
    if end - start < 3:
        return -3
    return 7 if octets[start + 2] == 0x0E else NO_FIT


def _identification_reply(octets: bytes, start: int, end: int) -> int:
    if end - start < 8:
        return -8 if end - start < 3 or octets[start + 2] == 0x0E else NO_FIT
    if octets[start + 2] != 0x0E:
        return NO_FIT
    at = start + 8
    for _ in range(octets[start + 7]):
        if at - start + 2 > MAX_LENGTH:
            return NO_FIT
        if end < at + 2:
            return start - at - 2
        at += 2 + octets[at + 1]
    length = at - start + 2
    return length if length <= MAX_LENGTH else NO_FIT


@dataclass(frozen=True, slots=True)
class Shape:
    """The rules of one function."""

    request: Rule
    reply: Rule


RULES: dict[int, Shape] = {
    0x01: Shape(fixed(8), counted(2, 5, most=250)),
    0x02: Shape(fixed(8), counted(2, 5, most=250)),
    0x03: Shape(fixed(8), counted(2, 5, 2, 250, 2)),
    0x04: Shape(fixed(8), counted(2, 5, 2, 250, 2)),
    0x05: Shape(fixed(8), fixed(8)),
    0x06: Shape(fixed(8), fixed(8)),
    0x07: Shape(fixed(4), fixed(5)),
    0x08: Shape(fixed(8), fixed(8)),
    0x0B: Shape(fixed(4), fixed(8)),
    0x0C: Shape(fixed(4), counted(2, 5, 6, 70)),
    0x0F: Shape(counted(6, 9, most=246), fixed(8)),
    0x10: Shape(counted(6, 9, 2, 246, 2), fixed(8)),
    0x11: Shape(fixed(4), counted(2, 5, most=251)),
    0x14: Shape(counted(2, 5, 7, 245, 7), counted(2, 5, 2, 245)),
    0x15: Shape(counted(2, 5, 9, 251), counted(2, 5, 9, 251)),
    0x16: Shape(fixed(10), fixed(10)),
    0x17: Shape(counted(10, 13, 2, 242, 2), counted(2, 5, 2, 250, 2)),
    0x18: Shape(fixed(6), _fifo_reply),
    0x2B: Shape(_identification_request, _identification_reply),
}
"""Every public function of the specification."""

USER_FUNCTIONS = frozenset((*range(65, 73), *range(100, 111)))
"""Functions left to the user: no rule can be known."""
DELIMITED = USER_FUNCTIONS | {0x08, 0x2B}
"""Functions (some of) whose frames only silence delimits: also long query data (08) and other 2B types."""
KNOWN = frozenset(RULES) | USER_FUNCTIONS


def is_exception(function: int, code: int | None) -> bool:
    """Whether this can be an exception reply; `code` None when it is not there yet."""
    return function >= EXCEPTION_BIT and function & 0x7F in KNOWN and (code is None or code in EXCEPTION_CODES)


def lengths(octets: bytes, start: int, end: int) -> list[tuple[int, Role]]:
    """The lengths that a frame beginning at `start` may have, shortest first, with the role that has each.

    `end` is the end of what is there. A length below 0 is not known before that many octets are there; it comes last.
    Empty: no rule fits. Both roles with one length give one entry with `Role.UNKNOWN`.
    """
    there = end - start
    if there < 2:
        return [(-2, Role.UNKNOWN)]
    function = octets[start + 1]
    shape = RULES.get(function)
    if shape is None:
        if is_exception(function, octets[start + 2] if there > 2 else None):
            return [(EXCEPTION_LENGTH, Role.REPLY)]
        return []
    asked = shape.request(octets, start, end)
    answered = shape.reply(octets, start, end)
    if asked == answered:
        return [] if asked == NO_FIT else [(asked, Role.UNKNOWN)]
    request, reply = (asked, Role.REQUEST), (answered, Role.REPLY)
    if asked == NO_FIT:
        return [reply]
    if answered == NO_FIT:
        return [request]
    if asked < 0 or 0 < answered < asked:
        return [reply, request]
    return [request, reply]
