"""Which check value the frames carry: the catalogue and common sums first, then any CRC at all by algebra.

Half of the distinct frames are searched, the others prove. Everything that explains the frames equally is listed: the
traffic does not tell which of them it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchtool.explore.check_named import STARTS, Tried, catalogue_crcs, common_sums
from benchtool.explore.check_unknown import unknown_crcs
from benchtool.explore.explained import (
    LEAST_BITS,
    CheckResult,
    Explanation,
    evidence,
    judged,
    oddness,
    telling_bits,
    weight,
)
from benchtool.explore.samples import Layout, Samples, distinct, halves
from benchtool.frames.check_value import CheckKind, CheckValue
from benchtool.frames.crc_catalogue import CATALOGUE

MOST_SEARCHED = 120
MOST_PROVED = 400
MOST_OCTETS = 300
"""Longer frames are not looked at: they are several that nothing parts, or their polls tell the check value too."""
LEAST_FRAMES = 4
"""Fewer distinct frames say nothing."""
_FEW = 40
_MOST_LISTED = 12
_LEAST_SHARE = 0.3
_ENOUGH = 0.7
"""A named check value that explains so much is not searched beyond; less may be the shadow of a wider one."""


def search(frames: Sequence[bytes], *, deep: bool = True) -> CheckResult:
    """The check values that explain `frames` (in order of time, damaged ones among them, repeats welcome).

    Not `deep`: the catalogue and common sums only, which takes a tenth of the time.
    """
    seen = distinct(frames)
    seen = [frame for frame in seen if 3 <= len(frame) <= MOST_OCTETS]
    if len(seen) < LEAST_FRAMES:
        note = f"{len(seen)} different frame(s) are too few to tell a check value: at least {LEAST_FRAMES} are needed"
        return CheckResult(notes=(note,), distinct=len(seen))
    searched, proof = halves(seen)
    result = _searched(searched[:MOST_SEARCHED], proof[:MOST_PROVED], len(seen), deep)
    if result.best is None and len(seen) <= _FEW:
        result = _searched(seen, [], len(seen), deep)
        if result.best is not None:
            note = f"{len(seen)} different frames are too few to keep some for the proof: all were searched"
            return replace(result, notes=(*result.notes, note))
    return result


def _searched(searched: list[bytes], proof: list[bytes], count: int, deep: bool) -> CheckResult:
    samples = Samples(searched)
    layouts = samples.layouts()
    least = max(2, round(_LEAST_SHARE * len(searched)))
    found = _kept([*catalogue_crcs(samples, layouts, least), *common_sums(samples, layouts, least)], samples, layouts)
    explanations = [judged(check, searched, proof) for check in found]
    notes: list[str] = []
    if deep and max((one.right / one.total for one in explanations), default=0.0) < _ENOUGH:
        derived, notes = unknown_crcs(samples, layouts)
        explanations += [judged(check, searched, proof) for check in derived]
    return _concluded(explanations, notes, count)


def _kept(tried: list[Tried], samples: Samples, layouts: list[Layout]) -> list[CheckValue]:
    hypotheses = (len(CATALOGUE) * 2 + 16) * len(STARTS) * max(1, len(layouts)) / 4
    kept = []
    for one in tried:
        width = one.check.width
        bits = evidence(one.right, len(samples), width, hypotheses) - (width if one.free else 0)
        if bits < LEAST_BITS:
            continue
        worth = telling_bits(one.check, samples.frames)
        bits = evidence(one.right, len(samples), worth, hypotheses) - (width if one.free else 0)
        if bits >= LEAST_BITS:
            kept.append(one.check)
    return kept


def _concluded(explanations: list[Explanation], notes: list[str], count: int) -> CheckResult:
    explanations = [one for one in explanations if one.proof_right >= 0.5 * _share(one) * one.proof_total]
    # A constant that fits a few frames fits them whatever it is: others must bear it out.
    explanations = [one for one in explanations if not _fitted(one) or one.proof_right >= 3 or one.right >= 8]
    if not explanations:
        return CheckResult(notes=tuple(notes), distinct=count)
    # What explains most, weighed by how hard that is by chance; whatever explains fewer frames is refuted by the rest.
    best = max(explanations, key=lambda one: (weight(one.right, one.check.width), -oddness(one.check)))
    rivals = [one for one in explanations if one.right >= best.right or one is best]
    rivals = [one for one in rivals if weight(one.right, one.check.width) >= 0.5 * weight(best.right, best.check.width)]
    rivals.sort(key=lambda one: (oddness(one.check), -one.right * one.check.width))
    natural = [one for one in rivals if not _fitted(one)]
    if natural:
        rivals = natural
    least = oddness(rivals[0].check)
    rivals = [one for one in rivals if oddness(one.check) <= least + 8]
    if len(rivals) > _MOST_LISTED:
        notes = [*notes, f"{len(rivals) - _MOST_LISTED} more explain the frames as well"]
    return CheckResult(tuple(rivals[:_MOST_LISTED]), tuple(notes), count)


def _share(one: Explanation) -> float:
    searched = one.total - one.proof_total
    return (one.right - one.proof_right) / searched if searched else 1.0


def _fitted(one: Explanation) -> bool:
    return one.check.kind in (CheckKind.SUM, CheckKind.XOR) and one.check.init != 0
