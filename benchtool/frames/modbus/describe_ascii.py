"""Say what a Modbus frame in ASCII mode means: as the RTU frame with the same octets, with places in characters.

Runs only when somebody wants to read a frame. Facts: sheet 3.1 to 3.3.
"""

from __future__ import annotations

from dataclasses import replace

from benchtool.capture.printable import printable
from benchtool.frames.frame import Frame, Protocol, Reason
from benchtool.frames.meaning import Field, Meaning
from benchtool.frames.modbus.ascii import END, MAX_CHARACTERS, MIN_CHARACTERS, as_rtu, inside, lrc, plain
from benchtool.frames.modbus.describe import describe as describe_rtu

_LRC_DIGITS = 2


def describe(frame: Frame) -> Meaning:
    """The frame in words, sound or damaged; offsets count characters from the frame's first. Never raises on input."""
    characters = plain(frame.octets)
    if frame.reason is Reason.TRUNCATED or not characters.endswith(END):
        return _cut_off(frame, characters)
    octets = inside(characters)
    if octets is None:
        return Meaning(None, "damaged Modbus frame in ASCII mode", (_characters(characters),), (_not_hex(characters),))
    if not MIN_CHARACTERS <= len(characters) <= MAX_CHARACTERS:
        problem = f"{len(characters)} characters, a frame has {MIN_CHARACTERS} to {MAX_CHARACTERS}"
        return Meaning(None, "damaged Modbus frame in ASCII mode", (_characters(characters),), (problem,))
    problems: tuple[str, ...] = ()
    if octets[-1] != lrc(octets[:-1]):
        problems = (f"LRC is {octets[-1]:02X}, the octets give {lrc(octets[:-1]):02X}",)
    if characters != characters.upper():
        problems += ("small letters as digits",)
    return _as_rtu(frame, as_rtu(octets[:-1]), problems, Reason.OK)


def _as_rtu(frame: Frame, rtu: bytes, problems: tuple[str, ...], reason: Reason) -> Meaning:
    meaning = describe_rtu(frame._replace(protocol=Protocol.MODBUS_RTU, octets=rtu, reason=reason))
    fields = tuple(replace(field, start=2 * field.start + 1, length=2 * field.length) for field in meaning.fields)
    return Meaning(meaning.name, meaning.title, fields, problems + meaning.problems)


def _cut_off(frame: Frame, characters: bytes) -> Meaning:
    problem = f"cut off after {len(characters)} characters"
    # What may be half an octet, or an end cut short, says nothing; nor is it known which octet the LRC is.
    octets = inside(characters[: len(characters) - (len(characters) - 1) % 2]) if characters else b""
    if octets is None or len(octets) < _LRC_DIGITS:
        return Meaning(None, "Modbus frame in ASCII mode, cut off", (_characters(characters),), (problem,))
    meaning = _as_rtu(frame, octets, (), Reason.TRUNCATED)
    others = tuple(other for other in meaning.problems if not other.startswith("cut off after"))
    return Meaning(meaning.name, meaning.title, meaning.fields, (problem, *others))


def _characters(characters: bytes) -> Field:
    text = printable(characters.decode("ascii"), ".")
    return Field("characters", text, text, 0, len(characters))


def _not_hex(characters: bytes) -> str:
    digits = characters[1:-2]
    for place, character in enumerate(digits, 1):
        if character not in b"0123456789ABCDEFabcdef":
            return f"character {place} is no hexadecimal digit"
    return f"{len(digits)} digits are no whole octets"
