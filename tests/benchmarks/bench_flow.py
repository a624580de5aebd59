"""The whole flow, capture file to tallies: its rate beside pymodbus' `handleFrame`, and its peak memory.

Run: `python tests/benchmarks/bench_flow.py` (rates; about half a minute), `… memory` (writes 310 MB into a temporary
directory). Each Modbus message is read from a pcapng capture, found by `BusDecoder`, and counted with its item by
`Tally`. The peer gets the same messages one by one, already split. Candidates take turns in short slots; medians, since
the machine may be shared. Targets: at least the peer's rate; the same peak memory for 10 MB and 300 MB.
"""

from __future__ import annotations

import logging
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from statistics import median

from fastcrc.crc16 import modbus as modbus_crc
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from benchtool.capture.chunk import Chunk, Item, TapInfo
from benchtool.capture.files import Recorder, open_capture
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.measure.tally import Tally

SETTINGS = LineSettings(115200)
ROUNDS = 151
SLOT_S = 0.002
LUMP = 62
"""Octets a chunk where an adapter lumps: what a full-speed USB packet of such an adapter carries."""


def messages(pairs: int) -> list[bytes]:
    """Requests and replies of function 03, in turn; invented registers."""
    made: list[bytes] = []
    for number in range(pairs):
        unit = 1 + number % 8
        asked = bytes((unit, 3, 0, 16, 0, 4))
        answered = bytes((unit, 3, 8, 0, 1, 0, 2, number >> 8 & 0xFF, number & 0xFF, 0x12, unit))
        made += [body + modbus_crc(body).to_bytes(2, "little") for body in (asked, answered)]
    return made


def items(frames: list[bytes], lump: int | None, start_ns: int = 0) -> Iterator[Chunk]:
    """The frames 4 characters apart, one a chunk; or back to back in lumps of so many octets."""
    octet_ns = SETTINGS.char_ns
    now = start_ns
    stream = b"".join(frames)
    pieces = frames if lump is None else [stream[at : at + lump] for at in range(0, len(stream), lump)]
    for piece in pieces:
        end = now + len(piece) * octet_ns
        yield Chunk(now, end, piece)
        now = end + (4 * octet_ns if lump is None else 0)


def write(path: Path, frames: list[bytes], lump: int | None, repeats: int = 1) -> None:
    """A capture of the frames, over and over."""
    now = 0
    with Recorder(path, TapInfo("made for a benchmark", SETTINGS)) as recorder:
        for _ in range(repeats):
            for chunk in items(frames, lump, now):
                recorder.write(chunk)
                now = chunk.end_ns + 4 * SETTINGS.char_ns


def flow(path: Path) -> Iterator[int]:
    """Read, decode, tally; answers every so often how many frames were good so far, so that a slot can end."""
    with open_capture(path) as capture:
        tally, decoder = Tally(capture.info), BusDecoder(SETTINGS, capture.info.resolution_ns)
        feed, count_item, count_frame = decoder.feed, tally.item, tally.frame
        found = 0
        for item in capture:
            count_item(item)
            for frame in feed(item):
                count_frame(frame)
                found += 1
            if found & 15 < 2:
                yield found
        for frame in decoder.close():
            count_frame(frame)
            found += 1
    assert tally.figures().sound == found
    yield found


def decode_only(chunks: list[Item]) -> Iterator[int]:
    """The decoder alone."""
    decoder = BusDecoder(SETTINGS)
    found = 0
    for item in chunks:
        found += len(decoder.feed(item))
        if found & 15 < 2:
            yield found


def read_only(path: Path) -> Iterator[int]:
    """The capture alone; counts items."""
    with open_capture(path) as capture:
        for found, _ in enumerate(capture, 1):
            if found & 15 == 0:
                yield found


def peer(frames: list[bytes]) -> Iterator[int]:
    """pymodbus' `handleFrame` on one message after another."""
    server, client = FramerRTU(DecodePDU(True)), FramerRTU(DecodePDU(False))
    for found, frame in enumerate(frames):
        used, pdu = (client if found & 1 else server).handleFrame(frame, 0, 0)
        assert used == len(frame)
        assert pdu is not None
        if found & 15 == 15:
            yield found + 1


class Candidate:
    """Something that counts up, run for a slot at a time and begun again when it has ended."""

    def __init__(self, begin: Callable[[], Iterator[int]]) -> None:
        self._begin = begin
        self._run = iter(begin())
        self._done = 0
        self.rates: list[float] = []

    def slot(self) -> None:
        """Run for one slot and note the rate."""
        begun = self._done
        start = time.perf_counter()
        while (spent := time.perf_counter() - start) < SLOT_S:
            done = next(self._run, None)
            if done is None:
                self._run, self._done = iter(self._begin()), 0
                return
            self._done = done
        if spent < 2 * SLOT_S:
            self.rates.append((self._done - begun) / spent)


def rates() -> None:
    """Print rates and ratios."""
    logging.disable(logging.CRITICAL)
    frames = messages(20_000)
    with tempfile.TemporaryDirectory() as folder:
        single, lumped = Path(folder, "single.pcapng"), Path(folder, "lumped.pcapng")
        write(single, frames, None)
        write(lumped, frames, LUMP)
        candidates = {
            "pymodbus handleFrame, pre-split": Candidate(lambda: peer(frames)),
            "whole flow, a frame a chunk": Candidate(lambda: flow(single)),
            f"whole flow, lumps of {LUMP} octets": Candidate(lambda: flow(lumped)),
            "reading the capture alone": Candidate(lambda: read_only(single)),
            "decoding alone, a frame a chunk": Candidate(lambda: decode_only(list(items(frames, None)))),
        }
        for _ in range(ROUNDS):
            for candidate in candidates.values():
                candidate.slot()
    base = median(next(iter(candidates.values())).rates)
    for name, candidate in candidates.items():
        rate = median(candidate.rates)
        print(f"{name:36} {rate / 1e3:8.1f} k/s   {rate / base:5.2f} times the peer   ({len(candidate.rates)} slots)")


PEAK = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
import bench_flow
for found in bench_flow.flow(Path(sys.argv[2])):
    pass
peak = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
print(found, peak.split()[1])
"""


def memory() -> None:
    """Print the peak memory of a fresh process for a small and a large capture."""
    frames = messages(20_000)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "capture.pcapng")
        for megabytes in (10, 300):
            write(path, frames, None)
            repeats = max(1, round(megabytes * 1e6 / path.stat().st_size))
            path.unlink()
            write(path, frames, None, repeats)
            command = [sys.executable, "-c", PEAK, str(Path(__file__).parent), str(path)]
            found, peak = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
            print(f"{path.stat().st_size / 1e6:6.1f} MB, {found} frames: peak {int(peak) / 1024:.1f} MiB")
            path.unlink()


if __name__ == "__main__":
    memory() if "memory" in sys.argv[1:] else rates()
