"""What listening costs beside a bare poll + os.read loop, and whether any octet is lost at 3 Mbaud.

Run: python tests/benchmarks/bench_tap.py [seconds of 3 Mbaud, default 60]. Interleaved short slots and medians, as the
machine stalls (reference/measurements.md); only the ratio means anything.
"""

from __future__ import annotations

import hashlib
import os
import select
import statistics
import sys
import threading
import time
import tty
from collections.abc import Callable

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.taps.adapter import AdapterTap

BURST = bytes(range(1, 25)) + b"\xff"
"""What a saturated 115200 line brings in about 2 ms, with the FF that OSDP sends before a frame."""
WAKES_A_SLOT = 200
SLOTS = 120
RATE = 300_000
"""Octets a second at 3 Mbaud, 10 bits each."""


def pseudo_terminal() -> tuple[int, str, int]:
    near, far = os.openpty()
    tty.setraw(far)
    return near, os.ttyname(far), far


def slot(near: int, far: int, wake: Callable[[], object]) -> float:
    """Nanoseconds a wake with data waiting."""
    spent = 0
    for _ in range(WAKES_A_SLOT):
        os.write(near, BURST)
        select.select([far], [], [])
        begin = time.perf_counter_ns()
        wake()
        spent += time.perf_counter_ns() - begin
    return spent / WAKES_A_SLOT


def cost_of_a_wake() -> None:
    near_bare, _, far_bare = pseudo_terminal()
    near_tap, name, far_tap = pseudo_terminal()
    os.set_blocking(far_bare, False)
    poller = select.poll()
    poller.register(far_bare, select.POLLIN)
    stamped: list[tuple[int, bytes]] = []

    def bare() -> None:
        poller.poll(100)
        data = os.read(far_bare, 4096)
        stamped.append((time.monotonic_ns(), data))

    with AdapterTap(name, LineSettings(115200)) as tap:

        def ours() -> None:
            tap.read(0.1)

        costs: dict[str, list[float]] = {"bare": [], "tap": []}
        for _ in range(SLOTS):
            costs["bare"].append(slot(near_bare, far_bare, bare))
            costs["tap"].append(slot(near_tap, far_tap, ours))
            stamped.clear()
    ratio = statistics.median(ours / bare for ours, bare in zip(costs["tap"], costs["bare"], strict=True))
    bare_us, tap_us = (statistics.median(costs[kind]) / 1000 for kind in ("bare", "tap"))
    verdict = "within" if ratio <= 2 else "ABOVE"
    print(f"a wake: bare {bare_us:.2f} us, tap {tap_us:.2f} us, ratio {ratio:.2f} ({verdict} the limit of 2)")


def three_megabaud(seconds: float) -> None:
    near, name, far = pseudo_terminal()
    os.close(far)
    sent = hashlib.sha256()
    total = int(RATE * seconds)

    def write() -> None:
        block = os.urandom(RATE // 100)
        begin, at = time.monotonic(), 0
        while at < total:
            due = min(total, int((time.monotonic() - begin) * RATE))
            while at < due:
                piece = block[at % len(block) :][: min(2048, due - at)]
                done = os.write(near, piece)
                sent.update(piece[:done])
                at += done
            time.sleep(0.002)

    heard, count, wakes = hashlib.sha256(), 0, 0
    with AdapterTap(name, LineSettings(3_000_000)) as tap:
        writer = threading.Thread(target=write)
        begin = time.monotonic()
        writer.start()
        while count < total and (writer.is_alive() or time.monotonic() - begin < seconds + 60):
            for item in tap.read(0.5):
                if isinstance(item, Chunk):
                    wakes += 1
                    count += len(item.octets)
                    heard.update(item.octets)
        writer.join()
        spent = time.monotonic() - begin
    same = count == total and heard.digest() == sent.digest()
    verdict = "no octet lost" if same else "LOST OR CHANGED"
    print(f"3 Mbaud: {count} of {total} octets in {spent:.1f} s, {wakes} wakes, {verdict}")


if __name__ == "__main__":
    cost_of_a_wake()
    three_megabaud(float(sys.argv[1]) if len(sys.argv) > 1 else 60)
