"""Say what a Modbus RTU frame means: function, fields with their places, exceptions by name, what is odd.

Runs only when somebody wants to read a frame. Facts: sheet section 3.
"""

from __future__ import annotations

from benchtool.frames.crc import crc_modbus
from benchtool.frames.frame import Frame, Reason, Role
from benchtool.frames.meaning import Field, Meaning
from benchtool.frames.modbus.functions import EXCEPTIONS, FUNCTIONS, OTHER_INTERFACE, Function
from benchtool.frames.modbus.layout import Layout, Reader
from benchtool.frames.modbus.lengths import EXCEPTION_BIT, USER_FUNCTIONS

IDENTIFICATION = 0x0E
RESERVED_ADDRESS = 248
_DATA_START = 2


def describe(frame: Frame) -> Meaning:
    """The frame in words, sound or damaged; offsets count from the frame's first octet. Never raises on input."""
    octets = frame.octets
    if len(octets) < 2:
        return Meaning(None, "Modbus frame cut off after its address")
    problems: list[str] = []
    if octets[0] >= RESERVED_ADDRESS:
        problems.append(f"address {octets[0]} is reserved")
    data_end = len(octets) - 2
    if frame.reason is Reason.TRUNCATED or data_end < _DATA_START:
        data_end = len(octets)
        problems.append(f"cut off after {len(octets)} octets")
    elif frame.reason is Reason.CHECK_FAILED:
        found, right = octets[-2:], crc_modbus(octets[:-2]).to_bytes(2, "little")
        if found != right:
            problems.append(f"CRC is {found.hex(' ').upper()}, the octets give {right.hex(' ').upper()}")
    code = octets[1]
    row = FUNCTIONS.get(code & ~EXCEPTION_BIT)
    if code & EXCEPTION_BIT:
        return _exception(octets, data_end, code & ~EXCEPTION_BIT, row, problems)
    if row is None:
        kind = "user-defined" if code in USER_FUNCTIONS else "unknown"
        data = octets[_DATA_START:data_end]
        text = data.hex(" ").upper()
        fields = (Field("data", data.hex().upper(), text, _DATA_START, len(data)),) if data else ()
        return Meaning(None, f"{kind} function 0x{code:02X}", fields, tuple(problems))
    role = frame.role
    reader = Reader(octets, _DATA_START, data_end)
    layout = _layout(row, role, octets)
    if layout is None:
        data = octets[_DATA_START:data_end]
        reader.fields.append(Field("data", data.hex().upper(), data.hex(" ").upper(), _DATA_START, len(data)))
    else:
        reader.read(layout)
    title = row.title
    if role is Role.REPLY:
        title += ", reply"
    if code == 0x2B and octets[2:3] != bytes((IDENTIFICATION,)):
        title = "encapsulated interface" + (", reply" if role is Role.REPLY else "")
    _consistent(reader.fields, problems)
    if octets[0] == 0 and role is Role.REPLY:
        problems.append("a reply from the broadcast address 0")
    return Meaning(row.name, title, tuple(reader.fields), (*problems, *reader.problems))


def _layout(row: Function, role: Role, octets: bytes) -> Layout | None:
    """None where it is not known whether a damaged frame was a request or a reply, and that matters."""
    if row.code == 0x2B and octets[2:3] != bytes((IDENTIFICATION,)):
        return OTHER_INTERFACE
    if role is Role.UNKNOWN and row.request != row.reply:
        return None
    return row.reply if role is Role.REPLY else row.request


def _exception(octets: bytes, end: int, function: int, row: Function | None, problems: list[str]) -> Meaning:
    what = row.title if row is not None else f"function 0x{function:02X}"
    name = row.name if row is not None else None
    fields: tuple[Field, ...] = ()
    if end > _DATA_START:
        code = octets[_DATA_START]
        word = EXCEPTIONS.get(code)
        if word is None:
            problems.append(f"exception code {code:02X} is not defined")
        fields = (Field("exception", code, f"{code:02X} {word}" if word else f"{code:02X}", _DATA_START, 1),)
    return Meaning(name, f"{what} refused", fields, tuple(problems))


def _consistent(fields: list[Field], problems: list[str]) -> None:
    """A write's quantity must be what its values are."""
    values = {field.name: field.value for field in fields}
    quantity = values.get("quantity", values.get("write_quantity"))
    count = values.get("byte_count")
    if not isinstance(quantity, int) or not isinstance(count, int):
        return
    needed = (quantity + 7) // 8 if "bits" in values else 2 * quantity
    if count != needed:
        problems.append(f"byte count is {count}, {quantity} values take {needed}")
