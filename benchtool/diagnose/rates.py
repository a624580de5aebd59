"""What a receiver set to the wrong rate can deliver at all: closed sets of octet values.

A receiver `ratio` times faster than the sender samples each of the sender's bits several times, so most octet values
cannot come out of it. The sets follow from the sampling instants alone (sheet section 11 prints them for 2, 4, 8 and
12 times; a test compares). If practically all octets lie in such a set, the receiver is that much too fast.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from itertools import product

from benchtool.capture.rates import DEVICE_RATES
from benchtool.capture.settings import CharFormat, Parity


@dataclass(frozen=True, slots=True)
class ValueSet:
    """Octet values that can come, by whether the stop bit is read as 1 (`sound`) or 0 (`framing`)."""

    sound: frozenset[int]
    framing: frozenset[int]

    def __contains__(self, octet: tuple[int, bool | None]) -> bool:
        value, framing = octet
        if framing is None:
            return value in self.sound or value in self.framing
        return value in (self.framing if framing else self.sound)

    def size(self, marks_seen: bool) -> int:
        """How many different octets the set has, told apart by framing marks only where those are seen."""
        return len(self.sound) + len(self.framing) if marks_seen else len(self.sound | self.framing)


@lru_cache(maxsize=256)
def closed_set(ratio: Fraction, heard: CharFormat = CharFormat()) -> ValueSet:
    """The octets a receiver can make that is `ratio` (above 1) times faster than the sender.

    A sample that falls exactly on an edge of the sender's bits may be read as either side.
    """
    stop_at = Fraction(3, 2) + heard.data_bits + (heard.parity is not Parity.NONE)
    instants = [(Fraction(3, 2) + index) / ratio for index in range(heard.data_bits)] + [stop_at / ratio]
    choices: list[list[int]] = []
    for at in instants:
        after = int(at)
        choices.append([after - 1, after] if at.denominator == 1 else [after])
    last = max(max(row) for row in choices)
    sound: set[int] = set()
    framing: set[int] = set()
    for bits in product((0, 1), repeat=last):
        line = (0, *bits)
        for picked in product(*choices):
            levels = [line[index] for index in picked]
            value = sum(level << index for index, level in enumerate(levels[:-1]))
            (sound if levels[-1] else framing).add(value)
    return ValueSet(frozenset(sound), frozenset(framing))


@dataclass(frozen=True, slots=True)
class RateMatch:
    """How well octets fit a receiver that is too fast."""

    sender_baud: int
    ratio: Fraction
    inside: int
    """Octets in the closed set."""
    total: int
    set_size: int
    alphabet: int
    """Different octets there could be: 256, or 512 where framing marks are seen."""

    @property
    def share(self) -> float:
        """Share of octets in the set, 0 to 1."""
        return self.inside / self.total if self.total else 0.0


def match_rates(octets: Sequence[tuple[int, bool | None]], baud: int, heard: CharFormat) -> list[RateMatch]:
    """Each usual rate below `baud` whose closed set is small enough to tell, best first.

    `octets` are (value, framing mark or None where it cannot be seen). The smallest set that holds (nearly) all
    octets explains them best.
    """
    marks_seen = any(framing is not None for _, framing in octets)
    found = []
    for rate in DEVICE_RATES:
        ratio = Fraction(baud, rate)
        if ratio < Fraction(4, 3) or ratio > 100:
            continue
        values = closed_set(ratio, heard)
        size = values.size(marks_seen)
        inside = sum(octet in values for octet in octets)
        found.append(RateMatch(rate, ratio, inside, len(octets), size, 512 if marks_seen else 256))
    return sorted(found, key=lambda match: (match.share < 0.99, match.set_size, -match.share, -match.sender_baud))
