"""Many CRCs over many frames at once, in numpy: every prefix of every frame, for every polynomial of a list."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from benchtool.explore.samples import Samples, Values
from benchtool.frames.check_value import crc_table, reversed_bits

_BYTE = np.uint64(0xFF)
_EIGHT = np.uint64(8)
_TOP = np.uint64(56)

Poly = tuple[int, int, bool]
"""(width, polynomial without its highest term, octets reflected)."""


@lru_cache(maxsize=4096)
def _table(poly: Poly) -> Values:
    width, terms, refin = poly
    table = np.array(crc_table(width, terms, refin), dtype=np.uint64)
    return table if refin else table << np.uint64(64 - max(width, 8))


class Running:
    """CRCs of the octets from `start` on. All polynomials of one list have the same `refin`.

    `at(ends)` gives the registers, shape (polynomials, frames), after the octets before `ends`.
    """

    def __init__(self, samples: Samples, polys: Sequence[Poly], inits: Sequence[int], start: int) -> None:
        self._start = start
        refin = polys[0][2]
        tables = np.stack([_table(poly) for poly in polys])
        rows = np.arange(len(polys))[:, None]
        first = [
            reversed_bits(init, width) if refin else init << (64 - width)
            for (width, _, _), init in zip(polys, inits, strict=True)
        ]
        register = np.repeat(np.array(first, dtype=np.uint64)[:, None], len(samples), axis=1)
        longest = samples.octets.shape[1]
        octets = samples.octets.astype(np.uint64)
        prefixes = np.empty((longest + 1, *register.shape), dtype=np.uint64)
        prefixes[: start + 1] = register
        for place in range(start, longest):
            octet = octets[None, :, place]
            if refin:
                register = (register >> _EIGHT) ^ tables[rows, ((register ^ octet) & _BYTE).astype(np.intp)]
            else:
                register = (register << _EIGHT) ^ tables[rows, ((register >> _TOP) ^ octet).astype(np.intp)]
            prefixes[place + 1] = register
        self._prefixes = prefixes
        self._down = np.array([0 if refin else 64 - width for width, _, _ in polys], dtype=np.uint64)[:, None]
        self._frames = np.arange(len(samples))

    def at(self, ends: npt.NDArray[np.int64], polys: npt.NDArray[np.intp]) -> Values:
        """CRC values, not turned and without final xor, of the chosen polynomials; frames that are too short give
        the register's start."""
        ends = np.clip(ends, 0, self._prefixes.shape[0] - 1)
        found: Values = self._prefixes[ends[None, :], polys[:, None], self._frames[None, :]] >> self._down[polys]
        return found


_TURNED = np.array([reversed_bits(octet, 8) for octet in range(256)], dtype=np.uint64)


def turned(values: Values, widths: npt.NDArray[np.uint64]) -> Values:
    """Each value with its lowest bits in the opposite order; `widths` says how many, for each row."""
    made = np.zeros_like(values)
    for octet in range(8):
        part = (values >> np.uint64(8 * octet)) & _BYTE
        made |= _TURNED[part.astype(np.intp)] << np.uint64(56 - 8 * octet)
    found: Values = made >> (np.uint64(64) - widths)[:, None]
    return found
