"""What bits that do not read well may be: inverted, reversed, damaged, cut short, a key press, another layout.

Reference sheet 6.5 to 6.7. In the formats of the table the two parity groups mirror each other and have odd sizes (13,
17 or 19 bits). So inverting *or* reversing a sound frame always fails both groups, doing both fails none, and a frame
that fails both passes both again either way: parity names the two suspects, and a second fact must choose between them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.decode import CardReading, decode_in, decode_seen
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.frames.card.keypad import STYLES, key_of
from benchtool.frames.card.pin import pin_in_digits, run_together
from benchtool.frames.card.places import places_text as places


class Change(Enum):
    """A way in which all bits of a frame arrive wrong; the value is what `--json` prints."""

    INVERTED = "inverted"
    REVERSED = "reversed"
    BOTH = "inverted and reversed"


CHANGES: dict[Change, Callable[[Bits], Bits]] = {
    Change.INVERTED: Bits.inverted,
    Change.REVERSED: Bits.reversed,
    Change.BOTH: lambda bits: bits.inverted().reversed(),
}
"""How to undo each: each is its own opposite."""

CHANGE_MEANS: dict[Change, str] = {
    Change.INVERTED: "the bits are the other way round: the data lines D0 and D1 are swapped. Change them over at one"
    " end.",
    Change.REVERSED: "the bit order is reversed, last bit first: by the setting of a reader or converter, or by the"
    " tool that wrote the bits down.",
    Change.BOTH: "the data lines D0 and D1 are swapped, and the bit order is reversed as well.",
}
"""What each means at the wires."""


@dataclass(frozen=True, slots=True)
class Hint:
    """Something that the bits may be, with the readings that speak for it."""

    what: str
    """A short name, for scripts."""
    means: str
    """What it means, and what to do."""
    reads: tuple[CardReading, ...] = ()
    """Readings under this hint, none where it has none."""
    proof: str = ""
    """What was counted that speaks for it."""


def may_tell(row: CardFormat) -> bool:
    """Whether the format demands anything that wrong bits could break."""
    return bool(row.parity or row.constants or row.checks)


def _sound(read: CardReading) -> bool:
    return read.ok and may_tell(read.format)


def _counts(read: CardReading) -> str:
    return " and ".join(
        f"bits {places(check.group.members)} hold {check.ones} ones ({check.group.sense.value} wanted)"
        for check in read.parity
    )


def _parity_hints(bits: Bits, reads: list[CardReading], rows: Sequence[CardFormat]) -> list[Hint]:
    hints = []
    for change, undo in CHANGES.items():
        passing = tuple(read for read in decode_in(rows, undo(bits)) if _sound(read))
        if passing:
            before = next(read for read in reads if read.format is passing[0].format)
            every = all(not check.ok for check in before.parity)
            fails = "every group fails" if every else "that is not so"
            proof = f"{change.value}, {_counts(passing[0])}: every group passes; as given {fails}."
            hints.append(Hint(change.value, CHANGE_MEANS[change], passing, proof))
    if len(hints) > 1:
        groups = max(len(hint.reads[0].format.parity) for hint in hints)
        chance = {2: "one random reading in four fails both groups", 1: "one random reading in two fails the group"}
        hints.append(
            Hint(
                "undecided",
                f"parity alone cannot choose between these, and"
                f" {chance.get(groups, f'one random reading in {1 << groups} fails as these do')} too."
                " Compare with the number printed on the card (--printed), or read a second card:"
                " swapped lines fail with every card.",
            )
        )
    if not hints:
        failing = [check for check in reads[0].parity if not check.ok]
        where = " and ".join(places(check.group.members) for check in failing)
        if not failing:
            return [
                Hint(
                    "other card",
                    f"parity passes in {reads[0].format.name}, and a constant, a check digit or a decimal digit does"
                    " not: a card of another format of this length, or two wrong bits in one parity group.",
                )
            ]
        odd = all(len(group.members) % 2 for group in reads[0].format.parity)
        why_not = "they fail every group" if odd else "turned round the bits are no better"
        hints.append(
            Hint(
                "damaged",
                f"an odd number of bits is wrong in bits {where}: a damaged frame (noise, low supply, a long or thin"
                f" cable), or a layout that is not in the table. It is not swapped lines: {why_not}."
                " Read the card again: damage changes from read to read, a layout does not.",
                proof=f"{_counts(reads[0])}.",
            )
        )
    return hints


def _one_line_hint(bits: Bits) -> Hint:
    value, came, open_line = ("ones", "D1", "D0") if bits.value else ("zeros", "D0", "D1")
    return Hint(
        f"{open_line} open",
        f"{bits.length} {value} and nothing else: pulses came on {came} only. Is {open_line} open, or not connected?"
        f" A whole frame with {bits.length} {value} looks like this when the line is broken.",
    )


def _typed_hints(bits: Bits) -> list[Hint]:
    """Keys where no format has this length: several bursts read as one, a PIN in decimal digits."""
    if bits.length in STYLES or bits.value in (0, (1 << bits.length) - 1):
        return []
    hints = []
    together = run_together(bits)
    if together is not None:
        keys, size = together
        hints.append(
            Hint(
                "keys run together",
                f"keys {' '.join(keys)} of a keypad, each {STYLES[size]}, read as one: the receiver"
                " waits longer for the end of a frame than the keys were apart.",
            )
        )
    pin = pin_in_digits(bits)
    if pin is not None:
        hints.append(
            Hint(
                "buffered PIN",
                f"a keypad that collects the PIN may send it in decimal digits of four bits, filled up with F: then"
                f" it is {pin} (common practice, no published source).",
            )
        )
    return hints


def _length_hints(bits: Bits, rows: Sequence[CardFormat]) -> list[Hint]:
    # Bits that say what they are come before what the length alone may mean, and lost pulses explain nothing more.
    hints = _typed_hints(bits)
    typed = bool(hints)
    length = bits.length
    lengths = sorted({row.length for row in rows if row.length > max(STYLES)}) or [max(STYLES)]
    seen = decode_seen(bits)
    if seen:
        judged = "parity passes" if seen[0].parity_ok else "but parity fails"
        hints.append(
            Hint("other layout", f"{length} bits were seen in this layout in one place; {judged}.", tuple(seen))
        )
    if length == 32:
        hints.append(
            Hint("no parity", f"some readers send 32 bits without parity: then they are the number {bits.value}.")
        )
    for whole in lengths:
        if length == 2 * whole:
            first = decode_in(rows, (bits.value >> whole, whole))
            second = decode_in(rows, (bits.value & ((1 << whole) - 1), whole))
            if any(map(_sound, first)) and any(map(_sound, second)):
                hints.append(
                    Hint(
                        "two frames",
                        f"two frames of {whole} bits run together, both with right parity: the receiver's time-out"
                        " is longer than the pause between the frames.",
                        tuple(filter(_sound, first + second)),
                    )
                )
        elif 0 < whole - length <= 2 and not typed:
            hints.append(
                Hint(
                    "pulses lost",
                    f"{whole - length} fewer than {whole} bits: pulses lost (noise, low supply, a long or thin cable).",
                )
            )
        elif length - whole == 1 and not typed:
            hints.append(Hint("pulse too many", f"one more than {whole} bits: a pulse too many (noise, ringing)."))
    if 1 < length < lengths[0] and bits.value in (0, (1 << length) - 1):
        hints.append(_one_line_hint(bits))
    elif length < lengths[0] and length not in STYLES and not hints:
        hints.append(
            Hint(
                "short",
                f"{length} bits are fewer than any card format: noise or a low supply makes random short frames.",
            )
        )
    return hints


def hints_for(bits: Bits, rows: Sequence[CardFormat] = FORMATS) -> tuple[Hint, ...]:
    """What the bits may be where no reading as given, in `rows`, is sound; empty where one is."""
    reads = decode_in(rows, bits)
    if reads:
        # A format that demands nothing fits any bits of its length, and so says nothing of the others.
        telling = [read for read in reads if may_tell(read.format)]
        return () if not telling or any(read.ok for read in telling) else tuple(_parity_hints(bits, telling, rows))
    hints = _length_hints(bits, rows)
    key = key_of(bits)
    if key is not None:
        hints.insert(0, Hint("key", f"key {key} on a keypad: {STYLES[bits.length]}."))
    elif bits.length in STYLES:
        hints.append(Hint("no key", f"no key of a keypad sends this as {STYLES[bits.length]}."))
    return tuple(hints)
