"""How a line of what a stand-in is to do begins: when, and which device. `3s @5 card 26-bit 57 20118`."""

from __future__ import annotations

import re

# As many digits as anybody means: with more, the time is no finite number.
_AT = re.compile(r"(\d{1,9}(?:\.\d{1,9})?)(ms|s|m)?", re.ASCII)
_NS = {"ms": 1_000_000, "s": 1_000_000_000, None: 1_000_000_000, "m": 60_000_000_000}
_OF = re.compile(r"@(\d{1,3})", re.ASCII)


def take_head(text: str) -> tuple[int, int | None, list[str]]:
    """When (ns from the beginning; 0: at once), the device's address (None: not said), and the words that follow."""
    words = text.split()
    at_ns, address = 0, None
    if words and (match := _AT.fullmatch(words[0])):
        at_ns = round(float(match[1]) * _NS[match[2]])
        words = words[1:]
    if words and (match := _OF.fullmatch(words[0])):
        address = int(match[1])
        words = words[1:]
    return at_ns, address, words
