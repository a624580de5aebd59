"""What it costs to work out a format: 100 reads of 64 bits, the target is 2 s.

Run: `python tests/benchmarks/bench_card_infer.py`. Invented layouts of 64 bits; the longest time counts.
"""

from __future__ import annotations

import time
from statistics import median

from benchtool.explore.card_infer import infer
from benchtool.explore.card_invented import cards, draw
from benchtool.explore.card_samples import CardSample, Printed
from benchtool.frames.card.bits import Bits

READS = 100
LENGTH = 64
LAYOUTS = 25


def main() -> None:
    """Print the times."""
    times: list[float] = []
    seed = 0
    while len(times) < LAYOUTS:
        seed += 1
        row = draw(seed).row
        if row.length != LENGTH:
            continue
        drawn = cards(row, seed, READS)
        samples = [
            CardSample(Bits(value, LENGTH), Printed(number) if index < 10 else None, f"read {index}")
            for index, (value, number) in enumerate(drawn)
        ]
        if len(times) % 2:  # half of them with a damaged read
            samples[50] = CardSample(Bits(samples[50].bits.value ^ 1 << 30, LENGTH), None, "read 50")
        start = time.perf_counter()
        infer(samples)
        times.append(time.perf_counter() - start)
    print(
        f"{READS} reads of {LENGTH} bits, {LAYOUTS} layouts: median {median(times):.2f} s, longest {max(times):.2f} s"
    )


if __name__ == "__main__":
    main()
