"""Every Modbus frame of the sheet says what the sheet says, and is rebuilt octet for octet."""

from __future__ import annotations

from pathlib import Path

import pytest
from crccheck.crc import CrcModbus

from benchtool.frames.crc import with_crc_modbus
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.meaning import Meaning, Value
from benchtool.frames.modbus.build import build_exception, build_frame, encode
from benchtool.frames.modbus.describe import describe
from benchtool.frames.modbus.functions import FUNCTIONS
from tests.modbus_session import decode

SHEET = Path(__file__).parents[2] / "fixtures" / "modbus" / "sheet-frames.txt"
Said = tuple[Role, bytes]


def sheet_frames() -> list[Said]:
    lines = [line.partition("#")[0].split(maxsplit=1) for line in SHEET.read_text().splitlines()]
    return [(Role(words[0]), bytes.fromhex(words[1])) for words in lines if words]


def says(octets: bytes | str, role: Role) -> Meaning:
    raw = bytes.fromhex(octets) if isinstance(octets, str) else octets
    return describe(Frame(Protocol.MODBUS_RTU, 0, 0, raw, Reason.OK, role))


def wrapped(pdu: str) -> bytes:
    return with_crc_modbus(b"\x01" + bytes.fromhex(pdu))


FILES = [
    # sheet 3.3, "Other PDU examples READ"; address 1 and the CRC are put around them here
    (Role.REQUEST, wrapped("14 0E 06 00 04 00 01 00 02 06 00 03 00 09 00 02")),
    (Role.REPLY, wrapped("14 0C 05 06 0D FE 00 20 05 06 33 CD 00 40")),
    (Role.REQUEST, wrapped("15 0D 06 00 04 00 07 00 03 06 AF 04 BE 10 0D")),
    (Role.REPLY, wrapped("15 0D 06 00 04 00 07 00 03 06 AF 04 BE 10 0D")),
    (Role.REQUEST, wrapped("2B 0E 01 00")),
]


def test_the_sheet_is_all_there() -> None:
    assert len(sheet_frames()) == 61


@pytest.mark.parametrize("pause", [0, 5], ids=["end to end", "apart"])
def test_the_sheet_in_one_stream_is_found_with_the_right_roles(pause: int) -> None:
    said = sheet_frames() + FILES
    found = decode((octets for _, octets in said), pause)
    assert said == [(frame.role, frame.octets) for frame in found]
    assert all(frame.ok for frame in found)


@pytest.mark.parametrize(("role", "octets"), sheet_frames() + FILES, ids=str)
def test_sheet_frame_is_read_and_rebuilt(role: Role, octets: bytes) -> None:
    # crccheck is the catalogue's own implementation; the sheet verified each CRC
    assert CrcModbus.calc(octets[:-2]).to_bytes(2, "little") == octets[-2:]
    meaning = says(octets, role)
    function, data = octets[1] & 0x7F, octets[2:-2]
    name = FUNCTIONS[function].name if function != 0x2B else "Read Device Identification"
    assert name == meaning.name
    assert data == b"".join(octets[f.start : f.start + f.length] for f in meaning.fields)
    if octets[1] & 0x80:
        assert octets == build_exception(octets[0], function, data[0])
    else:
        assert octets == build_frame(octets[0], function, encode(function, role, meaning.values()))


@pytest.mark.parametrize(("role", "octets"), sheet_frames() + FILES, ids=str)
def test_only_reserved_and_broadcast_addresses_of_the_sheet_are_odd(role: Role, octets: bytes) -> None:
    expected: tuple[str, ...] = ()
    if octets[0] == 0xFF:
        expected = ("address 255 is reserved",)
    elif octets[0] == 0 and role is Role.REPLY:
        expected = ("a reply from the broadcast address 0",)
    assert expected == says(octets, role).problems


# Sheet 3.3, the specification's examples (READ in V1.1b3); the values are in its text or plain from the octets.
MEANINGS: list[tuple[str, Role, dict[str, Value], str]] = [
    (
        "01 01 00 13 00 13 8C 02",
        Role.REQUEST,
        {"start": 19, "quantity": 19},
        "read coils: start 19, quantity 19",
    ),
    (
        "01 03 00 6B 00 03 74 17",
        Role.REQUEST,
        {"start": 107, "quantity": 3},
        "read holding registers: start 107, quantity 3",
    ),
    (
        "01 03 06 02 2B 00 00 00 64 05 7A",
        Role.REPLY,
        {"byte_count": 6, "registers": [555, 0, 100]},
        "read holding registers, reply: byte count 6, registers 555 0 100",
    ),
    (
        "01 04 02 00 0A 39 37",
        Role.REPLY,
        {"byte_count": 2, "registers": [10]},
        "read input registers, reply: byte count 2, registers 10",
    ),
    ("01 05 00 AC FF 00 4C 1B", Role.REQUEST, {"address": 172, "value": 0xFF00}, "write coil: address 172, value on"),
    ("01 06 00 01 00 03 98 0B", Role.REPLY, {"address": 1, "value": 3}, "write register, reply: address 1, value 3"),
    ("01 07 41 E2", Role.REQUEST, {}, "read exception status"),
    ("01 07 6D E3 DD", Role.REPLY, {"status": 0x6D}, "read exception status, reply: status 0x6D"),
    (
        "01 08 00 00 A5 37 DA 8D",
        Role.REQUEST,
        {"sub_function": 0, "data": "A537"},
        "diagnostics: sub function 0 (return query data), data A5 37",
    ),
    (
        "01 0B FF FF 01 08 A4 79",
        Role.REPLY,
        {"status": 0xFFFF, "event_count": 264},
        "read event counter, reply: status busy, event count 264",
    ),
    (
        "01 0F 00 13 00 0A 02 CD 01 72 CB",
        Role.REQUEST,
        {"start": 19, "quantity": 10, "byte_count": 2, "bits": [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]},
        "write coils: start 19, quantity 10, byte count 2, bits 10110011 10",
    ),
    (
        "01 10 00 01 00 02 04 00 0A 01 02 92 30",
        Role.REQUEST,
        {"start": 1, "quantity": 2, "byte_count": 4, "registers": [10, 258]},
        "write registers: start 1, quantity 2, byte count 4, registers 10 258",
    ),
    (
        "01 16 00 04 00 F2 00 25 67 EE",
        Role.REQUEST,
        {"address": 4, "and_mask": 0xF2, "or_mask": 0x25},
        "mask write register: address 4, and mask 0x00F2, or mask 0x0025",
    ),
    (
        "01 17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF 46 91",
        Role.REQUEST,
        {
            "read_start": 3,
            "read_quantity": 6,
            "write_start": 14,
            "write_quantity": 3,
            "byte_count": 6,
            "registers": [255, 255, 255],
        },
        "read and write registers: read start 3, read quantity 6, write start 14, write quantity 3, byte count 6, "
        "registers 255 255 255",
    ),
    (
        "01 17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF 1D 79",
        Role.REPLY,
        {"byte_count": 12, "registers": [254, 2765, 1, 3, 13, 255]},
        "read and write registers, reply: byte count 12, registers 254 2765 1 3 13 255",
    ),
    (
        "01 18 00 06 00 02 01 B8 12 84 19 18",
        Role.REPLY,
        {"byte_count": 6, "fifo_count": 2, "registers": [440, 4740]},
        "read FIFO queue, reply: byte count 6, fifo count 2, registers 440 4740",
    ),
    (
        "01 81 02 C1 91",
        Role.REPLY,
        {"exception": 2},
        "read coils refused: exception 02 illegal data address",
    ),
    (
        FILES[0][1].hex(),
        Role.REQUEST,
        {
            "byte_count": 14,
            "record": {"reference_type": 6, "file": 4, "record": 1, "length": 2},
            "record_2": {"reference_type": 6, "file": 3, "record": 9, "length": 2},
        },
        "read file records: byte count 14, record [reference type 6 (file record) file 4 record 1 length 2], "
        "record 2 [reference type 6 (file record) file 3 record 9 length 2]",
    ),
    (
        FILES[1][1].hex(),
        Role.REPLY,
        {
            "byte_count": 12,
            "record": {"length": 5, "reference_type": 6, "registers": [0x0DFE, 0x0020]},
            "record_2": {"length": 5, "reference_type": 6, "registers": [0x33CD, 0x0040]},
        },
        "read file records, reply: byte count 12, record [length 5 reference type 6 (file record) registers 3582 32], "
        "record 2 [length 5 reference type 6 (file record) registers 13261 64]",
    ),
    (
        FILES[2][1].hex(),
        Role.REQUEST,
        {
            "byte_count": 13,
            "record": {"reference_type": 6, "file": 4, "record": 7, "length": 3, "registers": [0x06AF, 0x04BE, 0x100D]},
        },
        "write file records: byte count 13, "
        "record [reference type 6 (file record) file 4 record 7 length 3 registers 1711 1214 4109]",
    ),
    (
        FILES[4][1].hex(),
        Role.REQUEST,
        {"mei_type": 14, "read_code": 1, "object": 0},
        "read device identification: mei type 14 (device identification), read code 1 (basic), object 0 (vendor name)",
    ),
]


@pytest.mark.parametrize(("octets", "role", "values", "text"), MEANINGS, ids=lambda value: str(value)[:40])
def test_published_frames_say(octets: str, role: Role, values: dict[str, Value], text: str) -> None:
    meaning = says(octets, role)
    assert values == meaning.values()
    assert text == meaning.text()


def test_the_published_coils_by_number() -> None:
    # Sheet 3.3, "Meaning checks": the reply CD 6B 05 holds coils 20 to 38; address 19 is coil 20.
    asked = says("01 01 00 13 00 13 8C 02", Role.REQUEST).values()
    bits = says("01 01 03 CD 6B 05 42 82", Role.REPLY).values()["bits"]
    start, quantity = asked["start"], asked["quantity"]
    assert isinstance(bits, list)
    assert isinstance(start, int)
    assert isinstance(quantity, int)
    coils = {start + 1 + place: bit for place, bit in enumerate(bits[:quantity])}
    assert list(coils) == list(range(20, 39))
    # 1100 1101 are coils 27 to 20, 0110 1011 coils 35 to 28, 101 coils 38 to 36.
    assert "".join(str(coils[number]) for number in range(27, 19, -1)) == "11001101"
    assert "".join(str(coils[number]) for number in range(35, 27, -1)) == "01101011"
    assert "".join(str(coils[number]) for number in range(38, 35, -1)) == "101"
    assert bits[quantity:] == [0] * 5


def test_the_bad_print_is_told() -> None:
    # Sheet 3.3, BAD PRINT: FA C8 stands there, 57 5F is right.
    printed = bytes.fromhex("01 10 30 0C 00 01 02 00 01 FA C8")
    (frame,) = decode([printed])
    assert (Reason.CHECK_FAILED, printed) == (frame.reason, frame.octets)
    meaning = describe(frame)
    assert meaning.problems == ("CRC is FA C8, the octets give 57 5F",)
    assert meaning.values() == {"start": 0x300C, "quantity": 1, "byte_count": 2, "registers": [1]}
    rebuilt = build_frame(1, 0x10, encode(0x10, Role.REQUEST, meaning.values()))
    assert bytes.fromhex("01 10 30 0C 00 01 02 00 01 57 5F") == rebuilt


def test_the_peers_bad_crc_sample_is_told() -> None:
    # Sheet 3.3, pymodbus' unit tests: 91 31 is right.
    meaning = describe(Frame(Protocol.MODBUS_RTU, 0, 0, bytes.fromhex("0083029121"), Reason.CHECK_FAILED, Role.REPLY))
    assert "CRC is 91 21, the octets give 91 31" in meaning.problems
