"""pymodbus at one end of two bridged pseudo-terminals, our Modbus station at the other, run as `simulate` runs it.

Nothing waits for a time to pass: each step ends when the peer, or our client, has its answer, and time-outs are far
beyond need.
"""

from __future__ import annotations

import asyncio
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pymodbus import FramerType
from pymodbus.client import AsyncModbusSerialClient
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.pdu.file_message import FileRecord
from pymodbus.server import ModbusSerialServer

from benchtool.simulate.modbus_client import Client
from benchtool.simulate.modbus_framing import Mode
from benchtool.simulate.station import Station
from benchtool.taps.clock import SystemClock
from benchtool.taps.talker import Talker
from benchtool.taps.talker_echo import Echo
from benchtool.taps.talker_line import Switching, open_talk
from tests.modbus_session import DEVICES, EXCHANGES, IDENTITY, LINE, Exchange, Traffic
from tests.peer_pymodbus import PATIENCE_S, Bridge, _device

FRAMERS = {Mode.RTU: FramerType.RTU, Mode.ASCII: FramerType.ASCII}
_TURN_S = 0.02


class Ours:
    """Our station on a line of its own thread, for as long as the context lasts."""

    def __init__(self, station: Station, device: str) -> None:
        self._station = station
        self._device = device
        self._clock = SystemClock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.failure: BaseException | None = None

    def __enter__(self) -> Ours:
        # Opening throws away what has come before: it is done before anybody asks.
        self._port = open_talk(self._device, LINE, Switching.ADAPTER, self._clock)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(PATIENCE_S)
        if self.failure is not None:
            raise self.failure

    def _run(self) -> None:
        try:
            talker = Talker(self._station, self._port, self._clock, echo=Echo.NO)
            while not self._stop.is_set():
                talker.turn(_TURN_S)
        except BaseException as error:
            self.failure = error
        finally:
            self._port.close()


async def _asked_by_peer(
    station: Station, mode: Mode, steps: Sequence[tuple[int, Exchange]], asked: list[ModbusPDU]
) -> Traffic:
    with Bridge() as bridge, Ours(station, bridge.names[1]):
        client = AsyncModbusSerialClient(
            bridge.names[0], framer=FRAMERS[mode], baudrate=LINE.baud, timeout=PATIENCE_S, retries=0
        )
        try:
            assert await client.connect()
            for device, exchange in steps:
                arguments: dict[str, Any] = dict(exchange.arguments)
                if "records" in arguments:
                    arguments["records"] = [FileRecord(*record) for record in arguments["records"]]
                if device == 0:
                    arguments["no_response_expected"] = True
                asked.append(await getattr(client, exchange.call)(**arguments, device_id=device))
        finally:
            client.close()
    return bridge.heard


def asked_by_peer(
    station: Station, mode: Mode, steps: Sequence[tuple[int, Exchange]]
) -> tuple[list[ModbusPDU], Traffic]:
    """What the peer's client makes of our server's answers, and what passed. TimeoutError when it hangs."""
    answers: list[ModbusPDU] = []
    heard = asyncio.run(asyncio.wait_for(_asked_by_peer(station, mode, steps, answers), PATIENCE_S))
    return answers, heard


async def _asking_peer(station: Station, client: Client, mode: Mode, count: int) -> Traffic:
    identity = ModbusDeviceIdentification(  # type: ignore[no-untyped-call]
        info_name=dict(zip(("VendorName", "ProductCode", "MajorMinorRevision"), IDENTITY, strict=True))
    )
    with Bridge() as bridge:
        server = ModbusSerialServer(
            [_device(number) for number in DEVICES],
            framer=FRAMERS[mode],
            identity=identity,
            port=bridge.names[1],
            baudrate=LINE.baud,
            broadcast_enable=True,
        )
        await server.serve_forever(background=True)
        try:
            with Ours(station, bridge.names[0]) as ours:
                while len(client.results) < count and ours.failure is None:
                    await asyncio.sleep(0)
        finally:
            await server.shutdown()  # type: ignore[no-untyped-call]
    return bridge.heard


def asking_peer(station: Station, client: Client, mode: Mode, count: int) -> Traffic:
    """Let our client (inside `station`) ask the peer's server until it has `count` results; what passed."""
    return asyncio.run(asyncio.wait_for(_asking_peer(station, client, mode, count), PATIENCE_S))


def record_ascii() -> str:
    """A session in ASCII mode between the peer's client and our servers as an octet log, times spread as a line's."""
    from tests.simulate.test_peer_modbus_stations import servers

    steps = [(device, exchange) for device in DEVICES for exchange in EXCHANGES if exchange.call in _SHOWN]
    _, heard = asked_by_peer(servers(Mode.ASCII), Mode.ASCII, steps)
    lines = [
        "# A session in ASCII mode: a client of pymodbus (open Modbus stack, 3.16.1) asks benchtool's servers 1 and 17",
        "# over bridged pseudo-terminals: > client, < servers. Invented registers and identity. Octets are as they",
        "# passed; times are counted: 9600 7E1, 4 characters of silence between messages.",
        "# Written by: python -m tests.peer_pymodbus_ours fixtures/modbus/ascii-session.log",
    ]
    begin = 0
    for arrow, octets in heard:
        lines.append(f"{begin / 1e9:.6f} {arrow} {octets.hex(' ').upper()}")
        begin += (len(octets) + 4) * LINE.char_ns
    return "\n".join(lines) + "\n"


_SHOWN = frozenset(
    {
        "read_coils",
        "read_holding_registers",
        "write_coil",
        "write_registers",
        "mask_write_register",
        "report_device_id",
        "read_device_information",
    }
)

if __name__ == "__main__":
    Path(sys.argv[1]).write_text(record_ascii(), encoding="utf-8")
