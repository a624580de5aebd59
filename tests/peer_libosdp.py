"""libosdp, an independent open OSDP stack, as both ends of a session over a pseudo-terminal, its octets kept.

Run as a program it writes the golden capture: `python -m tests.peer_libosdp fixtures/osdp/peer-session.log`.
How to run it is in the sheet of measurements: `refresh()` on both ends in lock-step in one thread.
"""

from __future__ import annotations

import os
import pty
import sys
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any

import osdp
import osdp.channel
import osdp.constants
import osdp.control_panel
import osdp.helpers
import osdp.peripheral_device

ADDRESS = 5
# Timers stay below 256: the Python binding of libosdp keeps only the low octet of what it is asked to send.
LED = {
    "reader": 1,
    "led_number": 0,
    "control_code": 1,
    "on_count": 3,
    "off_count": 4,
    "on_color": 2,
    "off_color": 1,
    "timer_count": 0,
    "temporary": False,
}
BLINK = {
    "reader": 0,
    "led_number": 1,
    "control_code": 2,
    "on_count": 10,
    "off_count": 5,
    "on_color": 3,
    "off_color": 4,
    "timer_count": 200,
    "temporary": True,
}
BUZZER = {"reader": 0, "control_code": 2, "on_count": 2, "off_count": 3, "rep_count": 4}
OUTPUT = {"output_no": 1, "control_code": 5, "timer_count": 50}
TEXT = {"reader": 0, "control_code": 3, "temp_time": 20, "offset_row": 1, "offset_col": 2, "data": "PLEASE WAIT"}
MAKER = {"vendor_code": 0x030201, "data": bytes((9, 10, 11))}
COMSET = {"address": 6, "baud_rate": 19200}
# 26-bit, site 101, number 4095: sheet 6.2.
CARD = {"reader_no": 0, "direction": 0, "format": 1, "length": 26, "data": bytes.fromhex("3287FFC0")}
KEYS = {"reader_no": 1, "data": b"12\r"}
TAMPER = {"type": osdp.constants.StatusReportType.Local, "report": bytes((1, 0))}
INPUTS = {"type": osdp.constants.StatusReportType.Input, "report": bytes((0, 1))}

SPINS = 600_000
"""Turns of both ends before an exchange is given up: far more than the 50 ms between polls ever took."""


class StalledError(Exception):
    """The host stalled for so long that libosdp's own time-outs, which keep real time, broke the session."""


class _Terminal(osdp.channel.Channel):  # type: ignore[misc]
    """One end of the pseudo-terminal; keeps what it sends."""

    def __init__(self, descriptor: int, arrow: str, sent: list[tuple[int, str, bytes]]) -> None:
        super().__init__()
        self.descriptor, self.arrow, self.sent = descriptor, arrow, sent

    def read(self, max_bytes: int) -> bytes:
        try:
            return os.read(self.descriptor, max_bytes)
        except BlockingIOError:
            return b""

    def write(self, buf: bytes) -> int:
        self.sent.append((time.monotonic_ns(), self.arrow, bytes(buf)))
        return os.write(self.descriptor, buf)

    def flush(self) -> None:
        pass


class Session:
    """A controller and a device that talk; `sent` is (monotonic ns, `>` or `<`, octets) for each write."""

    def __init__(self, *, panel: dict[str, Any] | None = None, device: dict[str, Any] | None = None) -> None:
        """`panel` and `device`: keys and flags of a secure channel, where they are to have one."""
        self.sent: list[tuple[int, str, bytes]] = []
        self.descriptors = pty.openpty()
        for descriptor in self.descriptors:
            tty.setraw(descriptor)
            os.set_blocking(descriptor, False)
        cap, level = osdp.constants.Capability, osdp.constants.LogLevel.Critical
        capabilities = osdp.helpers.PDCapabilities(
            [
                (cap.ContactStatusMonitoring, 1, 2),
                (cap.OutputControl, 1, 2),
                (cap.LEDControl, 4, 2),
                (cap.AudibleControl, 1, 1),
                (cap.TextOutput, 1, 1),
                (cap.CheckCharacter, 1, 1),
                *([(cap.CommunicationSecurity, 1, 1)] if device is not None else []),
                (cap.Readers, 0, 2),
            ]
        )
        asked = osdp.helpers.PDInfo(ADDRESS, _Terminal(self.descriptors[0], ">", self.sent), **(panel or {}))
        identity = osdp.helpers.PdId(1, 2, 0xC0FFEE, 123456, 0x010203)
        answering = osdp.helpers.PDInfo(
            ADDRESS, _Terminal(self.descriptors[1], "<", self.sent), id=identity, **(device or {})
        )
        self.panel = osdp.control_panel.ControlPanel([asked], log_level=level).ctx
        self.events: list[dict[str, Any]] = []
        self.commands: list[dict[str, Any]] = []
        self.panel.set_event_callback(self._event)
        self.device = osdp.peripheral_device.PeripheralDevice(answering, capabilities, log_level=level).ctx
        self.device.set_command_callback(self._command)

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.panel = self.device = None
        for descriptor in self.descriptors:
            os.close(descriptor)

    def _event(self, _device: int, event: dict[str, Any]) -> int:
        self.events.append(event)
        return 0

    def _command(self, command: dict[str, Any]) -> tuple[int, None]:
        self.commands.append(command)
        return 0, None

    def until(self, done: Callable[[], bool]) -> None:
        """Let both ends run until `done`; StalledError when that does not come."""
        for _ in range(SPINS):
            self.panel.refresh()
            self.device.refresh()
            if done():
                return
        raise StalledError

    def command(self, kind: int, what: dict[str, Any]) -> None:
        """Have the controller send a command, and wait until the device has it and the next poll is answered."""
        before = len(self.commands)
        if not self.panel.submit_command(0, {"command": kind} | what):
            raise StalledError
        self.until(lambda: len(self.commands) > before)
        self._settle()

    def event(self, kind: int, what: dict[str, Any]) -> None:
        """Have the device report an event, and wait until the controller has it."""
        before = len(self.events)
        if not self.device.submit_event({"event": kind} | what):
            raise StalledError
        self.until(lambda: len(self.events) > before)
        self._settle()

    def _settle(self) -> None:
        before = len(self.sent)
        self.until(lambda: len(self.sent) >= before + 2 and self.sent[-1][1] == "<")

    def run(self) -> None:
        """The whole session: identity, capabilities, polls, each command, each event, and a new address."""
        command, event = osdp.constants.Command, osdp.constants.Event
        self.until(lambda: bool(self.panel.status() & 1))
        self._settle()
        self.command(command.LED, LED)
        self.command(command.LED, BLINK)
        self.command(command.Buzzer, BUZZER)
        self.command(command.Output, OUTPUT)
        self.command(command.Text, TEXT)
        self.command(command.Manufacturer, MAKER)
        self.event(event.CardRead, CARD)
        self.event(event.KeyPress, KEYS)
        self.event(event.Status, TAMPER)
        self.event(event.Status, INPUTS)
        self.command(command.Comset, COMSET)


def record() -> list[tuple[int, str, bytes]]:
    """The writes of one unbroken session; tries again when the host stalled."""
    for _ in range(5):
        with Session() as session:
            try:
                session.run()
            except StalledError:
                continue
            return session.sent
    raise StalledError("five sessions in a row were broken by stalls")


def as_log(sent: list[tuple[int, str, bytes]]) -> str:
    """The session as an octet log, its times spread as a line of 9600 8N1 would need (sheet 5.2: idle 2 characters)."""
    character = 10 * 10**9 // 9600
    lines = [
        "# A session between a controller and a device of libosdp (open OSDP stack, 3.2.9) over a pseudo-terminal,",
        "# in the clear: > controller, < device. Invented identity, card and keys. Octets are as sent; times are when",
        "# each end wrote, moved on so that a line of 9600 8N1 could carry them with 3 characters of silence between.",
        "# Written by: python -m tests.peer_libosdp fixtures/osdp/peer-session.log",
    ]
    start, free = sent[0][0], 0
    for t_ns, arrow, octets in sent:
        begin = max(t_ns - start, free)
        free = begin + (len(octets) + 3) * character
        lines.append(f"{begin / 1e9:.6f} {arrow} {octets.hex(' ').upper()}")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(as_log(record()))
