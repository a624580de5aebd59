"""What a frame of an unknown bus says, as far as its protocol table goes: never its payload, which may hold secrets."""

from __future__ import annotations

from benchtool.frames.frame import Protocol, Role
from benchtool.frames.meaning import Field, Meaning
from benchtool.frames.protocol_table import Place, TableFrame

CHECK = "check"
"""The field of the check value, as sent."""
_WORDS = {Role.REQUEST: "request", Role.REPLY: "reply", Role.UNKNOWN: "frame"}


def describe(frame: TableFrame) -> Meaning:
    """Length, address, counter and, where it is wrong, the check value."""
    count = len(frame.octets)
    if frame.protocol is not Protocol.TABLE:
        return Meaning(None, "unknown octets", (Field("count", count, str(count), 0, count),))
    table = frame.table
    fields = [Field("length", count, f"{count} octets", 0, 0)]
    for name, place in (("address", table.address), ("counter", table.counter)):
        if place is not None:
            fields += _field(name, place, frame.octets)
    check = table.check
    problems: tuple[str, ...] = ()
    if check is not None and count >= check.least:
        start = count - check.tail - check.size
        sent = frame.octets[start : start + check.size]
        fields.append(Field(CHECK, sent.hex(), sent.hex(" ").upper(), start, check.size))
        if not check.ok(frame.octets):
            right = check.field(check.value(frame.octets))
            problems = (f"check should be {right.hex(' ').upper()}",)
    word = _WORDS[frame.role]
    return Meaning(word, f"{table.name} {word}", tuple(fields), problems)


def _field(name: str, place: Place, octets: bytes) -> list[Field]:
    value = place.read(octets)
    return [] if value is None else [Field(name, value, str(value), place.at, place.size)]
