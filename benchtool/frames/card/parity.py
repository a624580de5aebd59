"""Parity bits worked out from the other bits, also where a group covers another group's parity bit.

The groups are equations over GF(2) whose unknowns are the parity bits. Solved once for a format, each parity bit is the
parity of some of the other bits, perhaps turned round.
"""

from __future__ import annotations

from typing import NamedTuple

from benchtool.frames.card.formats import CardFormat, Sense


class ParityRule(NamedTuple):
    """One parity bit in terms of bits that are not parity bits."""

    place: int
    mask: int
    """Those bits, over the frame as a number."""
    turned: int
    """1 where the parity bit is 0 for an odd number of ones among them."""


def parity_rules(row: CardFormat) -> tuple[ParityRule, ...]:
    """A rule for each parity bit, in the order of the groups.

    Raises ValueError where the groups do not fix every parity bit: some cards could then not be built at all, others in
    more than one way.
    """
    length = row.length
    unknown = 0
    for group in row.parity:
        unknown |= 1 << (length - group.bit)
    if unknown.bit_count() != len(row.parity):
        raise ValueError(f"{row.name}: two parity groups have the same parity bit")
    equations: list[tuple[int, int, tuple[int, ...]]] = [
        (group.mask(length), int(group.sense is Sense.ODD), (group.bit,)) for group in row.parity
    ]
    solved: list[tuple[int, int, int]] = []
    while equations:
        mask, odd, names = equations.pop(0)
        pivot = mask & unknown
        if not pivot:
            together = ", ".join(str(name) for name in sorted(names))
            raise ValueError(
                f"{row.name}: the parity bits cannot be worked out: in the groups of bits {together}, taken together,"
                " every parity bit is counted an even number of times, so they leave one open or contradict each other"
            )
        pivot &= -pivot
        equations = [
            (m ^ mask, o ^ odd, tuple(set(n) ^ set(names))) if m & pivot else (m, o, n) for m, o, n in equations
        ]
        solved = [(p, m ^ mask, o ^ odd) if m & pivot else (p, m, o) for p, m, o in solved]
        solved.append((pivot, mask, odd))
    by_place = {
        length + 1 - pivot.bit_length(): ParityRule(length + 1 - pivot.bit_length(), mask & ~unknown, odd)
        for pivot, mask, odd in solved
    }
    return tuple(by_place[group.bit] for group in row.parity)
