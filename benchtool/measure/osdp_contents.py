"""What the payloads of OSDP frames say about the talk itself: messages in parts, sizes, new settings, open secrets.

Takes payloads in the clear, decrypted or sent so. Facts: sheet 5.5; the layout of smart card fragments is from memory.
"""

from __future__ import annotations

from benchtool.frames.osdp.codes import NAK_TEXT, Command, Reply
from benchtool.frames.osdp.events import Event, Kind
from benchtool.frames.osdp.words import capability_records

_SECRETS = frozenset({Reply.RAW, Reply.FMT, Reply.KEYPAD, Reply.BIOREADR})
_PARTS_REPLY = frozenset({Reply.PIVDATAR, Reply.GENAUTHR, Reply.CRAUTHR})
_PARTS_COMMAND = frozenset({Command.GENAUTH, Command.CRAUTH})
_BUFFER, _SECURITY = 10, 9
_NAMES: dict[tuple[int, bool], str] = {
    (Command.FILETRANSFER, False): "file",
    (Command.GENAUTH, False): "general authenticate",
    (Command.CRAUTH, False): "challenge",
    (Reply.PIVDATAR, True): "PIV data",
    (Reply.GENAUTHR, True): "general authenticate reply",
    (Reply.CRAUTHR, True): "challenge response",
}


class _Parts:
    """A message that comes in parts."""

    __slots__ = ("at", "last", "parts", "total")

    def __init__(self, total: int) -> None:
        self.total = total
        self.at = 0
        self.last = (-1, -1)
        self.parts = 0


class Contents:
    """One a tap."""

    def __init__(self) -> None:
        self._parts: dict[tuple[int, int, bool], _Parts] = {}
        self._device_buffer: dict[int, int] = {}
        self._panel_buffer: dict[int, int] = {}
        self._said: set[tuple[int, Kind]] = set()
        self._out: list[Event] = []
        self._t_ns = 0
        self._address = 0

    def feed(
        self, t_ns: int, address: int, reply: bool, code: int, data: bytes, *, length: int, clear: bool
    ) -> list[Event]:
        """Take a payload; `length` is the whole frame's, `clear` whether it was sent unencrypted."""
        self._out = []
        self._t_ns, self._address = t_ns, address
        most = (self._panel_buffer if reply else self._device_buffer).get(address)
        if most is not None and length > most:
            self._say(Kind.TOO_LONG, f"{length} octets, the other end takes {most}", octets=length, most=most)
        if reply:
            self._reply(code, data, clear)
        elif code == Command.FILETRANSFER and len(data) >= 11:
            total, offset = int.from_bytes(data[1:5], "little"), int.from_bytes(data[5:9], "little")
            self._part(code, False, total, offset, int.from_bytes(data[9:11], "little"))
        elif code in _PARTS_COMMAND and len(data) >= 6:
            self._small_part(code, False, data)
        elif code == Command.ACURXSIZE and len(data) == 2:
            self._panel_buffer[address] = int.from_bytes(data, "little")
        return self._out

    def default_refused(self, address: int) -> None:
        """The device was heard to refuse the default key: what its capabilities say of that is not told any more."""
        self._said.add((address, Kind.DEFAULT_SAID))

    def moved(self, old: int, new: int) -> None:
        """A device has a new address: what it said of itself goes with it."""
        for held in (self._device_buffer, self._panel_buffer):
            if old in held:
                held[new] = held.pop(old)
        for address, kind in [key for key in self._said if key[0] == old]:
            self._said.discard((address, kind))
            self._said.add((new, kind))

    def _say(self, kind: Kind, detail: str = "", **numbers: int | str) -> None:
        self._out.append(Event(kind, self._t_ns, self._address, detail, numbers))

    def _once(self, kind: Kind, detail: str = "") -> None:
        key = (self._address, kind)
        if key not in self._said:
            self._said.add(key)
            self._say(kind, detail)

    def _reply(self, code: int, data: bytes, clear: bool) -> None:
        if clear and code in _SECRETS:
            self._once(Kind.SECRET_IN_CLEAR)
        if code == Reply.NAK and data:
            self._say(Kind.REFUSED, NAK_TEXT.get(data[0], f"reason {data[0]}"), reason=data[0])
            self._broken_off(Command.FILETRANSFER)
        elif code == Reply.PDCAP:
            self._capabilities(data)
        elif code == Reply.COM and len(data) == 5:
            baud = int.from_bytes(data[1:], "little")
            detail = f"from now on address {data[0]} at {baud} bit/s"
            self._say(Kind.LINE_CHANGE, detail, address=data[0], baud=baud)
        elif code == Reply.FTSTAT and len(data) >= 5:
            status = int.from_bytes(data[3:5], "little", signed=True)
            if status < 0:
                self._broken_off(Command.FILETRANSFER, f"the device's status is {status}")
        elif code in _PARTS_REPLY and len(data) >= 6:
            self._small_part(code, True, data)

    def _capabilities(self, data: bytes) -> None:
        for function, compliance, number in capability_records(data):
            if function == _BUFFER and (compliance or number):
                self._device_buffer[self._address] = compliance | number << 8
            elif function == _SECURITY and compliance & 1 and number & 1:
                self._once(Kind.DEFAULT_SAID, "its capabilities do; whether it does so was not heard")

    def _small_part(self, code: int, reply: bool, data: bytes) -> None:
        total, offset, length = (int.from_bytes(data[at : at + 2], "little") for at in (0, 2, 4))
        self._part(code, reply, total, offset, length)

    def _part(self, code: int, reply: bool, total: int, offset: int, length: int) -> None:
        key = (self._address, code, reply)
        name = _NAMES[code, reply]
        parts = self._parts.get(key)
        if parts is not None and parts.last == (offset, length) and parts.total == total:
            return  # asked again
        if parts is None or offset == 0:
            if parts is not None:
                self._say(Kind.TRANSFER_STOPPED, f"{name}: {parts.at} of {parts.total} octets, then anew")
            if parts is None and offset:
                # Its beginning went before the listening began.
                parts = self._parts[key] = _Parts(total)
                parts.at = offset
            else:
                parts = self._parts[key] = _Parts(total)
        if offset != parts.at or total != parts.total:
            detail = f"{name}: offset {offset} of {total}, expected {parts.at} of {parts.total}"
            self._say(Kind.TRANSFER_GAP, detail, offset=offset, expected=parts.at)
            parts.total = total
        parts.at, parts.last = offset + length, (offset, length)
        parts.parts += 1
        if parts.at > total:
            detail = f"{name}: {parts.at} octets, but it was to have {total}"
            self._say(Kind.TRANSFER_GAP, detail, offset=offset, expected=total - length)
        if parts.at >= total:
            self._say(Kind.TRANSFER_DONE, f"{name}: {total} octets in {parts.parts} part(s)", octets=total)
            del self._parts[key]

    def _broken_off(self, code: int, why: str = "the device refused") -> None:
        parts = self._parts.pop((self._address, code, False), None)
        if parts is not None:
            self._say(Kind.TRANSFER_STOPPED, f"{_NAMES[code, False]}: {parts.at} of {parts.total} octets; {why}")
