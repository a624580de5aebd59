"""What standing in costs: our own time an exchange over a pseudo-terminal, and 126 devices on one process.

`python tests/benchmarks/bench_talk.py`. Wall time over long windows means nothing on a shared machine, so: the median
of many single exchanges, and of single polls of the devices (the sheet of measurements says why).
"""

from __future__ import annotations

import os
import pty
import tty
from statistics import median
from time import perf_counter_ns

import numpy as np

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.simulate.crowd import Crowd
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Peripheral
from benchtool.taps.clock import SystemClock
from benchtool.taps.talker import Talker
from benchtool.taps.talker_line import Switching
from benchtool.taps.talker_port import open_talk_port

FAST = LineSettings(115200)
EXCHANGES = 1000
DEVICES = 126


def own_time_an_exchange() -> float:
    """Median microseconds that our panel and talker take from a reply in the terminal to the next command in it.

    The panel's pause of 2 characters (174 us) is not ours to save, and is taken off, as is the wait for our own octets.
    """
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    clock = SystemClock()
    port = open_talk_port(os.ttyname(theirs), FAST, Switching.ADAPTER, clock)
    panel = Panel("panel", [1], FAST, poll_gap_ns=0)
    talker = Talker(panel, port, clock)
    os.set_blocking(ours, False)
    times: list[int] = []
    answer = b""
    began = 0
    while len(times) < EXCHANGES:
        talker.turn(0.01)
        try:
            asked = os.read(ours, 4096)
        except BlockingIOError:
            continue
        if began:
            times.append(perf_counter_ns() - began)
        asked_octets = len(asked)
        answer = build_frame(1, Reply.ACK, sequence=asked[4] & 3, reply=True)
        # As on a line: the answer is complete when both frames have had their time.
        due = perf_counter_ns() + (asked_octets + len(answer) + 3) * FAST.char_ns
        while perf_counter_ns() < due:
            pass
        os.write(ours, answer)
        began = perf_counter_ns()
    port.close()
    os.close(ours)
    os.close(theirs)
    return (median(times) - 2 * FAST.char_ns) / 1000


def devices_slots() -> float:
    """Microseconds that 126 devices on one process take to hear and answer one poll (median of polls)."""
    rng = np.random.default_rng(1)
    members = [
        Peripheral(f"d{n}", n, FAST, identity=bytes(12), capabilities=b"", reply_ns=0, rng=rng) for n in range(DEVICES)
    ]
    crowd = Crowd("crowd", members, FAST)
    times = []
    now_ns = 0
    for turn in range(20):
        for address in range(DEVICES):
            asked = build_frame(address, Command.POLL, sequence=0 if turn == 0 else (turn - 1) % 3 + 1)
            now_ns += 3_000_000
            chunk = Chunk(now_ns, now_ns + len(asked) * FAST.char_ns, asked)
            began = perf_counter_ns()
            crowd.hear(chunk)
            due_ns = crowd.wake_ns()
            assert due_ns is not None
            told = crowd.act(due_ns)
            times.append(perf_counter_ns() - began)
            assert told is not None
            assert told[5] == Reply.ACK
    return median(times) / 1000


def main() -> None:
    own_us = own_time_an_exchange()
    print(f"own time an exchange over a pseudo-terminal, beyond the 2 characters of silence: {own_us:.0f} us")
    there_us = (8 + 8 + 4) * FAST.char_ns / 1000
    print(f"{DEVICES} devices, hear and answer one poll: {devices_slots():.0f} us of {there_us:.0f} us at 115200")


if __name__ == "__main__":
    main()
