"""Stations without a bus: chunks made by hand, and two stations joined back to back."""

from __future__ import annotations

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.simulate.station import Station

MS = 1_000_000
S = 1_000_000_000
SETTINGS = LineSettings(9600)


def octets(text: str) -> bytes:
    return bytes.fromhex(text)


def heard(data: bytes, t_ns: int, settings: LineSettings = SETTINGS) -> Chunk:
    """Octets as a perfect line delivers them from `t_ns` on."""
    return Chunk(t_ns, t_ns + len(data) * settings.char_ns, data)


def say(station: Station, data: bytes, t_ns: int, settings: LineSettings = SETTINGS) -> tuple[bytes | None, int]:
    """Let the station hear octets from `t_ns` on; what it says to them, and how long after the last (0: nothing)."""
    chunk = heard(data, t_ns, settings)
    station.hear(chunk)
    due_ns = station.wake_ns()
    if due_ns is None:
        return None, 0
    assert station.act(due_ns - 1) is None
    return station.act(due_ns), due_ns - chunk.end_ns


def join(stations: list[Station], until_ns: int, settings: LineSettings = SETTINGS) -> list[tuple[str, int, bytes]]:
    """All stations hear each other without a line between them: (name, when, octets) of each transmission."""
    said: list[tuple[str, int, bytes]] = []
    while True:
        due = [(wake_ns, n) for n, station in enumerate(stations) if (wake_ns := station.wake_ns()) is not None]
        now_ns, number = min(due)
        if now_ns >= until_ns:
            return said
        data = stations[number].act(now_ns)
        if data is None:
            continue
        said.append((stations[number].name, now_ns, data))
        for other in stations:
            if other is not stations[number]:
                other.hear(heard(data, now_ns, settings))
