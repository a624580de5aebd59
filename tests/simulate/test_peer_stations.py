"""libosdp, an independent open OSDP stack, against our simulated controller and our simulated device, in lock-step.

The peer keeps real time, our stations virtual time: our octets are handed over whole, and the peer is turned over until
it answers. A stall of the host may make the peer repeat itself; that is no failure.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

pytest.importorskip("osdp", reason="libosdp, the peer, is not installed")

import osdp.channel
import osdp.constants
import osdp.control_panel
import osdp.helpers
import osdp.peripheral_device

from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Event, Peripheral
from tests import peer_libosdp as peer
from tests.simulate.lockstep import MS, SETTINGS, S, heard, octets

pytestmark = pytest.mark.peer
CAP = osdp.constants.Capability
LOG = osdp.constants.LogLevel.Emergency
CARD = octets("00 01 1A 00 32 87 FF C0")
"""Sheet 6.2: site 101, number 4095."""


class Wire(osdp.channel.Channel):  # type: ignore[misc]
    """The peer's end of a line inside the test."""

    def __init__(self) -> None:
        super().__init__()
        self.to_peer = b""
        self.from_peer = b""

    def read(self, max_bytes: int) -> bytes:
        head, self.to_peer = self.to_peer[:max_bytes], self.to_peer[max_bytes:]
        return head

    def write(self, buf: bytes) -> int:
        self.from_peer += bytes(buf)
        return len(buf)

    def flush(self) -> None:
        pass

    def take(self) -> bytes:
        """What the peer has said, less the mark octets before it."""
        said, self.from_peer = self.from_peer, b""
        return said.lstrip(b"\xff")


class PeerDevice:
    """libosdp as the device."""

    def __init__(self, address: int) -> None:
        self.wire = Wire()
        self.commands: list[dict[str, Any]] = []
        capabilities = osdp.helpers.PDCapabilities(
            [(CAP.OutputControl, 1, 2), (CAP.LEDControl, 4, 2), (CAP.AudibleControl, 1, 1), (CAP.Readers, 0, 1)]
        )
        identity = osdp.helpers.PdId(1, 2, 0xC0FFEE, 123456, 0x010203)
        info = osdp.helpers.PDInfo(address, self.wire, id=identity)
        self.context = osdp.peripheral_device.PeripheralDevice(info, capabilities, log_level=LOG).ctx
        self.context.set_command_callback(self._command)

    def _command(self, command: dict[str, Any]) -> tuple[int, None]:
        self.commands.append(command)
        return 0, None

    def ask(self, data: bytes) -> bytes:
        self.wire.to_peer = data
        for _ in range(peer.SPINS):
            self.context.refresh()
            if self.wire.from_peer:
                return self.wire.take()
        raise peer.StalledError


@pytest.mark.parametrize("crc", [True, False], ids=["crc", "checksum"])
def test_the_peer_answers_our_controller(crc: bool) -> None:
    device = PeerDevice(7)
    replies: list[tuple[int, bytes]] = []

    def react(_address: int, code: int, data: bytes) -> list[tuple[int, int, bytes]]:
        replies.append((code, data))
        if code != Reply.KEYPAD:
            return []
        led = octets("00 00 02 01 00 02 00 14 00 00 00 00 00 00")
        return [
            (7, Command.LED, led),
            (7, Command.BUZ, octets("00 02 01 01 03")),
            (7, Command.OUT, octets("00 05 1E 00")),
        ]

    panel = Panel("panel", [7], SETTINGS, poll_gap_ns=50 * MS, crc=crc, react=react)
    sequences: list[int] = []
    now_ns = 0
    while len(replies) < 14:
        if len(replies) == 6:
            device.context.submit_event({"event": osdp.constants.Event.KeyPress, "reader_no": 0, "data": b"12"})
        wake_ns = panel.wake_ns()
        assert wake_ns is not None
        now_ns = max(now_ns, wake_ns)
        asked = panel.act(now_ns)
        assert asked is not None, "the peer's answer was not understood"
        sequences.append(asked[4] & 3)
        now_ns += len(asked) * SETTINGS.char_ns + 3 * MS
        chunk = heard(device.ask(asked), now_ns)
        panel.hear(chunk)
        now_ns = chunk.end_ns
    codes = [code for code, _ in replies]
    assert Reply.NAK not in codes
    assert codes[:3] == [Reply.ACK, Reply.PDID, Reply.PDCAP]
    assert sequences == [0] + [n % 3 + 1 for n in range(len(sequences) - 1)]
    assert (Reply.KEYPAD, octets("00 02 31 32")) in replies
    kinds = [command["command"] for command in device.commands]
    wanted = osdp.constants.Command
    assert kinds == [wanted.LED, wanted.Buzzer, wanted.Output]
    assert device.commands[2].items() >= {"output_no": 0, "control_code": 5, "timer_count": 30}.items()


def test_our_device_answers_as_the_peer_does() -> None:
    # The same questions to both: the peer is the judge of sequence numbers, repeats and refusals.
    device = PeerDevice(7)
    ours = our_device([])
    now_ns = refused = 0
    for sequence, command, data in [
        (2, Command.POLL, b""),
        (0, Command.POLL, b""),
        (1, Command.POLL, b""),
        (1, Command.POLL, b""),
        (2, 0x99, b""),
        (2, 0x99, b""),
        (3, Command.POLL, b""),
        (1, Command.POLL, b""),
        (3, Command.POLL, b""),
        (2, Command.POLL, b""),
        (0, Command.POLL, b""),
    ]:
        now_ns += S
        asked = build_frame(7, command, data, sequence=sequence)
        told, judged = answer_of(ours, asked, now_ns), device.ask(asked)
        assert told is not None
        if judged[5:7] == b"\x41\x04":
            # The peer's NAK 04 bears the number that it wanted, ours the number asked, as the sheet has it (5.1).
            assert told[5:7] == judged[5:7], (sequence, command)
            refused += 1
        else:
            assert told == judged, (sequence, command)
    assert refused == 2


def our_device(events: list[Event]) -> Peripheral:
    return Peripheral(
        "device",
        7,
        SETTINGS,
        identity=octets("020b7e 01 01 0700a100 01 04 00"),
        capabilities=octets("010102 020402 040401 050201 080100 0A8000 0D0001"),
        reply_ns=3 * MS,
        rng=np.random.default_rng(5),
        events=events,
    )


def answer_of(station: Peripheral, asked: bytes, now_ns: int) -> bytes | None:
    station.hear(heard(asked, now_ns))
    due_ns = station.wake_ns()
    return None if due_ns is None else station.act(due_ns)


def test_the_peer_runs_our_device() -> None:
    wire = Wire()
    info = osdp.helpers.PDInfo(7, wire)
    panel = osdp.control_panel.ControlPanel([info], log_level=LOG).ctx
    events: list[dict[str, Any]] = []

    def take(_device: int, event: dict[str, Any]) -> int:
        events.append(event)
        return 0

    panel.set_event_callback(take)
    station = our_device(
        [
            (6 * S, int(Reply.RAW), CARD),
            (7 * S, int(Reply.KEYPAD), octets("00 03 31 32 0D")),
            (8 * S, int(Reply.ISTATR), bytes((1, 0))),
        ]
    )
    asked: list[bytes] = []
    commanded = False
    for _ in range(peer.SPINS):
        panel.refresh()
        data = wire.take()
        if data:
            asked.append(data)
            wire.to_peer = answer_of(station, data, len(asked) * S) or b""
        if len(events) == 3 and not commanded:
            commanded = True
            assert panel.submit_command(0, {"command": osdp.constants.Command.Output, **peer.OUTPUT})
        if any(data[5] == Command.OUT for data in asked[:-2]):
            break
    else:
        raise peer.StalledError
    codes = [data[5] for data in asked]
    assert {Command.ID, Command.CAP, Command.POLL, Command.OUT} <= set(codes)
    kinds = [event["event"] for event in events]
    assert kinds == [osdp.constants.Event.CardRead, osdp.constants.Event.KeyPress, osdp.constants.Event.Status]
    assert events[0].items() >= {"reader_no": 0, "format": 1, "length": 26, "data": CARD[4:]}.items()
    assert events[1]["data"] == b"12\r"
    assert bytes(events[2]["report"])[:2] == bytes((1, 0))
