"""An independent Modbus stack (pymodbus), client and server over two bridged pseudo-terminals, sniffed on the bridge.

Nothing waits for real time: the session goes on when the stack has its answer, with a time-out far beyond need.
"""

from __future__ import annotations

import asyncio
import os
import pty
import sys
import tty
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

pytest.importorskip("pymodbus", reason="pymodbus, the peer, is not installed")
if sys.platform == "win32":
    pytest.skip("pseudo-terminals are not to be had on Windows", allow_module_level=True)

from pymodbus.client import AsyncModbusSerialClient
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.explain import explain
from benchtool.frames.frame import Frame, Protocol, Role
from benchtool.frames.modbus.build import build_exception, build_frame, build_reply, build_request

pytestmark = pytest.mark.peer
LINE = LineSettings(9600)
PATIENCE_S = 120
REGISTERS = [555, 0, 100, 43707]

Traffic = list[tuple[str, bytes]]


def _device(number: int) -> SimDevice:
    bits = SimData(0, values=[True, False, True, True, False, False, True, True] * 4, datatype=DataType.BITS)
    words = SimData(0, values=REGISTERS * 8, datatype=DataType.REGISTERS)
    return SimDevice(id=number, simdata=([bits], [bits], [words], [words]))


async def _talk(client: AsyncModbusSerialClient, device: int) -> None:
    """Requests of most functions, some refused."""
    steps: list[Callable[[], Awaitable[Any]]] = [
        lambda: client.read_coils(3, count=5, device_id=device),
        lambda: client.read_coils(0, count=20, device_id=device),
        lambda: client.read_discrete_inputs(1, count=9, device_id=device),
        lambda: client.read_holding_registers(0, count=4, device_id=device),
        lambda: client.read_input_registers(2, count=1, device_id=device),
        lambda: client.write_coil(2, True, device_id=device),
        lambda: client.write_coil(2, False, device_id=device),
        lambda: client.write_register(3, 4711, device_id=device),
        lambda: client.write_coils(4, [True] * 10, device_id=device),
        lambda: client.write_registers(1, [10, 258], device_id=device),
        lambda: client.mask_write_register(address=4, and_mask=0xF2, or_mask=0x25, device_id=device),
        lambda: client.readwrite_registers(
            read_address=0, read_count=3, write_address=5, values=[255, 255], device_id=device
        ),
        lambda: client.diag_query_data(b"\xa5\x37", device_id=device),
        lambda: client.diag_read_bus_message_count(device_id=device),
        lambda: client.read_exception_status(device_id=device),
        lambda: client.diag_get_comm_event_counter(device_id=device),
        lambda: client.report_device_id(device_id=device),
        lambda: client.read_device_information(read_code=1, object_id=0, device_id=device),
        lambda: client.read_holding_registers(9000, count=2, device_id=device),
    ]
    for step in steps:
        await asyncio.wait_for(step(), PATIENCE_S)


async def _session() -> Traffic:
    loop = asyncio.get_running_loop()
    heard: Traffic = []
    masters = []
    names = []
    slaves = []
    for _ in range(2):
        master, slave = pty.openpty()
        tty.setraw(master)
        tty.setraw(slave)
        masters.append(master)
        slaves.append(slave)
        names.append(os.ttyname(slave))

    def carry(arrow: str, source: int, target: int) -> None:
        octets = os.read(source, 4096)
        heard.append((arrow, octets))
        os.write(target, octets)

    loop.add_reader(masters[0], carry, ">", masters[0], masters[1])
    loop.add_reader(masters[1], carry, "<", masters[1], masters[0])
    identity = ModbusDeviceIdentification(  # type: ignore[no-untyped-call]
        info_name={"VendorName": "Invented", "ProductCode": "DI-4", "MajorMinorRevision": "1.2"}
    )
    server = ModbusSerialServer([_device(1), _device(17)], identity=identity, port=names[1], baudrate=9600)
    serving = asyncio.ensure_future(server.serve_forever())
    client = AsyncModbusSerialClient(names[0], baudrate=9600, timeout=PATIENCE_S, retries=0)
    try:
        assert await asyncio.wait_for(client.connect(), PATIENCE_S)
        for device in (1, 17):
            await _talk(client, device)
    finally:
        client.close()
        await server.shutdown()  # type: ignore[no-untyped-call]
        serving.cancel()
        await asyncio.gather(serving, return_exceptions=True)
        for descriptor in masters:
            loop.remove_reader(descriptor)
        for descriptor in (*masters, *slaves):
            os.close(descriptor)
    return heard


@pytest.fixture(scope="module")
def traffic() -> Traffic:
    return asyncio.run(_session())


def decode(traffic: Traffic) -> list[Frame]:
    """All octets end to end, as a lumpy adapter that knows neither silence nor direction would hand them over."""
    decoder = BusDecoder(LINE)
    frames: list[Frame] = []
    t_ns = 0
    for _, octets in traffic:
        end_ns = t_ns + len(octets) * LINE.char_ns
        frames += decoder.feed(Chunk(t_ns, end_ns, octets))
        t_ns = end_ns
    return frames + decoder.close()


def test_the_traffic_is_found_whole_and_in_turn(traffic: Traffic) -> None:
    frames = decode(traffic)
    assert b"".join(octets for _, octets in traffic) == b"".join(f.octets for f in frames)
    assert all(f.ok and f.protocol is Protocol.MODBUS_RTU for f in frames)
    assert [f.role for f in frames] == [Role.REQUEST, Role.REPLY] * 38
    assert [f.address for f in frames] == [1] * 38 + [17] * 38
    assert all(explain(f).problems == () for f in frames)


def test_what_frames_say_is_what_the_peer_was_asked_and_answered(traffic: Traffic) -> None:
    pairs = decode(traffic)[:38]
    asked = [explain(f) for f in pairs[::2]]
    answered = [explain(f) for f in pairs[1::2]]
    assert asked[0].values() == {"start": 3, "quantity": 5}
    assert answered[0].values()["bits"][:5] == [1, 0, 0, 1, 1]  # type: ignore[index]
    assert asked[3].values() == {"start": 0, "quantity": 4}
    assert answered[3].values()["registers"] == REGISTERS
    assert {"address": 2, "value": 0xFF00} == asked[5].values() == answered[5].values()
    assert {"address": 3, "value": 4711} == asked[7].values() == answered[7].values()
    assert asked[9].values() == {"start": 1, "quantity": 2, "byte_count": 4, "registers": [10, 258]}
    assert answered[9].values() == {"start": 1, "quantity": 2}
    assert asked[10].values() == {"address": 4, "and_mask": 0xF2, "or_mask": 0x25}
    assert asked[11].values()["registers"] == [255, 255]
    assert answered[12].values() == {"sub_function": 0, "data": "A537"}
    objects = [v for k, v in answered[17].values().items() if k.startswith("object") and isinstance(v, dict)]
    assert [v["text"] for v in objects] == ["Invented", "DI-4", "1.2"]
    assert "exception 02 illegal data address" in answered[18].text()


@pytest.mark.parametrize(
    ("frame", "server"),
    [
        (build_request(17, 1, start=19, quantity=37), True),
        (build_request(17, 3, start=107, quantity=3), True),
        (build_request(17, 5, address=172, value=0xFF00), True),
        (build_request(17, 15, start=19, quantity=10, bits=[1, 0, 1, 1, 0, 0, 1, 1, 1, 0]), True),
        (build_request(17, 16, start=1, quantity=2, registers=[10, 258]), True),
        (
            build_request(
                1, 23, read_start=3, read_quantity=6, write_start=14, write_quantity=3, registers=[255, 255, 255]
            ),
            True,
        ),
        (build_request(1, 0x14, records=[{"reference_type": 6, "file": 4, "record": 1, "length": 2}]), True),
        (build_reply(17, 3, registers=[44609, 22098, 17216]), False),
        (build_reply(17, 2, bits=[0, 0, 1, 1, 0, 1, 0, 1]), False),
        (build_exception(1, 1, 2), False),
        (build_frame(1, 7), True),
    ],
    ids=lambda value: value.hex() if isinstance(value, bytes) else None,
)
def test_the_peer_takes_our_frames(frame: bytes, server: bool) -> None:
    used, device, _, pdu = FramerRTU(DecodePDU(server)).decode(frame)
    assert (len(frame), frame[0], frame[1:-2]) == (used, device, pdu)
    assert DecodePDU(server).decode(pdu) is not None
