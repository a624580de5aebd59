"""What the search for a check value says: explanations, how much traffic each explains, and what it could not tell."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from benchtool.frames.check_value import CheckKind, CheckValue

_DOUBT = 60
LEAST_BITS = 14.0
"""Evidence below this, after taking off for all that was tried, is not spoken of."""


@dataclass(frozen=True, slots=True)
class Explanation:
    """One check value that explains the frames. Counts are of distinct frames."""

    check: CheckValue
    right: int
    total: int
    proof_right: int
    """Of the frames that were not used for the search."""
    proof_total: int

    @property
    def proved(self) -> bool:
        """Whether frames that the search had not seen bear it out, beyond chance."""
        return self.proof_right >= 1 and evidence(self.proof_right, self.proof_total, self.check.width, 1) >= 7


@dataclass(frozen=True, slots=True)
class CheckResult:
    """All explanations that the traffic does not tell apart, the most usual first; empty where none explains it."""

    explanations: tuple[Explanation, ...] = ()
    notes: tuple[str, ...] = ()
    """What the traffic leaves open, in words."""
    distinct: int = 0
    """Distinct frames looked at."""

    @property
    def best(self) -> Explanation | None:
        """The most usual of the explanations."""
        return self.explanations[0] if self.explanations else None


def weight(right: int, width: int) -> float:
    """What a check value explains, for comparing: frames times bits, of which 16 count and the rest breaks ties.

    Else a wide value that a few dull frames agree on by chance would beat a narrow one that all bear out.
    """
    return right * (min(width, 16) + width / 1000)


def telling_bits(check: CheckValue, frames: Sequence[bytes]) -> float:
    """Bits that one agreement is worth: less than the width where values come again and again, as in dull traffic.

    By chance two frames' worked-out and sent values agree as often as those of different frames do here.
    """
    fits = [frame for frame in frames if len(frame) >= check.least]
    if len(fits) < 2:
        return 0.0
    worked = Counter(check.value(frame) for frame in fits)
    sent = Counter(value for frame in fits if (value := check.sent(frame)) is not None)
    own = sum(check.ok(frame) for frame in fits)
    agreements = max(0, sum(worked[value] * count for value, count in sent.items()) - own)
    pairs = len(fits) * (len(fits) - 1)
    # Few frames have few pairs: one coincidence among them is not held against the check value.
    chance = (agreements + _DOUBT * 2.0**-check.width) / (pairs + _DOUBT)
    return min(check.width, -math.log2(chance))


def evidence(right: int, total: int, width: float, tried: float) -> float:
    """Bits of evidence for a check value that is right on `right` of `total` frames, one of `tried` hypotheses."""
    if right <= 0:
        return -math.inf
    chosen = (math.lgamma(total + 1) - math.lgamma(right + 1) - math.lgamma(total - right + 1)) / math.log(2)
    return width * right - chosen - math.log2(max(tried, 1.0))


def judged(check: CheckValue, search: Sequence[bytes], proof: Sequence[bytes]) -> Explanation:
    """Try a check value on all frames."""
    searched = sum(check.ok(frame) for frame in search)
    proved = sum(check.ok(frame) for frame in proof)
    return Explanation(check, searched + proved, len(search) + len(proof), proved, len(proof))


def oddness(check: CheckValue) -> float:
    """How unusual a check value is, in bits of a rough prior: what is left is ordered by it."""
    ones = (1 << check.width) - 1
    odd = 0.0
    if check.kind is CheckKind.CRC:
        odd += 0.0 if check.name else 6.0
        odd += 1.0 if check.refin is not check.refout else 0.0
    else:
        odd += 0.0 if check.init == 0 else 4.0
        odd += 0.0 if check.xorout in (0, ones) else 4.0
    odd += (0.0, 0.6, 2.5, 3.5, 4.0)[min(check.start, 4)]
    odd += 1.0 * check.gap
    if check.kind in (CheckKind.SUM, CheckKind.XOR) and check.width > 16:
        odd += 2.0
    odd += 2.0 if check.width % 8 else 0.0
    return odd
