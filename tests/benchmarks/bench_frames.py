"""What finding frames in a stream costs, beside pymodbus on pre-split frames and a compiled construct header parse.

Run: `python tests/benchmarks/bench_frames.py`. Candidates take turns in short slots; medians and ratios, since the
machine may be shared. Targets: Modbus at least 1.5 times the rate of pymodbus' `FramerRTU.decode` on the same frames
handed over one by one; OSDP at least 3 times a compiled construct parse of the bare header.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from statistics import median

from construct import Byte, Int16ul, Struct
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Protocol
from benchtool.frames.modbus.build import build_reply, build_request
from benchtool.frames.osdp.build import build_frame

SETTINGS = LineSettings(115200)
ROUNDS = 301
FRAMES = 400
"""Frames a slot: about 1 ms each."""


def modbus_frames() -> list[bytes]:
    """Requests and replies in turn: reads of a few registers, a write, an exception now and then."""
    frames: list[bytes] = []
    while len(frames) < FRAMES:
        unit = 1 + len(frames) // 2 % 8
        frames.append(build_request(unit, 3, start=16, quantity=4))
        frames.append(build_reply(unit, 3, registers=[1, 2, 3, 0x1234 + unit]))
        frames.append(build_request(unit, 16, start=1, quantity=2, registers=[10, 258]))
        frames.append(build_reply(unit, 16, start=1, quantity=2))
        frames += [build_request(unit, 6, address=3, value=7)] * 2
    return frames[:FRAMES]


def osdp_frames() -> list[bytes]:
    """Polls with their acknowledges, and card reads."""
    frames: list[bytes] = []
    number = 0
    while len(frames) < FRAMES:
        number = number % 3 + 1
        frames.append(build_frame(5, 0x60, sequence=number))
        frames.append(build_frame(5, 0x40, sequence=number, reply=True))
        frames.append(build_frame(6, 0x60, sequence=number))
        frames.append(build_frame(6, 0x50, bytes.fromhex("00011A003287FFC0"), sequence=number, reply=True))
    return frames[:FRAMES]


def chunks(frames: list[bytes], lump: int | None) -> list[Chunk]:
    """The frames back to back, cut into lumps of so many octets; None: one frame a chunk, 4 characters apart."""
    octet_ns = SETTINGS.char_ns
    made = []
    at_ns = 0
    pieces = frames
    if lump is not None:
        stream = b"".join(frames)
        pieces = [stream[at : at + lump] for at in range(0, len(stream), lump)]
    for piece in pieces:
        end_ns = at_ns + len(piece) * octet_ns
        made.append(Chunk(at_ns, end_ns, piece))
        at_ns = end_ns + (4 * octet_ns if lump is None else 0)
    return made


def ours(given: list[Chunk], expected: int, protocol: Protocol) -> Callable[[], object]:
    """Decode all chunks, every frame found, checked, with times, marks and role."""

    def work() -> object:
        decoder = BusDecoder(SETTINGS)
        feed = decoder.feed
        found = 0
        for chunk in given:
            found += len(feed(chunk))
        return found

    decoder = BusDecoder(SETTINGS)
    frames = [frame for chunk in given for frame in decoder.feed(chunk)]
    assert len(frames) == expected
    assert all(frame.ok and frame.protocol is protocol for frame in frames)
    return work


def pymodbus_decode(frames: list[bytes]) -> Callable[[], object]:
    """pymodbus' framer on frames handed over one by one, requests to a server's, replies to a client's."""
    server, client = FramerRTU(DecodePDU(True)), FramerRTU(DecodePDU(False))
    pairs = [((server if index % 2 == 0 else client).decode, frame) for index, frame in enumerate(frames)]
    assert all(decode(frame)[0] == len(frame) for decode, frame in pairs)

    def work() -> object:
        for decode, frame in pairs:
            decode(frame)
        return None

    return work


def construct_header(frames: list[bytes]) -> Callable[[], object]:
    """The five header octets of an OSDP frame, nothing checked."""
    parse = Struct("som" / Byte, "address" / Byte, "length" / Int16ul, "control" / Byte).compile().parse

    def work() -> object:
        for frame in frames:
            parse(frame)
        return None

    return work


def seconds(work: Callable[[], object]) -> float:
    """Time of one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Print rates and ratios."""
    logging.disable(logging.CRITICAL)
    modbus, osdp = modbus_frames(), osdp_frames()
    works = {
        "pymodbus FramerRTU.decode, pre-split": pymodbus_decode(modbus),
        "Modbus in lumps of 512 octets": ours(chunks(modbus, 512), FRAMES, Protocol.MODBUS_RTU),
        "Modbus in lumps of 62 octets": ours(chunks(modbus, 62), FRAMES, Protocol.MODBUS_RTU),
        "Modbus, one frame a chunk": ours(chunks(modbus, None), FRAMES, Protocol.MODBUS_RTU),
        "construct header, compiled": construct_header(osdp),
        "OSDP in lumps of 512 octets": ours(chunks(osdp, 512), FRAMES, Protocol.OSDP),
        "OSDP in lumps of 62 octets": ours(chunks(osdp, 62), FRAMES, Protocol.OSDP),
        "OSDP, one frame a chunk": ours(chunks(osdp, None), FRAMES, Protocol.OSDP),
    }
    times: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(ROUNDS):
        for name, work in works.items():
            times[name].append(seconds(work))
    middle = {name: median(column) for name, column in times.items()}
    for name, value in middle.items():
        base = "construct header, compiled" if "OSDP" in name or "construct" in name else next(iter(works))
        target = 3.0 if "OSDP" in name else 1.5
        ratio = median(b / v for b, v in zip(times[base], times[name], strict=True))
        note = "" if name == base else f"  ratio {ratio:5.2f} (target {target:g})"
        print(f"{name:38} {FRAMES / value / 1e3:8.0f} k frames/s{note}")


if __name__ == "__main__":
    main()
