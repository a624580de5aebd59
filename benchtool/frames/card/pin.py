"""Keys pressed one after the other, and PINs that a keypad collects and sends as one frame.

Reference sheet 6.6: bursts of 4, 6 or 8 bits; a fourth style buffers the PIN and sends it as the number of a 26-bit
frame with the site code, with a time-out of 5 s. That # ends an entry and * clears it, and that a buffered PIN may come
as decimal digits of four bits each filled up with F, is common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_bits
from benchtool.frames.card.formats import FORMATS
from benchtool.frames.card.keypad import BURSTS, STYLES, key_of

PAUSE_NS = 5_000_000_000
"""The time-out of the buffered style; what a controller waits between keys is its setting."""
LARGEST_PIN = 65535
"""The largest PIN that fits in the number of a 26-bit frame."""
_BURST_OF = {(key, length): value for (value, length), key in BURSTS.items()}


class Burst(NamedTuple):
    """A burst of bits as it came."""

    bits: Bits
    t_ns: int | None = None
    """When it began; None where no time is known."""


class Ended(Enum):
    """What ended an entry; the value is what `--json` prints."""

    ENTER = "#"
    CLEARED = "*"
    PAUSE = "pause"
    """No key for longer than the time-out."""
    STYLE = "another style"
    """The next burst has another length: another keypad, or another setting."""
    NO_KEY = "no key"
    """A burst came that is no key."""
    LAST = "last burst"
    """Nothing more came."""


@dataclass(frozen=True, slots=True)
class Entered:
    """Keys that belong together."""

    keys: str
    """Digits, without the key that ended them."""
    length: int
    """Bits of each burst: 4, 6 or 8."""
    ended: Ended
    begin_ns: int | None
    end_ns: int | None
    """When the last burst of it began."""


class Entry(NamedTuple):
    """What bursts say: entries, and bursts that are no key."""

    entered: tuple[Entered, ...]
    strange: tuple[Burst, ...]


def entries(bursts: Iterable[Burst], pause_ns: int = PAUSE_NS) -> Entry:
    """Bursts, in the order in which they came, cut into entries: by #, *, a pause, a change of style, a non-key."""
    found: list[Entered] = []
    strange: list[Burst] = []
    held: list[tuple[str, Burst]] = []

    def close(ended: Ended, last: Burst | None = None) -> None:
        if held or last is not None:
            first, final = held[0][1] if held else last, last or held[-1][1]
            assert first is not None
            found.append(Entered("".join(key for key, _ in held), first.bits.length, ended, first.t_ns, final.t_ns))
        held.clear()

    for burst in bursts:
        key = key_of(burst.bits)
        if held:
            before = held[-1][1]
            if before.bits.length != burst.bits.length and key is not None:
                close(Ended.STYLE)
            elif before.t_ns is not None and burst.t_ns is not None and burst.t_ns - before.t_ns > pause_ns:
                close(Ended.PAUSE)
        if key is None:
            close(Ended.NO_KEY)
            strange.append(burst)
        elif key in "#*":
            close(Ended.ENTER if key == "#" else Ended.CLEARED, burst)
        else:
            held.append((key, burst))
    close(Ended.LAST)
    return Entry(tuple(found), tuple(strange))


def bursts_of(keys: str, length: int) -> tuple[Bits, ...]:
    """The bursts that a keypad sends for keys, in bursts of 4, 6 or 8 bits. Raises ValueError on anything else."""
    if length not in STYLES:
        raise ValueError(f"a key is a burst of 4, 6 or 8 bits, not {length}")
    if not keys or any((key, length) not in _BURST_OF for key in keys):
        raise ValueError("keys are 0 to 9, * and #")
    return tuple(Bits(_BURST_OF[key, length], length) for key in keys)


def buffered(site_code: int, pin: str) -> Bits:
    """The 26-bit frame of a keypad that collects the PIN. Raises ValueError where it does not fit.

    Zeros in front are lost: 0042 and 42 are one frame.
    """
    if not (pin.isascii() and pin.isdigit()) or len(pin) > 12 or int(pin) > LARGEST_PIN:
        raise ValueError(f"a PIN in the number of a 26-bit frame is 0 to {LARGEST_PIN}")
    return build_bits(FORMATS[0], site_code, int(pin))


def run_together(bits: Bits) -> tuple[str, int] | None:
    """Keys whose bursts were read as one, with the length of a burst; None where the bits are no such thing.

    The longer bursts are tried first: they hold a check of their own.
    """
    for length in (8, 6, 4):
        if bits.length % length == 0 and bits.length > length:
            text = bits.text
            keys = [key_of(Bits.of(text[start : start + length])) for start in range(0, bits.length, length)]
            if None not in keys:
                return "".join(key for key in keys if key is not None), length
    return None


def pin_in_digits(bits: Bits) -> str | None:
    """A PIN in four or more decimal digits of four bits each, filled up with F at one end; None for other bits."""
    if bits.length % 4 or bits.length < 16:
        return None
    pin = bits.hex.strip("F")
    return pin if 4 <= len(pin) < len(bits.hex) and pin.isdecimal() else None
