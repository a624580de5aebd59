"""How long an hour of simulated traffic takes, sound and (a tenth of it) noisy, and 10 s with each fault.

Prints; decides nothing.

Run: python tests/benchmarks/bench_simulate.py. The figures in docs/scenarios.md come from here.
"""

from __future__ import annotations

from dataclasses import replace
from time import perf_counter, process_time

from benchtool.capture.chunk import Chunk
from benchtool.simulate.build import build_bus
from benchtool.simulate.faults import FAULTS, apply
from benchtool.simulate.scenario import load
from benchtool.taps.simulated import SimulatedTap


def measure(address: str) -> None:
    """Take all chunks of the tap, without decoding."""
    began = perf_counter()
    octets = 0
    with SimulatedTap(address) as tap:
        while not tap.ended:
            octets += sum(len(item.octets) for item in tap.read(0) if isinstance(item, Chunk))
    print(f"{address}: {octets} octets in {perf_counter() - began:.1f} s")


def measure_faults(name: str) -> None:
    """Processor time of building the bus and running it for 10 s; the median of three, another length each time."""
    sound = load(name)
    for kind in FAULTS:
        spent = []
        for metres in (1.0, 2.0, 3.0):
            longer = replace(sound, line=replace(sound.line, length_m=sound.line.length_m + metres))
            began = process_time()
            octets = sum(len(chunk.octets) for chunk in build_bus(apply(longer, kind, {}), 1).run(10_000_000_000))
            spent.append(process_time() - began)
        print(f"{name} {kind}: {octets} octets, {sorted(spent)[1] * 1000:.0f} ms of processor time")


if __name__ == "__main__":
    for address in (
        "sim:demo?for=3600",
        "sim:modbus?for=3600",
        "sim:longline?for=3600",
        "sim:demo?fault=noise-broadband&for=360",
    ):
        measure(address)
    measure_faults("demo")
    measure_faults("longline")
