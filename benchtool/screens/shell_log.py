"""The visit's log: what was typed and what was printed, with times, as text in a file for its owner alone."""

from __future__ import annotations

import io
import os
import re
import stat
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

from benchtool.reports.secret_words import MASK, masked_note, may_be_secret

HEAD = "benchtool: log of a visit"
_COLOURS = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b]*(?:\x07|\x1b\\)|[@-_])")
"""Escape sequences of terminals (ECMA-48), which a text file does without."""
_LEFT_OUT = "what was printed may show cards, typed digits or keys: left out (log start FILE --show-cards keeps it)"


class LogError(Exception):
    """One line that says why a log cannot be begun, and the mend."""


class VisitLog:
    """A log that can be begun and ended; `now` gives the local time. Whole lines are in the file at once."""

    def __init__(self, now: Callable[[], datetime]) -> None:
        self._now = now
        self._file: io.FileIO | None = None
        self.path: Path | None = None
        self.show_cards = False
        self.trouble: str | None = None
        """Why the log ended by itself, if it did."""
        self.waiting: list[tuple[datetime, str]] = []
        """Notes taken while there was no log: they go into the next."""

    @property
    def running(self) -> bool:
        """Whether a log is being written."""
        return self._file is not None

    def default_name(self) -> str:
        """A name that says when."""
        return f"{self._now():visit-%Y%m%d-%H%M}.log"

    def start(self, path: Path, *, append: bool = False, show_cards: bool = False) -> None:
        """Begin it; LogError where that cannot be."""
        if self._file is not None:
            raise LogError(f"a log is running already, in {self.path}: log stop ends it")
        if append and path.exists() and not _is_log(path):
            raise LogError(f"{path} is no log of a visit: it is left as it is; choose another name")
        flags = os.O_WRONLY | os.O_CREAT | (os.O_APPEND if append else os.O_EXCL)
        try:
            handle = os.open(path, flags, 0o600)
        except FileExistsError:
            raise LogError(f"{path} is there already: log start {path} --append goes on in it") from None
        except (OSError, ValueError) as error:
            raise LogError(f"{path}: cannot be written ({getattr(error, 'strerror', None) or error})") from None
        if hasattr(os, "fchmod") and stat.S_ISREG(os.fstat(handle).st_mode):
            os.fchmod(handle, 0o600)
        self._file = io.FileIO(handle, "w")
        self.path, self.show_cards, self.trouble = path, show_cards, None
        shown = "cards are shown in it" if show_cards else f"{MASK} stands for what may be a card, a key or a PIN"
        self._put(f"{HEAD}, {self._now():%Y-%m-%d %H:%M:%S} (this computer's clock); {shown}")
        waiting, self.waiting = self.waiting, []
        for when, text in waiting:
            self._note(when, text)

    def stop(self) -> None:
        """End it."""
        if self._file is not None:
            self._put(f"{self._now():%H:%M:%S} end of the log")
        if self._file is not None:
            self._file.close()
            self._file = None

    def note(self, text: str) -> int:
        """The user's own words; kept for the next log where none runs. How many words are, or would be, hidden."""
        if self.running:
            return self._note(self._now(), text)
        self.waiting.append((self._now(), text))
        return masked_note(text)[1]

    def _note(self, when: datetime, text: str) -> int:
        shown, hidden = (text, 0) if self.show_cards else masked_note(text)
        self._put(f"{when:%H:%M:%S} # {shown}")
        return hidden

    def typed(self, line: str) -> None:
        """What was typed."""
        self._put(f"{self._now():%H:%M:%S} > {line}")

    def ended(self, words: str) -> None:
        """How a command ended, where there is something to tell."""
        self._put(f"{self._now():%H:%M:%S} = {words}")

    def printed(self, line: str) -> None:
        """One line of what a command printed."""
        self._put(f"           {line}".rstrip())

    def left_out(self) -> None:
        """Say that what a command printed is not here."""
        self.printed(f"[{_LEFT_OUT}]")

    def _put(self, line: str) -> None:
        if self._file is None:
            return
        try:
            self._file.write(f"{line}\n".encode("utf-8", errors="replace"))
        except OSError as error:
            self.trouble = f"the log ends here: {self.path}: {error.strerror or error}"
            file, self._file = self._file, None
            file.close()


def _is_log(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            begin = file.read(len(HEAD))
    except OSError:
        return False
    return begin in (b"", HEAD.encode())


class Lines:
    """Makes whole lines of what is written to a terminal: colours taken out, redrawn lines as they stood last."""

    def __init__(self, take: Callable[[str], None]) -> None:
        self._take = take
        self._held = ""

    def feed(self, text: str) -> None:
        """Take any piece of text."""
        *whole, self._held = (self._held + text).split("\n")
        for line in whole:
            self._give(line)
        drawn_over = self._held[:-1].rfind("\r")
        if drawn_over >= 0:
            self._held = self._held[drawn_over:]

    def close(self) -> None:
        """What is left counts as a line."""
        held, self._held = self._held, ""
        if held:
            self._give(held)

    def _give(self, line: str) -> None:
        plain = _COLOURS.sub("", line)
        if "\r" in plain:
            # A progress line is drawn over and over, and wiped with blanks: what stood last is what was said.
            plain = plain.removesuffix("\r").rpartition("\r")[2]
            if not plain.strip():
                return
        self._take(plain)


class Tee(io.TextIOBase):
    """A standard stream of which a copy goes into the log; `shows`: cards too. Full screens write into `buffer`."""

    def __init__(
        self, stream: TextIO, lines: Lines, *, shows: bool = False, hide: Callable[[str], None] = lambda _: None
    ) -> None:
        super().__init__()
        self._stream = stream
        self._shows = shows
        self._lines = lines
        self._hide = hide
        """Told of each answer that is masked, so that no line after it repeats it."""

    def write(self, text: str) -> int:
        """Write to both."""
        count = self._stream.write(text)
        self._lines.feed(text)
        return count

    def typed(self, prompt: str, answer: str) -> None:
        """What was typed at a question, which a terminal shows past us: into the copy alone, masked as a note is."""
        shown, hidden = (answer, 0) if self._shows else masked_note(answer)
        if not self._shows and (hidden or may_be_secret(answer)):
            self._hide(answer)
        self._lines.feed(f"{prompt}{shown}\n")

    def flush(self) -> None:
        """Flush the stream."""
        self._stream.flush()

    def writable(self) -> bool:
        """It is."""
        return True

    def isatty(self) -> bool:
        """As the stream."""
        return self._stream.isatty()

    def fileno(self) -> int:
        """Of the stream."""
        return self._stream.fileno()

    @property
    def encoding(self) -> Any:  # type: ignore[override]  # the stream's may change, so it is asked each time
        """Of the stream."""
        return self._stream.encoding

    @property
    def errors(self) -> Any:  # type: ignore[override]  # as above
        """Of the stream."""
        return self._stream.errors

    @property
    def buffer(self) -> Any:
        """The stream's octets, for full screens, which a text log cannot show."""
        return self._stream.buffer
