"""Polynomials over GF(2) as whole numbers, and linear equations over GF(2): the algebra behind CRCs.

The difference of two frames of one length, check field included, is a multiple of the CRC's polynomial, whatever its
start value and final xor. The greatest common divisor of several such differences therefore holds the polynomial.
"""

from __future__ import annotations

from collections.abc import Iterable


def remainder(dividend: int, divisor: int) -> int:
    """What is left of a polynomial division; `divisor` is not 0."""
    size = divisor.bit_length()
    while (over := dividend.bit_length() - size) >= 0:
        dividend ^= divisor << over
    return dividend


def greatest_common_divisor(first: int, second: int) -> int:
    """Of two polynomials."""
    while second:
        first, second = second, remainder(first, second)
    return first


def product(first: int, second: int) -> int:
    """Of two polynomials."""
    made = 0
    while second:
        if second & 1:
            made ^= first
        first <<= 1
        second >>= 1
    return made


def without_shift(value: int) -> int:
    """The polynomial with every factor x taken out."""
    return value >> ((value & -value).bit_length() - 1) if value else 0


def rank(vectors: Iterable[int]) -> int:
    """How many of the vectors (bits of a number) are independent."""
    pivots: dict[int, int] = {}
    for vector in vectors:
        while vector:
            top = vector.bit_length()
            held = pivots.get(top)
            if held is None:
                pivots[top] = vector
                break
            vector ^= held
    return len(pivots)


def solve(rows: Iterable[tuple[int, int]], unknowns: int) -> tuple[int, list[int]] | None:
    """One solution of `parity(mask & x) == bit` for all (mask, bit), and a basis of what may be added to it.

    None where the equations contradict each other.
    """
    pivots: dict[int, tuple[int, int]] = {}
    for mask, bit in rows:
        while mask:
            top = mask.bit_length() - 1
            held = pivots.get(top)
            if held is None:
                pivots[top] = (mask, bit)
                break
            mask ^= held[0]
            bit ^= held[1]
        if not mask and bit:
            return None
    free = [index for index in range(unknowns) if index not in pivots]

    def filled(chosen: int, constants: bool) -> int:
        found = chosen
        for top in sorted(pivots):
            mask, bit = pivots[top]
            rest = (mask & found & ((1 << top) - 1)).bit_count() & 1
            if rest ^ (bit if constants else 0):
                found |= 1 << top
        return found

    return filled(0, True), [filled(1 << index, False) for index in free]
