"""Say what a Modbus RTU frame means: function, fields with their places, exceptions by name, what is odd.

Runs only when somebody wants to read a frame. Facts: sheet section 3.
"""

from __future__ import annotations

from collections.abc import Mapping

from benchtool.frames.crc import crc_modbus
from benchtool.frames.frame import Frame, Reason, Role
from benchtool.frames.meaning import Field, Meaning, Value
from benchtool.frames.modbus.events import event_words
from benchtool.frames.modbus.functions import (
    COUNTERS,
    EXCEPTION,
    FUNCTIONS,
    IDENTIFICATION,
    Function,
    layout_of,
)
from benchtool.frames.modbus.layout import Reader
from benchtool.frames.modbus.lengths import EXCEPTION_BIT, MAX_LENGTH, USER_FUNCTIONS

RESERVED_ADDRESS = 248
"""This and all above, sheet 3.1."""
ACKNOWLEDGE = 0x05
_DATA_START = 2
_SHOWN_EVENTS = 8
_SPANS = (("start", "quantity"), ("read_start", "read_quantity"), ("write_start", "write_quantity"))


def describe(frame: Frame) -> Meaning:
    """The frame in words, sound or damaged; offsets count from the frame's first octet. Never raises on input."""
    octets = frame.octets
    if len(octets) < _DATA_START:
        return Meaning(None, f"Modbus frame cut off after {'its address' if octets else 'nothing'}")
    problems: list[str] = []
    data_end, cut_off = _data_end(frame, problems)
    reply = frame.role is Role.REPLY or octets[1] & EXCEPTION_BIT != 0
    if octets[0] >= RESERVED_ADDRESS:
        problems.append(f"address {octets[0]} is reserved")
    elif octets[0] == 0 and reply:
        problems.append("a reply from the broadcast address 0")
    reader = Reader(octets, _DATA_START, data_end, cut_off=cut_off)
    row = FUNCTIONS.get(octets[1] & ~EXCEPTION_BIT)
    if octets[1] & EXCEPTION_BIT:
        name, title = _exception(octets, data_end, row, reader)
    elif row is None:
        kind = "user-defined" if octets[1] in USER_FUNCTIONS else "unknown"
        name, title = None, f"{kind} function 0x{octets[1]:02X}"
        reader.rest("data")
    else:
        name, title = _function(octets, row, frame.role, reader)
    return Meaning(name, title, tuple(reader.fields), (*problems, *reader.problems))


def _data_end(frame: Frame, problems: list[str]) -> tuple[int, bool]:
    """Where the data ends and the CRC begins; and whether the frame stopped before its end."""
    octets = frame.octets
    there = len(octets)
    if frame.reason is Reason.TRUNCATED or there < _DATA_START + 2:
        problems.append(f"cut off after {there} octets")
        return there, True
    if there > MAX_LENGTH:
        problems.append(f"{there} octets, a frame has at most {MAX_LENGTH}")
    found, right = octets[-2:], crc_modbus(octets[:-2]).to_bytes(2, "little")
    if found != right:
        problems.append(f"CRC is {found.hex(' ').upper()}, the octets give {right.hex(' ').upper()}")
    return there - 2, False


def _function(octets: bytes, row: Function, role: Role, reader: Reader) -> tuple[str, str]:
    layout = layout_of(row, role, octets[_DATA_START] if len(octets) > _DATA_START else None)
    if layout is None:
        reader.rest("data")
    else:
        reader.read(layout)
    name, title = row.name, row.title
    values = {field.name: field.value for field in reader.fields}
    if row.code == 0x2B and values.get("mei_type") == IDENTIFICATION:
        name, title = "Read Device Identification", "read device identification"
    if row.code == 0x08 and role is Role.REPLY:
        _counter(values, reader.fields)
    elif row.code == 0x0C and role is Role.REPLY:
        _events(values, reader.fields)
    _spans(values, reader.problems)
    return name, f"{title}, reply" if role is Role.REPLY else title


def _exception(octets: bytes, end: int, row: Function | None, reader: Reader) -> tuple[str | None, str]:
    what = row.title if row is not None else f"function 0x{octets[1] & ~EXCEPTION_BIT:02X}"
    reader.read(EXCEPTION)
    late = end > _DATA_START and octets[_DATA_START] == ACKNOWLEDGE
    return None if row is None else row.name, f"{what} {'takes time' if late else 'refused'}"


def _counter(values: Mapping[str, Value], fields: list[Field]) -> None:
    data = values.get("data")
    if values.get("sub_function") in COUNTERS and isinstance(data, str) and len(data) == 4:
        count = int(data, 16)
        fields.append(Field("count", count, str(count), fields[-1].start, 0))


def _events(values: Mapping[str, Value], fields: list[Field]) -> None:
    events = values.get("events")
    if isinstance(events, str):
        words = [event_words(octet) for octet in bytes.fromhex(events)]
        more = [f"… {len(words)} in all"] if len(words) > _SHOWN_EVENTS else []
        text = "; ".join([*words[:_SHOWN_EVENTS], *more])
        fields.append(Field("event_words", list(words), text, fields[-1].start, 0))


def _spans(values: Mapping[str, Value], problems: list[str]) -> None:
    """What is addressed must not run past the last address."""
    for first, number in _SPANS:
        start, quantity = values.get(first), values.get(number)
        if isinstance(start, int) and isinstance(quantity, int) and start + quantity > 0x10000:
            problems.append(f"{quantity} from {start} run past the last address 65535")
