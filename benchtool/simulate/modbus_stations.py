"""A simulated Modbus RTU client (controller) and server (door interface with inputs, outputs and registers).

Rules used (sheet section 3): one request at a time; a server keeps quiet on a wrong check value and on a broadcast,
which it obeys; at least 3.5 characters of silence before anybody talks; exceptions 01 to 03 in the specification's
order of checks.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence

import numpy as np

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Protocol, Role
from benchtool.frames.modbus.build import build_exception, build_reply, build_request
from benchtool.simulate.answering import Answering
from benchtool.simulate.outage import Outages
from benchtool.simulate.station import Station

REPLY_LIMIT_NS = 1_000_000_000
"""Time a client waits; the specification says typically one to several seconds at 9600 (sheet 3.1)."""

_READ = 3
_WRITE = 6
_OUTPUTS = 3


def frame_gap_ns(settings: LineSettings) -> int:
    """Least silence between frames: 3.5 characters, above 19200 bit/s 1.750 ms (sheet 3.1)."""
    return 1_750_000 if settings.baud > 19_200 else round(3.5 * settings.char_ns)


class ModbusClient(Station):
    """Reads the first `registers` holding registers of each address in turn."""

    def __init__(
        self,
        name: str,
        addresses: Sequence[int],
        settings: LineSettings,
        *,
        poll_gap_ns: int,
        registers: int = 4,
        reply_limit_ns: int = REPLY_LIMIT_NS,
        starts_ns: int = 0,
    ) -> None:
        self.name = name
        self._settings = settings
        self._gap_ns = max(poll_gap_ns, frame_gap_ns(settings))
        self._limit_ns = reply_limit_ns
        self._requests = deque(build_request(address, _READ, start=0, quantity=registers) for address in addresses)
        self._decoder = BusDecoder(settings)
        self._asked: int | None = None
        self._deadline_ns = 0
        self._next_ns = starts_ns

    def defers(self) -> bool:
        """While it waits for a reply it does not talk into one."""
        return self._asked is not None

    def hear(self, chunk: Chunk) -> None:
        """Take octets; a sound reply from the address asked ends the wait."""
        for frame in self._decoder.feed(chunk):
            if (
                self._asked is not None
                and frame.ok
                and frame.protocol is Protocol.MODBUS_RTU
                and frame.address == self._asked
                and frame.role is not Role.REQUEST
            ):
                self._asked = None
                self._next_ns = frame.end_ns + self._gap_ns

    def wake_ns(self) -> int | None:
        """The end of the wait for a reply, or the next request."""
        return self._deadline_ns if self._asked is not None else self._next_ns

    def act(self, now_ns: int) -> bytes | None:
        """Give up on the one asked, or ask the next."""
        if self._asked is not None:
            if now_ns >= self._deadline_ns:
                self._asked = None
                self._next_ns = now_ns + self._gap_ns
            return None
        if now_ns < self._next_ns:
            return None
        request = self._requests[0]
        self._requests.rotate(-1)
        self._asked = request[0]
        self._deadline_ns = now_ns + len(request) * self._settings.char_ns + self._limit_ns
        return request


class ModbusServer(Answering):
    """A door interface: `inputs` change register 0 at their times; 1 and 2 are fixed; 3, the outputs, can be written.

    Functions 03 (read holding registers) and 06 (write one); a write to a register that is not 3 is exception 02.
    """

    def __init__(
        self,
        name: str,
        address: int,
        settings: LineSettings,
        *,
        reply_ns: int,
        rng: np.random.Generator,
        inputs: Iterable[tuple[int, int]] = (),
        answers: bool = True,
        outages: Outages | None = None,
    ) -> None:
        super().__init__(
            name,
            address,
            settings,
            reply_ns=max(reply_ns, frame_gap_ns(settings)),
            rng=rng,
            answers=answers,
            outages=outages,
        )
        self._inputs = deque(sorted(inputs))
        self._registers = [0, 0x0100 | address, 1200, 0]

    def wants(self, octets: bytes) -> bool:
        """Its own requests: what others are asked, and their answers, change nothing here."""
        return not octets or octets[0] in (self.address, 0)

    def restart(self) -> None:
        """Outputs off."""
        self._registers[_OUTPUTS] = 0

    def is_for_me(self, frame: Frame) -> bool:
        """A request to this address or to all."""
        mine = frame.protocol is Protocol.MODBUS_RTU and frame.address in (self.address, 0)
        return mine and frame.role is not Role.REPLY

    def answer(self, frame: Frame) -> bytes | None:
        """The reply; a request to all is obeyed and not answered."""
        reply = self._reply_to(frame)
        return reply if frame.address else None

    def _reply_to(self, frame: Frame) -> bytes:
        while self._inputs and self._inputs[0][0] <= frame.end_ns:
            self._registers[0] = self._inputs.popleft()[1]
        function = frame.octets[1]
        if function == _READ:
            return self._read(*_two(frame.octets))
        if function == _WRITE:
            return self._write(*_two(frame.octets))
        return self._refuse(function, 1)

    def _read(self, first: int, count: int) -> bytes:
        if not 1 <= count <= 125:
            return self._refuse(_READ, 3)
        if first + count > len(self._registers):
            return self._refuse(_READ, 2)
        return build_reply(self.address, _READ, registers=self._registers[first : first + count])

    def _write(self, register: int, value: int) -> bytes:
        if register != _OUTPUTS:
            return self._refuse(_WRITE, 2)
        self._registers[register] = value
        return build_reply(self.address, _WRITE, address=register, value=value)

    def _refuse(self, function: int, exception: int) -> bytes:
        return build_exception(self.address, function, exception)


def _two(octets: bytes) -> tuple[int, int]:
    """The two 16-bit numbers after address and function."""
    return int.from_bytes(octets[2:4], "big"), int.from_bytes(octets[4:6], "big")
