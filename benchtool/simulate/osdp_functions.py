"""What an OSDP device does with the commands that it is given: its inputs, outputs, lights, keys, cards, tamper.

No link layer here: sequence numbers are `peripheral`, the secure channel is `osdp_device_session`. Facts: sheet 5.3 to
5.5. A command of a wrong length is refused with NAK 02, a record that names nothing there with NAK 09, an unknown
command with NAK 03 (sheet 5.4).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable

from benchtool.capture.rates import OSDP_RATES
from benchtool.frames.meaning import Field
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.frames.osdp.payloads import decode_payload
from benchtool.frames.osdp.words import capability_records

Event = tuple[int, int, bytes]
"""When it happens (ns), the reply code that tells of it, and that reply's data."""

_SHOWN = frozenset({Command.LED, Command.BUZ, Command.OUT, Command.TEXT})
_ACKNOWLEDGED = _SHOWN | {Command.KEEPACTIVE, Command.ACURXSIZE}
_LENGTHS: dict[int, tuple[int, int]] = {
    Command.OUT: (0, 4),
    Command.LED: (0, 14),
    Command.BUZ: (5, 0),
    Command.COMSET: (5, 0),
    Command.KEEPACTIVE: (2, 0),
    Command.ACURXSIZE: (2, 0),
}
"""Octets that a command's data has: so many, or (where the second is not 0) whole records of so many."""
_OUTPUT_CONTROL = 2
_TEXT_HEAD = 6
_FILE_HEAD = 11
_BAUDS = frozenset(OSDP_RATES)
"""Sheet 5.2."""
_TENTH_NS = 100_000_000
_STEADY_OFF, _STEADY_ON, _LATER_OFF, _LATER_ON, _TIMED_ON, _TIMED_OFF = range(1, 7)


class Functions:
    """The state of a device. `inputs` and `outputs` are how many it has; `identity` and `capabilities` as in replies.
    Without `outputs` it has as many as its capabilities say.

    `happened` is called with a line of plain words for each thing that a command switches, shows or changes; no card
    number, digit or key is ever in it.
    """

    def __init__(
        self,
        *,
        identity: bytes,
        capabilities: bytes,
        events: Iterable[Event] = (),
        inputs: int = 2,
        outputs: int | None = None,
        bauds: frozenset[int] = _BAUDS,
    ) -> None:
        self.identity = identity
        self.capabilities = capabilities
        self.inputs = bytes(inputs)
        self.tamper = False
        self.power_failed = False
        self.reader_state = 0
        self.new_line: tuple[int, int] | None = None
        """Address and bit rate that a COMSET has set, until `peripheral` takes them."""
        self.happened: Callable[[str], None] | None = None
        self._bauds = bauds
        self._steady = bytearray(_count_of(capabilities, _OUTPUT_CONTROL) if outputs is None else outputs)
        self._timed: dict[int, tuple[int, int]] = {}
        self._events = deque(sorted(events))
        self._changes = deque((at_ns, data) for at_ns, code, data in self._events if code == Reply.ISTATR)
        self._live: deque[tuple[int, bytes]] = deque()
        self._file_left: int | None = None

    def report(self, code: int, data: bytes) -> None:
        """Tell of something at the next poll."""
        self._live.append((code, data))

    @property
    def waiting(self) -> int:
        """Events that no poll has fetched yet, those whose time has not come included."""
        return len(self._live) + len(self._events)

    @property
    def untold(self) -> int:
        """Of these, the ones that were reported by `report`."""
        return len(self._live)

    def set_input(self, number: int, active: bool) -> None:
        """An input changes and is told; ValueError where there is none of that number (from 0)."""
        if not 0 <= number < len(self.inputs):
            raise ValueError(f"there is no input {number}; there are 0 to {len(self.inputs) - 1}")
        state = bytearray(self.inputs)
        state[number] = active
        self.inputs = bytes(state)
        self.report(Reply.ISTATR, self.inputs)

    def set_tamper(self, active: bool) -> None:
        """The case is opened or closed, and that is told."""
        self.tamper = active
        self.report(Reply.LSTATR, self._local())

    def set_power(self, failed: bool) -> None:
        """The supply fails or comes back, and that is told."""
        self.power_failed = failed
        self.report(Reply.LSTATR, self._local())

    def outputs(self, now_ns: int) -> bytes:
        """One octet an output, 1 where it is on."""
        state = bytearray(self._steady)
        for number, (until_ns, value) in list(self._timed.items()):
            if now_ns < until_ns:
                state[number] = value
            else:
                del self._timed[number]
        return bytes(state)

    def restart(self) -> None:
        """As after the supply came back: outputs off, nothing begun."""
        self._steady = bytearray(len(self._steady))
        self._timed.clear()
        self._file_left = None
        self.new_line = None

    def do(self, command: int, data: bytes, now_ns: int) -> tuple[int, bytes]:
        """Obey a command; the reply's code and data."""
        while self._changes and self._changes[0][0] <= now_ns:
            self.inputs = self._changes.popleft()[1]
        if command == Command.POLL:
            return self._poll(now_ns)
        if command == Command.ID:
            return Reply.PDID, self.identity
        if command == Command.CAP:
            return Reply.PDCAP, self.capabilities
        if command == Command.ISTAT:
            return Reply.ISTATR, self.inputs
        if command == Command.LSTAT:
            return Reply.LSTATR, self._local()
        if command == Command.OSTAT:
            return Reply.OSTATR, self.outputs(now_ns)
        if command == Command.RSTAT:
            return Reply.RSTATR, bytes((self.reader_state,))
        if not _right_length(command, data):
            return _refuse(NakCode.LENGTH)
        if command in _ACKNOWLEDGED:
            return self._switch(command, data, now_ns)
        if command == Command.COMSET:
            return self._set_line(data)
        if command == Command.FILETRANSFER:
            return self._file(data)
        return _refuse(NakCode.UNKNOWN_COMMAND)

    def _poll(self, now_ns: int) -> tuple[int, bytes]:
        if self._events and self._events[0][0] <= now_ns:
            _, code, data = self._events.popleft()
            return code, data
        if self._live:
            return self._live.popleft()
        return Reply.ACK, b""

    def _local(self) -> bytes:
        return bytes((self.tamper, self.power_failed))

    def _switch(self, command: int, data: bytes, now_ns: int) -> tuple[int, bytes]:
        if command == Command.OUT and not self._set_outputs(data, now_ns):
            return _refuse(NakCode.RECORD)
        if command in _SHOWN:
            self._tell(command, data)
        return Reply.ACK, b""

    def _set_outputs(self, data: bytes, now_ns: int) -> bool:
        records = [data[at : at + 4] for at in range(0, len(data), 4)]
        if any(record[0] >= len(self._steady) or record[1] > _TIMED_OFF for record in records):
            return False
        for number, code, low, high in records:
            if code in (_STEADY_OFF, _STEADY_ON):
                self._timed.pop(number, None)
            if code in (_STEADY_OFF, _STEADY_ON, _LATER_OFF, _LATER_ON):
                self._steady[number] = code in (_STEADY_ON, _LATER_ON)
            elif code in (_TIMED_ON, _TIMED_OFF):
                self._timed[number] = now_ns + (low | high << 8) * _TENTH_NS, code == _TIMED_ON
        return True

    def _set_line(self, data: bytes) -> tuple[int, bytes]:
        """COM says what the device does from now on, which is what it was told only where it can do that."""
        address, baud = data[0], int.from_bytes(data[1:5], "little")
        if address > 0x7E or baud not in self._bauds:
            return _refuse(NakCode.RECORD)
        self.new_line = address, baud
        self._say(f"address {address} and {baud} bit/s from now on")
        return Reply.COM, data

    def _file(self, data: bytes) -> tuple[int, bytes]:
        """Take a file piece by piece, in order, and keep none of it."""
        size, offset = int.from_bytes(data[1:5], "little"), int.from_bytes(data[5:9], "little")
        length = int.from_bytes(data[9:11], "little")
        if offset == 0:
            self._file_left = size
        if self._file_left is None or offset != size - self._file_left or length > self._file_left:
            self._file_left = None
            return Reply.FTSTAT, _transfer(-3)
        self._file_left -= length
        if self._file_left:
            return Reply.FTSTAT, _transfer(0)
        self._file_left = None
        self._say(f"a file of {size} octets taken and thrown away")
        return Reply.FTSTAT, _transfer(1)

    def _tell(self, command: int, data: bytes) -> None:
        if self.happened is not None:
            fields, _ = decode_payload(command, False, data, 0)
            self._say(f"{Command(command).name} {_words(fields)}")

    def _say(self, text: str) -> None:
        if self.happened is not None:
            self.happened(text)


def _count_of(capabilities: bytes, function: int) -> int:
    """The number in the PDCAP record of a function; 1 where there is no record."""
    return next((number for record, _, number in capability_records(capabilities) if record == function), 1)


def _words(fields: tuple[Field, ...]) -> str:
    return ", ".join(f"{field.name.replace('_', ' ')} {'•••' if field.secret else field.text}" for field in fields)


def _refuse(reason: NakCode) -> tuple[int, bytes]:
    return Reply.NAK, bytes((reason,))


def _transfer(status: int) -> bytes:
    """FTSTAT: no delay, no limit of its own to the next fragment (sheet 5.5)."""
    return bytes((0, 0, 0)) + status.to_bytes(2, "little", signed=True) + bytes(2)


def _right_length(command: int, data: bytes) -> bool:
    if command == Command.TEXT:
        return len(data) >= _TEXT_HEAD and len(data) == _TEXT_HEAD + data[5]
    if command == Command.FILETRANSFER:
        return len(data) >= _FILE_HEAD and len(data) == _FILE_HEAD + int.from_bytes(data[9:11], "little")
    whole, record = _LENGTHS.get(command, (len(data), 0))
    return bool(data) and len(data) % record == 0 if record else len(data) == whole
