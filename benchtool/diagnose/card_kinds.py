"""What each read is by its bits alone: sound, failing which parity, too short, all ones, a key; and the printed number.

Reference sheet 6.6 (keys) and 6.7: swapped lines invert every bit, an open D0 lets only ones through, an open D1 only
zeros. What a change of all bits does to a format's parity is counted on frames of that format, not assumed.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from enum import Enum
from functools import lru_cache

from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_bits, build_data, build_values
from benchtool.frames.card.decode import decode_as
from benchtool.frames.card.entry import Entry
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.frames.card.keypad import STYLES, key_of
from benchtool.frames.card.read import CardRead

_FRAMES = 200
"""So many frames of a format are changed to see what becomes of its parity."""


class Kind(Enum):
    """What a read is; the value is what people read."""

    SOUND = "right length and parity"
    FIRST_FAIL = "right length, the first parity wrong"
    OTHER_FAIL = "right length, one parity wrong that is not the first"
    ALL_FAIL = "right length, every parity wrong"
    ONLY_ONES = "ones alone, too few"
    ONLY_ZEROS = "zeros alone, too few"
    FEWER = "one to three bits too few"
    SHORT = "many bits too few"
    MORE = "one to four bits too many"
    LONG = "many bits too many"
    FAR = "more than twice the length"
    DOUBLE = "twice the length"
    KEY = "a key of a keypad"
    OTHER_LENGTH = "whole in a format of another length"
    NOTHING = "nothing came"


KINDS = tuple(Kind)
LENGTH_RIGHT = (Kind.SOUND, Kind.FIRST_FAIL, Kind.OTHER_FAIL, Kind.ALL_FAIL)


class Printed(Enum):
    """How a read agrees with the number printed on the card."""

    AS_GIVEN = "the data bits are those of the printed number"
    INVERTED = "the data bits are those of the printed number, every one inverted"
    REVERSED = "the bits are those of the printed number, last bit first"
    ONES = "as many ones as the printed number's frame has, and no zeros"
    ZEROS = "as many zeros as the printed number's frame has, and no ones"
    NONE = "the bits do not agree with the printed number"


def expected_formats(evidence: CardEvidence) -> tuple[CardFormat, ...]:
    """The formats that a right read has: as told, or those of the length most read, or nearest to it."""
    if evidence.expected:
        return evidence.expected
    known = evidence.formats or FORMATS
    lengths = [read.bits.length for read in evidence.reads]
    right = [length for length in lengths if any(row.length == length for row in known)]
    if right:
        wanted = max(sorted(set(right)), key=right.count)
    else:
        longest = max((length for length in lengths if length <= max(row.length for row in known)), default=0)
        wanted = min((row.length for row in known if row.length >= longest), default=FORMATS[0].length)
    return tuple(row for row in known if row.length == wanted)


def kind_of_read(bits: Bits, expected: Sequence[CardFormat], known: Sequence[CardFormat]) -> Kind:
    """What a read is beside the formats that are right, and all that are known."""
    length = expected[0].length
    if any(row.length == bits.length for row in expected):
        judged = [_judged(row, bits) for row in expected if row.length == bits.length]
        return min(judged, key=LENGTH_RIGHT.index)
    if bits.length in STYLES and key_of(bits) is not None and not _plain(bits):
        return Kind.KEY
    if bits.length < length and _plain(bits):
        return Kind.ONLY_ONES if bits.value else Kind.ONLY_ZEROS
    if any(row.length == bits.length and row.parity and decode_as(row, bits).ok for row in known):
        return Kind.OTHER_LENGTH
    if bits.length == 2 * length:
        return Kind.DOUBLE
    if bits.length > 2 * length:
        return Kind.FAR
    if bits.length < length:
        return Kind.FEWER if bits.length >= length - 3 else Kind.SHORT
    return Kind.MORE if bits.length <= length + 4 else Kind.LONG


def _plain(bits: Bits) -> bool:
    return bits.length > 0 and bits.value in (0, (1 << bits.length) - 1)


def _judged(row: CardFormat, bits: Bits) -> Kind:
    read = decode_as(row, bits)
    checks = [check.ok for check in read.parity]
    if all(checks):
        return Kind.SOUND if read.ok else Kind.OTHER_FAIL
    if not any(checks):
        return Kind.ALL_FAIL
    return Kind.FIRST_FAIL if not checks[0] and all(checks[1:]) else Kind.OTHER_FAIL


def key_length(bursts: Sequence[Bits]) -> int:
    """How many bits a key has, where keys were surely pressed: several bursts of one length that are all keys; else 0.

    Of four bits three in four are a key, so one alone may be a frame cut short.
    """
    for length in sorted(STYLES, reverse=True):
        of_it = [bits for bits in bursts if bits.length == length]
        if len(of_it) >= (1 if length == 8 else 2) and all(key_of(bits) is not None for bits in of_it):
            return length
    return 0


def judged_reads(evidence: CardEvidence) -> tuple[CardRead, ...]:
    """The reads that say something: without the keys of a reader that reads cards well and has a keypad besides."""
    size = key_length([read.bits for read in evidence.reads])
    expected = expected_formats(evidence)
    cards = tuple(read for read in evidence.reads if read.bits.length != size)
    sound = any(kind_of_read(read.bits, expected, evidence.formats) is Kind.SOUND for read in cards)
    return cards if size and sound else evidence.reads


def kinds(evidence: CardEvidence) -> list[Kind]:
    """Of every judged read, in order; `NOTHING` for each card that was presented and brought no read."""
    expected = expected_formats(evidence)
    found = [kind_of_read(read.bits, expected, evidence.formats) for read in judged_reads(evidence)]
    missing = max(0, (evidence.presented or 0) - len(found))
    return [*found, *([Kind.NOTHING] * missing)]


def alike_in_length(evidence: CardEvidence) -> tuple[int, int, int]:
    """Of reads that have another length than is right: how many have the commonest length, how many in all, that."""
    right = {row.length for row in expected_formats(evidence)}
    lengths = [read.bits.length for read in judged_reads(evidence) if read.bits.length not in right]
    if not lengths:
        return 0, 0, 0
    most = max(sorted(set(lengths)), key=lengths.count)
    return lengths.count(most), len(lengths), most


@lru_cache(maxsize=256)
def patterns(rows: tuple[CardFormat, ...]) -> dict[CardCause, tuple[dict[Kind, float], ...]]:
    """What the causes that change every frame alike do to frames of the first format, judged in all of its length.

    Shares of kinds, one table for each way it can be. Counted on frames with invented numbers, drawn by a fixed seed.
    """
    row = rows[0]
    alike = [other for other in rows if other.length == row.length]
    draw = random.Random(row.length)
    frames = [frame for frame in (_invented(row, draw) for _ in range(_FRAMES)) if frame is not None]
    groups = [1 << row.length - group.bit for group in row.parity]

    def shares(change: Sequence[Bits]) -> dict[Kind, float]:
        found = [min((_judged(other, bits) for other in alike), key=LENGTH_RIGHT.index) for bits in change]
        return {kind: found.count(kind) / max(1, len(found)) for kind in LENGTH_RIGHT}

    def flipped(mask: int) -> list[Bits]:
        return [Bits(frame.value ^ mask, frame.length) for frame in frames]

    free = [Bits(frame.value ^ sum(draw.choice((0, bit)) for bit in groups), frame.length) for frame in frames]
    return {
        CardCause.LINES_SWAPPED: (shares([frame.inverted() for frame in frames]),),
        CardCause.BITS_REVERSED: (shares([frame.reversed() for frame in frames]),),
        CardCause.PARITY_ONE_WRONG: tuple(shares(flipped(bit)) for bit in groups) or (shares(frames),),
        CardCause.PARITY_SENSE_WRONG: (shares(flipped(sum(groups))),),
        # Now and then another layout has the same parity and carries the number elsewhere.
        CardCause.LAYOUT_OTHER: (*[shares(free)] * 7, shares(frames)),
    }


def _invented(row: CardFormat, draw: random.Random) -> Bits | None:
    try:
        return build_values(row, {field.name: draw.randint(field.lowest, field.highest) for field in row.fields})
    except ValueError:  # a check value that these digits cannot have
        return None


def printed_agrees(bits: Bits, printed: Entry, expected: Sequence[CardFormat]) -> Printed:
    """How one read agrees with the printed number; parity bits do not count."""
    for row in expected:
        for frame, mask in _frames_of(row, printed):
            if bits.length == row.length:
                apart = (bits.value ^ frame.value) & mask
                if not apart:
                    return Printed.AS_GIVEN
                if apart == mask:
                    return Printed.INVERTED
                if not (bits.reversed().value ^ frame.value) & mask:
                    return Printed.REVERSED
            elif _plain(bits) and mask == _data_mask(row):
                ones = frame.value.bit_count()
                if bits.value and bits.length == ones:
                    return Printed.ONES
                if not bits.value and bits.length == row.length - ones:
                    return Printed.ZEROS
    return Printed.NONE


def _frames_of(row: CardFormat, printed: Entry) -> list[tuple[Bits, int]]:
    """Frames with the printed number, and the bits of each that it settles."""
    found: list[tuple[Bits, int]] = []
    tries: list[tuple[Callable[[], Bits], int]] = []
    if printed.bits is not None:
        found += [(printed.bits, _data_mask(row))] if printed.bits.length == row.length else []
    if printed.pair is not None:
        site, number = printed.pair
        tries.append((lambda: build_bits(row, site, number), _data_mask(row)))
    if printed.data is not None:
        data = printed.data
        tries.append((lambda: build_data(row, data), _data_mask(row)))
        site_least = row.site.lowest if row.site is not None else None
        tries.append((lambda: build_bits(row, site_least, data), _mask(row, row.number.places)))
    for build, mask in tries:
        try:
            found.append((build(), mask))
        except ValueError:  # the format cannot carry such a number: it says nothing
            continue
    return found


def _mask(row: CardFormat, places: Sequence[int]) -> int:
    return sum(1 << row.length - place for place in places)


def _data_mask(row: CardFormat) -> int:
    return _mask(row, [place for field in row.fields for place in field.places])
