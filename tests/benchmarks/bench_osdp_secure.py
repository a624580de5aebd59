"""What a secured OSDP session costs to decode, beside the same talk in the clear.

Run: `python tests/benchmarks/bench_osdp_secure.py`. Candidates take turns in short slots; medians and ratios, since
the machine may be shared. Target: found, verified, decrypted and put into words at 0.5 of the clear rate or more.
"""

from __future__ import annotations

import time
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
ROUNDS = 601
EXCHANGES = 10
"""So few, that a slot lasts less than a millisecond; the session's start is not timed."""
START = 6
"""Frames before: a poll and its answer, the four of the session's start."""
CARD = bytes.fromhex("00011A003287FFC0")
TALK = [(Command.POLL, b"", Reply.ACK, b"")] * 7 + [
    (Command.LED, bytes(14), Reply.ACK, b""),
    (Command.POLL, b"", Reply.RAW, CARD),
    (Command.POLL, b"", Reply.ACK, b""),
]


def frames(secured: bool) -> list[bytes]:
    """The talk, after the same number of frames before it."""
    ends = Secured()
    made = [command(Command.POLL, sequence=0), reply(sequence=0)]
    made += ends.start() if secured else [command(Command.POLL, sequence=0), reply(sequence=0)] * 2
    for index in range(EXCHANGES):
        number = index % 3 + 1
        code, data, back, sent = TALK[index % len(TALK)]
        if secured:
            made += ends.exchange(code, data, back, sent)
        else:
            made += [
                build_frame(1, code, data, sequence=number),
                build_frame(1, back, sent, sequence=number, reply=True),
            ]
    return made


def chunks(talk: list[bytes]) -> list[Chunk]:
    out, now_ns = [], 0
    for octets in talk:
        now_ns += 5_000_000
        end_ns = now_ns + len(octets) * SETTINGS.char_ns
        out.append(Chunk(now_ns, end_ns, octets))
        now_ns = end_ns
    return out


def watched(items: list[Chunk], words: bool) -> float:
    """Seconds for the frames after the start."""
    decoder, watch = BusDecoder(SETTINGS), OsdpWatch(TapInfo("bench", SETTINGS))

    def take(item: Chunk) -> None:
        watch.item(item)
        for frame in decoder.feed(item):
            seen = watch.frame(frame)
            if words:
                frame_line(frame, meaning=line_meaning(meaning_of(frame, seen), seen))

    for item in items[:START]:
        take(item)
    before = time.perf_counter()
    for item in items[START:]:
        take(item)
    return time.perf_counter() - before


def main() -> None:
    clear, secured = chunks(frames(False)), chunks(frames(True))
    candidates = {
        "clear, found and watched": (clear, False),
        "secured, found and watched": (secured, False),
        "clear, in words": (clear, True),
        "secured, in words": (secured, True),
    }
    spent: dict[str, list[float]] = {name: [] for name in candidates}
    for _ in range(ROUNDS):
        for name, (items, words) in candidates.items():
            spent[name].append(watched(items, words) / (len(items) - START))
    rates = {name: 1 / median(times) for name, times in spent.items()}
    for name, rate in rates.items():
        print(f"{name:28} {rate:9.0f} frames/s")
    for kind in ("found and watched", "in words"):
        print(f"secured over clear, {kind}: {rates[f'secured, {kind}'] / rates[f'clear, {kind}']:.2f}")


if __name__ == "__main__":
    main()
