"""Output on terminals and files that cannot show every character: plain stand-ins instead of an error."""

from __future__ import annotations

import codecs
import io
from typing import TextIO

STAND_INS = {"…": "...", "•": "*", "×": "x", "→": "->", "←": "<-", "Ω": "ohm", "µ": "u", "─": "-", "━": "=", "–": "-"}


def _stand_in(error: UnicodeError) -> tuple[str | bytes, int]:
    assert isinstance(error, UnicodeEncodeError)
    return "".join(STAND_INS.get(letter, "?") for letter in error.object[error.start : error.end]), error.end


def make_plain(stream: TextIO) -> None:
    """Let a stream with a poor encoding write stand-ins; others are not changed by it."""
    codecs.register_error("benchtool-plain", _stand_in)
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors="benchtool-plain")
