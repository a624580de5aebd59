"""Which octets of sound frames bear a line error: by the octet's value, that tells the format in which they were sent.

The parity bit stands where a receiver of another format has its stop bit, or waits for another parity bit (sheet
section 11, parity mismatch). So values come right, and the mark depends on the octet's number of ones alone. Noise and
reflections mark octets without regard to that.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from benchtool.capture.chunk import LineErrors
from benchtool.capture.settings import CharFormat, LineSettings, Parity
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.lean import MOST_HEARD

_LEAST_MARKED = 12
_LEAST_VALUES = 8
"""Different values that must each be marked, or not, as the format has it: by chance that comes in 1 case of 256."""
_LEAST_BEARING = 3
"""So many of them must bear marks: one value that always does is damage of its own kind."""
_ALWAYS, _NEVER = 0.9, 0.1
_MOST_UNFIT = 0.1
"""Values that come otherwise, as a share of those that fit: some noise beside it changes nothing."""
_COUNTED_LOG = 14.0
"""Natural logarithm, where errors are counted without saying on which octet (a judgement): nothing else spoils a good
part of all octets and leaves their frames sound, and the count equals that of the octets with an even (or odd) number
of ones within one in a hundred."""
_COUNTED_LEAST, _COUNTED_SHARE, _COUNTED_OFF = 50, 0.2, 0.01


@dataclass(frozen=True, slots=True)
class FormatSeen:
    """The format that the line errors tell."""

    sent: CharFormat
    kind: str
    """`framing` or `parity`."""
    which: str
    """Which octets are marked in that format: `with an even number of ones`; empty for all."""
    marked: int
    """Octets that are marked, of those that should be."""
    of: int
    others: int
    """Octets that are marked and should not be."""
    rest: int
    """Octets that should not be marked."""
    values: int
    """Different values, each marked or not as that format has it; 0 where errors are only counted."""
    log: float
    """Natural logarithm of how much likelier it is in that format than by chance."""

    def told(self, heard: CharFormat) -> str:
        """A sentence with its counts."""
        so = f"so is {self.sent} read as {heard}"
        if not self.values:
            some = f"octets {self.which}" if self.which else "octets in all"
            return f"{self.marked} {self.kind} errors were counted, and {self.of} {some} came: {so}"
        some = f"octets {self.which}" if self.which else "octets"
        than = f", and {self.others} of the {self.rest} others" if self.rest else " although their values are right"
        return (
            f"{self.marked} of {self.of} {some} have a {self.kind} error{than}: {so} ({self.values} different values)"
        )


def format_seen(evidence: Evidence, settings: LineSettings) -> FormatSeen | None:
    """The usual format whose marks these are; None where marks fall otherwise, or too few came."""
    figures, heard = evidence.figures, settings.format
    if heard.data_bits != 8 or not evidence.values or figures.line_errors is LineErrors.UNAVAILABLE:
        return None
    kind = "framing" if heard.parity is Parity.NONE else "parity"
    found = []
    for sent in (Parity.EVEN, Parity.ODD, Parity.NONE):
        if sent is heard.parity:
            continue
        expected = _expected(sent, heard.parity)
        if figures.line_errors is LineErrors.MARKED:
            one = _by_value(evidence, kind, expected)
        else:
            one = _by_count(evidence, kind, expected)
        if one is not None:
            found.append(FormatSeen(_named(sent), kind, _which(sent, heard.parity), *one))
    # Two that fit tell nothing.
    return found[0] if len(found) == 1 else None


_Counts = tuple[int, int, int, int, int, float]


def _by_value(evidence: Evidence, kind: str, expected: Callable[[int], bool]) -> _Counts | None:
    marks: Mapping[int, int] = evidence.marks.framing_of if kind == "framing" else evidence.marks.parity_of
    damaged = Counter(value for value, _ in evidence.damaged_octets)
    seen = {value: count - damaged[value] for value, count in enumerate(evidence.values) if count > damaged[value]}
    fit = unfit = bear = marked = of = others = rest = 0
    for value, count in seen.items():
        hit = min(count, marks.get(value, 0))
        if expected(value):
            marked, of = marked + hit, of + count
            good = hit >= _ALWAYS * count
            bear += good
        else:
            others, rest = others + hit, rest + count
            good = hit <= _NEVER * count
        fit += good
        unfit += not good
    if marked < _LEAST_MARKED or bear < _LEAST_BEARING or fit < _LEAST_VALUES or unfit > _MOST_UNFIT * fit:
        return None
    return marked, of, others, rest, fit, min(MOST_HEARD, (fit - 3 * unfit) * math.log(2))


def _by_count(evidence: Evidence, kind: str, expected: Callable[[int], bool]) -> _Counts | None:
    """Where nobody knows which octets: their number alone, on a bus on which nothing is damaged."""
    figures = evidence.figures
    of = sum(count for value, count in enumerate(evidence.values) if expected(value))
    if figures.damaged > _COUNTED_OFF * figures.sound or of < max(_COUNTED_LEAST, _COUNTED_SHARE * figures.octets):
        return None
    # Some receivers count an octet of zeros as a break, some as a framing error too.
    counts = (figures.marks[kind], figures.marks[kind] + figures.marks["break"])
    near = min(counts, key=lambda count: abs(count - of))
    if abs(near - of) > _COUNTED_OFF * of:
        return None
    return near, of, 0, 0, 0, _COUNTED_LOG


def _expected(sent: Parity, heard: Parity) -> Callable[[int], bool]:
    """Whether an octet of a value sent with one parity gets a mark from a receiver that waits for another.

    The receiver without parity takes the parity bit for a stop bit, which is 1; one with parity takes the stop bit of a
    sender without for a parity bit.
    """

    def marked(value: int) -> bool:
        return _bit(sent, value) != _bit(heard, value)

    return marked


def _bit(parity: Parity, value: int) -> int:
    """The bit after the data bits: the parity bit, or the stop bit."""
    if parity is Parity.NONE:
        return 1
    odd = value.bit_count() & 1
    return odd if parity is Parity.EVEN else 1 - odd


def _which(sent: Parity, heard: Parity) -> str:
    if Parity.NONE not in (sent, heard):
        return ""
    even = Parity.EVEN in (sent, heard)
    return f"with an {'even' if even else 'odd'} number of ones"


def _named(sent: Parity) -> CharFormat:
    """Without parity there are two stop bits: Modbus has it so (sheet 3.1), and one is read right as well."""
    return CharFormat(8, sent, 2.0 if sent is Parity.NONE else 1.0)
