"""pymodbus, an independent open Modbus stack, as client and RTU server; every octet between them is kept.

Two pseudo-terminals, bridged. Nothing here waits for a time to pass: each step ends when the stack has its answer, and
the time-outs are far beyond need. As a program it writes the golden session:
`python -m tests.peer_pymodbus fixtures/modbus/peer-session.log`.
"""

from __future__ import annotations

import asyncio
import os
import pty
import sys
import tty
from pathlib import Path
from typing import Any

from pymodbus.client import AsyncModbusSerialClient
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.pdu.file_message import FileRecord
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from tests.modbus_session import (
    AFTER,
    BROADCAST,
    COILS,
    DEVICES,
    EXCHANGES,
    HOLDING,
    IDENTITY,
    INPUT_REGISTERS,
    INPUTS,
    LINE,
    Exchange,
    Traffic,
)

PATIENCE_S = 300.0
Talk = tuple[Traffic, list[ModbusPDU]]
"""What passed, and what the client was answered, exchange by exchange."""


def _device(number: int) -> SimDevice:
    blocks = (
        [SimData(0, values=[bool(bit) for bit in COILS], datatype=DataType.BITS)],
        [SimData(0, values=[bool(bit) for bit in INPUTS], datatype=DataType.BITS)],
        [SimData(0, values=[*HOLDING], datatype=DataType.REGISTERS)],
        [SimData(0, values=[*INPUT_REGISTERS], datatype=DataType.REGISTERS)],
    )
    return SimDevice(id=number, simdata=blocks)


class Bridge:
    """Two pseudo-terminals whose far sides are joined; `names` are what the two ends open."""

    def __init__(self) -> None:
        self.heard: Traffic = []
        self._descriptors: list[int] = []
        self._loop = asyncio.get_running_loop()

    def __enter__(self) -> Bridge:
        pairs = [pty.openpty() for _ in range(2)]
        self._descriptors = [descriptor for pair in pairs for descriptor in pair]
        for descriptor in self._descriptors:
            tty.setraw(descriptor)
        self.names = [os.ttyname(slave) for _, slave in pairs]
        (client, _), (server, _) = pairs
        self._loop.add_reader(client, self._carry, ">", client, server)
        self._loop.add_reader(server, self._carry, "<", server, client)
        return self

    def __exit__(self, *_: object) -> None:
        for descriptor in self._descriptors:
            self._loop.remove_reader(descriptor)
            os.close(descriptor)

    def _carry(self, arrow: str, source: int, target: int) -> None:
        octets = os.read(source, 4096)
        self.heard.append((arrow, octets))
        while octets:
            octets = octets[os.write(target, octets) :]


async def _ask(client: AsyncModbusSerialClient, exchange: Exchange, device: int, **more: Any) -> ModbusPDU:
    arguments = dict(exchange.arguments)
    if "records" in arguments:
        arguments["records"] = [FileRecord(*record) for record in arguments["records"]]
    answer: ModbusPDU = await getattr(client, exchange.call)(**arguments, device_id=device, **more)
    return answer


async def _session() -> Talk:
    obeyed = asyncio.Event()

    def trace(sending: bool, pdu: ModbusPDU) -> ModbusPDU:
        if not sending and pdu.dev_id == 0:
            obeyed.set()
        return pdu

    identity = ModbusDeviceIdentification(  # type: ignore[no-untyped-call]
        info_name=dict(zip(("VendorName", "ProductCode", "MajorMinorRevision"), IDENTITY, strict=True))
    )
    with Bridge() as bridge:
        server = ModbusSerialServer(
            [_device(number) for number in DEVICES],
            identity=identity,
            port=bridge.names[1],
            baudrate=LINE.baud,
            broadcast_enable=True,
            trace_pdu=trace,
        )
        client = AsyncModbusSerialClient(bridge.names[0], baudrate=LINE.baud, timeout=PATIENCE_S, retries=0)
        await server.serve_forever(background=True)
        try:
            assert await client.connect()
            answers = [await _ask(client, exchange, device) for device in DEVICES for exchange in EXCHANGES]
            await _ask(client, BROADCAST, 0, no_response_expected=True)
            await obeyed.wait()
            answers.append(await _ask(client, AFTER, DEVICES[0]))
        finally:
            client.close()
            await server.shutdown()  # type: ignore[no-untyped-call]
    return bridge.heard, answers


def record() -> Talk:
    """The whole session. TimeoutError when the stack hangs."""
    return asyncio.run(asyncio.wait_for(_session(), PATIENCE_S))


def as_log(heard: Traffic) -> str:
    """The session as an octet log, one message a line, its times spread as a line of 9600 8N1 would need."""
    lines = [
        "# A session between a client and an RTU server of pymodbus (open Modbus stack, 3.16.1) over bridged",
        "# pseudo-terminals: > client, < server with devices 1 and 17. Invented registers and identity. Octets are as",
        "# they passed the bridge; times are counted: 9600 8N1, 4 characters of silence between messages (sheet 3.1).",
        "# Written by: python -m tests.peer_pymodbus fixtures/modbus/peer-session.log",
    ]
    messages: Traffic = []
    for arrow, octets in heard:
        if messages and messages[-1][0] == arrow != ">":
            messages[-1] = (arrow, messages[-1][1] + octets)
        else:
            messages.append((arrow, octets))
    begin = 0
    for arrow, octets in messages:
        lines.append(f"{begin / 1e9:.6f} {arrow} {octets.hex(' ').upper()}")
        begin += (len(octets) + 4) * LINE.char_ns
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(as_log(record()[0]), encoding="utf-8")
