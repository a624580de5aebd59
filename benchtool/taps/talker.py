"""Runs a station on a real line: half duplex, with an injected clock and port, everything said and heard recorded.

The station decides what to say and when (`simulate`); this reads before it lets it act, so that a computer that stalls
does not take an answer that waits in its buffer for silence. What was sent is an item like what was heard (SENT).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchtool.capture.chunk import Chunk, Direction
from benchtool.simulate.station import Station
from benchtool.taps.clock import Clock
from benchtool.taps.live import SourceLostError
from benchtool.taps.talker_echo import Difference, Echo, EchoCheck
from benchtool.taps.talker_line import TalkPort
from benchtool.taps.tap import TapError

_S = 1_000_000_000
_ECHO_LATE_NS = 60_000_000
"""An echo that has not come so long after its last octet was sent does not come: USB adapters hold octets for 16 ms."""


@dataclass(slots=True)
class TalkFigures:
    """What was said and heard; grows."""

    sent: int = 0
    octets_sent: int = 0
    octets_heard: int = 0
    echoes: int = 0
    differing_echoes: int = 0
    came_back: int = 0
    """Transmissions that came back whole although the user said that there is no echo."""
    late_ns: int = 0
    """The longest that the computer was late to let the station act."""


class Talker:
    """One station on one line. `port` is open; the caller closes it.

    `on_item` is called with each chunk, sent or heard (echo taken away), in order; `on_difference` with each echo that
    is not what was sent. `certain` says whether an echo of octets can be told from every reply to them.
    """

    def __init__(
        self,
        station: Station,
        port: TalkPort,
        clock: Clock,
        *,
        echo: Echo = Echo.AUTO,
        certain: Callable[[bytes], bool] = lambda _: True,
        on_item: Callable[[Chunk], None] | None = None,
        on_difference: Callable[[Difference], None] | None = None,
    ) -> None:
        self._station = station
        self._port = port
        self._now = clock.now_ns
        self._origin_ns = clock.now_ns()
        self._echo = EchoCheck(echo)
        self._certain = certain
        self._on_item = on_item
        self._on_difference = on_difference
        self._char_ns = port.info.settings.char_ns
        self._until_ns = 0
        self._heard_ns = 0
        self._item_ns = 0
        self._idle_ns = 0
        """When the station last had nothing due: what it is given to say later cannot be late before that."""
        self.figures = TalkFigures()

    @property
    def now_ns(self) -> int:
        """Nanoseconds since this was made."""
        return self._now() - self._origin_ns

    @property
    def echo(self) -> Echo:
        """What is known of the echo by now."""
        return self._echo.echo

    def turn(self, timeout_s: float) -> None:
        """Hear what has come, or wait for it at most `timeout_s` or until the station wants to act; let it act.

        TapError when the line has gone.
        """
        now_ns = self.now_ns
        due_ns = self._station.wake_ns()
        wait_ns = round(timeout_s * _S)
        if due_ns is not None:
            wait_ns = min(wait_ns, max(0, due_ns - now_ns, self._until_ns - now_ns))
        if self._echo.waits:
            wait_ns = min(wait_ns, max(0, self._until_ns + _ECHO_LATE_NS - now_ns))
        try:
            self._hear(wait_ns / _S)
            now_ns = self.now_ns
            due_ns = self._station.wake_ns()
            if due_ns is None or due_ns > now_ns:
                self._idle_ns = now_ns
                return
            if now_ns < self._until_ns:
                return
            # Whatever has come meanwhile may be what it gives up waiting for.
            while self._hear(0):
                pass
            due_ns = self._station.wake_ns()
            now_ns = self.now_ns
            if due_ns is not None and due_ns <= now_ns:
                self.figures.late_ns = max(self.figures.late_ns, now_ns - max(due_ns, self._idle_ns))
                self._act(now_ns)
        except SourceLostError as error:
            raise TapError(f"{self._port.info.name} has gone: {error}", reason="absent") from error

    def _hear(self, timeout_s: float) -> bool:
        octets, marks = self._port.read(timeout_s)
        now_ns = self.now_ns
        if octets:
            self._pass_on(*self._echo.heard(octets, marks), now_ns)
            self.figures.came_back = self._echo.came_back
            self._told_differences()
            return True
        if self._echo.waits and now_ns >= self._until_ns + _ECHO_LATE_NS:
            self._pass_on(*self._echo.silent(), now_ns)
            self._told_differences()
        return False

    def _pass_on(self, octets: bytes, marks: bytes, now_ns: int) -> None:
        if not octets:
            return
        begin_ns = max(self._heard_ns, now_ns - len(octets) * self._char_ns)
        self._heard_ns = now_ns
        self.figures.octets_heard += len(octets)
        self._item(begin_ns, now_ns, octets, marks, Direction.RECEIVED)
        self._station.hear(Chunk(begin_ns, now_ns, octets, marks, Direction.RECEIVED))

    def _act(self, now_ns: int) -> None:
        octets = self._station.act(now_ns)
        if octets is None:
            return
        self._pass_on(*self._echo.sent(octets, certain=self._certain(octets)), now_ns)
        self._told_differences()
        self._until_ns = now_ns + len(octets) * self._char_ns
        self._item(now_ns, self._until_ns, octets, b"", Direction.SENT)
        self.figures.sent += 1
        self.figures.octets_sent += len(octets)
        self._port.send(octets)
        self.take_baud()

    def take_baud(self) -> None:
        """Set the line to the bit rate that the station wants, once our last octet is out."""
        baud = self._station.baud()
        if baud is None or baud == self._port.info.settings.baud:
            return
        while self.now_ns < self._until_ns:
            self._hear((self._until_ns - self.now_ns) / _S)
        self._port.set_baud(baud)
        self._char_ns = self._port.info.settings.char_ns

    def _item(self, begin_ns: int, end_ns: int, octets: bytes, marks: bytes, direction: Direction) -> None:
        # On a pseudo-terminal an answer comes before our octets would be out: items stay in order all the same.
        begin_ns = max(begin_ns, self._item_ns)
        end_ns = max(end_ns, begin_ns)
        self._item_ns = begin_ns if direction is Direction.SENT else end_ns
        if self._on_item is not None:
            self._on_item(Chunk(begin_ns, end_ns, octets, marks, direction))

    def _told_differences(self) -> None:
        differences, self._echo.differences = self._echo.differences, []
        self.figures.echoes = self._echo.compared
        self.figures.differing_echoes += len(differences)
        for difference in differences:
            if self._on_difference is not None:
                self._on_difference(difference)
