"""What is odd in a Modbus frame is said with its limit, a damaged one as far as it goes; misuse is refused."""

from __future__ import annotations

from typing import Any

import pytest

from benchtool.frames.crc import with_crc_modbus
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.meaning import Meaning
from benchtool.frames.modbus.build import build_exception, build_frame, build_reply, build_request, encode
from benchtool.frames.modbus.describe import describe
from benchtool.frames.modbus.functions import DIAGNOSTICS

ASKS, ANSWERS = Role.REQUEST, Role.REPLY


def says(body: str, role: Role = ASKS, reason: Reason = Reason.OK) -> Meaning:
    """What address, function and data mean; the CRC is put behind them unless the frame is cut off."""
    octets = bytes.fromhex(body)
    if reason is not Reason.TRUNCATED:
        octets = with_crc_modbus(octets)
    return describe(Frame(Protocol.MODBUS_RTU, 0, 0, octets, reason, role))


@pytest.mark.parametrize(
    ("body", "role", "problem"),
    [
        # sheet 3.4: quantity limits
        ("01 01 0000 07D1", ASKS, "quantity 2001 is outside 1 to 2000"),
        ("01 02 0000 0000", ASKS, "quantity 0 is outside 1 to 2000"),
        ("01 03 0000 007E", ASKS, "quantity 126 is outside 1 to 125"),
        ("01 04 0000 0000", ASKS, "quantity 0 is outside 1 to 125"),
        ("01 0F 0000 07B1", ANSWERS, "quantity 1969 is outside 1 to 1968"),
        ("01 10 0000 007C", ANSWERS, "quantity 124 is outside 1 to 123"),
        ("01 17 0000 007E 0000 0001 02 0001", ASKS, "read quantity 126 is outside 1 to 125"),
        ("01 17 0000 0001 0000 0000 00", ASKS, "write quantity 0 is outside 1 to 121"),
        # the values do not fit the counts
        ("01 10 0001 0002 02 000A", ASKS, "2 octets of registers: quantity 2 takes 4"),
        ("01 0F 0013 000A 01 CD", ASKS, "1 octets of bits: quantity 10 takes 2"),
        ("01 0F 0013 000A 02 CD05", ASKS, "the padding after the last bit is not 0"),
        ("01 17 0003 0006 000E 0003 04 00FF00FF", ASKS, "4 octets of registers: write quantity 3 takes 6"),
        ("01 03 05 0001000200", ANSWERS, "registers: half a register"),
        ("01 03 06 00010002", ANSWERS, "byte count says 6, found 4"),
        ("01 03 02 00010002", ANSWERS, "2 octets more than the function has"),
        ("01 03 00", ANSWERS, "no registers"),
        ("01 01 00", ANSWERS, "no bits"),
        ("01 18 0004 0002 01B8", ANSWERS, "2 octets of registers: fifo count 2 takes 4"),
        ("01 18 0042 0020" + "0001" * 32, ANSWERS, "fifo count 32 is outside 0 to 31"),
        ("01 14 07 05 0004 0001 0002", ASKS, "reference type 5 is not defined"),
        ("01 14 07 06 0000 0001 0002", ASKS, "file 0 is outside 1 to 65535"),
        ("01 14 07 06 0004 2710 0002", ASKS, "record 10000 is outside 0 to 9999"),
        ("01 14 08 06 0004 0001 0002 06", ASKS, "ends before file"),
        ("01 15 09 06 0004 0001 0002 0001", ASKS, "2 octets of registers: length 2 takes 4"),
        ("01 14 04 05 06 0001", ANSWERS, "length says 5, found 3"),
        ("01 2B 0E 01 01 00 00 02 00 01 41", ANSWERS, "object count says 2, found 1"),
        ("01 2B 0E 05 00", ASKS, "read code 5 is not defined"),
        ("01 2B 0C 05 00", ASKS, "mei type 12 is not defined"),
        # values that are not allowed
        ("01 05 00AC 0001", ASKS, "value 0x0001 is not defined"),
        ("01 08 0099 0000", ASKS, "sub function 153 is not defined"),
        ("01 0B 0001 0000", ANSWERS, "status 0x0001 is not defined"),
        ("01 83 09", ANSWERS, "exception 0x09 is not defined"),
        ("01 83", ANSWERS, "ends before exception"),
        ("01 83 02 03", ANSWERS, "1 octets more than the function has"),
        # addresses (sheet 3.1: 248 to 255 reserved, nobody answers a broadcast)
        ("F8 03 0000 0001", ASKS, "address 248 is reserved"),
        ("FF 83 02", ANSWERS, "address 255 is reserved"),
        ("00 83 02", ANSWERS, "a reply from the broadcast address 0"),
        ("01 03 FFFF 0002", ASKS, "2 from 65535 run past the last address 65535"),
        ("01 17 0000 0001 FFFF 0002 04 00010002", ASKS, "2 from 65535 run past the last address 65535"),
    ],
)
def test_what_is_odd_is_said(body: str, role: Role, problem: str) -> None:
    assert (problem,) == says(body, role).problems


@pytest.mark.parametrize(
    ("body", "role"),
    [
        # sheet 3.4: the limits themselves are allowed
        ("01 01 0000 07D0", ASKS),
        ("01 03 0000 007D", ASKS),
        ("01 03 FF83 007D", ASKS),
        ("01 0F 0000 07B0", ANSWERS),
        ("01 10 0000 007B", ANSWERS),
        ("F7 03 0000 0001", ASKS),
        ("00 06 0001 0003", ASKS),
        ("01 18 0002 0000", ANSWERS),
        ("01 2B 0E 01 01 00 00 00", ANSWERS),
        ("01 0C 06 0000 0000 0000", ANSWERS),
        ("01 0F 0000 07B0 F6" + "FF" * 246, ASKS),
        ("01 10 0000 007B F6" + "0001" * 123, ASKS),
        ("01 17 0000 007D 0000 0079 F2" + "0001" * 121, ASKS),
        ("01 03 FA" + "FFFF" * 125, ANSWERS),
        ("01 01 FA" + "FF" * 250, ANSWERS),
    ],
)
def test_the_limits_are_not_odd(body: str, role: Role) -> None:
    assert says(body, role).problems == ()


def test_a_request_without_records_is_told() -> None:
    assert says("01 14 00").problems == ("byte count 0 is outside 7 to 245", "no record")


def test_more_than_a_frame_may_have_is_said() -> None:
    # sheet 3.1: at most 256 octets; sheet 3.4: 2000 bits
    problems = says("01 01 FC" + "FF" * 252, ANSWERS).problems
    assert problems == ("257 octets, a frame has at most 256", "252 octets of bits: at most 2000 bits are allowed")
    assert (
        "254 octets of registers: at most 125 registers are allowed" in says("01 03 FE" + "00" * 254, ANSWERS).problems
    )
    assert says("01 0C 47" + "00" * 71, ANSWERS).problems == ("65 octets of events: at most 64 octets are allowed",)


def test_many_values_are_shown_in_part_and_kept_whole() -> None:
    meaning = says("01 03 FA" + "0007" * 125, ANSWERS)
    assert meaning.text() == f"read holding registers, reply: byte count 250, registers {'7 ' * 16}… 125 in all"
    assert meaning.values()["registers"] == [7] * 125
    bits = says("01 0F 0000 0049 0A" + "FF" * 9 + "01", ASKS)
    assert bits.text().endswith(f"bits {'11111111 ' * 8}… 73 in all")
    assert bits.values()["bits"] == [1] * 73
    assert says("01 11 28" + "AB" * 40, ANSWERS).text().endswith(f"server id {'AB ' * 32}… 40 in all")


@pytest.mark.parametrize(
    ("body", "role", "text"),
    [
        ("01 11", ASKS, "read server identity"),
        ("01 08 000B 0000", ASKS, "diagnostics: sub function 11 (bus message count), data 00 00"),
        (
            "01 08 000B 0102",
            ANSWERS,
            "diagnostics, reply: sub function 11 (bus message count), data 01 02, count 258",
        ),
        ("01 08 0000 0102", ANSWERS, "diagnostics, reply: sub function 0 (return query data), data 01 02"),
        ("01 08 0004 0000", ASKS, "diagnostics: sub function 4 (force listen only mode), data 00 00"),
        (
            "01 2B 0E 01 83 FF 02 01 00 03 41 0A 42",
            ANSWERS,
            "read device identification, reply: mei type 14 (device identification), read code 1 (basic), conformity "
            "extended, single objects, more follows yes, next object 2, object count 1, "
            "object [object 0 (vendor name) length 3 text A.B]",
        ),
        ("01 2B 0D 01 02", ASKS, "encapsulated interface: mei type 13 (CANopen), data 01 02"),
        ("01 AB 01", ANSWERS, "encapsulated interface refused: exception 01 illegal function"),
        ("01 90 05", ANSWERS, "write registers takes time: exception 05 acknowledge"),
        ("01 C1 01", ANSWERS, "function 0x41 refused: exception 01 illegal function"),
        ("01 41 0102", ASKS, "user-defined function 0x41: data 01 02"),
        ("01 50 01", ASKS, "unknown function 0x50: data 01"),
        ("01 41", ASKS, "user-defined function 0x41"),
    ],
)
def test_frames_read_as_one_line(body: str, role: Role, text: str) -> None:
    assert text == says(body, role).text()


@pytest.mark.parametrize(
    ("body", "text"),
    [
        ("", "Modbus frame cut off after nothing"),
        ("01", "Modbus frame cut off after its address"),
        ("01 03", "read holding registers: (cut off after 2 octets)"),
        ("01 03 006B 00", "read holding registers: start 107, incomplete 00, (cut off after 5 octets)"),
        (
            "01 10 0001 0002 04 000A",
            "write registers: start 1, quantity 2, byte count 4, registers 10, (cut off after 9 octets)",
        ),
    ],
)
def test_a_frame_cut_off_is_read_as_far_as_it_goes(body: str, text: str) -> None:
    assert text == says(body, ASKS, Reason.TRUNCATED).text()


def test_a_damaged_frame_of_unknown_side_shows_its_data() -> None:
    frame = Frame(Protocol.MODBUS_RTU, 0, 0, bytes.fromhex("0103006B00037418"), Reason.CHECK_FAILED, Role.UNKNOWN)
    assert describe(frame).text() == ("read holding registers: data 00 6B 00 03, (CRC is 74 18, the octets give 74 17)")
    # Where request and reply are alike, the side does not matter.
    both = Frame(Protocol.MODBUS_RTU, 0, 0, bytes.fromhex("010600010003980C"), Reason.CHECK_FAILED, Role.UNKNOWN)
    assert both.ok is False
    assert describe(both).values() == {"address": 1, "value": 3}


def test_counters_are_those_of_the_serial_line_guide() -> None:
    # sheet 3.1: CPT1 to CPT8 are the sub-functions 0B to 12
    words = ["bus message", "bus communication error", "bus exception error", "server message", "server no response"]
    words += ["server NAK", "server busy", "bus character overrun"]
    assert [f"{word} count" for word in words] == [DIAGNOSTICS[code] for code in range(0x0B, 0x13)]


@pytest.mark.parametrize(
    ("function", "role", "values", "octets"),
    [
        (0x05, ASKS, {"address": 172, "value": "on"}, "00ACFF00"),
        (0x0F, ASKS, {"start": 19, "bits": [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]}, "0013000A02CD01"),
        (0x10, ASKS, {"start": 1, "registers": (10, 258)}, "0001000204000A0102"),
        (0x18, ANSWERS, {"registers": [440, 4740]}, "0006000201B81284"),
        (0x18, ANSWERS, {"fifo_count": 0}, "00020000"),
        (0x08, ASKS, {"sub_function": "return query data", "data": b"\xa5\x37"}, "0000A537"),
        (0x14, ASKS, {"records": [{"reference_type": 6, "file": 4, "record": 1, "length": 2}]}, "0706000400010002"),
        (
            0x15,
            ASKS,
            {"record": {"reference_type": "file record", "file": 4, "record": 7, "registers": [0x6AF]}},
            "090600040007000106AF",
        ),
        (
            0x2B,
            ANSWERS,
            {
                "mei_type": 14,
                "read_code": "basic",
                "conformity": "basic",
                "more_follows": "no",
                "next_object": 0,
                "objects": [{"object": "vendor name", "text": "AB"}, {"object": 1, "text": b"C"}],
            },
            "0E01010000020002414201 0143",
        ),
        (0x2B, ASKS, {"mei_type": 13, "data": "0102"}, "0D0102"),
        (0x11, ASKS, {}, ""),
    ],
)
def test_counts_may_be_left_out_and_words_given(function: int, role: Role, values: dict[str, Any], octets: str) -> None:
    assert bytes.fromhex(octets) == encode(function, role, values)


@pytest.mark.parametrize(
    ("function", "role", "values", "problem"),
    [
        (0x03, ASKS, {"start": 0, "quantity": 126}, "quantity 126 is outside 1 to 125"),
        (0x03, ASKS, {"start": 65536, "quantity": 1}, "start 65536 is outside 0 to 65535"),
        (0x03, ASKS, {"start": -1, "quantity": 1}, "start -1 is outside 0 to 65535"),
        (0x03, ASKS, {"start": 0}, "quantity is missing"),
        (0x03, ASKS, {"start": "first", "quantity": 1}, "start 'first' is not a number from 0 to 65535"),
        (0x03, ASKS, {"start": 0, "quantity": 1, "speed": 3}, "Read Holding Registers request has no speed"),
        (0x03, ANSWERS, {"registers": [65536]}, "registers is a list of integers from 0 to 65535"),
        (0x03, ANSWERS, {"registers": "1 2"}, "registers is a list of integers from 0 to 65535"),
        (0x03, ANSWERS, {"registers": []}, "registers is empty"),
        (0x03, ANSWERS, {}, "registers is missing"),
        (0x03, ANSWERS, {"registers": [0] * 126}, "252 octets of registers: at most 125 registers are allowed"),
        (0x03, ANSWERS, {"byte_count": 4, "registers": [1]}, "byte_count 4 is at odds with 2 octets"),
        (0x01, ANSWERS, {"bits": [0, 2]}, "bits is a list of integers from 0 to 1"),
        (0x05, ASKS, {"address": 1, "value": 1}, "value 0x0001 is not defined"),
        (0x05, ASKS, {"address": 1, "value": "open"}, "value 'open' is not a number from 0 to 65535"),
        (0x10, ASKS, {"start": 0, "quantity": 2, "registers": [1]}, "quantity 2 is at odds with 1 registers"),
        (0x10, ASKS, {"start": 0, "registers": [1] * 124}, "quantity 124 is outside 1 to 123"),
        (0x0F, ASKS, {"start": 0, "bits": [1] * 1969}, "quantity 1969 is outside 1 to 1968"),
        (0x08, ASKS, {"sub_function": 0x99, "data": ""}, "sub function 153 is not defined"),
        (0x08, ASKS, {"sub_function": 0, "data": "xy"}, "data is hex octets, not 'xy'"),
        (0x08, ASKS, {"sub_function": 0, "data": 7}, "data is octets or text, not 7"),
        (0x14, ASKS, {}, "record is missing"),
        (0x14, ASKS, {"record": 5}, "record is not a mapping of its parts"),
        (
            0x14,
            ASKS,
            {"record": {"reference_type": 6, "file": 4, "record": 1, "length": 2, "name": 1}},
            "record has no name",
        ),
        (
            0x14,
            ASKS,
            {"records": [{"reference_type": 6, "file": 4, "record": 1, "length": 2}] * 36},
            "byte count 252 is outside 7 to 245",
        ),
        (
            0x2B,
            ANSWERS,
            {
                "mei_type": 14,
                "read_code": 1,
                "conformity": 1,
                "more_follows": 0,
                "next_object": 0,
                "object_count": 2,
                "object": {"object": 0, "text": "€"},
            },
            "object_count 2 is at odds with 1 times object",
        ),
        (
            0x2B,
            ANSWERS,
            {
                "mei_type": 14,
                "read_code": 1,
                "conformity": 1,
                "more_follows": 0,
                "next_object": 0,
                "object": {"object": 0, "text": "€"},
            },
            "text is Latin 1 text, not '€'",
        ),
        (0x11, ANSWERS, {"server_id": bytes(256)}, "256 octets are too many for byte_count"),
        (0x18, ANSWERS, {"registers": [0] * 32}, "fifo_count 32 is outside 0 to 31"),
        (0x41, ASKS, {}, "function 65 is not public, and has no layout: give its octets in 'data'"),
        (0x03, Role.UNKNOWN, {}, "built as a request or as a reply"),
    ],
)
def test_misuse_is_refused_with_the_range(function: int, role: Role, values: dict[str, Any], problem: str) -> None:
    with pytest.raises(ValueError, match=problem):
        encode(function, role, values)


def test_frames_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="address is one octet, 0 to 255, not 256"):
        build_request(256, 3, start=0, quantity=1)
    with pytest.raises(ValueError, match="function is one octet, 0 to 255, not 256"):
        build_frame(1, 256)
    with pytest.raises(ValueError, match="at most 252 octets of data, not 253"):
        build_frame(1, 3, bytes(253))
    with pytest.raises(ValueError, match="at most 252 octets of data, not 253"):
        build_reply(1, 0x11, server_id=bytes(252))
    with pytest.raises(ValueError, match="exception code 9 is not defined"):
        build_exception(1, 3, 9)
    with pytest.raises(ValueError, match="1 to 127, not 131"):
        build_exception(1, 0x83, 2)
