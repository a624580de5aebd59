"""The lines of the card-line probe, both ways, without I/O: docs/probe.md has them octet by octet.

Lines are text with a sequence number and CRC-32/ISO-HDLC (reference sheet section 4: check CBF43926). Whatever octets
are lost or damaged, a line is either right or told as missing: numbers that were left out become `Lost`.
"""

from __future__ import annotations

import re
from binascii import crc32
from typing import NamedTuple

PROTOCOL = 1
"""The version of the protocol that is spoken here."""
LONGEST = 240
"""Octets in the longest line."""
LEVELS = {"w": (False, False), "x": (True, False), "y": (False, True), "z": (True, True)}
"""A letter of the protocol: whether D0 and D1 are high."""

_MARK, _COMMAND_MARK = "!", "?"
_LINE = re.compile(rb"!([0-9A-F]{4}) ([ -~]*) ([0-9A-F]{8})")
_HEX = "[0-9A-F]{1,16}"
_EDGES = re.compile(rf"({_HEX}) ([wxyz]) ((?:[wxyz]{_HEX})+)")
_CHANGE = re.compile(rf"([wxyz])({_HEX})")
_TICKS_LEVELS = re.compile(rf"({_HEX}) ([wxyz])(?: (.*))?")
_NUMBERED = re.compile(r"([0-9A-F]{4})(?: (.*))?")
_STRAYS_KEPT = 400


class Levels(NamedTuple):
    """Whether each line is high."""

    d0: bool
    d1: bool


class Hello(NamedTuple):
    """The probe has begun anew: its clock is at 0."""

    facts: dict[str, str]


class Began(NamedTuple):
    """From here on every change is told; the levels were these."""

    ticks: int
    levels: Levels


class Change(NamedTuple):
    """One or both lines changed."""

    ticks: int
    levels: Levels
    """After the change."""


class Edges(NamedTuple):
    """Changes one after the other."""

    before: Levels
    """Until the first of them."""
    changes: tuple[Change, ...]


class Quiet(NamedTuple):
    """No further change until then."""

    ticks: int
    levels: Levels
    facts: dict[str, str]
    """The probe's counters."""


class Overrun(NamedTuple):
    """The probe lost changes, this many at least, before what comes next."""

    changes: int


class Sent(NamedTuple):
    """What the command of this number asked to emit is on the lines, whole."""

    number: int


class Answer(NamedTuple):
    """The command of this number was done."""

    number: int
    words: str


class Refused(NamedTuple):
    """The command of this number was not done, and why in one word."""

    number: int
    why: str


class Lost(NamedTuple):
    """Lines that did not come, or came damaged, before what comes next."""

    lines: int


Event = Hello | Began | Edges | Quiet | Overrun | Sent | Answer | Refused | Lost


def facts_of(words: str) -> dict[str, str]:
    """`key=value` words; others are left out."""
    return {key: value for key, sign, value in (word.partition("=") for word in words.split()) if sign}


def number_in(facts: dict[str, str], key: str) -> int | None:
    """A hexadecimal fact; None where it is not there or no number."""
    value = facts.get(key, "")
    return int(value, 16) if re.fullmatch(_HEX, value) else None


def command_line(number: int, words: str) -> bytes:
    """A command as it is sent; `number` modulo 65536."""
    body = f"{_COMMAND_MARK}{number & 0xFFFF:04X} {words}".encode("ascii")
    line = b"%s %08X\n" % (body, crc32(body))
    assert len(line) <= LONGEST, "longer than the probe keeps"
    return line


class ProbeDecoder:
    """Octets from the probe to events; never raises on input, and finds its way back by itself."""

    def __init__(self) -> None:
        self.damaged = 0
        """Lines that began and were not right."""
        self.lost = 0
        """Lines missed by their numbers; damaged ones are among them, unless their number was damaged too."""
        self.strays = 0
        """Octets outside lines."""
        self.last_strays = b""
        """The last few of them: another program on the board shows here."""
        self._line = bytearray()
        self._next: int | None = None

    def feed(self, octets: bytes) -> list[Event]:
        """What is whole now, in order."""
        events: list[Event] = []
        # A line feed ends a line, a mark begins one, even where the line feed was lost.
        for piece in re.findall(rb"![^!\n]*\n?|[^!\n]+\n?|\n", octets):
            if piece[:1] == b"!":
                if self._line:
                    self.damaged += 1
                self._line = bytearray(piece)
            elif self._line:
                self._line += piece
            else:
                self._stray(piece)
                continue
            if self._line[-1:] == b"\n":
                whole, self._line = bytes(self._line), bytearray()
                self._whole(whole, events)
            elif len(self._line) > LONGEST:
                self._line = bytearray()
                self.damaged += 1
        return events

    def _stray(self, piece: bytes) -> None:
        count = len(piece.strip(b"\r\n"))
        self.strays += count
        if count:
            self.last_strays = (self.last_strays + piece)[-_STRAYS_KEPT:]

    def _whole(self, whole: bytes, events: list[Event]) -> None:
        match = _LINE.fullmatch(whole.rstrip(b"\r\n")) if len(whole) <= LONGEST + 1 else None
        if match is None or crc32(whole[: match.end(2)]) != int(match[3], 16):
            self.damaged += 1
            return
        event = _event(match[2].decode("ascii"))
        if event is None:
            # A sound line that says what nobody can mean: its number stays missing.
            self.damaged += 1
            return
        number = int(match[1], 16)
        missing = (number - self._next) & 0xFFFF if self._next is not None else 0
        self._next = (number + 1) & 0xFFFF
        if missing and not isinstance(event, Hello):
            self.lost += missing
            events.append(Lost(missing))
        events.append(event)


def _event(words: str) -> Event | None:
    kind, _, rest = words.partition(" ")
    if kind == "H":
        return Hello(facts_of(rest))
    if kind == "E":
        return _edges(rest)
    if kind in ("B", "I"):
        match = _TICKS_LEVELS.fullmatch(rest)
        if match is None:
            return None
        ticks, levels = int(match[1], 16), Levels(*LEVELS[match[2]])
        return Began(ticks, levels) if kind == "B" else Quiet(ticks, levels, facts_of(match[3] or ""))
    if kind == "O":
        return Overrun(int(rest, 16)) if re.fullmatch(_HEX, rest) else None
    match = _NUMBERED.fullmatch(rest)
    if match is None:
        return None
    number, told = int(match[1], 16), match[2] or ""
    if kind == "A":
        return Answer(number, told)
    if kind == "N":
        return Refused(number, told)
    return Sent(number) if kind == "S" else None


def _edges(rest: str) -> Edges | None:
    match = _EDGES.fullmatch(rest)
    if match is None:
        return None
    ticks, changes = int(match[1], 16), []
    for letter, later in _CHANGE.findall(match[3]):
        ticks += int(later, 16)
        changes.append(Change(ticks, Levels(*LEVELS[letter])))
    return Edges(Levels(*LEVELS[match[2]]), tuple(changes))
