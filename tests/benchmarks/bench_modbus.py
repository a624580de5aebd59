"""What Modbus in ASCII mode, looking for it in other traffic, and the client and server machines cost.

Run: `python tests/benchmarks/bench_modbus.py`. Candidates take turns in short slots; medians and ratios, since the
machine may be shared.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from statistics import median

from pymodbus.framer import FramerAscii
from pymodbus.pdu import DecodePDU

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.decoders import usual_decoder
from benchtool.frames.modbus.ascii import to_ascii
from benchtool.frames.modbus.ascii_decoder import AsciiDecoder
from benchtool.frames.modbus.build import build_reply, build_request
from benchtool.simulate.modbus_client import Client
from benchtool.simulate.modbus_framing import Mode
from benchtool.simulate.modbus_points import Points, Table
from benchtool.simulate.modbus_query import Query
from benchtool.simulate.modbus_server import Server, Servers
from benchtool.simulate.modbus_unit import Unit

SETTINGS = LineSettings(115200)
ROUNDS = 201
FRAMES = 200
EXCHANGES = 20


def frames() -> list[bytes]:
    """Reads of four registers with their replies, RTU."""
    made: list[bytes] = []
    while len(made) < FRAMES:
        unit = 1 + len(made) // 2 % 8
        made.append(build_request(unit, 3, start=16, quantity=4))
        made.append(build_reply(unit, 3, registers=[1, 2, 3, 0x1234 + unit]))
    return made


def chunks(made: list[bytes]) -> list[Chunk]:
    """One frame a chunk, 4 characters apart."""
    given, at_ns = [], 0
    for octets in made:
        end_ns = at_ns + len(octets) * SETTINGS.char_ns
        given.append(Chunk(at_ns, end_ns, octets))
        at_ns = end_ns + 4 * SETTINGS.char_ns
    return given


def decode(make: Callable[[], BusDecoder | AsciiDecoder], given: list[Chunk]) -> Callable[[], None]:
    """Decode all chunks; every frame has to be found."""

    def work() -> None:
        decoder = make()
        found = sum(len(decoder.feed(chunk)) for chunk in given)
        assert found + len(decoder.close()) == FRAMES

    return work


def peer(made: list[bytes]) -> Callable[[], None]:
    """pymodbus' framer, handed frame by frame."""
    framer = FramerAscii(DecodePDU(True))

    def work() -> None:
        for octets in made:
            assert framer.decode(octets)[0] == len(octets)

    return work


def talk(mode: Mode, count: int) -> Callable[[], None]:
    """A client and `count` servers on one line in memory."""
    points = {Table.HOLDING: dict.fromkeys(range(100), 7)}
    members = [Server(f"{n}", n, SETTINGS, Unit(Points(points)), mode=mode) for n in range(1, count + 1)]
    servers = Servers("servers", members, SETTINGS, mode=mode)

    def work() -> None:
        polls = [Query(1 + n % count, 3, {"start": 16, "quantity": 4}) for n in range(EXCHANGES)]
        start_ns = getattr(work, "now_ns", 0)
        client = Client("client", SETTINGS, polls, mode=mode, starts_ns=start_ns)
        stations = (client, servers)
        now_ns = start_ns
        while not client.idle:
            now_ns, at = min((wake, n) for n, one in enumerate(stations) if (wake := one.wake_ns()) is not None)
            octets = stations[at].act(now_ns)
            if octets is not None:
                stations[1 - at].hear(Chunk(now_ns, now_ns + len(octets) * SETTINGS.char_ns, octets))
        assert {one.outcome.value for one in client.results} == {"answered"}
        work.now_ns = now_ns + 10_000_000  # type: ignore[attr-defined]

    return work


def main() -> None:
    """Print the figures."""
    logging.disable(logging.CRITICAL)
    rtu = frames()
    plain = [to_ascii(octets[:-2]) for octets in rtu]
    rows: dict[str, tuple[Callable[[], None], int]] = {
        "RTU, BusDecoder": (decode(lambda: BusDecoder(SETTINGS), chunks(rtu)), FRAMES),
        "RTU, with the look for ASCII": (decode(lambda: usual_decoder(SETTINGS), chunks(rtu)), FRAMES),  # type: ignore[arg-type,return-value]
        "ASCII, named": (decode(lambda: AsciiDecoder(SETTINGS), chunks(plain)), FRAMES),
        "ASCII, found by itself": (decode(lambda: usual_decoder(SETTINGS), chunks(plain)), FRAMES),  # type: ignore[arg-type,return-value]
        "ASCII, pymodbus, frame by frame": (peer(plain), FRAMES),
        "exchange RTU, client and 1 server": (talk(Mode.RTU, 1), EXCHANGES),
        "exchange RTU, client and 126 servers": (talk(Mode.RTU, 126), EXCHANGES),
        "exchange ASCII, client and 1 server": (talk(Mode.ASCII, 1), EXCHANGES),
    }
    times: dict[str, list[float]] = {name: [] for name in rows}
    for _ in range(ROUNDS):
        for name, (work, count) in rows.items():
            begin = time.perf_counter()
            work()
            times[name].append((time.perf_counter() - begin) / count)
    for name, taken in times.items():
        each = median(taken)
        print(f"{name:40} {each * 1e6:8.2f} us each, {1 / each:10.0f} a second")
    plainly, looked = (median(times[name]) for name in list(rows)[:2])
    print(f"looking for ASCII in RTU costs {100 * (looked / plainly - 1):.1f} %")


if __name__ == "__main__":
    main()
