"""What an octet of a server's event log (function 0C) says.

From memory of the specification; the sheet asserts nothing of the log, whose printed text is inconsistent (sheet 0.12).
"""

from __future__ import annotations

_RECEIVED = {1: "communication error", 4: "characters overrun", 5: "listening only", 6: "to all"}
_SENT = {
    0: "exception 1 to 3",
    1: "exception 4",
    2: "exception 5 or 6",
    3: "exception 7",
    4: "write timed out",
    5: "listening only",
}
_OTHERS = {0x00: "communications restarted", 0x04: "began to listen only"}


def event_words(octet: int) -> str:
    """The event in words."""
    if octet & 0xC0 == 0:
        return _OTHERS.get(octet, f"0x{octet:02X}")
    received = bool(octet & 0x80)
    table = _RECEIVED if received else _SENT
    notes = [words for bit, words in table.items() if octet >> bit & 1]
    return ("received" if received else "sent") + (f" ({', '.join(notes)})" if notes else "")
