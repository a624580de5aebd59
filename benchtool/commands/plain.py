"""Output as terminals can show it: stand-ins for characters they lack, long lines folded between words.

Not folded on Windows consoles, where click writes past the stream: the console breaks lines itself.
"""

from __future__ import annotations

import codecs
import io
import os
import shutil
from collections.abc import Mapping
from contextlib import suppress
from typing import TextIO

from benchtool.reports.folded import fold
from benchtool.reports.signs import is_ascii_locale

STAND_INS = {
    "…": "...",
    "•": "*",
    "×": "x",
    "→": "->",
    "←": "<-",
    "Ω": "ohm",
    "µ": "u",
    "─": "-",
    "━": "=",
    "–": "-",
    "·": ".",
}


_USUAL = 80


def _stand_in(error: UnicodeError) -> tuple[str | bytes, int]:
    assert isinstance(error, UnicodeEncodeError)
    return "".join(STAND_INS.get(letter, "?") for letter in error.object[error.start : error.end]), error.end


def make_plain(stream: TextIO, environ: Mapping[str, str]) -> None:
    """Let a stream with a poor encoding, or in a locale of ASCII alone, write stand-ins; others are not changed by it.

    In such a locale only signs of ours are changed: a name with other letters in it goes through as it is.
    """
    codecs.register_error("benchtool-plain", _stand_in)
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors="benchtool-plain")
    if not is_ascii_locale(environ):
        return
    as_it_is, table = stream.write, str.maketrans(STAND_INS)

    def plain(text: str) -> int:
        as_it_is(text.translate(table) if isinstance(text, str) else text)
        return len(text)

    stream.write = plain  # type: ignore[method-assign]


def fold_long_lines(stream: TextIO) -> None:
    """Let a stream to a terminal break lines that are wider than the terminal between words; others are not changed.

    What screens paint, what is drawn over, JSON and commands to copy go through as they are.
    """
    if not stream.isatty():
        return
    as_it_is, fresh = stream.write, True

    def folded(text: str) -> int:
        nonlocal fresh
        if not text or not isinstance(text, str):
            # click asks so what a stream takes, octets (an error) or text: neither begins a line.
            return as_it_is(text)
        # A progress line that was wiped leaves the cursor where a line begins.
        whole, fresh = fresh, text.endswith(("\n", "\r"))
        if whole and text.endswith("\n") and "\x1b" not in text and "\r" not in text:
            as_it_is(_folded(text, _columns(stream)))
        else:
            as_it_is(text)
        return len(text)

    stream.write = folded  # type: ignore[method-assign]


def _columns(stream: TextIO) -> int:
    """Of this stream's own terminal: the other one may go to a pipe."""
    if not os.environ.get("COLUMNS"):
        with suppress(OSError, ValueError):
            return os.get_terminal_size(stream.fileno()).columns or _USUAL
    return shutil.get_terminal_size().columns


def _folded(text: str, width: int) -> str:
    lines: list[str] = []
    for line in text[:-1].split("\n"):
        lines += [line] if line.lstrip().startswith(("{", "[", "benchtool ")) else fold([line], width)
    return "\n".join(lines) + "\n"
