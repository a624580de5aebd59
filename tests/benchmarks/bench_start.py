"""How much longer `benchtool --help` takes than `python -c "import click"`: medians of interleaved runs.

Run: python tests/benchmarks/bench_start.py. The aim is less than 100 ms more.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

RUNS = 25


def seconds(words: list[str]) -> float:
    """Wall time of one run of python with these words."""
    began = time.perf_counter()
    subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - began


def main() -> None:
    """Print the medians, the difference and the ratio."""
    ours, bare = [], []
    for _ in range(RUNS):
        ours.append(seconds(["-m", "benchtool", "--help"]))
        bare.append(seconds(["-c", "import click"]))
    help_s, click_s = statistics.median(ours), statistics.median(bare)
    print(f"benchtool --help {help_s * 1e3:.0f} ms, import click {click_s * 1e3:.0f} ms: ", end="")
    print(f"{(help_s - click_s) * 1e3:.0f} ms more, {help_s / click_s:.2f} times")


if __name__ == "__main__":
    main()
