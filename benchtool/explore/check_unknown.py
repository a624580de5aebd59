"""CRCs that are in no catalogue: the polynomial from differences of frames of one length, then the constants.

For frames of one length the CRC is affine: what start value and final xor do is one constant, the same for all of them.
So a polynomial is judged by how many frames agree on that constant; a common divisor of differences proposes it.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchtool.explore.check_named import STARTS, octets_of
from benchtool.explore.crc_bulk import Poly, Running, turned
from benchtool.explore.explained import LEAST_BITS, evidence, weight
from benchtool.explore.gf2 import greatest_common_divisor, rank, solve, without_shift
from benchtool.explore.samples import Layout, Samples, Values
from benchtool.frames.check_value import CheckKind, CheckValue, reversed_bits, worked_out
from benchtool.frames.crc_catalogue import CATALOGUE

_MOST_IN_GROUP = 40
_TRIES = 24
_AT_ONCE = 4
"""Differences taken together: with four, a common divisor beyond the polynomial is rare."""


@dataclass(frozen=True, slots=True)
class _Found:
    """A polynomial at a place, and what the frames of each length agree on."""

    layout: Layout
    start: int
    poly: Poly
    turn: bool
    little: bool
    agreed: dict[int, tuple[int, int]]
    """Octets covered: (the constant, how many frames agree on it)."""
    bits: float

    @property
    def right(self) -> int:
        return sum(count for _, count in self.agreed.values())


def unknown_crcs(samples: Samples, layouts: list[Layout]) -> tuple[list[CheckValue], list[str]]:
    """Check values that explain the samples, likeliest first; and what stays open, in words."""
    layouts = [layout for layout in layouts if layout.gap <= 1 and not samples.fixed_in_field(layout)]
    known = sorted({(row.width, row.poly) for row in CATALOGUE if row.width >= 5})
    known += [(8, poly) for poly in range(3, 256, 2) if (8, poly) not in known]
    found = list(_by_list(samples, layouts, known, _open_starts(samples)))
    for layout in layouts:
        if layout.size >= 2:
            proposed = _proposed(samples, layout)
            if proposed:
                found += _by_list(samples, [layout], proposed, _open_starts(samples), taken_from_data=True)
    if not found:
        return [], []
    best = max(weight(one.right, one.poly[0]) for one in found)
    found = [one for one in found if weight(one.right, one.poly[0]) >= 0.97 * best]
    notes: dict[str, None] = {}
    checks: dict[CheckValue, None] = {}
    for one in sorted(found, key=lambda one: -one.bits)[:6]:
        checks |= dict.fromkeys(_constants(one, samples, notes))
    return list(checks), list(notes)


def _open_starts(samples: Samples) -> list[int]:
    """Starts that differ: octets before them that are the same in all frames of a length only shift the constant."""
    starts = [0]
    for start in STARTS[1:]:
        if start >= samples.octets.shape[1]:
            break
        column = samples.octets[:, start - 1]
        same = sum(int(np.bincount(column[rows]).max()) for rows in samples.groups)
        if same < 0.9 * len(samples):
            starts.append(start)
    return starts


def _by_list(
    samples: Samples,
    layouts: list[Layout],
    polys: list[tuple[int, int]],
    starts: list[int],
    *,
    taken_from_data: bool = False,
) -> Iterator[_Found]:
    """Polynomials that frames bear out; `taken_from_data`: they divide differences of these frames, by their making."""
    sizes = {layout.size for layout in layouts}
    tried = len(polys) * 8.0 * len(layouts) * len(starts)
    for refin in (False, True):
        listed = [(width, poly, refin) for width, poly in polys if octets_of(width) in sizes]
        if not listed:
            continue
        for start in starts:
            running = Running(samples, listed, [0] * len(listed), start)
            for layout in layouts:
                chosen = np.array([i for i, one in enumerate(listed) if octets_of(one[0]) == layout.size], np.intp)
                if not len(chosen):
                    continue
                big, little, usable = samples.fields(layout)
                ends = samples.ends(layout)
                fit = usable & (ends > start)
                values = running.at(ends, chosen)
                for turn in (False, True):
                    if turn:
                        values = turned(values, np.array([listed[i][0] for i in chosen], dtype=np.uint64))
                    for field, low_first in ((big, False), (little, True)):
                        if low_first and layout.size == 1:
                            continue
                        apart = values ^ field[None, :]
                        for place, right in enumerate(_agreeing(apart, samples, fit)):
                            groups, agreeing = right
                            if agreeing - groups < 2:
                                continue
                            poly = listed[chosen[place]]
                            bits = evidence(agreeing, int(fit.sum()), poly[0], tried) - poly[0] * groups
                            if bits < LEAST_BITS:
                                continue
                            agreed = _agreement(apart[place], samples, fit, ends, start)
                            told = _told_apart(samples, apart[place], fit, big)
                            if told - (poly[0] if taken_from_data else 0) - np.log2(tried) < LEAST_BITS:
                                continue
                            yield _Found(layout, start, poly, turn, low_first, agreed, float(bits))


def _agreeing(apart: Values, samples: Samples, fit: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """For each polynomial: lengths that have an agreement, and frames that agree within their length."""
    groups = np.zeros(len(apart), dtype=np.int64)
    agreeing = np.zeros(len(apart), dtype=np.int64)
    for rows in samples.groups:
        rows = rows[fit[rows]][:_MOST_IN_GROUP]
        if len(rows) < 2:
            continue
        part = apart[:, rows]
        count = (part[:, :, None] == part[:, None, :]).sum(axis=2).max(axis=1)
        groups += count > 1
        agreeing += np.where(count > 1, count, 0)
    return list(zip(groups.tolist(), agreeing.tolist(), strict=True))


def _agreement(
    apart: Values, samples: Samples, fit: npt.NDArray[np.bool_], ends: npt.NDArray[np.int64], start: int
) -> dict[int, tuple[int, int]]:
    agreed = {}
    for rows in samples.groups:
        rows = rows[fit[rows]]
        if not len(rows):
            continue
        values, counts = np.unique(apart[rows], return_counts=True)
        best = int(counts.argmax())
        agreed[int(ends[rows[0]]) - start] = (int(values[best]), int(counts[best]))
    return agreed


def _told_apart(samples: Samples, apart: Values, fit: npt.NDArray[np.bool_], sent: Values) -> int:
    """Bits of evidence for something linear: independent differences of frames that agree, times what varies in `sent`.

    Part of a field that never varies in them tells nothing: so a wide check value is no explanation of a narrow one.
    """
    most = 0
    for rows in samples.groups:
        rows = rows[fit[rows]]
        if len(rows) < 2:
            continue
        values, counts = np.unique(apart[rows], return_counts=True)
        agree = rows[apart[rows] == values[counts.argmax()]]
        first = int.from_bytes(samples.frames[agree[0]], "big")
        independent = rank(int.from_bytes(samples.frames[row], "big") ^ first for row in agree[1:])
        varied = int(np.bitwise_or.reduce(sent[agree] ^ sent[agree[0]])).bit_count()
        most = max(most, independent * varied)
    return most


def _proposed(samples: Samples, layout: Layout) -> list[tuple[int, int]]:
    """Polynomials of the layout's width that divide differences of frames, in any order of bits and octets."""
    width = 8 * layout.size
    chooser = random.Random(len(samples))
    groups = [rows for rows in samples.groups if len(rows) > _AT_ONCE]
    found: dict[int, int] = {}
    if not groups:
        groups = [rows for rows in samples.groups if len(rows) >= 3]
    if not groups:
        return []
    weights = [len(rows) for rows in groups]
    for refin in (False, True):
        for turn in (False, True):
            for little in (False, True):
                words = _code_words(samples, layout, refin, turn, little)
                for _ in range(_TRIES):
                    divisor = 0
                    rows = chooser.choices(groups, weights)[0]
                    picked = chooser.sample(list(rows), min(len(rows), _AT_ONCE + 1))
                    for row in picked[1:]:
                        if words[row] and words[picked[0]]:
                            divisor = greatest_common_divisor(divisor, words[row] ^ words[picked[0]])
                    divisor = without_shift(divisor)
                    if divisor.bit_length() == width + 1:
                        poly = divisor & ((1 << width) - 1)
                        found[poly] = found.get(poly, 0) + 1
    likely = sorted(found, key=lambda poly: -found[poly])
    return [(width, poly) for poly in likely[:24]]


def _code_words(samples: Samples, layout: Layout, refin: bool, turn: bool, little: bool) -> list[int]:
    """Each frame's cover followed by its check value, as a polynomial with the highest term first; 0: unusable."""
    big, low, usable = samples.fields(layout)
    ends = samples.ends(layout)
    width = 8 * layout.size
    words = []
    for row, frame in enumerate(samples.frames):
        if not usable[row]:
            words.append(0)
            continue
        cover = frame[: ends[row]]
        if refin:
            cover = cover.translate(_TURNED)
        value = int((low if little else big)[row])
        # Reflected CRCs are the plain ones of turned octets, with the value turned too.
        if refin is not turn:
            value = reversed_bits(value, width)
        words.append(int.from_bytes(cover, "big") << width | value)
    return words


_TURNED = bytes(reversed_bits(octet, 8) for octet in range(256))


def _constants(found: _Found, samples: Samples, notes: dict[str, None]) -> list[CheckValue]:
    """Start value and final xor that give the constants of all lengths; the plainest where several do."""
    width, poly, refin = found.poly
    layout = found.layout
    agreed = {size: pair for size, pair in found.agreed.items() if pair[1] >= 2}
    if len(agreed) < 2:
        notes["the frames have one length: start value, final xor and first octet covered cannot be told apart"] = None
    base = CheckValue(
        CheckKind.CRC,
        width,
        found.start,
        layout.gap,
        layout.tail,
        found.little,
        layout.text,
        poly=poly,
        refin=refin,
        refout=refin is not found.turn,
    )
    ones = (1 << width) - 1
    plain: list[CheckValue] = []
    any_fit: list[CheckValue] = []
    heads = _fixed_heads(samples, found.start)
    for start in range(found.start, found.start + 1 + len(heads)):
        # What octets before `start` did to the register is part of the start value then.
        sizes = {size - (start - found.start): pair for size, pair in agreed.items()}
        if min(sizes) < 1:
            break
        rows = []
        moved = replace(base, start=start)
        for size, (constant, _) in sizes.items():
            if start != found.start:
                constant = _moved(constant, base, heads[: start - found.start], size)
            images = [worked_out(replace(moved, init=1 << bit))(bytes(size)) for bit in range(width)]
            for bit in range(width):
                mask = sum(1 << column for column in range(width) if images[column] >> bit & 1)
                rows.append((mask | 1 << (width + bit), constant >> bit & 1))
        plain += [
            replace(moved, init=first, xorout=last)
            for first in (0, ones)
            for last in (0, ones)
            if all(((first | last << width) & mask).bit_count() & 1 == bit for mask, bit in rows)
        ]
        solved = solve(rows, 2 * width)
        if solved is not None:
            # Of what may be chosen freely, a final xor of 0 is the plainest.
            without = solve([*rows, *((1 << (width + bit), 0) for bit in range(width))], 2 * width)
            value = (without or solved)[0]
            any_fit.append(replace(moved, init=value & ones, xorout=value >> width))
    return plain or any_fit[:2]


def _moved(constant: int, base: CheckValue, head: bytes, size: int) -> int:
    """The constant with the fixed first octets left out of the cover."""
    return constant ^ worked_out(base)(head + bytes(size))


def _fixed_heads(samples: Samples, start: int) -> bytes:
    """The octets from `start` on that nearly all frames share, four at most."""
    heads = bytearray()
    for place in range(start, min(start + 4, samples.octets.shape[1])):
        column = samples.octets[:, place]
        counts = np.bincount(column)
        if counts.max() < 0.75 * len(samples):
            break
        heads.append(int(counts.argmax()))
    return bytes(heads)
