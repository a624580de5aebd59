"""How quick captures are read and written, and whether memory grows with the file.

Run `python tests/benchmarks/bench_capture.py [--large MB]`. Prints figures and ratios; decides no test run. The
machine may be shared: rates are medians of many short slots, taken in turn. Memory is the peak of a process that does
nothing else.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from benchtool.capture.chunk import Chunk, Direction, LineErrors, TapInfo
from benchtool.capture.files import Recorder, open_capture

INFO = TapInfo("sim:benchmark", line_errors=LineErrors.MARKED, anchor_ns=1_764_000_000_000_000_000)
CHUNK = Chunk(0, 8_333_336, bytes(range(8)), b"", Direction.RECEIVED)


def chunks(number: int) -> Iterator[Chunk]:
    """So many chunks of 8 octets, 10 ms apart."""
    for index in range(number):
        t_ns = index * 10_000_000
        yield Chunk(t_ns, t_ns + 8_333_336, CHUNK.octets, b"", Direction.RECEIVED)


def record(path: Path, octets: int) -> int:
    """Record a file of about `octets`; the number of chunks in it."""
    each = 80 if path.suffix == ".pcapng" else 36
    number = octets // each
    with Recorder(path, INFO, overwrite=True) as recorder:
        for chunk in chunks(number):
            recorder.write(chunk)
    return number


def slots(candidates: dict[str, Callable[[], None]], rounds: int) -> dict[str, float]:
    """Median seconds of each candidate, run in turn."""
    times: dict[str, list[float]] = {name: [] for name in candidates}
    for _ in range(rounds):
        for name, run in candidates.items():
            begin = time.perf_counter()
            run()
            times[name].append(time.perf_counter() - begin)
    return {name: statistics.median(values) for name, values in times.items()}


def reading(path: Path, number: int) -> Callable[[], None]:
    """Read the next `number` items of `path`, from the beginning again at its end."""
    capture = open_capture(path)
    capture.open()
    iterator = iter(capture)

    def run() -> None:
        nonlocal iterator
        for _ in range(number):
            if next(iterator, None) is None:
                iterator = iter(capture)

    return run


def writing(path: Path, number: int) -> Callable[[], None]:
    """Write `number` items to `path`."""
    recorder = Recorder(path, INFO, overwrite=True)
    recorder.open()
    items = list(chunks(number))

    def run() -> None:
        for item in items:
            recorder.write(item)

    return run


def floor(number: int) -> Callable[[], None]:
    """The least that reading could cost: a loop over a generator that makes the tuples."""

    def run() -> None:
        for _ in chunks(number):
            pass

    return run


def peak_kib(path: Path) -> int:
    """Peak memory in KiB of a fresh process that reads all of `path` (Linux; `ru_maxrss` would count its parent's)."""
    program = (
        "import sys; from benchtool.capture.files import open_capture\n"
        "with open_capture(sys.argv[1]) as capture: number = sum(1 for _ in capture)\n"
        "status = open('/proc/self/status').read()\n"
        "print(status.split('VmHWM:')[1].split()[0], number)"
    )
    done = subprocess.run([sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True)
    return int(done.stdout.split()[0])


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--large", type=int, default=300, help="size of the large file in MB")
    large = parser.parse_args().large
    with tempfile.TemporaryDirectory() as folder:
        room = Path(folder)
        number = 1000
        for suffix in ("pcapng", "log"):
            record(room / f"small.{suffix}", 10_000_000)
        medians = slots(
            {
                "floor": floor(number),
                "read pcapng": reading(room / "small.pcapng", number),
                "write pcapng": writing(room / "written.pcapng", number),
                "read log": reading(room / "small.log", number),
                "write log": writing(room / "written.log", number),
            },
            100,
        )
        for name, seconds in medians.items():
            ratio = seconds / medians["floor"]
            print(f"{name:14} {seconds / number * 1e6:6.2f} µs a chunk of 8 octets, {ratio:5.2f} × floor")
        for suffix in ("pcapng", "log"):
            small = peak_kib(room / f"small.{suffix}")
            record(room / f"large.{suffix}", large * 1_000_000)
            big = peak_kib(room / f"large.{suffix}")
            (room / f"large.{suffix}").unlink()
            print(f"peak memory {suffix}: 10 MB {small} KiB, {large} MB {big} KiB, ratio {big / small:.3f}")


if __name__ == "__main__":
    main()
