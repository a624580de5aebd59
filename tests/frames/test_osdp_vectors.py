"""Every OSDP frame and payload of the sheet is read, says what the sheet says, and is rebuilt octet for octet."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtool.frames.frame import Frame, Protocol, Reason
from benchtool.frames.meaning import HIDDEN, Field, Meaning, Value
from benchtool.frames.osdp import check
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.describe import describe
from benchtool.frames.osdp.header import parse
from benchtool.frames.osdp.payloads import decode_payload, encode_payload
from benchtool.frames.osdp.security import ENCRYPTED_TYPES

SHEET = Path(__file__).parents[2] / "fixtures" / "osdp" / "sheet-frames.txt"
NO_MAC = "53E50900090216405E"
"""Sheet 5.7: SCS_16 without a MAC, must be refused."""
PADDED = ("53FF0F000250FF011A00CD22C71667", "53FF10000550FF011A00CD22C71600C9")
"""Sheet 5.7, osdp-python, from a real reader: the pad bits are not zero (trap 7)."""


def sheet_frames() -> list[tuple[str, bytes]]:
    lines = [line.partition("#")[0].split() for line in SHEET.read_text().splitlines()]
    return [(words[0], bytes.fromhex(words[1])) for words in lines if words]


def says(octets: bytes | str) -> Meaning:
    raw = bytes.fromhex(octets) if isinstance(octets, str) else octets
    reason = Reason.OK if check.check_ok(raw) else Reason.CHECK_FAILED
    return describe(Frame(Protocol.OSDP, 0, 0, raw, reason))


def test_the_sheet_is_all_there() -> None:
    assert len(sheet_frames()) == 114


@pytest.mark.parametrize(("name", "octets"), sheet_frames())
def test_sheet_frame_is_read_and_rebuilt(name: str, octets: bytes) -> None:
    assert check.check_ok(octets)
    header = parse(octets)
    assert header is not None
    assert header.code is not None
    meaning = says(octets)
    assert meaning.name == name
    if octets.hex().upper() == NO_MAC:
        assert meaning.problems == ("the MAC is missing",)
        return
    data = octets[header.data_start : header.data_end]
    encrypted = header.security_block is not None and header.security_block[1] in ENCRYPTED_TYPES
    if not encrypted:
        fields, _ = decode_payload(header.code, header.reply, data, header.data_start)
        assert b"".join(octets[f.start : f.start + f.length] for f in fields) == data
        again = encode_payload(header.code, header.reply, {f.name: f.value for f in fields})
        if octets.hex().upper() in PADDED:
            assert (data[:-1], data[-1] & 0xC0) == (again[:-1], again[-1])
        else:
            assert data == again
    rebuilt = build_frame(
        header.address,
        header.code,
        data,
        sequence=header.sequence,
        crc=header.uses_crc,
        reply=header.reply,
        security_block=header.security_block,
        mac=octets[header.data_end : header.mac_end],
    )
    assert octets == rebuilt


ODD = {
    "53001A000675011000010203040506070001020304050607CFA3": "in the clear",
    "530019000275011000010203040506070001020304050607D4": "in the clear",
    "537F1100016B00010000000474657374EC": "row 0 is below 1",  # sheet 5.5: counts from 1
    "537F0C00026A0003020103AD": "tone 3 is not defined",  # sheet 5.5 has 0 to 2
    NO_MAC: "MAC is missing",
}


@pytest.mark.parametrize(("name", "octets"), sheet_frames())
def test_sheet_frames_are_not_called_odd_without_cause(name: str, octets: bytes) -> None:
    expected = ODD.get(octets.hex().upper())
    problems = says(octets).problems
    if expected is None:
        assert problems == ()
    else:
        assert any(expected in problem for problem in problems), name


@pytest.mark.parametrize(
    ("code", "reply", "octets", "expected"),
    [
        # sheet 5.5, payload test vectors (read in the stacks' unit tests)
        (
            Command.LED,
            False,
            "0203020102060004000102060403",
            {
                "reader": 2,
                "led": 3,
                "temporary": {
                    "control": 2,
                    "on_time": 100,
                    "off_time": 200,
                    "on_colour": 6,
                    "off_colour": 0,
                    "timer": 400,
                },
                "permanent": {"control": 1, "on_time": 200, "off_time": 600, "on_colour": 4, "off_colour": 3},
            },
        ),
        (
            Command.BUZ,
            False,
            "0002050201",
            {"reader": 0, "tone": 2, "on_time": 500, "off_time": 200, "count": 1},
        ),
        (Command.OUT, False, "05041027", {"output": 5, "code": 4, "timer": 1_000_000}),
        (Command.OUT, False, "0301C409", {"output": 3, "code": 1, "timer": 250_000}),
        (Reply.COM, True, "1980250000", {"address": 0x19, "baud": 9600}),
        (
            Command.TEXT,
            False,
            "000200010118" + 24 * "2A",
            {"reader": 0, "command": 2, "time": 0, "row": 1, "column": 1, "length": 24, "text": 24 * "*"},
        ),
        (Reply.RAW, True, "0500100012AB", {"reader": 5, "format": 0, "bit_count": 16, "bits": "0001001010101011"}),
        (
            Reply.FMT,
            True,
            "050009" + b"testinput".hex(),
            {"reader": 5, "direction": 0, "length": 9, "characters": "testinput"},
        ),
        (
            Reply.PDID,
            True,
            "A4D9A403FF33000170030002",
            {
                "oui": "A4D9A4",
                "model": 3,
                "version": 255,
                "serial": 1879113779,
                "firmware": {"major": 3, "minor": 0, "build": 2},
            },
        ),
        # sheet 5.7, OSDP.Net: two records in one OUT
        (
            Command.OUT,
            False,
            "0003640001067800",
            {"output": 0, "code": 3, "timer": 10_000, "output_2": 1, "code_2": 6, "timer_2": 12_000},
        ),
        # sheet 5.7, osdp-python: 2019-11-12 09:02:00
        (
            Command.TDSET,
            False,
            "E3070B0C090200",
            {"year": 2019, "month": 11, "day": 12, "hour": 9, "minute": 2, "second": 0},
        ),
        # sheet 5.5, FTSTAT layout; octets worked out by hand
        (
            Reply.FTSTAT,
            True,
            "05E803FDFF8000",
            {"control": 5, "delay": 1000, "status": -3, "max_fragment": 128},
        ),
        # sheet 5.7, computed gallery
        (Reply.KEYPAD, True, "000331320D", {"reader": 0, "digit_count": 3, "digits": "12\r"}),
    ],
)
def test_payload_vectors(code: int, reply: bool, octets: str, expected: dict[str, Value]) -> None:
    raw = bytes.fromhex(octets)
    fields, problems = decode_payload(code, reply, raw, 0)
    assert {f.name: f.value for f in fields} == expected
    assert problems == ()
    assert encode_payload(code, reply, expected) == raw


def test_capabilities_of_a_keypad_reader() -> None:
    # sheet 5.5, PDCAP vector: receive buffer 450, CRC yes, AES yes, IEC version
    octets = bytes.fromhex("03010104040105020106000007000008010009010 10AC2010E00000F0000100100".replace(" ", ""))
    fields, problems = decode_payload(Reply.PDCAP, True, octets, 6)
    assert problems == ()
    assert [f.name for f in fields] == ["capability", *(f"capability_{n}" for n in range(2, 12))]
    assert [f.start for f in fields] == list(range(6, 39, 3))
    assert [f.text for f in fields] == [
        "card data format bits",
        "LED control timed, tri-colour",
        "audible output timed",
        "text output none",
        "time keeping (obsolete) none",
        "check characters CRC",
        "communication security AES-128, default key usable",
        "receive buffer 450 octets",
        "biometrics none",
        "secure PIN entry none",
        "OSDP version IEC 60839-11-5",
    ]
    assert fields[7].value == {"function": 10, "compliance": 0xC2, "number": 1}
    assert encode_payload(Reply.PDCAP, True, {f.name: f.value for f in fields}) == octets


@pytest.mark.parametrize("octets", PADDED)
def test_pad_bits_of_a_card_read_are_left_out(octets: str) -> None:
    values = says(octets).values(show_secrets=True)
    assert values["bits"] == "11001101001000101100011100"  # sheet 5.7, osdp-python


@pytest.mark.parametrize(
    ("octets", "bits"),
    [
        # sheet 5.7, computed gallery, from sheet 6.2, 6.3 and 6.4
        ("53811000055000011A003287FFC03A82", f"{0x0CA1FFF:026b}"),
        ("53811100055000012200C4EA0DC0C070C2", f"{0x313A83703:034b}"),
        ("53811100055000012500091A4A90B0AEBE", f"{0x123495216:037b}"),
    ],
)
def test_card_reads_give_the_bits_of_the_card_formats(octets: str, bits: str) -> None:
    assert says(octets).values(show_secrets=True)["bits"] == bits


@pytest.mark.parametrize(
    ("octets", "text"),
    [
        # sheet 5.7; the words are ours
        ("5301080005608B33", "poll: sequence 1"),
        ("530008000460EBAA", "poll: sequence 0 (start)"),
        ("53810800047972A1", "busy, ask again: sequence 0"),
        ("53810900054103F5F6", "refused: sequence 1, reason unknown command"),
        ("53010C00056800053200D9F9", "set outputs: sequence 1, output 0, code temporary on, timer 5000 ms"),
        (
            "5301160005690000000000000000000101000202CCB7",
            "set lights: sequence 1, reader 0, led 0, temporary no change, permanent on 100 ms green, off 0 ms green",
        ),
        (
            "53010D00056A0002020202FD15",
            "sound the buzzer: sequence 1, reader 0, tone default, on time 200 ms, off time 200 ms, count 2",
        ),
        ("53010D00056E0500C20100858E", "set address and bit rate: sequence 1, address 5, baud 115200 bit/s"),
        ("5301 0A00 05A7 F401 2697", "keep the smart card active: sequence 1, time 500 ms"),
        ("53810A0005480100CA4C", "tamper and power: sequence 1, tamper, power normal"),
        ("53810A0005490001EA58", "inputs: sequence 1, input 0 inactive, input 1 active"),
        ("53810A00054A0100AA22", "outputs: sequence 1, output 0 active, output 1 inactive"),
        ("53810900054B005D29", "reader tamper: sequence 1, reader 0 normal"),
        ("53810D000553000331320D9C88", f"keys pressed: sequence 1, reader 0, digit count 3, digits {HIDDEN}"),
        (
            "53811000055000011A003287FFC03A82",
            f"card read: sequence 1, reader 0, format parity-framed, bit count 26, bits {HIDDEN}",
        ),
        (
            "53E514000445A1A2A3B1C1D1D2D3D4E1E2E3F8D9",
            "identity: sequence 0 (start), oui A1A2A3, model 177, version 193, serial 3570651857, firmware 225.226.227",
        ),
        # sheet 5.9, computed session
        (
            "530013000D03110076B0B1B2B3B4B5B6B73177",
            "start secure channel: challenge: sequence 1, security block SCS_11 (challenge), default key, "
            "rnd a B0B1B2B3B4B5B6B7",
        ),
        (
            "53801B000E03140178B2A30057EB98BA2229EC1F875662B5246EEB",
            "secure channel: first MAC: sequence 2, security block SCS_14 (first MAC), cryptogram accepted, "
            "r mac B2A30057EB98BA2229EC1F875662B524",
        ),
        ("53000E000F02156069BDC654E136", "poll: sequence 3, security block SCS_15 (MAC only), mac 69BDC654"),
        (
            "53801E000E02185046DB53FDAF755E7D7562D88E738373366A3D59AFB4CE",
            "card read: sequence 2, security block SCS_18 (encrypted, MAC), data 16 octets encrypted, mac 6A3D59AF",
        ),
    ],
)
def test_one_line_texts(octets: str, text: str) -> None:
    assert says(octets).text() == text


def test_like_records_are_parted_and_not_numbered_as_if_by_the_device() -> None:
    meaning = Meaning(
        None,
        "set outputs",
        (
            Field("output", 0, "0", 6, 1),
            Field("code", 5, "temporary on", 7, 1),
            Field("output_2", 1, "1", 10, 1),
            Field("code_2", 2, "permanent on", 11, 1),
            Field("input_0", 1, "active", 12, 1),  # counted so by the device: no record of an `input` before
            Field("power", 1, "power failure", 13, 1),
        ),
    )
    assert meaning.text() == (
        "set outputs: output 0, code temporary on; output 1, code permanent on; input 0 active, power failure"
    )


def test_a_semicolon_in_a_text_stays() -> None:
    assert Meaning(None, "text", (Field("shown", "a;, b", "a;, b", 6, 5),)).text() == "text: shown a;, b"
    assert Meaning(None, "text", (), ("cut off",)).text() == "text: (cut off)"
    assert Meaning(None, "text", ()).text() == "text"


def test_keys_are_shown_as_printed_on_the_pad() -> None:
    shown = says("53810D000553000331320D9C88").text(show_secrets=True)
    assert shown.endswith("digits 12#")  # sheet 5.7, KEYPAD 12#
    fields, _ = decode_payload(Reply.KEYPAD, True, b"\x00\x02\x7f\x01", 0)
    assert fields[-1].text == r"*\x01"  # sheet 5.5: 7F is *


@pytest.mark.parametrize("octets", [o for n, o in sheet_frames() if n == "KEYSET" and len(o) < 30])
def test_a_key_is_secret(octets: bytes) -> None:
    meaning = says(octets)
    assert "0001020304" not in meaning.text()
    assert meaning.values()["key"] is None
    assert meaning.values(show_secrets=True)["key"] == "00010203040506070001020304050607"
