"""The public functions of Modbus as tables: names, layouts of request and reply, limits, exception names.

Facts: Modbus Application Protocol V1.1b3 as in sheet 3.3 (layouts) and 3.4 (limits, exceptions). Rows marked "from
memory" have no example in the sheet. `lengths` has the rules by which the frames are found.
"""

from __future__ import annotations

from typing import NamedTuple

from benchtool.frames.frame import Role
from benchtool.frames.modbus.layout import Count, Kind, Layout, Number, Records, Run


class Function(NamedTuple):
    """One row of the table."""

    code: int
    name: str
    """The specification's name."""
    title: str
    """The same in plain words."""
    request: Layout
    reply: Layout
    source: str


EXCEPTIONS: dict[int, str] = {
    0x01: "ILLEGAL FUNCTION",
    0x02: "ILLEGAL DATA ADDRESS",
    0x03: "ILLEGAL DATA VALUE",
    0x04: "SERVER DEVICE FAILURE",
    0x05: "ACKNOWLEDGE",
    0x06: "SERVER DEVICE BUSY",
    0x07: "NEGATIVE ACKNOWLEDGE",
    0x08: "MEMORY PARITY ERROR",
    0x0A: "GATEWAY PATH UNAVAILABLE",
    0x0B: "GATEWAY TARGET DEVICE FAILED TO RESPOND",
}
"""Exception codes, sheet 3.4; 07 is legacy."""
EXCEPTION: Layout = (
    Number(
        "exception",
        1,
        words={code: f"{code:02X} {name.lower()}" for code, name in EXCEPTIONS.items()},
        hexadecimal=True,
    ),
)
"""What an exception reply holds."""

DIAGNOSTICS: dict[int, str] = {
    0x00: "return query data",
    0x01: "restart communications",
    0x02: "return diagnostic register",
    0x03: "change ASCII input delimiter",
    0x04: "force listen only mode",
    0x0A: "clear counters",
    0x0B: "bus message count",
    0x0C: "bus communication error count",
    0x0D: "bus exception error count",
    0x0E: "server message count",
    0x0F: "server no response count",
    0x10: "server NAK count",
    0x11: "server busy count",
    0x12: "bus character overrun count",
    0x14: "clear overrun counter",
}
"""Sub-functions of 08: 0B to 12 are the counters of sheet 3.1; the others from memory."""

COIL_VALUES = {0x0000: "off", 0xFF00: "on"}
MEI_TYPES = {0x0D: "CANopen", 0x0E: "device identification"}
IDENTIFICATION = 0x0E
READ_CODES = {1: "basic", 2: "regular", 3: "extended", 4: "one object"}
CONFORMITY = {
    0x01: "basic",
    0x02: "regular",
    0x03: "extended",
    0x81: "basic, single objects",
    0x82: "regular, single objects",
    0x83: "extended, single objects",
}
"""Read codes and conformity levels of device identification, from memory."""
OBJECTS = {
    0: "vendor name",
    1: "product code",
    2: "revision",
    3: "vendor URL",
    4: "product name",
    5: "model name",
    6: "user application name",
}
"""Objects of device identification, from memory."""

_START, _ADDRESS = Number("start"), Number("address")
_BITS = (Count(), Run("bits", Kind.BITS, most=2000))
_REGISTERS = (Count(), Run("registers", Kind.REGISTERS, most=125))
_COIL = (_ADDRESS, Number("value", words=COIL_VALUES, hexadecimal=True))
_REGISTER = (_ADDRESS, Number("value"))
_MASK = (_ADDRESS, Number("and_mask", hexadecimal=True), Number("or_mask", hexadecimal=True))
_QUERY = (Number("sub_function", words=DIAGNOSTICS), Run("data", Kind.OCTETS, optional=True))
_STATUS = Number("status", words={0: "ready", 0xFFFF: "busy"}, hexadecimal=True)
_REFERENCE = Number("reference_type", 1, words={6: "file record"})
_FILE = (_REFERENCE, Number("file", least=1), Number("record", most=9999), Number("length", least=1))
_FILES = (
    Count(least=9, most=251),
    Records("record", (*_FILE, Run("registers", Kind.REGISTERS, counted_by="length"))),
)


def _read(most: int) -> Layout:
    return (_START, Number("quantity", least=1, most=most))


_ROWS = (
    Function(0x01, "Read Coils", "read coils", _read(2000), _BITS, "sheet 3.3, 3.4"),
    Function(0x02, "Read Discrete Inputs", "read discrete inputs", _read(2000), _BITS, "sheet 3.3, 3.4"),
    Function(0x03, "Read Holding Registers", "read holding registers", _read(125), _REGISTERS, "sheet 3.3, 3.4"),
    Function(0x04, "Read Input Registers", "read input registers", _read(125), _REGISTERS, "sheet 3.3, 3.4"),
    Function(0x05, "Write Single Coil", "write coil", _COIL, _COIL, "sheet 3.3"),
    Function(0x06, "Write Single Register", "write register", _REGISTER, _REGISTER, "sheet 3.3"),
    Function(
        0x07,
        "Read Exception Status",
        "read exception status",
        (),
        (Number("status", 1, hexadecimal=True),),
        "sheet 3.3",
    ),
    Function(0x08, "Diagnostics", "diagnostics", _QUERY, _QUERY, "sheet 3.3, 3.1"),
    Function(0x0B, "Get Comm Event Counter", "read event counter", (), (_STATUS, Number("event_count")), "sheet 3.3"),
    Function(
        0x0C,
        "Get Comm Event Log",
        "read event log",
        (),
        (
            Count(),
            _STATUS,
            Number("event_count"),
            Number("message_count"),
            Run("events", Kind.OCTETS, optional=True, most=64),
        ),
        "from memory",
    ),
    Function(
        0x0F,
        "Write Multiple Coils",
        "write coils",
        (*_read(1968), Count(), Run("bits", Kind.BITS, counted_by="quantity")),
        _read(1968),
        "sheet 3.3, 3.4",
    ),
    Function(
        0x10,
        "Write Multiple Registers",
        "write registers",
        (*_read(123), Count(), Run("registers", Kind.REGISTERS, counted_by="quantity")),
        _read(123),
        "sheet 3.3, 3.4",
    ),
    Function(
        0x11, "Report Server ID", "read server identity", (), (Count(), Run("server_id", Kind.OCTETS)), "from memory"
    ),
    Function(
        0x14,
        "Read File Record",
        "read file records",
        (Count(least=7, most=245), Records("record", _FILE)),
        (
            Count(most=245),
            Records("record", (Count("length"), _REFERENCE, Run("registers", Kind.REGISTERS))),
        ),
        "sheet 3.3; limits from memory",
    ),
    Function(0x15, "Write File Record", "write file records", _FILES, _FILES, "sheet 3.3; limits from memory"),
    Function(0x16, "Mask Write Register", "mask write register", _MASK, _MASK, "sheet 3.3"),
    Function(
        0x17,
        "Read/Write Multiple Registers",
        "read and write registers",
        (
            Number("read_start"),
            Number("read_quantity", least=1, most=125),
            Number("write_start"),
            Number("write_quantity", least=1, most=121),
            Count(),
            Run("registers", Kind.REGISTERS, counted_by="write_quantity"),
        ),
        _REGISTERS,
        "sheet 3.3, 3.4",
    ),
    Function(
        0x18,
        "Read FIFO Queue",
        "read FIFO queue",
        (_ADDRESS,),
        (
            Count(size=2),
            Number("fifo_count", most=31),
            Run("registers", Kind.REGISTERS, optional=True, counted_by="fifo_count"),
        ),
        "sheet 3.3",
    ),
    Function(
        0x2B,
        "Encapsulated Interface Transport",
        "encapsulated interface",
        (
            Number("mei_type", 1, words=MEI_TYPES),
            Number("read_code", 1, words=READ_CODES),
            Number("object", 1, words=OBJECTS, closed=False),
        ),
        (
            Number("mei_type", 1, words=MEI_TYPES),
            Number("read_code", 1, words=READ_CODES),
            Number("conformity", 1, words=CONFORMITY, hexadecimal=True),
            Number("more_follows", 1, words={0: "no", 0xFF: "yes"}, hexadecimal=True),
            Number("next_object", 1),
            Number("object_count", 1),
            Records(
                "object",
                (
                    Number("object", 1, words=OBJECTS, closed=False),
                    Count("length"),
                    Run("text", Kind.CHARACTERS, optional=True),
                ),
                counted_by="object_count",
            ),
        ),
        "sheet 3.3 (request); reply from memory",
    ),
)

FUNCTIONS: dict[int, Function] = {row.code: row for row in _ROWS}
"""Every public function by code."""
OTHER_INTERFACE: Layout = (Number("mei_type", 1, words=MEI_TYPES), Run("data", Kind.OCTETS, optional=True))
"""2B with another interface type than device identification: its data is not looked into."""
COUNTERS = frozenset((*range(0x0B, 0x13),))
"""Sub-functions of 08 that a server answers with a number, sheet 3.1."""


def layout_of(row: Function, role: Role, mei_type: int | None) -> Layout | None:
    """The layout of a function's request or reply; `mei_type` is the first octet of 2B's data.

    None where it is not known who speaks (a damaged frame, `Role.UNKNOWN`), and that matters.
    """
    if row.code == 0x2B and mei_type != IDENTIFICATION:
        return OTHER_INTERFACE
    if role is Role.UNKNOWN and row.request != row.reply:
        return None
    return row.reply if role is Role.REPLY else row.request
