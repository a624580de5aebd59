"""Polynomials and equations over GF(2)."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from benchtool.explore.gf2 import greatest_common_divisor, product, rank, remainder, solve, without_shift

POLYS = st.integers(1, 1 << 40)


@given(POLYS, POLYS)
def test_a_product_divides_without_rest(first: int, second: int) -> None:
    assert remainder(product(first, second), first) == 0
    assert remainder(product(first, second) ^ 1, first) == (0 if first == 1 else 1)


@given(POLYS, POLYS, POLYS)
def test_the_common_divisor_holds_every_common_factor(first: int, second: int, common: int) -> None:
    divisor = greatest_common_divisor(product(first, common), product(second, common))
    assert remainder(divisor, common) == 0
    assert remainder(product(first, common), divisor) == 0


def test_known_factors() -> None:
    # x^16 + x^15 + x^2 + 1 = (x + 1)(x^15 + x + 1): both CRC-16 polynomials have the factor x + 1 (from memory).
    assert product(0b11, 0x8003) == 0x18005
    assert remainder(0x11021, 0b11) == 0
    assert without_shift(0b101000) == 0b101
    assert without_shift(0) == 0


@given(st.lists(st.integers(0, 255), max_size=12))
def test_rank_counts_what_the_vectors_span(vectors: list[int]) -> None:
    spanned = {0}
    for vector in vectors:
        spanned |= {vector ^ other for other in spanned}
    assert 1 << rank(vectors) == len(spanned)


@given(st.lists(st.integers(0, 1023), min_size=1, max_size=12), st.integers(0, 1023))
def test_equations_with_a_solution_are_solved(masks: list[int], truth: int) -> None:
    rows = [(mask, (mask & truth).bit_count() & 1) for mask in masks]
    solved = solve(rows, 10)
    assert solved is not None
    found, free = solved
    assert all((mask & found).bit_count() & 1 == bit for mask, bit in rows)
    assert len(free) == 10 - rank(masks)
    assert all((mask & more).bit_count() % 2 == 0 for more in free for mask in masks)


def test_a_contradiction_has_no_solution() -> None:
    assert solve([(0b11, 1), (0b10, 0), (0b01, 0)], 2) is None
