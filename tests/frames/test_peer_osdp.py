"""An independent OSDP stack (libosdp): its traffic over a pseudo-terminal reads as sent, and it takes our frames."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("osdp", reason="libosdp, the peer, is not installed")

import osdp.channel
import osdp.constants
import osdp.helpers
import osdp.peripheral_device

from benchtool.frames.frame import Frame, Protocol, Reason
from benchtool.frames.meaning import Meaning, Value
from benchtool.frames.osdp import check
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command
from benchtool.frames.osdp.describe import describe
from benchtool.frames.osdp.payloads import encode_payload
from tests import peer_libosdp as peer

pytestmark = pytest.mark.peer
GOLDEN = Path(__file__).parents[2] / "fixtures" / "osdp" / "peer-session.log"

Traffic = list[tuple[str, bytes]]


def split(stream: bytes) -> list[bytes]:
    """Frames of a stream that holds nothing else, cut by their own length; mark octets left off."""
    frames = []
    at = 0
    while at < len(stream):
        at += stream[at] == check.MARK
        assert check.is_header_plausible(stream, at)
        length = stream[at + 2] | stream[at + 3] << 8
        frames.append(stream[at : at + length])
        at += length
    return frames


def says(octets: bytes) -> Meaning:
    assert check.check_ok(octets)
    meaning = describe(Frame(Protocol.OSDP, 0, 0, octets, Reason.OK))
    assert meaning.problems == ()
    return meaning


def golden() -> Traffic:
    lines = [line.split(maxsplit=2) for line in GOLDEN.read_text().splitlines() if not line.startswith("#")]
    return [(arrow, bytes.fromhex(octets)) for _, arrow, octets in lines]


@pytest.fixture(scope="module")
def live() -> Traffic:
    return [(arrow, octets) for _, arrow, octets in peer.record()]


@pytest.fixture(params=["live", "golden"])
def traffic(request: pytest.FixtureRequest) -> Traffic:
    if request.param == "golden":
        return golden()
    found: Traffic = request.getfixturevalue("live")
    return found


def meanings(traffic: Traffic, arrow: str) -> list[Meaning]:
    return [says(frame) for frame in split(b"".join(octets for way, octets in traffic if way == arrow))]


def values_of(traffic: Traffic, arrow: str, name: str) -> list[dict[str, Value]]:
    found = [m.values(show_secrets=True) for m in meanings(traffic, arrow) if m.name == name]
    return [{key: value for key, value in values.items() if key != "sequence"} for values in found]


def test_every_octet_of_the_peer_lies_in_a_sound_frame(traffic: Traffic) -> None:
    for arrow, octets in traffic:
        for frame in split(octets):
            assert says(frame).name is not None
            assert (frame[1] & check.REPLY_BIT != 0) == (arrow == "<")


def test_the_names_are_those_of_the_session(traffic: Traffic) -> None:
    asked = {m.name for m in meanings(traffic, ">")}
    assert asked == {"POLL", "ID", "CAP", "LED", "BUZ", "OUT", "TEXT", "MFG", "COMSET"}
    answered = {m.name for m in meanings(traffic, "<")}
    assert answered == {"ACK", "PDID", "PDCAP", "RAW", "KEYPAD", "LSTATR", "ISTATR", "COM"}


def test_identity_is_as_configured(traffic: Traffic) -> None:
    # PdId(version 1, model 2, vendor C0FFEE, serial 123456, firmware 010203); the vendor goes low octet first
    assert values_of(traffic, "<", "PDID")[0] == {
        "oui": "EEFFC0",
        "model": 2,
        "version": 1,
        "serial": 123456,
        "firmware": {"major": 1, "minor": 2, "build": 3},
    }


def test_capabilities_are_as_configured(traffic: Traffic) -> None:
    records = [v for v in values_of(traffic, "<", "PDCAP")[0].values() if isinstance(v, dict)]
    found = {record["function"]: (record["compliance"], record["number"]) for record in records}
    configured = {1: (1, 2), 2: (1, 2), 4: (4, 2), 5: (1, 1), 6: (1, 1), 8: (1, 0), 13: (0, 2)}
    assert found.items() >= {**configured, 8: found[8]}.items()
    assert found[8][0] == 1


def test_commands_are_as_sent(traffic: Traffic) -> None:
    permanent, temporary = values_of(traffic, ">", "LED")
    assert permanent["reader"] == peer.LED["reader"]
    assert permanent["led"] == peer.LED["led_number"]
    assert permanent["permanent"] == {
        "control": peer.LED["control_code"],
        "on_time": 300,
        "off_time": 400,
        "on_colour": osdp.constants.CommandLEDColor.Green,
        "off_colour": osdp.constants.CommandLEDColor.Red,
    }
    assert (temporary["reader"], temporary["led"]) == (0, 1)
    assert temporary["temporary"] == {
        "control": 2,
        "on_time": 1000,
        "off_time": 500,
        "on_colour": osdp.constants.CommandLEDColor.Amber,
        "off_colour": osdp.constants.CommandLEDColor.Blue,
        "timer": 20_000,
    }
    assert values_of(traffic, ">", "BUZ") == [{"reader": 0, "tone": 2, "on_time": 200, "off_time": 300, "count": 4}]
    assert values_of(traffic, ">", "OUT") == [{"output": 1, "code": 5, "timer": 5000}]
    assert values_of(traffic, ">", "TEXT") == [
        {"reader": 0, "command": 3, "time": 20, "row": 1, "column": 2, "length": 11, "text": "PLEASE WAIT"}
    ]
    assert values_of(traffic, ">", "MFG") == [{"oui": "010203", "data": "090A0B"}]
    assert values_of(traffic, ">", "COMSET") == [{"address": 6, "baud": 19200}]
    assert values_of(traffic, "<", "COM") == [{"address": 6, "baud": 19200}]


def test_events_are_as_reported(traffic: Traffic) -> None:
    # sheet 6.2: site 101, number 4095
    card = {"reader": 0, "format": 1, "bit_count": 26, "bits": "00110010100001111111111111"}
    assert values_of(traffic, "<", "RAW") == [card]
    assert values_of(traffic, "<", "KEYPAD") == [{"reader": 1, "digit_count": 3, "digits": "12\r"}]
    assert values_of(traffic, "<", "LSTATR") == [{"tamper": 1, "power": 0}]
    assert values_of(traffic, "<", "ISTATR") == [{"input_0": 0, "input_1": 1}]


class _Pipe(osdp.channel.Channel):  # type: ignore[misc]
    """The device's end of a line inside the test."""

    def __init__(self) -> None:
        super().__init__()
        self.to_device = b""
        self.from_device = b""

    def read(self, max_bytes: int) -> bytes:
        head, self.to_device = self.to_device[:max_bytes], self.to_device[max_bytes:]
        return head

    def write(self, buf: bytes) -> int:
        self.from_device += bytes(buf)
        return len(buf)

    def flush(self) -> None:
        pass


SENT: list[tuple[int, dict[str, Value], str, dict[str, Any]]] = [
    (Command.ID, {"reply_type": 0}, "PDID", {}),
    (Command.CAP, {"reply_type": 0}, "PDCAP", {}),
    (Command.POLL, {}, "ACK", {}),
    (
        Command.BUZ,
        {"reader": 0, "tone": "default", "on_time": 200, "off_time": 300, "count": 4},
        "ACK",
        {"reader": 0, "control_code": 2, "on_count": 2, "off_count": 3, "rep_count": 4},
    ),
    (
        Command.OUT,
        {"output": 1, "code": "temporary on", "timer": 30_000},
        "ACK",
        {"output_no": 1, "control_code": 5, "timer_count": 300},
    ),
    (
        Command.LED,
        {
            "reader": 0,
            "led": 1,
            "temporary": {
                "control": "set",
                "on_time": 1000,
                "off_time": 500,
                "on_colour": "amber",
                "off_colour": "blue",
                "timer": 20_000,
            },
            "permanent": dict.fromkeys(("control", "on_time", "off_time", "on_colour", "off_colour"), 0),
        },
        "ACK",
        {k: v for k, v in peer.BLINK.items() if k != "temporary"},
    ),
    (
        Command.TEXT,
        {"reader": 0, "command": 3, "time": 20, "row": 1, "column": 2, "text": "PLEASE WAIT"},
        "ACK",
        {"reader": 0, "control_code": 3, "temp_time": 20, "offset_row": 1, "offset_col": 2, "data": "PLEASE WAIT"},
    ),
    (0x99, {}, "NAK", {}),
]


@pytest.mark.parametrize("crc", [True, False], ids=["crc", "checksum"])
def test_the_peer_takes_our_frames(crc: bool) -> None:
    pipe = _Pipe()
    cap = osdp.constants.Capability
    capabilities = osdp.helpers.PDCapabilities(
        [(cap.OutputControl, 1, 2), (cap.LEDControl, 4, 2), (cap.AudibleControl, 1, 1), (cap.TextOutput, 1, 1)]
    )
    got: list[dict[str, Any]] = []

    def take(command: dict[str, Any]) -> tuple[int, None]:
        got.append(command)
        return 0, None

    device = osdp.peripheral_device.PeripheralDevice(
        osdp.helpers.PDInfo(7, pipe), capabilities, log_level=osdp.constants.LogLevel.Emergency
    ).ctx
    device.set_command_callback(take)
    for number, (code, values, reply, expected) in enumerate(SENT):
        sequence = (number - 1) % 3 + 1 if number else 0
        pipe.to_device = build_frame(7, code, encode_payload(code, False, values), sequence=sequence, crc=crc)
        pipe.from_device = b""
        for _ in range(peer.SPINS):
            device.refresh()
            if pipe.from_device:
                break
        (frame,) = split(pipe.from_device)
        meaning = says(frame)
        assert meaning.name == reply
        assert meaning.values()["sequence"] == sequence
        if reply == "NAK":
            assert "unknown command" in meaning.text()
        if expected:
            assert got[-1].items() >= expected.items()
