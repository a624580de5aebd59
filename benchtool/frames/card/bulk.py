"""Many frames of one format at once, with numpy, from the same table as `decode.py`."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.frames.card.decode import plan
from benchtool.frames.card.field_bits import FieldBits, runs_of
from benchtool.frames.card.formats import CardFormat

Unsigned = npt.NDArray[np.uint64]
_BLOCK = 1 << 14
"""Frames a pass: the working arrays stay in the processor's cache; a million in one pass took half as long again."""


Numbers = Unsigned | npt.NDArray[np.int64]


class BulkReads(NamedTuple):
    """Readings of many frames, in the order given."""

    site: Numbers | None
    """Site codes; None where the format has none. int64 where an offset can make them negative, else uint64."""
    number: Numbers
    """Card numbers, likewise. Where `digits_ok` is false they mean nothing."""
    parity_ok: npt.NDArray[np.bool_]
    digits_ok: npt.NDArray[np.bool_] | None
    """Whether every BCD digit of both is one; None where neither is written in BCD."""
    constants_ok: npt.NDArray[np.bool_] | None
    """Whether the constants are right; None where the format has none."""


def _odd_by_folding(masked: Unsigned) -> npt.NDArray[np.bool_]:
    """Whether the ones are odd in number, for a numpy (before 2.0) that cannot count bits."""
    folded = masked.copy()
    for shift in (32, 16, 8, 4, 2, 1):
        folded ^= folded >> np.uint64(shift)
    odd: npt.NDArray[np.bool_] = (folded & np.uint64(1)).astype(np.bool_)
    return odd


def _odd_by_counting(masked: Unsigned) -> npt.NDArray[np.bool_]:
    """Whether the ones are odd in number."""
    ones = np.bitwise_count(masked)
    ones &= np.uint8(1)
    odd: npt.NDArray[np.bool_] = ones.view(np.bool_)
    return odd


_odd = _odd_by_counting if hasattr(np, "bitwise_count") else _odd_by_folding


def _take(block: Unsigned, bits: FieldBits, out: Unsigned) -> None:
    """A field's bits of every frame into `out`."""
    for index, (shift, mask, count) in enumerate(bits.runs):
        if index == 0:
            np.right_shift(block, np.uint64(shift), out=out)
            out &= np.uint64(mask)
        else:
            out <<= np.uint64(count)
            out |= block >> np.uint64(shift) & np.uint64(mask)
    if bits.flip:
        out ^= np.uint64(bits.flip)


def _decimal(out: Unsigned, digits: int, good: npt.NDArray[np.bool_]) -> None:
    """BCD in `out` to numbers; `good` is cleared where a digit is above 9."""
    number = np.zeros_like(out)
    for index in reversed(range(digits)):
        digit = out >> np.uint64(4 * index) & np.uint64(15)
        good &= digit < np.uint64(10)
        number *= np.uint64(10)
        number += digit
    out[:] = number


def _shifted(numbers: Unsigned, offset: int) -> Numbers:
    if offset >= 0:
        numbers += np.uint64(offset)
        return numbers
    return numbers.astype(np.int64) + np.int64(offset)


def decode_bulk(values: Unsigned, row: CardFormat) -> BulkReads:
    """Read frames, given as uint64 with bit 1 the most significant of `row.length` bits, in one format.

    Site codes, card numbers, parity, digits and constants; check digits and further fields are for `decode_as`.
    Raises ValueError where a value does not fit in the format's length, or the format has more than 64 bits.
    """
    if row.length > 64:
        raise ValueError(f"{row.name} has {row.length} bits, and 64 are the most that are read in bulk")
    values = np.ascontiguousarray(values, dtype=np.uint64)
    ready = plan(row)
    count = len(values)
    wanted = [bits for bits in (ready.site, ready.number) if bits is not None]
    found = [np.empty(count, np.uint64) for _ in wanted]
    parity_ok = np.ones(count, np.bool_)
    digits_ok = np.ones(count, np.bool_) if any(bits.bcd for bits in wanted) else None
    constants_ok = np.empty(count, np.bool_) if row.constants else None
    groups = [(np.uint64(mask), odd) for mask, odd in ready.groups]
    fixed_mask, fixed = _constants(row)
    for start in range(0, count, _BLOCK):
        block = values[start : start + _BLOCK]
        here = slice(start, start + len(block))
        if row.length < 64 and block.max() >> np.uint64(row.length):
            raise ValueError(f"a value does not fit in the {row.length} bits of {row.name}")
        for bits, numbers in zip(wanted, found, strict=True):
            _take(block, bits, numbers[here])
            if bits.bcd and digits_ok is not None:
                _decimal(numbers[here], sum(run[2] for run in bits.runs) // 4, digits_ok[here])
        good = parity_ok[here]
        for mask, odd in groups:
            right = _odd(block & mask)
            good &= right if odd else ~right
        if constants_ok is not None:
            np.equal(block & fixed_mask, fixed, out=constants_ok[here])
    numbers_out = [_shifted(numbers, bits.offset) for bits, numbers in zip(wanted, found, strict=True)]
    return BulkReads(
        numbers_out[0] if ready.site is not None else None, numbers_out[-1], parity_ok, digits_ok, constants_ok
    )


def _constants(row: CardFormat) -> tuple[np.uint64, np.uint64]:
    """Mask and value of all constants together."""
    mask = value = 0
    for constant in row.constants:
        bits = FieldBits(runs_of(constant.places, row.length), 0, False, 0)
        mask |= bits.placed((1 << len(constant.places)) - 1)
        value |= bits.placed(constant.value)
    return np.uint64(mask), np.uint64(value)
