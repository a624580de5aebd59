"""Every published Modbus RTU frame of the sheet, found by the decoder with nothing known and on a known bus."""

from __future__ import annotations

import pytest
from crccheck.crc import CrcModbus
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.crc import crc_modbus, modbus_ok, with_crc_modbus
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.explain import explain
from benchtool.frames.frame import Frame, Protocol, Reason, Role

LINE = LineSettings(9600)
ASKS, ANSWERS = Role.REQUEST, Role.REPLY
KNOWN = {"nothing": "", "osdp": "5301080005608B33", "modbus": "0206000100039838"}
"""sheet 5.7 (COMPUTED gallery); a write to another address, CRC by the catalogue library (checked below)."""


def frames_of(*parts: str, silence: int = 5) -> list[Frame]:
    decoder = BusDecoder(LINE)
    frames: list[Frame] = []
    t_ns = 0
    for part in parts:
        octets = bytes.fromhex(part)
        end_ns = t_ns + len(octets) * LINE.char_ns
        frames += decoder.feed(Chunk(t_ns, end_ns, octets))
        t_ns = end_ns + silence * LINE.char_ns
    return frames + decoder.close()


EXCHANGES = [
    # sheet 3.3 (READ on pages and manuals)
    ("11 03 00 6B 00 03 76 87", None),
    ("01 03 00 00 00 0A C5 CD", None),
    ("01 03 00 02 00 01 25 CA", None),
    ("01 03 30 0C 00 01 4B 09", "01 03 02 00 01 79 84"),
    (None, "01 10 30 0C 00 01 CE CA"),
    # sheet 3.3 (READ in pymodbus 3.x unit tests)
    ("00 03 00 7C 00 02 04 02", None),
    ("11 03 00 7C 00 02 07 43", "11 03 04 00 8D 00 8E FB BD"),
    ("11 03 00 7C 00 02 07 43", "11 83 02 C1 34"),
    ("FF 03 00 7C 00 02 10 0D", "FF 03 04 00 8D 00 8E F5 B3"),
    (None, "00 03 04 00 8D 00 8E FA BC"),
    (None, "00 83 02 91 31"),
    (None, "FF 83 02 A1 01"),
    # sheet 3.3 (from memory, CRC verified there): the classic server 11
    ("11 01 00 13 00 25 0E 84", "11 01 05 CD 6B B2 0E 1B 45 E6"),
    ("11 02 00 C4 00 16 BA A9", "11 02 03 AC DB 35 20 18"),
    ("11 03 00 6B 00 03 76 87", "11 03 06 AE 41 56 52 43 40 49 AD"),
    ("11 04 00 08 00 01 B2 98", "11 04 02 00 0A F8 F4"),
    ("11 05 00 AC FF 00 4E 8B", "11 05 00 AC FF 00 4E 8B"),
    ("11 06 00 01 00 03 9A 9B", "11 06 00 01 00 03 9A 9B"),
    ("11 0F 00 13 00 0A 02 CD 01 BF 0B", "11 0F 00 13 00 0A 26 99"),
    ("11 10 00 01 00 02 04 00 0A 01 02 C6 F0", "11 10 00 01 00 02 12 98"),
    # sheet 3.3 (the specification's examples, READ in V1.1b3; wrapping COMPUTED)
    ("01 01 00 13 00 13 8C 02", "01 01 03 CD 6B 05 42 82"),
    ("01 02 00 C4 00 16 B8 39", "01 02 03 AC DB 35 22 88"),
    ("01 03 00 6B 00 03 74 17", "01 03 06 02 2B 00 00 00 64 05 7A"),
    ("01 04 00 08 00 01 B0 08", "01 04 02 00 0A 39 37"),
    ("01 05 00 AC FF 00 4C 1B", "01 05 00 AC FF 00 4C 1B"),
    ("01 06 00 01 00 03 98 0B", "01 06 00 01 00 03 98 0B"),
    ("01 07 41 E2", "01 07 6D E3 DD"),
    ("01 08 00 00 A5 37 DA 8D", "01 08 00 00 A5 37 DA 8D"),
    ("01 0B 41 E7", "01 0B FF FF 01 08 A4 79"),
    ("01 0F 00 13 00 0A 02 CD 01 72 CB", "01 0F 00 13 00 0A 24 09"),
    ("01 10 00 01 00 02 04 00 0A 01 02 92 30", "01 10 00 01 00 02 10 08"),
    ("01 16 00 04 00 F2 00 25 67 EE", "01 16 00 04 00 F2 00 25 67 EE"),
    (
        "01 17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF 46 91",
        "01 17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF 1D 79",
    ),
    ("01 18 04 DE 03 47", "01 18 00 06 00 02 01 B8 12 84 19 18"),
    ("01 01 04 A1 00 01 AD 18", "01 81 02 C1 91"),
]


@pytest.mark.parametrize("known", KNOWN)
@pytest.mark.parametrize("silence", [0, 5], ids=["end to end", "apart"])
@pytest.mark.parametrize(("asked", "answered"), EXCHANGES)
def test_published_frames_are_found(asked: str | None, answered: str | None, silence: int, known: str) -> None:
    before = [KNOWN[known]] if KNOWN[known] else []
    parts = [part for part in (asked, answered) if part is not None]
    found = frames_of(*before, *parts, silence=silence)[len(before) :]
    assert [frame.octets for frame in found] == [bytes.fromhex(part) for part in parts]
    assert all(frame.protocol is Protocol.MODBUS_RTU and frame.reason is Reason.OK for frame in found)
    roles = [role for part, role in ((asked, ASKS), (answered, ANSWERS)) if part is not None]
    if asked is None and answered == "01 10 30 0C 00 01 CE CA":
        roles = [ANSWERS]  # eight octets of function 10 are a reply, asked for or not
    assert [frame.role for frame in found] == roles


def test_published_records_of_files() -> None:
    # sheet 3.3, "Other PDU examples READ"; address and CRC put round them here
    for body, role in (
        ("01140E0600040001000206000300090002", ASKS),
        ("01140C05060DFE0020050633CD0040", ANSWERS),
        ("01150D0600040007000306AF04BE100D", ASKS),
        ("01150D0600040007000306AF04BE100D", ANSWERS),
        ("012B0E0100", ASKS),
    ):
        octets = with_crc_modbus(bytes.fromhex(body))
        parts = [octets.hex(), octets.hex()] if role is ANSWERS and body.startswith("0115") else [octets.hex()]
        if body.startswith("01140C"):
            parts = [with_crc_modbus(bytes.fromhex("01140E0600040001000206000300090002")).hex(), octets.hex()]
        frame = frames_of(*parts)[-1]
        assert (frame.octets, frame.ok, frame.role) == (octets, True, role)


@pytest.mark.parametrize(
    "octets",
    [
        "01 10 30 0C 00 01 02 00 01 FA C8",  # sheet 3.3, BAD PRINT: 57 5F would be right
        "00 83 02 91 21",  # sheet 3.3, pymodbus' sample of a bad CRC
    ],
)
@pytest.mark.parametrize("known", ["nothing", "modbus"])
def test_published_wrong_check_values_are_told(octets: str, known: str) -> None:
    before = [KNOWN[known]] if KNOWN[known] else []
    frame = frames_of(*before, octets, silence=60)[-1]
    assert (frame.protocol, frame.reason) == (Protocol.MODBUS_RTU, Reason.CHECK_FAILED)
    assert any("CRC" in problem for problem in explain(frame).problems)


def test_published_check_values() -> None:
    # sheet section 4, CRC catalogue: CRC-16/MODBUS over "123456789"
    assert crc_modbus(b"123456789") == 0x4B37
    # sheet 3.2 and trap 3 (Serial Line Guide V1.02, Fig. 30): register 1241, on the wire 41 12
    assert crc_modbus(bytes.fromhex("0207")) == 0x1241
    assert with_crc_modbus(bytes.fromhex("0207")) == bytes.fromhex("02074112")
    assert with_crc_modbus(bytes.fromhex("0110300C0001020001"))[-2:] == bytes.fromhex("575F")
    assert modbus_ok(bytes.fromhex(KNOWN["modbus"]))


@given(st.binary(max_size=64))
def test_the_crc_is_that_of_another_library(octets: bytes) -> None:
    assert crc_modbus(octets) == CrcModbus.calc(octets)
    assert modbus_ok(with_crc_modbus(octets)) == (len(octets) > 0)


@pytest.mark.parametrize(
    ("octets", "start", "value"),
    [
        ("01 01 03 CD 6B 05 42 82", 3, "bits"),  # sheet 3.3: CD 6B 05 are coils 20 to 38, low bit first
        ("01 03 06 02 2B 00 00 00 64 05 7A", 3, "registers"),  # sheet 3.3: 02 2B is 555, 0064 is 100
    ],
)
def test_published_meanings(octets: str, start: int, value: str) -> None:
    (frame,) = [frame for frame in frames_of(octets) if frame.ok]
    frame = frame._replace(role=Role.REPLY)
    field = next(field for field in explain(frame).fields if field.name == value)
    assert field.start == start
    assert isinstance(field.value, list)
    if value == "bits":
        assert field.value[:8] == [1, 0, 1, 1, 0, 0, 1, 1]
    else:
        assert field.value == [555, 0, 100]
