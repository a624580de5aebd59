"""What bulk decoding of 26-bit frames costs beside bare numpy field extraction, and one frame at a time.

Run: `python tests/benchmarks/bench_card.py`. Candidates take turns; medians and ratios, since the machine may be
shared. The target is 5 times bare extraction for a million frames, parity judged.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from statistics import median

import numpy as np

from benchtool.frames.card.bulk import decode_bulk
from benchtool.frames.card.decode import decode_int
from benchtool.frames.card.formats import FORMATS

FRAMES = 1_000_000
ROUNDS = 31
VALUES = np.random.default_rng(26).integers(0, 1 << 26, FRAMES, dtype=np.uint64)


def bare() -> object:
    """Site code and card number of every frame, as anybody would write it; no parity."""
    return (VALUES >> np.uint64(17)) & np.uint64(0xFF), (VALUES >> np.uint64(1)) & np.uint64(0xFFFF)


def ours() -> object:
    """The same from the table, with parity."""
    return decode_bulk(VALUES, FORMATS[0])


def seconds(work: Callable[[], object]) -> float:
    """Time of one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Print the ratios."""
    pairs = [(seconds(bare), seconds(ours)) for _ in range(ROUNDS)]
    bare_time, our_time = (median(column) for column in zip(*pairs, strict=True))
    print(f"bare numpy fields   {FRAMES / bare_time / 1e6:7.1f} M frames/s")
    print(f"bulk with parity    {FRAMES / our_time / 1e6:7.1f} M frames/s")
    print(f"ratio of medians    {our_time / bare_time:7.2f}   (target: at most 5)")
    some = [int(value) for value in VALUES[:2000]]
    one = median(seconds(lambda: [decode_int(value, 26) for value in some]) for _ in range(ROUNDS))
    print(f"one at a time       {len(some) / one / 1e6:7.2f} M frames/s")


if __name__ == "__main__":
    main()
