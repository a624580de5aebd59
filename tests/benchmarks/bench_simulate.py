"""How long an hour of simulated traffic takes, sound and (a tenth of it) noisy. Prints; decides nothing.

Run: python tests/benchmarks/bench_simulate.py. The figures in docs/scenarios.md come from here.
"""

from __future__ import annotations

from time import perf_counter

from benchtool.capture.chunk import Chunk
from benchtool.taps.simulated import SimulatedTap


def measure(address: str) -> None:
    """Take all chunks of the tap, without decoding."""
    began = perf_counter()
    octets = 0
    with SimulatedTap(address) as tap:
        while not tap.ended:
            octets += sum(len(item.octets) for item in tap.read(0) if isinstance(item, Chunk))
    print(f"{address}: {octets} octets in {perf_counter() - began:.1f} s")


if __name__ == "__main__":
    for address in (
        "sim:demo?for=3600",
        "sim:modbus?for=3600",
        "sim:longline?for=3600",
        "sim:demo?fault=noise&for=360",
    ):
        measure(address)
