"""What noise does to the frame decoder: how many false good frames it makes, and how fast it is at worst.

Run: `python tests/benchmarks/bench_noise.py false` (a million random octets a line; some minutes) or `… worst`.
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter

from fastcrc.crc16 import modbus as modbus_crc

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.osdp.build import build_frame

SETTINGS = LineSettings(9600)
CHAR = SETTINGS.char_ns
OSDP = [build_frame(1, 0x60, sequence=1), build_frame(1, 0x40, sequence=1, reply=True)]
SUM = [build_frame(1, 0x60, sequence=1, crc=False), build_frame(1, 0x40, sequence=1, crc=False, reply=True)]


def _modbus(text: str) -> bytes:
    octets = bytes.fromhex(text)
    return octets + modbus_crc(octets).to_bytes(2, "little")


MODBUS = [_modbus("1103006B0003"), _modbus("110306AE4156524340")]
KNOWN = {
    "nothing known": [],
    "OSDP with CRC": OSDP,
    "OSDP with checksum": SUM,
    "Modbus, one address": MODBUS,
    "both": [*OSDP, *MODBUS, *MODBUS],
    "Modbus, 32 addresses": [_modbus(f"{unit:02X}0600000000") for unit in range(1, 33)],
}
WORST = {
    "random": random.Random(5).randbytes(1 << 16),
    "53": b"\x53",
    "53 00 FF 03 04": bytes.fromhex("5300ff0304"),
    "53 00 A0 05 04": bytes.fromhex("5300a00504"),
    "03": b"\x03",
    "FF": b"\xff",
    "FF 53": b"\xff\x53",
    "2B 0E": b"\x2b\x0e",
    "damage and Modbus": bytes.fromhex("5300a00504") * 2 + MODBUS[0],
    "damage and OSDP": b"\x80\x91" + OSDP[0],
}


def false_frames(octets: int = 1_000_000) -> None:
    """Random octets after a few good frames, as one stream, and as bursts between silences."""
    for name, known in KNOWN.items():
        for bursts in (False, True):
            chance = random.Random(485)
            decoder = BusDecoder(SETTINGS)
            now = 0
            for frame in known:
                decoder.feed(Chunk(now, now + len(frame) * CHAR, frame))
                now += (len(frame) + 5) * CHAR
            now += 100 * CHAR
            fed = 0
            found: Counter[str] = Counter()
            while fed < octets:
                noise = chance.randbytes(chance.randrange(1, 40) if bursts else 400)
                frames = decoder.feed(Chunk(now, now + len(noise) * CHAR, noise))
                found.update(f"{frame.protocol.value} of {len(frame.octets)} octets" for frame in frames if frame.ok)
                fed += len(noise)
                now += (len(noise) + (chance.choice((4, 6, 30, 60)) if bursts else 0)) * CHAR
            what = ", ".join(f"{count} {kind}" for kind, count in found.items()) or "none"
            print(f"{name:22} {'bursts' if bursts else 'stream':7} {fed} octets: {what}", flush=True)


def worst(octets: int = 100_000) -> None:
    """The same few octets over and over, singly, in small and in large lumps."""
    for name, pattern in WORST.items():
        stream = (pattern * (octets // len(pattern) + 1))[:octets]
        rates = []
        for lump in (1, 64, 4096, octets):
            part = stream[:10_000] if lump == 1 else stream
            decoder = BusDecoder(SETTINGS)
            count = 0
            start = time.perf_counter()
            for at in range(0, len(part), lump):
                piece = part[at : at + lump]
                frames = decoder.feed(Chunk(at * CHAR, (at + len(piece)) * CHAR, piece))
                count += sum(len(frame.lead) + len(frame.octets) for frame in frames)
            count += sum(len(frame.lead) + len(frame.octets) for frame in decoder.close())
            assert count == len(part)
            rates.append(f"{len(part) / (time.perf_counter() - start) / 1e3:7.0f}")
        print(f"{name:20}", *rates, " kB/s singly, in lumps of 64, of 4096, in one", flush=True)


if __name__ == "__main__":
    worst() if "worst" in sys.argv[1:] else false_frames()
