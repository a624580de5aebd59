"""What is said in the Modbus session that pymodbus held for us: requests, and the replies that can be foretold.

Needs no pymodbus, so that the recorded session is checked where it is not installed. All of it is invented.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame
from benchtool.frames.meaning import Value

GOLDEN = Path(__file__).parents[1] / "fixtures" / "modbus" / "peer-session.log"
LINE = LineSettings(9600)

COILS = [1, 0, 1, 1, 0, 0, 1, 1] * 4
INPUTS = [0, 1, 1, 0, 1, 0, 0, 1] * 4
HOLDING = [555, 0, 100, 43707] * 32
INPUT_REGISTERS = [10, 65535, 1, 258] * 4
IDENTITY = ["Invented", "DI-4", "1.2"]
ILLEGAL_ADDRESS = 2


class Exchange(NamedTuple):
    """One request, and what is known of its reply; the call is a method of pymodbus' client with its arguments."""

    call: str
    arguments: dict[str, Any]
    name: str
    asked: dict[str, Value]
    answered: dict[str, Value] | None
    """None: it holds counters of the peer, or there is none (broadcast)."""
    refused: int = 0


def _bits(bits: list[int]) -> list[Value]:
    return [*bits, *[0] * (-len(bits) % 8)]


QUERY: dict[str, Value] = {"sub_function": 0, "data": "A537"}
MASK: dict[str, Value] = {"address": 4, "and_mask": 0xF2, "or_mask": 0x25}
FILE: dict[str, Value] = {"reference_type": 6, "file": 4, "record": 7, "length": 3, "registers": [1711, 1214, 4109]}
WRITE_FILE: dict[str, Value] = {"byte_count": 13, "record": FILE}
DUMMY = [int.from_bytes(b"SERVER DUMMY RECORD."[at : at + 2], "big") for at in range(0, 20, 2)]
"""What pymodbus answers to every read of a file."""
READ_REGISTERS = "Read Holding Registers"

EXCHANGES = [
    Exchange(
        "read_coils",
        {"address": 3, "count": 5},
        "Read Coils",
        {"start": 3, "quantity": 5},
        {"byte_count": 1, "bits": _bits(COILS[3:8])},
    ),
    Exchange(
        "read_discrete_inputs",
        {"address": 1, "count": 19},
        "Read Discrete Inputs",
        {"start": 1, "quantity": 19},
        {"byte_count": 3, "bits": _bits(INPUTS[1:20])},
    ),
    Exchange(
        "read_holding_registers",
        {"address": 0, "count": 3},
        READ_REGISTERS,
        {"start": 0, "quantity": 3},
        {"byte_count": 6, "registers": [555, 0, 100]},
    ),
    Exchange(
        "read_holding_registers",
        {"address": 1, "count": 125},
        READ_REGISTERS,
        {"start": 1, "quantity": 125},
        {"byte_count": 250, "registers": [*HOLDING[1:126]]},
    ),
    Exchange(
        "read_input_registers",
        {"address": 2, "count": 2},
        "Read Input Registers",
        {"start": 2, "quantity": 2},
        {"byte_count": 4, "registers": [1, 258]},
    ),
    Exchange(
        "write_coil",
        {"address": 1, "value": True},
        "Write Single Coil",
        {"address": 1, "value": 0xFF00},
        {"address": 1, "value": 0xFF00},
    ),
    Exchange(
        "write_coil",
        {"address": 0, "value": False},
        "Write Single Coil",
        {"address": 0, "value": 0},
        {"address": 0, "value": 0},
    ),
    Exchange(
        "write_register",
        {"address": 3, "value": 4711},
        "Write Single Register",
        {"address": 3, "value": 4711},
        {"address": 3, "value": 4711},
    ),
    Exchange("read_exception_status", {}, "Read Exception Status", {}, None),
    Exchange("diag_query_data", {"msg": b"\xa5\x37"}, "Diagnostics", {**QUERY}, {**QUERY}),
    Exchange("diag_read_bus_message_count", {}, "Diagnostics", {"sub_function": 0x0B, "data": "0000"}, None),
    Exchange("diag_read_device_busy_count", {}, "Diagnostics", {"sub_function": 0x11, "data": "0000"}, None),
    Exchange("diag_get_comm_event_counter", {}, "Get Comm Event Counter", {}, None),
    Exchange("diag_get_comm_event_log", {}, "Get Comm Event Log", {}, None),
    Exchange(
        "write_coils",
        {"address": 4, "values": [True, False, True, True, False, False, True, True, True, False]},
        "Write Multiple Coils",
        {"start": 4, "quantity": 10, "byte_count": 2, "bits": [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]},
        {"start": 4, "quantity": 10},
    ),
    Exchange(
        "write_registers",
        {"address": 1, "values": [10, 258]},
        "Write Multiple Registers",
        {"start": 1, "quantity": 2, "byte_count": 4, "registers": [10, 258]},
        {"start": 1, "quantity": 2},
    ),
    Exchange(
        "report_device_id",
        {},
        "Report Server ID",
        {},
        None,
    ),
    Exchange(
        "read_file_record",
        {"records": [(4, 1, b"", 4), (3, 9, b"", 4)]},
        "Read File Record",
        {
            "byte_count": 14,
            "record": {"reference_type": 6, "file": 4, "record": 1, "length": 2},
            "record_2": {"reference_type": 6, "file": 3, "record": 9, "length": 2},
        },
        {
            "byte_count": 44,
            "record": {"length": 21, "reference_type": 6, "registers": [*DUMMY]},
            "record_2": {"length": 21, "reference_type": 6, "registers": [*DUMMY]},
        },
    ),
    Exchange(
        "write_file_record",
        {"records": [(4, 7, bytes.fromhex("06AF04BE100D"), 0)]},
        "Write File Record",
        WRITE_FILE,
        WRITE_FILE,
    ),
    Exchange("mask_write_register", {**MASK}, "Mask Write Register", MASK, MASK),
    Exchange(
        "readwrite_registers",
        {"read_address": 0, "read_count": 6, "write_address": 4, "values": [255, 254]},
        "Read/Write Multiple Registers",
        {
            "read_start": 0,
            "read_quantity": 6,
            "write_start": 4,
            "write_quantity": 2,
            "byte_count": 4,
            "registers": [255, 254],
        },
        {"byte_count": 12, "registers": [555, 10, 258, 4711, 255, 254]},
    ),
    Exchange(
        "read_device_information",
        {"read_code": 1, "object_id": 0},
        "Read Device Identification",
        {"mei_type": 14, "read_code": 1, "object": 0},
        {
            "mei_type": 14,
            "read_code": 1,
            "conformity": 0x83,
            "more_follows": 0,
            "next_object": 0,
            "object_count": 3,
            "object": {"object": 0, "length": 8, "text": IDENTITY[0]},
            "object_2": {"object": 1, "length": 4, "text": IDENTITY[1]},
            "object_3": {"object": 2, "length": 3, "text": IDENTITY[2]},
        },
    ),
    Exchange(
        "read_holding_registers",
        {"address": 9000, "count": 2},
        READ_REGISTERS,
        {"start": 9000, "quantity": 2},
        {"exception": ILLEGAL_ADDRESS},
        ILLEGAL_ADDRESS,
    ),
    Exchange(
        "write_coil",
        {"address": 2000, "value": True},
        "Write Single Coil",
        {"address": 2000, "value": 0xFF00},
        {"exception": ILLEGAL_ADDRESS},
        ILLEGAL_ADDRESS,
    ),
]
"""What every device is asked in turn."""
DEVICES = (1, 17)
BROADCAST = Exchange(
    "write_register",
    {"address": 7, "value": 77},
    "Write Single Register",
    {"address": 7, "value": 77},
    None,
)
"""Said to all at the end, answered by nobody; then the first device is asked for it."""
AFTER = Exchange(
    "read_holding_registers",
    {"address": 7, "count": 1},
    READ_REGISTERS,
    {"start": 7, "quantity": 1},
    {"byte_count": 2, "registers": [77]},
)

Traffic = list[tuple[str, bytes]]
"""`>` client, `<` server, and the octets, in the order in which they passed."""


def golden() -> Traffic:
    """The recorded session."""
    lines = [line.split(maxsplit=2) for line in GOLDEN.read_text().splitlines() if not line.startswith("#")]
    return [(arrow, bytes.fromhex(octets)) for _, arrow, octets in lines]


def decode(pieces: Iterable[bytes], pause: int = 0) -> list[Frame]:
    """Frames of the octets; direction is kept from the decoder. After each piece `pause` characters of silence."""
    decoder = BusDecoder(LINE)
    frames: list[Frame] = []
    t_ns = 0
    for octets in pieces:
        end_ns = t_ns + len(octets) * LINE.char_ns
        frames += decoder.feed(Chunk(t_ns, end_ns, octets))
        t_ns = end_ns + pause * LINE.char_ns
    return frames + decoder.close()


def steps() -> list[tuple[int, Exchange]]:
    """Every exchange in turn, with the address asked."""
    asked = [(device, exchange) for device in DEVICES for exchange in EXCHANGES]
    return [*asked, (0, BROADCAST), (DEVICES[0], AFTER)]


def pairs(frames: list[Frame]) -> list[tuple[int, Exchange, Frame, Frame | None]]:
    """Each exchange with its request and reply; asserts that there are just these, in turn."""
    rest = iter(frames)
    found = [
        (device, exchange, next(rest), None if exchange is BROADCAST else next(rest)) for device, exchange in steps()
    ]
    assert next(rest, None) is None
    return found
