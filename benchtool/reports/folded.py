"""Long lines folded between words for a terminal of any width, hanging below where their text begins."""

from __future__ import annotations

import re
import shutil
import textwrap
from collections.abc import Sequence

WIDEST = 79
UNFOLDED = 100_000
"""A width for texts that are folded later."""
_LEAST = 20
_HANGING = re.compile(r"\s*(?:[-!>]|\d+\.)\s+|\S(?: ?\S)*\s{2,}|\s*-?\d+ of \d+\s+|\s*")
"""Where later lines of a paragraph begin: behind a sign, a number, or the first column."""


def columns() -> int:
    """How wide text may be here: the terminal's columns, 79 at most."""
    return max(_LEAST, min(WIDEST, shutil.get_terminal_size().columns))


def wrap(text: str, first: str = "", later: str | None = None) -> list[str]:
    """A paragraph as wide as the terminal, its first line behind `first`, the others behind `later`, or below it."""
    return textwrap.wrap(
        text,
        columns(),
        initial_indent=first,
        subsequent_indent=" " * len(first) if later is None else later,
        break_on_hyphens=False,
    )


def fold(lines: Sequence[str], width: int) -> list[str]:
    """Lines of at most `width` columns, broken between words, hanging below their first."""
    found: list[str] = []
    for line in lines:
        if len(line) <= width:
            found.append(line)
            continue
        hanging = _HANGING.match(line)
        indent = 0 if hanging is None else len(hanging[0])
        found += textwrap.wrap(
            line,
            width,
            subsequent_indent=" " * (indent if indent <= width // 2 else 2),
            break_on_hyphens=False,
            break_long_words=False,
        )
    return found
