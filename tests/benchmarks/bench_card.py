"""What bulk decoding of card frames costs beside the same masks and shifts written out in numpy, and one at a time.

Run: `python tests/benchmarks/bench_card.py`. Candidates take turns; medians and ratios, since the machine may be
shared. The target is 3 times bare numpy for a million reads of one format, parity judged by both.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from statistics import median

import numpy as np

from benchtool.frames.card.bulk import Unsigned, decode_bulk
from benchtool.frames.card.decode import decode_int
from benchtool.frames.card.formats import FORMATS, CardField, CardFormat, ParityGroup, Sense, Writing

FRAMES = 1_000_000
ROUNDS = 15
CHANCE = np.random.default_rng(26)

SCATTERED = CardFormat(
    "scattered 40",
    40,
    (
        CardField("site_code", (30, 4, 31, 5, 32, 6, 33, 7)),
        CardField("card_number", (39, 9, 11, 13, 15, 17, 19, 21, 23, 25, 27, 29, 10, 12, 14, 16)),
    ),
    (ParityGroup(1, Sense.EVEN, tuple(range(2, 41, 2))), ParityGroup(40, Sense.ODD, tuple(range(1, 40, 3)))),
    "invented",
)
BCD = CardFormat(
    "BCD 40",
    40,
    (CardField("card_number", tuple(range(2, 34)), Writing.BCD),),
    (ParityGroup(1, Sense.EVEN, tuple(range(2, 34))),),
    "invented",
)


def u(number: int) -> np.uint64:
    """A numpy number, so that numpy stays with uint64."""
    return np.uint64(number)


def bare_parity(values: Unsigned, mask: int, odd: int) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Whether the ones under a mask are as wanted."""
    right: np.ndarray[tuple[int, ...], np.dtype[np.bool_]] = np.bitwise_count(values & u(mask)) & 1 == odd
    return right


def bare_26(values: Unsigned) -> object:
    """26-bit as anybody would write it."""
    good = bare_parity(values, 0x3FFE000, 0) & bare_parity(values, 0x1FFF, 1)
    return values >> u(17) & u(0xFF), values >> u(1) & u(0xFFFF), good


def bare_places(values: Unsigned, places: tuple[int, ...]) -> Unsigned:
    """Single bits put together, one after the other."""
    number = np.zeros_like(values)
    for place in places:
        number = number << u(1) | values >> u(40 - place) & u(1)
    return number


def bare_scattered(values: Unsigned) -> object:
    """The scattered format, bit by bit."""
    good = np.ones(len(values), bool)
    for group in SCATTERED.parity:
        good &= bare_parity(values, group.mask(40), int(group.sense is Sense.ODD))
    return [bare_places(values, field.places) for field in SCATTERED.fields], good


def bare_bcd(values: Unsigned) -> object:
    """Eight digits, each shifted out, judged and weighed."""
    number = np.zeros_like(values)
    good = bare_parity(values, BCD.parity[0].mask(40), 0)
    for index in range(8):
        digit = values >> u(35 - 4 * index) & u(15)
        good &= digit < u(10)
        number = number * u(10) + digit
    return number, good


def seconds(work: Callable[[], object]) -> float:
    """Time of one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Print the ratios."""
    for row, bare in ((FORMATS[0], bare_26), (SCATTERED, bare_scattered), (BCD, bare_bcd)):
        values = CHANCE.integers(0, 1 << row.length, FRAMES, dtype=np.uint64)
        pairs = [
            (seconds(lambda v=values, b=bare: b(v)), seconds(lambda v=values, r=row: decode_bulk(v, r)))  # type: ignore[misc]
            for _ in range(ROUNDS)
        ]
        bare_time, our_time = (median(column) for column in zip(*pairs, strict=True))
        rates = f"bare numpy {FRAMES / bare_time / 1e6:7.1f} M/s   decode_bulk {FRAMES / our_time / 1e6:7.1f} M/s"
        print(f"{row.name:<13} {rates}   ratio {our_time / bare_time:5.2f}   (target: at most 3)")
    some = CHANCE.integers(0, 1 << 26, 2000).tolist()
    one = median(seconds(lambda: [decode_int(value, 26) for value in some]) for _ in range(ROUNDS))
    print(f"one at a time {len(some) / one / 1e6:7.2f} M frames/s")


if __name__ == "__main__":
    main()
