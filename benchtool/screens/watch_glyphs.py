"""What the screen is drawn with: block characters where the terminal has them, digits and plain signs where not."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from prompt_toolkit.utils import get_cwidth

_STAND_INS = {
    "…": "...",
    "•": "*",
    "×": "x",
    "“": '"',
    "”": '"',
    "→": "->",
    "←": "<-",
    "↑": "up/",
    "↓": "down",
    "Ω": "ohm",
    "µ": "u",
    "–": "-",
    "·": ".",
}


_LATEST_NS = 200_000_000
"""From here on an answer is drawn as late as can be: what OSDP allows (sheet 5.2)."""


@dataclass(frozen=True, slots=True)
class Glyphs:
    """Signs for what is not text."""

    levels: str
    """From hardly anything to full."""
    nothing: str
    """A second, or an exchange, in which nothing came."""
    deaf: str
    """A second in which nobody could hear."""
    damaged: str
    rule: str
    recording: str
    plain: bool = False
    """Whether only ASCII can be shown."""

    def level(self, share: float) -> str:
        """A share of 0 to 1."""
        if share <= 0:
            return self.nothing
        return self.levels[min(len(self.levels) - 1, int(share * len(self.levels)))]

    def text(self, text: str) -> str:
        """A text as this terminal can show it, without control characters."""
        if text.isascii() and text.isprintable():
            return text
        if not text.isprintable():
            text = "".join(letter if letter.isprintable() else " " for letter in text)
        if not self.plain:
            return text
        return "".join(letter if letter.isascii() else _STAND_INS.get(letter, "?") for letter in text)


BLOCKS = Glyphs("▁▂▃▄▅▆▇█", "·", "x", "!", "─", "●")
ASCII = Glyphs("123456789", ".", "x", "!", "-", "*", plain=True)


_UNMEASURED = re.compile(f"[^ -~{''.join(_STAND_INS)}{BLOCKS.levels}{BLOCKS.recording}]")
"""A letter that may take no column, or two; those that the screen is drawn with take one."""


def fit(text: str, width: int, glyphs: Glyphs) -> str:
    """A text of exactly `width` columns: filled up with spaces, or cut with a sign that it was."""
    text = glyphs.text(text)
    # Letter by letter: of whole texts the library remembers the width for ever.
    columns = len(text) if _UNMEASURED.search(text) is None else sum(map(get_cwidth, text))
    if columns <= width:
        return text + " " * (width - columns)
    more = "~" if glyphs.plain else "…"
    if columns == len(text):
        return text[: max(0, width - 1)] + more[:width]
    kept, used = "", 0
    for letter in text:
        wide = get_cwidth(letter)
        if used + wide > width - 1:
            break
        kept, used = kept + letter, used + wide
    return kept + more + " " * (width - 1 - used)


def history(exchanges: Sequence[int | str], count: int, glyphs: Glyphs) -> str:
    """The last exchanges with a device, a sign each: the higher the later it answered (1 ms to 200 ms, by factors)."""
    top = len(glyphs.levels) - 1
    signs = [
        # Whole powers of two: cheap, for this is done for every device at every picture.
        glyphs.levels[max(0, top - max(0, (_LATEST_NS // (one or 1)).bit_length() - 1))]
        if isinstance(one, int)
        else glyphs.nothing
        if one == "silent"
        else glyphs.damaged
        for one in exchanges[-count:]
    ]
    return "".join(signs).rjust(count)
