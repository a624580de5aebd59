"""Many frames of one format at once, with numpy, from the same table as `decode.py`."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.frames.card.decode import plan
from benchtool.frames.card.field_bits import FieldBits
from benchtool.frames.card.formats import CardFormat

Unsigned = npt.NDArray[np.uint64]
_BLOCK = 1 << 14
"""Frames a pass: the working arrays stay in the processor's cache; a million in one pass took half as long again."""


class BulkReads(NamedTuple):
    """Readings of many frames, in the order given."""

    site: Unsigned | None
    """Site codes; None where the format has none."""
    number: Unsigned
    parity_ok: npt.NDArray[np.bool_]


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


def decode_bulk(values: Unsigned, row: CardFormat) -> BulkReads:
    """Read frames, given as uint64 with bit 1 the most significant of `row.length` bits, in one format.

    Raises ValueError where a value does not fit in the format's length.
    """
    values = np.ascontiguousarray(values, dtype=np.uint64)
    ready = plan(row)
    count = len(values)
    site = np.empty(count, np.uint64) if ready.site else None
    number = np.empty(count, np.uint64)
    parity_ok = np.empty(count, np.bool_)
    masks = [np.uint64(mask) for mask, _ in ready.groups]
    limit = np.uint64(row.length)
    for start in range(0, count, _BLOCK):
        block = values[start : start + _BLOCK]
        here = slice(start, start + len(block))
        if row.length < 64 and block.max() >> limit:
            raise ValueError(f"a value does not fit in the {row.length} bits of {row.name}")
        if site is not None and ready.site is not None:
            _take(block, ready.site, site[here])
        _take(block, ready.number, number[here])
        good = parity_ok[here]
        good[:] = True
        for mask, (_, odd) in zip(masks, ready.groups, strict=True):
            right = _odd(block & mask)
            good &= right if odd else ~right
    return BulkReads(site, number, parity_ok)
