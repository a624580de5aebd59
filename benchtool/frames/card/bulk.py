"""Many frames of one format at once, with numpy, from the same table as `decode.py`."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.frames.card.decode import plan
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


def decode_bulk(values: Unsigned, row: CardFormat) -> BulkReads:
    """Read frames, given as uint64 with bit 1 the most significant of `row.length` bits, in one format.

    Raises ValueError where a value does not fit in the format's length.
    """
    values = np.ascontiguousarray(values, dtype=np.uint64)
    ready = plan(row)
    count = len(values)
    site = np.empty(count, np.uint64) if ready.site_mask else None
    number = np.empty(count, np.uint64)
    parity_ok = np.empty(count, np.bool_)
    masks = [np.uint64(mask) for mask, _ in ready.groups]
    limit, site_shift, site_mask, number_shift, number_mask = (
        np.uint64(n) for n in (row.length, ready.site_shift, ready.site_mask, ready.number_shift, ready.number_mask)
    )
    for start in range(0, count, _BLOCK):
        block = values[start : start + _BLOCK]
        here = slice(start, start + len(block))
        if block.max() >> limit:
            raise ValueError(f"a value does not fit in the {row.length} bits of {row.name}")
        if site is not None:
            np.right_shift(block, site_shift, out=site[here])
            site[here] &= site_mask
        np.right_shift(block, number_shift, out=number[here])
        number[here] &= number_mask
        good = parity_ok[here]
        good[:] = True
        for mask, (_, odd) in zip(masks, ready.groups, strict=True):
            right = _odd(block & mask)
            good &= right if odd else ~right
    return BulkReads(site, number, parity_ok)
