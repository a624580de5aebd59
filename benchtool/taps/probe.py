"""Talks to the card-line probe: asks what may always be asked, and hands on what it saw.

It has no way to emit (design rule 4): that is `ProbeEmitter` in probe_emit.py. Protocol: probe_protocol.py.
"""

from __future__ import annotations

from enum import Enum
from types import TracebackType
from typing import Self

from benchtool.taps.clock import Clock, SystemClock
from benchtool.taps.live import SourceLostError
from benchtool.taps.probe_port import Opener, ProbePort, open_probe_port
from benchtool.taps.probe_protocol import (
    PROTOCOL,
    Answer,
    Event,
    ProbeDecoder,
    Refused,
    command_line,
    facts_of,
    number_in,
)
from benchtool.taps.tap import TapError

PREFIX = "probe:"
_ANSWER_S = 0.5
_TRIES = 4
_READ_S = 0.05
_S = 1_000_000_000


class Ask(Enum):
    """What may be asked of a probe that only listens; the value is the command's word."""

    HELLO = "hello"
    LEVELS = "levels"
    COUNTERS = "counters"
    TEST = "test"
    """It emits on its two spare pins and times that: nothing on the card lines."""


class RefusedError(Exception):
    """The probe did not do what it was told; the text is its one word."""


def device_of(address: str) -> str:
    """The device that `probe:DEVICE` names, or a bare device. TapError where it names none."""
    device = address.strip().removeprefix(PREFIX)
    if not device:
        raise TapError("probe: which port? Write probe:/dev/ttyACM0; benchtool ports lists them", reason="bad-address")
    return device


class ProbeLink:
    """An open probe. `with` opens and closes; opening says hello and checks the protocol's version.

    `clock` and `opener` are for tests.
    """

    def __init__(self, address: str, *, clock: Clock | None = None, opener: Opener = open_probe_port) -> None:
        self.device = device_of(address)
        self.facts: dict[str, str] = {}
        """What the probe says about itself; complete once open."""
        self.tick_ns = 0
        """How finely it times."""
        self.decoder = ProbeDecoder()
        self._clock: Clock = clock or SystemClock()
        self._opener = opener
        self._port: ProbePort | None = None
        self._number = 0
        self._waiting: list[Event] = []

    def open(self) -> None:
        """Open the port and greet the probe; TapError with a one-line mend."""
        if self._port is not None:
            return
        self._port = self._opener(self.device)
        # Any number: the probe takes a repeated one for our repetition of what it did already.
        self._number = self._clock.now_ns() // 1000 & 0xFFFF
        try:
            self._greet()
        except BaseException:
            self.close()
            raise

    def _greet(self) -> None:
        try:
            self.facts = facts_of(self.ask(Ask.HELLO))
        except RefusedError:
            self.facts = {}
        version, tick = number_in(self.facts, "protocol"), number_in(self.facts, "tick")
        if version != PROTOCOL or not tick:
            raise TapError(
                f"the probe at {self.device} does not speak version {PROTOCOL} of the protocol: copy the files "
                "of this benchtool's docs/probe onto the board again",
                reason="foreign",
            )
        self.tick_ns = tick

    def close(self) -> None:
        """Close; may be called twice."""
        port, self._port = self._port, None
        if port is not None:
            port.close()

    def ask(self, what: Ask) -> str:
        """Ask, and answer the words of the answer. TapError where none comes; RefusedError where the probe says no."""
        return self._command(what.value)

    def events(self, timeout_s: float) -> list[Event]:
        """What the probe has told since, in order; waits at most `timeout_s`. TapError when it has gone."""
        if not self._waiting:
            self._waiting = self._hear(timeout_s)
        events, self._waiting = self._waiting, []
        return events

    def _command(self, words: str) -> str:
        """Send a command, again where no answer comes: the probe does nothing twice that has the same number."""
        number = self._number = (self._number + 1) & 0xFFFF
        line = command_line(number, words)
        for _ in range(_TRIES):
            self._write(line)
            end_ns = self._clock.now_ns() + round(_ANSWER_S * _S)
            while self._clock.now_ns() < end_ns:
                for event in self._take(number):
                    if isinstance(event, Refused):
                        raise RefusedError(event.why)
                    return event.words
        raise self._silent()

    def _take(self, number: int) -> list[Answer | Refused]:
        """The answer to a command, if it has come; what else came waits to be asked for."""
        answers: list[Answer | Refused] = []
        for event in self._hear(_READ_S):
            if not isinstance(event, Answer | Refused):
                self._waiting.append(event)
            elif event.number == number:
                answers.append(event)
        return answers

    def _hear(self, timeout_s: float) -> list[Event]:
        assert self._port is not None, "not open"
        try:
            return self.decoder.feed(self._port.read(timeout_s))
        except SourceLostError as error:
            raise self._gone(error) from error

    def _write(self, octets: bytes) -> None:
        assert self._port is not None, "not open"
        try:
            self._port.write(octets)
        except SourceLostError as error:
            raise self._gone(error) from error

    def _gone(self, error: SourceLostError) -> TapError:
        return TapError(f"the probe at {self.device} has gone: {error}; plug it in and begin again", reason="absent")

    def _silent(self) -> TapError:
        if b">>>" in self.decoder.last_strays or b"Traceback" in self.decoder.last_strays:
            return TapError(
                f"the board at {self.device} answers, but the probe's program does not run: copy the files of "
                "docs/probe onto it and reset it (docs/probe.md)",
                reason="unusable",
            )
        return TapError(
            f"no probe answers at {self.device}: is it this port (benchtool ports), and is its program on it "
            "(docs/probe.md)?",
            reason="unusable",
        )

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
