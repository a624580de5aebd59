"""libosdp as both ends of secure sessions: with a set key, with the default key and a key change, with a file, at odds.

Run as a program it writes the golden captures: `python -m tests.peer_libosdp_secure fixtures/osdp`.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import osdp.constants
import osdp.control_panel
import osdp.helpers
import osdp.peripheral_device

from tests.peer_libosdp import (
    BLINK,
    BUZZER,
    CARD,
    INPUTS,
    KEYS,
    LED,
    OUTPUT,
    TAMPER,
    TEXT,
    Session,
    StalledError,
    as_log,
)

KEY = bytes.fromhex("7A1F33C8540E96D2B187E04C6A2B9F15")
NEW_KEY = bytes.fromhex("C40B72E95A1D8F3630A7BE5812F46D9C")
FILE = bytes(index * 7 & 0xFF for index in range(600))
"""Invented keys and file."""


class SecureSession(Session):
    """As `Session`, with a key at each end; `install` lets both ends fall back to the default key."""

    def __init__(self, panel_key: bytes | None, device_key: bytes | None, *, install: bool = False) -> None:
        flags = [osdp.constants.LibFlag.InstallMode] if install else [osdp.constants.LibFlag.EnforceSecure]
        super().__init__(panel={"scbk": panel_key, "flags": flags}, device={"scbk": device_key, "flags": flags})

    def start(self) -> None:
        """Until the session is open."""
        self.until(lambda: bool(self.panel.sc_status() & 1))
        self._settle()


def with_a_set_key(session: SecureSession) -> None:
    """Commands and events, secured."""
    command, event = osdp.constants.Command, osdp.constants.Event
    session.start()
    session.command(command.LED, LED)
    session.command(command.LED, BLINK)
    session.command(command.Buzzer, BUZZER)
    session.command(command.Output, OUTPUT)
    session.command(command.Text, TEXT)
    session.event(event.CardRead, CARD)
    session.event(event.KeyPress, KEYS)
    session.event(event.Status, TAMPER)
    session.event(event.Status, INPUTS)


def with_a_key_change(session: SecureSession) -> None:
    """A new device: its own key is refused, the default key taken, the key sent; later another key; then a card."""
    command, event = osdp.constants.Command, osdp.constants.Event
    session.start()
    session.until(lambda: challenges(session) == 3)
    session.command(command.LED, LED)
    if not session.panel.submit_command(0, {"command": command.Keyset, "type": 1, "data": NEW_KEY}):
        raise StalledError
    session.until(lambda: challenges(session) == 4)
    session.start()
    session.event(event.CardRead, CARD)


def challenges(session: Session) -> int:
    """How many session starts the controller sent."""
    return sum(octets[5:7] == b"\x03\x11" for _, _, octets in trimmed(session.sent))


def with_a_file(session: SecureSession) -> None:
    """A file of several fragments."""
    received = bytearray()
    transfer: dict[str, Callable[..., Any]] = {
        "open": lambda _file, _size: len(FILE),
        "read": lambda size, offset: FILE[offset : offset + size],
        "write": lambda data, offset: received.__setitem__(slice(offset, offset + len(data)), data) or len(data),
        "close": lambda _file: 0,
    }
    session.start()
    session.panel.register_file_ops(0, transfer)
    session.device.register_file_ops(0, transfer)
    if not session.panel.submit_command(0, {"command": osdp.constants.Command.FileTransfer, "id": 1, "flags": 0}):
        raise StalledError
    session.until(lambda: len(received) == len(FILE))
    session._settle()
    if bytes(received) != FILE:
        raise StalledError


def trimmed(sent: list[tuple[int, str, bytes]]) -> list[tuple[int, str, bytes]]:
    """Without the mark octets that libosdp sends first."""
    return [(t_ns, arrow, octets.lstrip(b"\xff")) for t_ns, arrow, octets in sent]


SESSIONS: dict[str, tuple[Callable[[SecureSession], None], dict[str, Any]]] = {
    "set-key": (with_a_set_key, {"panel_key": KEY, "device_key": KEY}),
    "key-change": (with_a_key_change, {"panel_key": KEY, "device_key": None, "install": True}),
    "file": (with_a_file, {"panel_key": KEY, "device_key": KEY}),
}


def record(name: str) -> list[tuple[int, str, bytes]]:
    """The writes of one unbroken session; tries again when the host stalled."""
    run, how = SESSIONS[name]
    for _ in range(5):
        session = SecureSession(**how)
        with session:
            try:
                run(session)
            except StalledError:
                continue
            return session.sent
    raise StalledError("five sessions in a row were broken by stalls")


def as_secure_log(name: str) -> str:
    """The session as an octet log."""
    text = as_log(record(name)).splitlines()[4:]
    head = [
        "# A secure session between a controller and a device of libosdp (open OSDP stack, 3.2.9) over a",
        f"# pseudo-terminal: {name}. > controller, < device. Invented identity, card, keys and file. Octets as sent;",
        "# times are when each end wrote, moved on so that a line of 9600 8N1 could carry them, 3 characters apart.",
        "# Written by: python -m tests.peer_libosdp_secure fixtures/osdp",
    ]
    return "\n".join(head + text) + "\n"


if __name__ == "__main__":
    for session_name in SESSIONS:
        (Path(sys.argv[1]) / f"peer-secure-{session_name}.log").write_text(as_secure_log(session_name))
