"""What the commands that transmit share: the caution, the open line, the loop that runs a station on it."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchtool.capture.chunk import Chunk, Item
from benchtool.capture.files import CaptureError, Recorder
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import tap_failed
from benchtool.commands.outputs import recording_failed
from benchtool.commands.session import Whole, terminate_as_interrupt
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.decoders import usual_decoder
from benchtool.frames.frame import Frame, Role
from benchtool.frames.modbus.ascii import from_ascii
from benchtool.measure.tally import Figures, Tally
from benchtool.simulate.station import Station
from benchtool.taps.clock import Clock, SystemClock
from benchtool.taps.live import SourceLostError
from benchtool.taps.talker import Talker
from benchtool.taps.talker_echo import Difference, Echo
from benchtool.taps.talker_line import Switching, TalkPort, open_talk
from benchtool.taps.tap import TapError

if TYPE_CHECKING:
    from benchtool.frames.decoders import Decoder
    from benchtool.taps.talker import TalkFigures

_TURN_S = 0.05
_LISTEN_NS = 1_000_000_000
_FLUSH_NS = 1_000_000_000
_SAME_REPLY = frozenset({0x05, 0x06, 0x08, 0x15, 0x16})
"""Modbus functions whose replies repeat the request (sheet 3.3): no echo can be told by them."""


def need_transmit(transmit: bool, port: str, harm: str) -> None:
    """CommandError that says what transmitting does, unless the user asked for it; or that a file is no line."""
    if (place := Path(port)).is_file() or place.is_dir():
        what = "a folder" if place.is_dir() else "a file"
        raise CommandError(f"{port} is {what}: nobody answers there; give a serial port or its URL", Exit.TAP)
    if not transmit:
        raise CommandError(
            f"this transmits on {port}: {harm}; add --transmit when only the bench is on that pair", Exit.USAGE
        )


def open_line(
    address: str, baud: int | None, char_format: CharFormat | None, base: LineSettings, direction: str, clock: Clock
) -> TalkPort:
    """The line opened to talk on; CommandError in one line."""
    settings = LineSettings(baud or base.baud, char_format or base.format)
    try:
        return open_talk(address, settings, Switching(direction), clock)
    except TapError as error:
        raise tap_failed(error) from None


def certain(octets: bytes) -> bool:
    """Whether no reply to these octets is the same octets."""
    ascii_body = from_ascii(octets)
    if ascii_body is not None:
        return ascii_body[1] not in _SAME_REPLY
    return octets[:1] == b"S" or len(octets) < 2 or octets[1] not in _SAME_REPLY


def who_controls(port: TalkPort, clock: Clock) -> Frame | None:
    """Listen before talking: a command of another controller that is on the line, if one is heard."""
    decoder = usual_decoder(port.info.settings)
    begin_ns = clock.now_ns()
    try:
        while (now_ns := clock.now_ns() - begin_ns) < _LISTEN_NS:
            octets, marks = port.read((_LISTEN_NS - now_ns) / 1e9)
            if octets:
                end_ns = clock.now_ns() - begin_ns
                chunk = Chunk(max(0, end_ns - len(octets) * port.info.settings.char_ns), end_ns, octets, marks)
                for frame in decoder.feed(chunk):
                    if frame.ok and frame.role is Role.REQUEST:
                        return frame
    except SourceLostError as error:
        raise CommandError(f"{port.info.name} has gone: {error}", Exit.TAP) from None
    return None


class TypedLines:
    """Lines of standard input, which a person types or a program pipes in, fetched without waiting for them."""

    def __init__(self, wanted: bool) -> None:
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._over = not wanted
        if wanted:
            threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        # What cannot be read as text is told as a line that says nothing, not as the end of a thread.
        with suppress(AttributeError):
            sys.stdin.reconfigure(errors="replace")  # type: ignore[union-attr]
        with suppress(OSError, ValueError):
            for line in sys.stdin:
                self._lines.put(line.strip())
        self._over = True

    @property
    def ended(self) -> bool:
        """Whether all that there was has been taken."""
        return self._over and self._lines.empty()

    def take(self) -> list[str]:
        """What was typed since the last call."""
        lines = []
        while not self._lines.empty():
            lines.append(self._lines.get())
        return lines


class Conversation:
    """Runs a station on an open line until the time is up, `done` says so, or Ctrl-C; then `figures` is complete.

    `on_item` is called with each chunk said or heard, `on_frame` with each frame of them, `each_turn` with the time in
    nanoseconds some 20 times a second.
    """

    def __init__(
        self,
        station: Station,
        port: TalkPort,
        *,
        clock: Clock | None = None,
        echo: str = Echo.AUTO.value,
        seconds: float | None = None,
        record: str | None = None,
        overwrite: bool = False,
        on_item: Callable[[Item], None] | None = None,
        on_frame: Callable[[Frame], None] | None = None,
        on_notice: Callable[[str], None] | None = None,
        each_turn: Callable[[int], None] | None = None,
        done: Callable[[], bool] | None = None,
        decoder: Decoder | None = None,
    ) -> None:
        self._port = port
        self._seconds = seconds
        self._record = record
        self._overwrite = overwrite
        self._on_item = on_item
        self._on_frame = on_frame
        self._on_notice = on_notice
        self._each_turn = each_turn
        self._done = done
        self._recorder: Recorder | None = None
        self._decoder = decoder or BusDecoder(port.info.settings, port.info.resolution_ns)
        self._tally = Tally(port.info)
        self._notices = 0
        self._echo_told = False
        self._whole = Whole()
        self.stopped_by_user = False
        self.failure: CommandError | None = None
        self.talker = Talker(
            station,
            port,
            clock or SystemClock(),
            echo=Echo(echo),
            certain=certain,
            on_item=self._item,
            on_difference=self._difference,
        )

    @property
    def figures(self) -> Figures:
        """What was said and heard, counted as a listener counts it."""
        return self._tally.figures(self._decoder.counters)

    @property
    def talked(self) -> TalkFigures:
        """What the line did: transmissions, echoes, how late the computer was."""
        return self.talker.figures

    def run(self, on_open: Callable[[], None] | None = None) -> None:
        """Talk; `on_open` is called once the recording is open, before anything is said.

        A failure while it runs is kept in `failure`, to be raised once the result is printed.
        """
        with ExitStack() as stack:
            if self._record is not None:
                try:
                    self._recorder = stack.enter_context(
                        Recorder(self._record, self._port.info, overwrite=self._overwrite)
                    )
                except CaptureError as error:
                    raise recording_failed(error, self._record) from None
            if on_open is not None:
                on_open()
            self._tally.begin(0)
            with terminate_as_interrupt(self._whole):
                try:
                    self._talk()
                except KeyboardInterrupt:
                    self.stopped_by_user = True
                except TapError as error:
                    self.failure = tap_failed(error)
                except CaptureError as error:
                    self.failure = CommandError(str(error), Exit.OUTPUT)
            self._take(self._decoder.close())
            self._tally.close(self.talker.now_ns)

    def _talk(self) -> None:
        end_ns = None if self._seconds is None else round(self._seconds * 1e9)
        flushed_ns = heard = 0
        while True:
            now_ns = self.talker.now_ns
            if (end_ns is not None and now_ns >= end_ns) or (self._done is not None and self._done()):
                return
            left_s = _TURN_S if end_ns is None else min(_TURN_S, (end_ns - now_ns) / 1e9)
            self.talker.turn(left_s)
            now_ns = self.talker.now_ns
            if heard == self.talked.octets_heard:
                self._take(self._decoder.flush(now_ns))
            heard = self.talked.octets_heard
            if self._each_turn is not None:
                self._each_turn(now_ns)
            if self._recorder is not None and now_ns - flushed_ns >= _FLUSH_NS:
                self._recorder.flush()
                flushed_ns = now_ns
            if self.talked.came_back >= _ECHOES and not self._echo_told:
                self._echo_told = True
                self.note(_OWN_ECHO)
            for text in self._port.notices[self._notices :]:
                self._notices += 1
                self.note(text)

    def _item(self, item: Chunk) -> None:
        with self._whole:
            if self._recorder is not None:
                self._recorder.write(item)
            frames = self._decoder.feed(item)
            self._tally.item(item)
            if self._on_item is not None:
                self._on_item(item)
            self._take(frames)

    def _take(self, frames: list[Frame]) -> None:
        for frame in frames:
            self._tally.frame(frame)
            if self._on_frame is not None:
                self._on_frame(frame)

    def _difference(self, difference: Difference) -> None:
        what = "is missing from there" if len(difference.heard) <= difference.at else "differs from there"
        never = " (or this adapter does not hear itself: leave --echo yes out)" if not difference.heard else ""
        self.note(
            f"our own echo {what}: octet {difference.at + 1} of {len(difference.sent)}: somebody else talks at the "
            f"same time, or our driver does not reach the pair{never}"
        )

    def note(self, text: str) -> None:
        """Pass a line on to the user."""
        if self._on_notice is not None:
            self._on_notice(text)


_ECHOES = 2
"""So often our own octets come back before that is called an echo: once, another controller may have said the same."""
_OWN_ECHO = "what we send comes back whole: this adapter hears itself; leave --echo no out, or say --echo yes"
_ECHO = {Echo.AUTO: "none heard", Echo.YES: "heard", Echo.NO: "none expected"}


def talked_text(conversation: Conversation) -> list[str]:
    """What the line did, in lines for a person."""
    talked = conversation.talked
    lines = [f"sent {talked.sent} times, {talked.octets_sent} octets; own echo: {_ECHO[conversation.talker.echo]}"]
    if talked.echoes:
        lines.append(f"own echo compared {talked.echoes} times, different {talked.differing_echoes} times")
    if talked.came_back >= _ECHOES:
        lines.append(f"{_OWN_ECHO} ({talked.came_back} times)")
    if talked.late_ns > 20_000_000:
        lines.append(f"this computer was up to {talked.late_ns / 1e6:.0f} ms late: replies may have missed their time")
    return lines


def talked_object(conversation: Conversation) -> dict[str, Any]:
    """The same for `--json` (docs/json.md)."""
    talked = conversation.talked
    return {
        "sent": talked.sent,
        "octets_sent": talked.octets_sent,
        "echo": conversation.talker.echo.value,
        "echoes": talked.echoes,
        "differing_echoes": talked.differing_echoes,
        "came_back": talked.came_back,
        "late_ms": talked.late_ns / 1e6,
    }
