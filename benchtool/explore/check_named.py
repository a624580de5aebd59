"""Tries every CRC of the catalogue, and the common sums, at every place that makes sense, on all samples at once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.explore.crc_bulk import Running, turned
from benchtool.explore.samples import Layout, Samples, Values
from benchtool.frames.check_value import CheckKind, CheckValue, worked_out
from benchtool.frames.crc_catalogue import CATALOGUE

STARTS = (0, 1, 2, 3, 4)
"""The cover may begin so many octets into the frame."""


class Tried(NamedTuple):
    """A check value and how many sample frames it explains."""

    check: CheckValue
    right: int
    free: bool
    """A constant in it was fitted to the samples."""


def octets_of(width: int) -> int:
    """Octets that a value of so many bits takes."""
    return -(-width // 8)


def catalogue_crcs(samples: Samples, layouts: list[Layout], least: int) -> Iterator[Tried]:
    """Every row of the catalogue; those right on at least `least` frames."""
    fields = {layout: samples.fields(layout) for layout in layouts}
    sizes = {layout.size for layout in layouts}
    for refin in (False, True):
        rows = [row for row in CATALOGUE if row.refin is refin and octets_of(row.width) in sizes]
        if not rows:
            continue
        polys = [(row.width, row.poly, refin) for row in rows]
        for start in STARTS:
            if start >= samples.octets.shape[1]:
                break
            running = Running(samples, polys, [row.init for row in rows], start)
            for layout in layouts:
                chosen = np.array([i for i, row in enumerate(rows) if octets_of(row.width) == layout.size], np.intp)
                if not len(chosen):
                    continue
                big, little, usable = fields[layout]
                ends = samples.ends(layout)
                fit = usable & (ends > start)
                values = running.at(ends, chosen)
                for place, index in enumerate(chosen):
                    row = rows[index]
                    value = values[place]
                    if row.refin is not row.refout:
                        value = turned(value[None, :], np.array([row.width], dtype=np.uint64))[0]
                    value = value ^ np.uint64(row.xorout)
                    for field, low_first in ((big, False), (little, True)):
                        if low_first and layout.size == 1:
                            continue
                        right = int(((value == field) & fit).sum())
                        if right >= least:
                            check = CheckValue(
                                CheckKind.CRC,
                                row.width,
                                start,
                                layout.gap,
                                layout.tail,
                                low_first,
                                layout.text,
                                poly=row.poly,
                                init=row.init,
                                refin=row.refin,
                                refout=row.refout,
                                xorout=row.xorout,
                                name=row.name,
                            )
                            yield Tried(check, right, False)


def common_sums(samples: Samples, layouts: list[Layout], least: int) -> Iterator[Tried]:
    """Sums and exclusive or; a constant that is neither 0 nor all ones is fitted, and said to be."""
    octets = samples.octets.astype(np.int64)
    total = np.zeros((len(samples), octets.shape[1] + 1), dtype=np.int64)
    np.cumsum(octets, axis=1, out=total[:, 1:])
    exclusive = np.zeros_like(total)
    np.bitwise_xor.accumulate(octets, axis=1, out=exclusive[:, 1:])
    rows = np.arange(len(samples))
    for layout in layouts:
        if layout.size > 4:
            continue
        big, little, usable = samples.fields(layout)
        ends = np.clip(samples.ends(layout), 0, octets.shape[1])
        for start in STARTS:
            if start >= octets.shape[1]:
                break
            fit = usable & (ends > start)
            if int(fit.sum()) < least:
                continue
            added = total[rows, ends] - total[:, start]
            mixed = exclusive[rows, ends] ^ exclusive[:, start]
            for field, low_first in ((big, False), (little, True)):
                if low_first and layout.size == 1:
                    continue
                place = (start, layout.gap, layout.tail, low_first, layout.text)
                yield from _sums_at(layout, place, field, fit, added, mixed, least)
                yield from _running_sums(samples, layout, place, field, fit, least)


_Place = tuple[int, int, int, bool, bool]


def _sums_at(
    layout: Layout,
    place: _Place,
    field: Values,
    fit: npt.NDArray[np.bool_],
    added: npt.NDArray[np.int64],
    mixed: npt.NDArray[np.int64],
    least: int,
) -> Iterator[Tried]:
    sent = field.astype(np.int64)
    for width in (8 * layout.size, 7) if layout.size == 1 else (8 * layout.size,):
        mask = (1 << width) - 1
        if width == 7 and (sent[fit] > mask).any():
            continue
        for negate in (False, True):
            apart = (sent + added if negate else sent - added) & mask
            constant, right = _mode(apart[fit])
            if right >= least:
                if negate and constant == mask:
                    yield Tried(CheckValue(CheckKind.SUM, width, *place, xorout=mask), right, False)
                else:
                    start_value = -constant & mask if negate else constant
                    check = CheckValue(CheckKind.SUM, width, *place, negate=negate, init=start_value)
                    yield Tried(check, right, constant != 0)
        if layout.size == 1 and width == 8:
            constant, right = _mode((sent ^ mixed)[fit])
            if right >= least:
                fitted = constant not in (0, mask)
                check = CheckValue(CheckKind.XOR, width, *place, init=constant if fitted else 0)
                if constant == mask:
                    check = CheckValue(CheckKind.XOR, width, *place, xorout=mask)
                yield Tried(check, right, fitted)
        if layout.size <= 2 and width % 8 == 0:
            folded = np.where(added > 0, (added - 1) % mask + 1, 0)
            for xorout in (0, mask):
                right = int(((folded ^ xorout) == sent)[fit].sum())
                if right >= least:
                    yield Tried(CheckValue(CheckKind.SUM_END_AROUND, width, *place, xorout=xorout), right, False)


def _mode(values: npt.NDArray[np.int64]) -> tuple[int, int]:
    found, counts = np.unique(values, return_counts=True)
    best = int(counts.argmax())
    return int(found[best]), int(counts[best])


def _running_sums(
    samples: Samples, layout: Layout, place: _Place, field: Values, fit: npt.NDArray[np.bool_], least: int
) -> Iterator[Tried]:
    if layout.size != 2:
        return
    start = place[0]
    ends = samples.ends(layout)
    covers = [(frame[start : ends[row]], int(field[row])) for row, frame in enumerate(samples.frames) if fit[row]]
    for kind in (CheckKind.FLETCHER_255, CheckKind.FLETCHER_256, CheckKind.WORDS_END_AROUND):
        for xorout in (0, 0xFFFF) if kind is CheckKind.WORDS_END_AROUND else (0,):
            check = CheckValue(kind, 16, *place, xorout=xorout)
            work = worked_out(check)
            right = 0
            for count, (cover, sent) in enumerate(covers):
                right += work(cover) == sent
                if count == 7 and right == 0:
                    break
            if right >= least:
                yield Tried(check, right, False)
