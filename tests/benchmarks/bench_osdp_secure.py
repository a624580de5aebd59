"""What a secured OSDP session costs to decode, beside the same talk in the clear.

Run: `python tests/benchmarks/bench_osdp_secure.py`. Candidates take turns in short slots; medians and ratios, since
the machine may be shared. Target: found, verified, decrypted and put into words at 0.5 of the clear rate or more.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from statistics import median

from benchtool.capture.chunk import Chunk, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.measure.osdp_watch import OsdpWatch
from benchtool.reports.frame_text import frame_line
from benchtool.reports.osdp_text import line_meaning, meaning_of
from tests.osdp_talk import Secured, command, reply

SETTINGS = LineSettings(115200)
ROUNDS = 101
EXCHANGES = 100
"""After one start of the session: about 5 s of one device's time."""
CARD = bytes.fromhex("00011A003287FFC0")
TALK = [(Command.POLL, b"", Reply.ACK, b"")] * 7 + [
    (Command.LED, bytes(14), Reply.ACK, b""),
    (Command.POLL, b"", Reply.RAW, CARD),
    (Command.POLL, b"", Reply.ACK, b""),
]


def clear_frames() -> list[bytes]:
    frames = []
    for index in range(EXCHANGES):
        code, data, back, sent = TALK[index % len(TALK)]
        number = index % 3 + 1
        frames += [build_frame(1, code, data, sequence=number), build_frame(1, back, sent, sequence=number, reply=True)]
    return frames


def secured_frames() -> list[bytes]:
    secured = Secured()
    frames = [command(Command.POLL, sequence=0), reply(sequence=0), *secured.start()]
    for index in range(EXCHANGES):
        frames += secured.exchange(*TALK[index % len(TALK)])
    return frames


def chunks(frames: list[bytes]) -> list[Chunk]:
    out, now_ns = [], 0
    for octets in frames:
        now_ns += 5_000_000
        end_ns = now_ns + len(octets) * SETTINGS.char_ns
        out.append(Chunk(now_ns, end_ns, octets))
        now_ns = end_ns
    return out


def watched(items: list[Chunk], words: bool) -> int:
    decoder, watch = BusDecoder(SETTINGS), OsdpWatch(TapInfo("bench", SETTINGS))
    count = 0
    for item in items:
        watch.item(item)
        for frame in decoder.feed(item):
            seen = watch.frame(frame)
            count += 1
            if words:
                frame_line(frame, meaning=line_meaning(meaning_of(frame, seen), seen))
    return count


def main() -> None:
    clear, secured = chunks(clear_frames()), chunks(secured_frames())
    candidates: dict[str, tuple[Callable[[], int], int]] = {
        "clear, found and watched": (lambda: watched(clear, False), len(clear)),
        "secured, found and watched": (lambda: watched(secured, False), len(secured)),
        "clear, in words": (lambda: watched(clear, True), len(clear)),
        "secured, in words": (lambda: watched(secured, True), len(secured)),
    }
    spent: dict[str, list[float]] = {name: [] for name in candidates}
    for _ in range(ROUNDS):
        for name, (run, count) in candidates.items():
            before = time.perf_counter()
            assert run() == count
            spent[name].append((time.perf_counter() - before) / count)
    rates = {name: 1 / median(times) for name, times in spent.items()}
    for name, rate in rates.items():
        print(f"{name:28} {rate:9.0f} frames/s")
    for kind in ("found and watched", "in words"):
        print(f"secured over clear, {kind}: {rates[f'secured, {kind}'] / rates[f'clear, {kind}']:.2f}")


if __name__ == "__main__":
    main()
