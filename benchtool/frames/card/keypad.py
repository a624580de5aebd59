"""Keys pressed on a keypad reader: bursts of 4, 6 or 8 bits, one a key.

Reference sheet 6.6. One guide prints key 7 in 8 bits as 1000 1111; the rule (complement of the four bits, then the four
bits) gives 1000 0111, and that is what this table holds.
"""

from __future__ import annotations

KEYS = "0123456789*#"
"""Key n sends n in four bits; * is 10 and # is 11."""


def _burst(code: int, length: int) -> int:
    if length == 4:
        return code
    if length == 8:
        return (code ^ 0xF) << 4 | code
    even = (code >> 2).bit_count() & 1
    odd = 1 - ((code & 3).bit_count() & 1)
    return even << 5 | code << 1 | odd


BURSTS: dict[tuple[int, int], str] = {
    (_burst(code, length), length): key for length in (4, 6, 8) for code, key in enumerate(KEYS)
}
"""(value, length): key."""

STYLES: dict[int, str] = {
    4: "a burst of 4 bits",
    6: "a burst of 6 bits (four bits between an even and an odd parity bit)",
    8: "a burst of 8 bits (complement of the four bits, then the four bits)",
}
"""What each length of burst is."""


def key_of(bits: tuple[int, int]) -> str | None:
    """The key that a burst stands for: a digit, * or #; None where it stands for none."""
    return BURSTS.get((bits[0], bits[1]))
