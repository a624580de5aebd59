"""Where the screen's items come from: a live tap as it is, a capture or a simulated bus at the pace of the screen.

All on one clock, that of the bus since the screen began, however often the tap was opened anew.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import replace
from urllib.parse import parse_qsl, urlencode

from benchtool.capture.chunk import Item, LineCounts, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.screens.watch_pace import Pace
from benchtool.simulate import faults
from benchtool.simulate.osdp_actions import parse_action, perform
from benchtool.simulate.peripheral import Peripheral
from benchtool.taps.file import FileTap
from benchtool.taps.live import LiveTap
from benchtool.taps.simulated import SimulatedTap
from benchtool.taps.tap import Tap

Opener = Callable[[str, LineSettings | None], Tap]
"""The tap at an address, not yet open."""

_DAY_S = 86_400.0
"""A simulated bus runs so long where nobody says."""
_LIVE_WAIT_S = 0.05
_MOST = 400
"""Items of one turn."""


class Source:
    """One a screen."""

    def __init__(self, address: str, settings: LineSettings | None, pace: Pace, opener: Opener) -> None:
        self.address = address
        self.settings = settings
        self._pace, self._opener = pace, opener
        self._offset_ns = 0
        self._tap: Tap | None = None
        self._ready: deque[Item] = deque()
        self._last_ns = 0
        """Where the last item of a file ended."""
        self._lump = (0.0, 1)
        """How much of a file had been read before the items that are held ready were, and how many those were."""
        self.behind = False
        """Whether more had come by the last turn than one turn takes."""

    def open(self, offset_ns: int = 0) -> None:
        """Open; what comes is on the screen's clock, which is at `offset_ns` now. TapError says what is wrong.

        A file is played from its first item on, however late that came: nobody waits for an empty beginning.
        """
        tap = self._make()
        self._pace.bus_ns = offset_ns
        if isinstance(tap, LiveTap):
            tap.told_from_ns = offset_ns
        tap.open()
        self._tap, self._offset_ns = tap, offset_ns
        self._ready.clear()
        if self.is_file:
            while not self._ready and not tap.ended:
                self._read_on()
            if self._ready:
                self._pace.bus_ns = self._last_ns = self._ready[0].t_ns

    def set_clock(self, now_ns: int) -> None:
        """It is `now_ns` on the screen's clock at a live tap: opening it took its time, and the bus went on."""
        self._offset_ns = now_ns - self.tap.now_ns
        if isinstance(self._tap, LiveTap):
            self._tap.told_from_ns = self._offset_ns

    def _make(self) -> Tap:
        if not self.address.startswith("sim:"):
            return self._opener(self.address, self.settings)
        name, mark, query = self.address.partition("?")
        options = dict(parse_qsl(query, keep_blank_values=True)) if mark else {}
        seconds = None if "for" in options else _DAY_S
        options["pace"] = "real"  # as it would come; the pace says what real is
        return SimulatedTap(
            f"{name}?{urlencode(options, safe=',/')}",
            self.settings,
            seconds=seconds,
            typed=self.address,
            clock_ns=lambda: self._pace.bus_ns,
            wait=lambda _: None,
        )

    @property
    def tap(self) -> Tap:
        """The open tap."""
        assert self._tap is not None
        return self._tap

    @property
    def is_file(self) -> bool:
        """Whether a capture or log is played."""
        return isinstance(self._tap, FileTap)

    @property
    def is_simulated(self) -> bool:
        """Whether the bus is a simulated one."""
        return isinstance(self._tap, SimulatedTap)

    @property
    def is_live(self) -> bool:
        """Whether the tap is in real time by itself."""
        return not (self.is_file or self.is_simulated)

    @property
    def fixed_line(self) -> str:
        """Why rate and format cannot be set here; empty where they can."""
        if self.is_file:
            heard = self.tap.info.settings
            return f"A capture was heard with {heard}; that cannot be changed now. q, and --baud, reads it otherwise."
        if self.address.startswith("socket://"):
            return "A device server sets its line itself: set the rate there, then start again with --baud."
        return ""

    @property
    def info(self) -> TapInfo:
        """What the tap says about itself, on the screen's clock."""
        info = self.tap.info
        anchor_ns = info.anchor_ns - self._offset_ns if info.anchor_ns else 0
        return replace(info, name=self.address, anchor_ns=anchor_ns)

    @property
    def lost(self) -> str:
        """Why an adapter cannot hear just now, though it may again; empty else."""
        return self._tap.lost if isinstance(self._tap, LiveTap) else ""

    @property
    def ended(self) -> bool:
        """Whether nothing more comes."""
        return self.tap.ended and not self._ready

    def now_ns(self) -> int:
        """Bus time up to which all has been taken that there was."""
        if self.is_live:
            return self.tap.now_ns + self._offset_ns
        until_ns = self._pace.bus_ns
        if self.is_file and self.tap.ended and not self._ready:
            return min(until_ns, self._last_ns)
        return min(until_ns, self._ready[0].t_ns) if self._ready else until_ns

    def take(self, real_ns: int) -> list[Item]:
        """What has come by now; waits a moment for it at a live tap only."""
        if self.is_live:
            return self._moved(self.tap.read(_LIVE_WAIT_S))
        until_ns = self._pace.turn(real_ns)
        if self.is_simulated:
            items = self._moved(self.tap.read(0))
            self.behind = len(items) >= _MOST // 2
        else:
            items = []
            while len(items) < _MOST:
                if not self._ready:
                    if self.tap.ended:
                        break
                    self._read_on()
                elif _end_ns(self._ready[0]) <= until_ns:
                    items.append(self._ready.popleft())
                else:
                    break
            self.behind = len(items) >= _MOST
            if items:
                self._last_ns = max(self._last_ns, _end_ns(items[-1]))
        if self.behind:
            self._pace.reached(_end_ns(items[-1]))
        return items

    def _read_on(self) -> None:
        """Hold the next items of a file ready."""
        assert isinstance(self._tap, FileTap)
        before = self._tap.share
        self._ready.extend(self._moved(self._tap.read(0)))
        self._lump = (before, max(1, len(self._ready)))

    @property
    def share(self) -> float | None:
        """How much of a capture has been played, 0 to 1, by its octets in the file; None for what has no end."""
        if not isinstance(self._tap, FileTap):
            return None
        before, count = self._lump
        return self._tap.share - (self._tap.share - before) * len(self._ready) / count

    def _moved(self, items: list[Item]) -> list[Item]:
        shift = self._offset_ns
        if not shift:
            return items
        return [
            item._replace(t_ns=item.t_ns + shift)
            if isinstance(item, LineCounts)
            else item._replace(t_ns=item.t_ns + shift, end_ns=item.end_ns + shift)
            for item in items
        ]

    def close(self) -> list[Item]:
        """Close; what the tap still held."""
        self.tap.close()
        return self._moved(self.tap.read(0)) if self.is_live else []

    def with_fault(self, text: str) -> str:
        """The address of this simulated bus with the fault that `text` names: `noise-mains level=0.4`."""
        name, _, query = self.address.partition("?")
        kept = {key: value for key, value in parse_qsl(query) if key != "fault" and key not in faults.OPTIONS}
        fault, *words = text.split() or ["healthy"]
        kept["fault"] = fault
        for word in words:
            key, _, value = word.partition("=")
            kept[key] = value
        return f"{name}?{urlencode(kept, safe=',/')}"

    def act(self, text: str) -> str:
        """Have a simulated device do something; what was done, without numbers. ValueError says what would be right."""
        action = parse_action(text)
        assert isinstance(self._tap, SimulatedTap)
        devices = [one for one in self._tap.stations.values() if isinstance(one, Peripheral)]
        if not devices:
            raise ValueError("no device on this bus takes cards, keys or inputs: they are for OSDP")
        if action.address is None:
            device = next((one for one in devices if one.address == 2), devices[0])
        else:
            named = [one for one in devices if one.address == action.address]
            if not named:
                raise ValueError(f"no OSDP device at {action.address}; there are {_named(devices)}")
            device = named[0]
        perform(action, device.functions)
        return f"{action.verb} at address {device.address}: told at its next poll"


def _named(devices: list[Peripheral]) -> str:
    return ", ".join(f"@{one.address}" for one in devices)


def _end_ns(item: Item) -> int:
    return item.t_ns if isinstance(item, LineCounts) else item.end_ns
