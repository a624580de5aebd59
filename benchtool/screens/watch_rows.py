"""The lines of the traffic: what one is made of, what it says, which a filter lets through. Secrets stay hidden.

A line is put into words only when somebody looks at it: on a fast bus most never are.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from enum import Enum
from functools import lru_cache

from benchtool.frames.frame import Frame
from benchtool.frames.meaning import Meaning
from benchtool.frames.osdp.events import Event, Level
from benchtool.measure.osdp_watch import NOTHING, Seen
from benchtool.reports import frame_text, osdp_text


class RowKind(Enum):
    """What a line tells of."""

    FRAME = "frame"
    EVENT = "event"
    """A rule broken, a secure session, a security finding."""
    GAP = "gap"
    """A time in which nothing could be heard."""
    NOTE = "note"
    """What the user wrote down."""
    SAID = "said"
    """What benchtool did, or has to say of the tap."""


class Row:
    """One line. `matched` remembers what the filter of that number said of it."""

    __slots__ = ("event", "frame", "kind", "matched", "seen", "t_ns", "text")

    def __init__(
        self,
        kind: RowKind,
        t_ns: int,
        *,
        frame: Frame | None = None,
        seen: Seen = NOTHING,
        event: Event | None = None,
        text: str = "",
    ) -> None:
        self.kind, self.t_ns = kind, t_ns
        self.frame, self.seen, self.event, self.text = frame, seen, event, text
        self.matched: tuple[int, bool] = (-1, False)

    @property
    def is_error(self) -> bool:
        """Whether something is wrong with it: damage, a rule broken, a time not heard."""
        if self.frame is not None:
            return not self.frame.ok or bool(self.frame.marks)
        if self.event is not None:
            return self.event.row.level is not Level.NOTE
        return self.kind is RowKind.GAP

    @property
    def address(self) -> int | None:
        """Whom it is about; None where that is nobody, or not known."""
        if self.frame is not None:
            return self.frame.address
        return self.event.address if self.event is not None else None


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the traffic as it is drawn."""

    number: int
    sign: str
    """`!` something is wrong, `*` an event or a note, space else: never told by colour alone."""
    time: str
    quiet: str
    """Milliseconds of silence before it."""
    who: str
    verdict: str
    what: str
    error: bool


def meaning_of(row: Row) -> Meaning | None:
    """A frame in words, decrypted where that could be done; None where the line is no frame."""
    return None if row.frame is None else osdp_text.meaning_of(row.frame, row.seen)


_COLUMNS = len(frame_text.HEADER) - len("what")
"""What stands before the words in a line of `listen`."""


def _what(frame: Frame, seen: Seen, show_secrets: bool) -> str:
    """What a line of `listen` says of a frame, without its columns: a narrow screen has others."""
    meaning = osdp_text.line_meaning(osdp_text.meaning_of(frame, seen), seen)
    return frame_text.frame_line(frame, meaning=meaning, show_secrets=show_secrets)[_COLUMNS:]


@lru_cache(maxsize=256)
def _what_again(frame: Frame, show_secrets: bool) -> str:
    """The same in the clear: most frames of a bus have come before, octet for octet."""
    return _what(frame, NOTHING, show_secrets)


def line_of(number: int, row: Row, *, show_secrets: bool = False) -> Line:
    """Put a line into words."""
    time = f"{row.t_ns / 1e9 + 0.0:.4f}"
    if row.frame is not None:
        frame = row.frame
        quiet = "" if frame.silence_ns is None else f"{frame.silence_ns / 1e6:.1f}"
        timeless = frame._replace(t_ns=0, end_ns=0, silence_ns=None)
        if row.seen.sight is None:
            what = _what_again(timeless, show_secrets)
        else:
            what = _what(timeless, row.seen, show_secrets)
        who, verdict = frame_text.who(frame), frame_text.verdict(frame)
        return Line(number, "!" if row.is_error else " ", time, quiet, who, verdict, what, row.is_error)
    if row.event is not None:
        level = osdp_text.LEVEL_WORDS[row.event.row.level]
        sign = "!" if row.is_error else "*"
        return Line(number, sign, time, "", f"*  {row.event.address}", level, row.event.text(), row.is_error)
    if row.kind is RowKind.GAP:
        return Line(number, "!", time, "", "---", "NOT HEARD", row.text, True)
    return Line(number, "*", time, "", "", "note" if row.kind is RowKind.NOTE else "benchtool", row.text, False)


def words_of(row: Row) -> str:
    """What a search looks through: the line as it is shown, secrets hidden."""
    line = line_of(0, row)
    return f"{line.time} {line.who} {line.verdict} {line.what}".lower()


_ADDRESS = re.compile(r"\baddress(?:es)?\s+(?=[0-9])")
"""Before a number it says no more than the number."""


@dataclass(frozen=True, slots=True)
class Filter:
    """Which lines are shown: `errors`, `events`, addresses, or words that stand in the line; all must hold.

    Of several addresses one is enough. Notes, and what benchtool says, are always shown.
    """

    errors: bool = False
    events: bool = False
    addresses: frozenset[int] = frozenset()
    words: tuple[str, ...] = ()
    typed: str = field(default="", compare=False)
    """As it was typed, in that order."""

    @staticmethod
    def parse(text: str) -> Filter:
        """`errors 5`, `poll`, `3,4`; an empty text lets everything through."""
        errors = events = False
        addresses: set[int] = set()
        words: list[str] = []
        for word in _ADDRESS.sub("", text.lower()).replace(",", " ").split():
            if word == "errors":
                errors = True
            elif word == "events":
                events = True
            elif word.isascii() and word.isdigit() and int(word[:6]) <= 255:
                addresses.add(int(word))
            else:
                words.append(word)
        return Filter(errors, events, frozenset(addresses), tuple(words), " ".join(text.lower().split()))

    @property
    def all(self) -> bool:
        """Whether everything is let through."""
        return not (self.errors or self.events or self.addresses or self.words)

    def text(self) -> str:
        """As it was typed, or would be."""
        if self.typed:
            return self.typed
        parts = [word for word, there in (("errors", self.errors), ("events", self.events)) if there]
        return " ".join([*parts, *map(str, sorted(self.addresses)), *self.words])

    def wants(self, row: Row) -> bool:
        """Whether a line is shown."""
        if row.kind in (RowKind.NOTE, RowKind.SAID):
            return True
        if (self.errors and not row.is_error) or (self.events and row.kind is not RowKind.EVENT):
            return False
        if self.addresses and row.address not in self.addresses:
            return False
        if not self.words:
            return True
        shown = words_of(row)
        return all(word in shown for word in self.words)
