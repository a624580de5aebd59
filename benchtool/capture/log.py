"""The octet log: plain text that people paste around, one chunk a line: `seconds [direction] OCTETS`.

The line is common practice; what we add to keep gaps, counts and settings hides in comments that begin with `#!`.
Both are described in docs/octet-log.md. This module holds the grammar; log_reader.py reads files with it.
"""

from __future__ import annotations

import json
import re

from benchtool.capture.chunk import Chunk, Direction, Gap, Item, LineCounts, Mark, TapInfo
from benchtool.capture.described import MOST_NAME, described, pairs
from benchtool.capture.printable import printable

MOST_OCTETS = 16_384
"""Longest chunk on one line; the writer divides longer ones."""

_SECOND = 1_000_000_000
_HALF = 1 << 63
_SECONDS = re.compile(r"([+-]?)(\d{0,12})(?:\.(\d*))?", re.ASCII)
_DIRECTION = re.compile(r"(?:->|<-|>|<|(?:tx|rx|out|in|sent|received)(?![0-9a-z_])):?\s*", re.IGNORECASE)
_OCTETS = re.compile(r"(?:0x)?((?:[0-9a-f]{2})+)((?:/[fpbo]+)*)", re.IGNORECASE)
_BETWEEN = re.compile(r"[\s,;:-]+")
_DIRECTIONS = {
    **dict.fromkeys((">", "->", "tx", "out", "sent"), Direction.SENT),
    **dict.fromkeys(("<", "<-", "rx", "in", "received"), Direction.RECEIVED),
}
_ARROWS = {Direction.UNKNOWN: "", Direction.SENT: "> ", Direction.RECEIVED: "< "}
_LETTERS = {"F": Mark.FRAMING, "P": Mark.PARITY, "B": Mark.BREAK, "O": Mark.OVERRUN}
_SUFFIXES = [
    "/" * (value > 0) + "".join(letter for letter, mark in _LETTERS.items() if value & mark) for value in range(16)
]


class LineError(ValueError):
    """A line cannot be read; the text says why, without the line number."""


def nanoseconds(word: str) -> int:
    """`12.5` as 12500000000, exactly; digits past the ninth decimal are dropped. LineError when it is no time."""
    match = _SECONDS.fullmatch(word)
    if match is None or not (match[2] or match[3]):
        hint = "; write the decimal point as a point" if re.fullmatch(r"[+-]?\d+,\d+", word) else ""
        raise LineError(f"'{shortened(word)}' is not a time in seconds{hint}")
    total = int(match[2] or "0") * _SECOND + int((match[3] or "")[:9].ljust(9, "0"))
    if total >= _HALF:
        raise LineError(f"the time '{word}' is too large")
    return -total if match[1] == "-" else total


def seconds(t_ns: int) -> str:
    """The time as it is written: six decimals, or nine where it needs them."""
    whole, part = divmod(abs(t_ns), _SECOND)
    decimals = f"{part // 1000:06d}" if part % 1000 == 0 else f"{part:09d}"
    return f"{'-' if t_ns < 0 else ''}{whole}.{decimals}"


def shortened(text: str) -> str:
    """At most 24 characters of `text`, fit to be shown in a message."""
    shown = printable(text[:24], "·")
    return shown + ("…" if len(text) > 24 else "")


def parse_octets(text: str) -> tuple[bytes, bytes]:
    """Octets and their marks (empty when no octet has one) from the octet part of a line."""
    try:
        return bytes.fromhex(text), b""
    except ValueError:
        pass
    octets, marks = bytearray(), bytearray()
    for token in _BETWEEN.split(text):
        if not token:
            continue
        match = _OCTETS.fullmatch(token)
        if match is None:
            raise LineError(f"'{shortened(token)}' is not octets in hex, two digits each")
        found = bytes.fromhex(match[1])
        if match[2] and len(found) > 1:
            raise LineError(f"a mark belongs to one octet: write '{shortened(token)}' with spaces between the octets")
        octets += found
        mark = 0
        for letter in match[2].upper().replace("/", ""):
            mark |= _LETTERS[letter]
        marks += bytes([mark]) if match[2] else bytes(len(found))
    return bytes(octets), bytes(marks) if any(marks) else b""


def parse_line(text: str, char_ns: int) -> Item | None:
    """What a line says; None for a blank line, a comment, or a remark that carries no item.

    `char_ns` is the length of a character, to count the end of a chunk. LineError when the line cannot be read.
    """
    content, found, comment = text.partition("#")
    head = content.split(None, 1)
    extra = comment[1:].split() if found and comment[:1] == "!" else []
    if not head:
        return _parse_remark(comment[1:]) if extra else None
    t_ns = nanoseconds(head[0].rstrip(",;:"))
    rest = head[1].strip() if len(head) > 1 else ""
    direction = Direction.UNKNOWN
    match = _DIRECTION.match(rest)
    if match is not None:
        direction = _DIRECTIONS[match[0].strip().rstrip(":").lower()]
        rest = rest[match.end() :]
    octets, marks = parse_octets(rest)
    end_ns = t_ns + len(octets) * char_ns
    until = False
    if extra:
        if "until" in extra[:-1]:
            end_ns = nanoseconds(extra[extra.index("until") + 1])
            until = True
        if "marked" in extra:
            marks = marks or bytes(len(octets))
    if not octets and not until:
        raise LineError("there are no octets after the time")
    return Chunk(t_ns, end_ns, octets, marks, direction)


def _parse_remark(text: str) -> Item | None:
    words = text.split(None, 3)
    if words[0] == "gap" and len(words) >= 3:
        why = words[3].strip() if len(words) > 3 else ""
        if why.startswith('"'):
            try:
                why = str(json.loads(why))
            except (ValueError, RecursionError) as error:
                raise LineError(f"the reason of the gap is not a quoted text: {error}") from error
        return Gap(nanoseconds(words[1]), nanoseconds(words[2]), why)
    if words[0] == "counts" and len(words) >= 2:
        values = dict.fromkeys(("framing", "parity", "breaks", "overrun"), 0)
        for word in text.split()[2:]:
            name, _, number = word.partition("=")
            if name not in values or not (number.isascii() and number.isdigit()) or len(number) > 20:
                raise LineError(f"'{shortened(word)}' is not a count")
            values[name] = int(number)
        return LineCounts(nanoseconds(words[1]), **values)
    if words[0] == "tap":
        return None
    raise LineError(f"'#! {shortened(words[0])}' is not known")


def parse_tap(text: str) -> dict[str, str] | None:
    """The settings in a `#! tap` line, by name; None when the line is another."""
    words = text.split(None, 2)
    if words[:2] != ["#!", "tap"]:
        return None
    rest = words[2] if len(words) > 2 else ""
    rest, found, name = rest.partition("name=")
    values = pairs(rest)
    if found:
        try:
            values["name"] = str(json.loads(name))
        except (ValueError, RecursionError):
            values["name"] = name.strip()
    return values


def _check_times(*times: int) -> None:
    for t_ns in times:
        if not -_HALF < t_ns < _HALF:
            raise ValueError(f"time {t_ns} ns is beyond 64 bits")


class LogEncoder:
    """Makes the lines of a log, as octets of UTF-8."""

    most_octets = MOST_OCTETS

    def __init__(self, info: TapInfo) -> None:
        self._info = info
        self._char_ns = info.settings.char_ns

    def header(self) -> bytes:
        """Comment lines that say how the log was taken."""
        info = self._info
        return (
            "# benchtool octet log: seconds [direction] octets; marks /F framing /P parity /B break /O overrun\n"
            f"#! tap {described(info)} name={json.dumps(info.name[:MOST_NAME])}\n"
        ).encode()

    def encode(self, item: Item) -> bytes:
        """One whole line; ValueError when an item breaks its contract."""
        if isinstance(item, Gap):
            _check_times(item.t_ns, item.end_ns)
            why = item.why[:MOST_OCTETS]
            plain = why.isprintable() and why == why.strip() and not why.startswith('"')
            words = f"#! gap {seconds(item.t_ns)} {seconds(item.end_ns)} {why if plain else json.dumps(why)}"
            return (words.rstrip() + "\n").encode(errors="replace")
        if isinstance(item, LineCounts):
            t_ns, *counts = item
            _check_times(t_ns)
            if not all(0 <= count < 1 << 64 for count in counts):
                raise ValueError("counts are 0 to 2^64 - 1")
            names = ("framing", "parity", "breaks", "overrun")
            words = " ".join(f"{name}={count}" for name, count in zip(names, counts, strict=True))
            return f"#! counts {seconds(t_ns)} {words}\n".encode()
        t_ns, end_ns, octets, marks, direction = item
        _check_times(t_ns, end_ns)
        if marks and len(marks) != len(octets):
            raise ValueError(f"{len(marks)} marks for {len(octets)} octets")
        if any(marks):
            written = " ".join(f"{octet:02X}{_SUFFIXES[mark & 15]}" for octet, mark in zip(octets, marks, strict=True))
        else:
            written = octets.hex(" ").upper()
        extra = ""
        if not octets or end_ns != t_ns + len(octets) * self._char_ns:
            extra = f" until {seconds(end_ns)}"
        if marks and not any(marks):
            extra += " marked"
        line = f"{seconds(t_ns)} {_ARROWS[direction]}{written}"
        return (f"{line} #!{extra}\n" if extra else f"{line}\n").encode()
