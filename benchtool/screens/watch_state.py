"""The model behind `watch`: fed with what the tap delivers, as `listen` is; gives immutable snapshots to draw.

Bounded memory whatever comes. One thread feeds it; any thread may ask for a snapshot. It holds no clock: bus time comes
with the items, or as an argument.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from benchtool.capture.chunk import Chunk, Gap, Item, LineCounts, LineErrors, Mark, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.diagnose.evidence import Gatherer
from benchtool.diagnose.readings import ByHand
from benchtool.diagnose.table_evidence import gatherer_for
from benchtool.frames.decoders import Decoder, Spoken
from benchtool.frames.frame import Frame
from benchtool.frames.osdp.events import Event
from benchtool.frames.osdp.keys import KeyRing
from benchtool.measure.osdp_watch import OsdpWatch, WatchFigures
from benchtool.measure.tally import Figures, Tally
from benchtool.screens import watch_words
from benchtool.screens.watch_devices import DeviceLine, Devices
from benchtool.screens.watch_diagnosis import Found, Work
from benchtool.screens.watch_look import Look
from benchtool.screens.watch_rows import Row, RowKind, line_of
from benchtool.screens.watch_scroll import Scroll
from benchtool.screens.watch_snapshot import Counts, Note, Snapshot
from benchtool.screens.watch_strip import KEPT, Cell, Rates, Strip

MOST_ROWS = 4000
"""Lines of traffic that the screen remembers."""
MOST_NOTES = 500
_SLOW_NS = 250_000_000
"""Devices, the strip and the rates are worked out anew four times a second of bus time: nobody reads faster."""


@dataclass(slots=True)
class _Stretch:
    """What is counted from one setting, or one state of the bus, on."""

    info: TapInfo
    tally: Tally
    decoder: Decoder
    gatherer: Gatherer
    watch: OsdpWatch
    strip: Strip
    devices: Devices = field(default_factory=Devices)
    octets: int = 0
    sound: int = 0
    damaged: int = 0
    line_errors: int = 0
    heard_ns: int | None = None


class Model(Scroll):
    """One a screen; `begin` before all else."""

    def __init__(self, spoken: Spoken, keys: KeyRing, *, most_rows: int = MOST_ROWS) -> None:
        super().__init__(most_rows)
        self.notes: list[Note] = []
        self.readings: list[Note] = []
        """What was measured, tried and taken back, in the words shown."""
        self.by_hand = ByHand()
        self.found: Found | None = None
        self.stretches = 0
        self.began_ns = 0
        self.ended = ""
        """Why nothing more comes; empty while something may."""
        self.lost = ""
        """Why nothing can be heard just now; empty where that is not so."""
        self.deaf_since_ns: int | None = None
        """Bus time since which that is so."""
        self._deaf_ns = 0
        """How long it could not hear since counting began, but for now."""
        self._hears_since_ns = 0
        """Bus time at which it could hear again."""
        self.recording = ""
        self.pace = ""
        self.share: float | None = None
        """How much of a capture has been played; None for what has no end."""
        self.length_m: float | None = None
        self.order: tuple[int, ...] = ()
        self._spoken, self._keys = spoken, keys
        self._now_ns = 0
        self._stretch: _Stretch
        self._worded: tuple[Found | None, str, str, str] | None = None
        """The finding last drawn, the fault that was plain to see then, and the finding in words and in few."""
        self._slow: tuple[tuple[int, ...], tuple[DeviceLine, ...], tuple[Cell, ...], Rates] | None = None

    def begin(self, info: TapInfo, now_ns: int, *, by_file: bool = False) -> None:
        """Listening begins, or counting begins anew; the lines stay. `by_file`: time begins with the first octet."""
        with self.lock:
            tally = Tally(info)
            decoder = self._spoken.decoder(info.settings, info.resolution_ns)
            gatherer = gatherer_for(tally, decoder)
            strip = Strip(info.settings.char_ns)
            if not by_file:
                tally.begin(now_ns)
                strip.begin(now_ns)
            watch = OsdpWatch(info, self._keys)
            self._stretch = _Stretch(info, tally, decoder, gatherer, watch, strip)
            self._now_ns = self.began_ns = now_ns
            self._deaf_ns = 0
            if self.deaf_since_ns is not None:  # what was not heard before belongs to what was before
                self.deaf_since_ns = now_ns
            self.stretches += 1
            self.found, self.ended = None, ""

    @property
    def info(self) -> TapInfo:
        """The tap as it was when counting began."""
        return self._stretch.info

    @property
    def settings(self) -> LineSettings:
        """What the receiver is set to."""
        return self._stretch.info.settings

    @property
    def blind(self) -> bool:
        """Whether there is something that this tap cannot see."""
        info = self._stretch.info
        return info.line_errors is not LineErrors.MARKED or info.resolution_ns > 0

    @property
    def octets(self) -> int:
        """Heard since counting began."""
        return self._stretch.octets

    @property
    def now_ns(self) -> int:
        """Bus time."""
        return self._now_ns

    @property
    def listened_ns(self) -> int:
        """How long it could hear since counting began."""
        deaf_ns = self._deaf_ns + (0 if self.deaf_since_ns is None else self._now_ns - self.deaf_since_ns)
        return self._now_ns - self.began_ns - deaf_ns

    def knows(self, address: int) -> bool:
        """Whether a device of that address is known."""
        with self.lock:
            return address in self._stretch.devices.addresses()

    def hear(self, item: Item) -> None:
        """Take an item from the tap; the caller holds the lock."""
        stretch = self._stretch
        stretch.watch.item(item)
        stretch.strip.item(item)
        if isinstance(item, Chunk):
            stretch.octets += len(item.octets)
            stretch.heard_ns = item.end_ns
            self._now_ns = max(self._now_ns, item.end_ns)
            if item.marks:
                stretch.line_errors += sum(1 for mark in item.marks if mark & _ANY)
            frames = stretch.decoder.feed(item)
            stretch.gatherer.item(item)
            self._take(frames)
        elif isinstance(item, Gap):
            # It may have begun before counting began anew.
            item = item._replace(t_ns=max(item.t_ns, min(self.began_ns, item.end_ns)))
            # What the decoder still held was heard before the gap.
            self._take(stretch.decoder.feed(item))
            stretch.gatherer.item(item)
            self._now_ns = max(self._now_ns, item.end_ns)
            self.rows.append(Row(RowKind.GAP, item.t_ns, text=item.why))
        elif isinstance(item, LineCounts):
            stretch.gatherer.item(item)
            stretch.line_errors += item.framing + item.parity + item.breaks + item.overrun

    def idle(self, now_ns: int) -> None:
        """It is `now_ns` and nothing more has come until then; the caller holds the lock."""
        self._now_ns = max(self._now_ns, now_ns)
        self._take(self._stretch.decoder.flush(now_ns))
        if self.deaf_since_ns is not None:  # the tap tells its gap only once it can hear again
            self._stretch.strip.item(Gap(self.deaf_since_ns, self._now_ns, self.lost))

    def hears(self, lost: str, since_ns: int) -> None:
        """Whether the tap can hear: `lost` says why not, since that bus time; the caller holds the lock."""
        if lost and self.deaf_since_ns is None:
            self.deaf_since_ns = max(since_ns, self.began_ns)
        elif not lost and self.deaf_since_ns is not None:
            again_ns = max(since_ns, self._now_ns)
            self._deaf_ns += max(0, again_ns - self.deaf_since_ns)
            self.deaf_since_ns, self._hears_since_ns = None, again_ns
        self.lost = lost

    def _take(self, frames: list[Frame]) -> None:
        stretch = self._stretch
        for frame in frames:
            exchange = stretch.gatherer.frame(frame)
            seen = stretch.watch.frame(frame)
            stretch.strip.frame(frame)
            stretch.devices.frame(frame, seen)
            if exchange is not None:
                stretch.devices.exchange(exchange)
            if frame.ok:
                stretch.sound += 1
            else:
                stretch.damaged += 1
            self.rows.append(Row(RowKind.FRAME, frame.t_ns, frame=frame, seen=seen))
            self._tell(seen.events)

    def _tell(self, events: tuple[Event, ...]) -> None:
        for event in events:
            self.rows.append(Row(RowKind.EVENT, event.t_ns, event=event))

    def close(self, now_ns: int, *, goes_on: bool = False) -> None:
        """Listening ends: what is still held is decided. `goes_on`: the tap does, and has not told the gap it is in."""
        with self.lock:
            stretch = self._stretch
            if goes_on and self.deaf_since_ns is not None and self.deaf_since_ns < now_ns:
                gap = Gap(self.deaf_since_ns, now_ns, self.lost)
                self._take(stretch.decoder.feed(gap))
                stretch.gatherer.item(gap)
            self._take(stretch.decoder.close())
            stretch.gatherer.close(now_ns)
            self._tell(stretch.watch.close(now_ns))
            self._now_ns = max(self._now_ns, now_ns)

    def note(self, text: str) -> Note:
        """What the user writes down, with the moment."""
        with self.lock:
            note = Note(self._now_ns, text)
            if len(self.notes) < MOST_NOTES:
                self.notes.append(note)
            self.rows.append(Row(RowKind.NOTE, note.t_ns, text=text))
        return note

    def say(self, text: str) -> None:
        """A line of our own in the traffic."""
        with self.lock:
            self.rows.append(Row(RowKind.SAID, self._now_ns, text=text))

    def measured(self, more: ByHand) -> Work:
        """Something was measured or tried; what is to be worked out now."""
        return self.weighed(self.by_hand + more)

    def weighed(self, by_hand: ByHand) -> Work:
        """What was measured and tried is this now."""
        self.by_hand = by_hand
        return Work(self._now_ns, by_hand, self.stretches)

    def took(self, text: str) -> Note:
        """What was measured, tried or taken back, with the moment."""
        with self.lock:
            note = Note(self._now_ns, text)
            if len(self.readings) < MOST_NOTES:
                self.readings.append(note)
            self.rows.append(Row(RowKind.SAID, note.t_ns, text=text))
        return note

    def work(self) -> Work:
        """What a diagnosis would be made of now."""
        with self.lock:
            stretch = self._stretch
            return Work(
                self._now_ns,
                self.by_hand,
                self.stretches,
                stretch.gatherer.evidence(stretch.decoder.counters),
                stretch.info.settings,
                stretch.info.name,
                self.length_m,
                self.order,
            )

    def take_found(self, work: Work, found: Found) -> None:
        """A diagnosis has been worked out."""
        if work.stretch == self.stretches:
            self.found = found

    def figures(self) -> Figures:
        """The tallies, as `listen` prints them."""
        with self.lock:
            return self._stretch.tally.figures(self._stretch.decoder.counters)

    def noticed_figures(self) -> WatchFigures:
        """What was noticed in OSDP traffic."""
        with self.lock:
            return self._stretch.watch.figures()

    def device_count(self) -> int:
        """How many devices are known."""
        return len(self._stretch.devices)

    @property
    def devices(self) -> tuple[DeviceLine, ...]:
        """The devices as they were last drawn."""
        return () if self._slow is None else self._slow[1]

    def trouble(self) -> str:
        """The fault that is plain to see now, in few words; empty where none is."""
        with self.lock:
            now_ns, stretch = self._now_ns, self._stretch
            return watch_words.trouble(stretch.strip.rates(now_ns), stretch.devices.lines(now_ns))

    def _heard(self) -> tuple[int, int | None]:
        """Since when it listens without a break, and when the last octet came; that before a break is long ago."""
        heard_ns, again_ns = self._stretch.heard_ns, self._hears_since_ns
        if self.ended or again_ns <= self.began_ns or (heard_ns or 0) > again_ns:
            return self.began_ns, heard_ns
        return again_ns, None

    def snapshot(self, look: Look, traffic: int, seconds: int) -> Snapshot:
        """A picture of everything, with `traffic` lines of traffic and so many `seconds` of the line's past."""
        stretch = self._stretch
        with self.lock:
            now_ns = self._now_ns
            key = (self.stretches, now_ns // _SLOW_NS, len(stretch.devices), seconds, look.show_secrets)
            if self._slow is None or self._slow[0] != key:
                devices = stretch.devices.lines(now_ns, show_secrets=look.show_secrets)
                cells = stretch.strip.cells(now_ns, min(seconds, KEPT))
                self._slow = (key, devices, cells, stretch.strip.rates(now_ns))
            _, devices, cells, rates = self._slow
        blind = stretch.info.line_errors is LineErrors.UNAVAILABLE
        numbers = self.shown(look, traffic, now_ns)
        kept = self.lines(look)
        lines = []
        for number in numbers:
            try:
                lines.append(line_of(number, kept[number], show_secrets=look.show_secrets))
            except IndexError:
                continue
        found = self.found
        wrong = watch_words.trouble(rates, devices)
        if self._worded is None or self._worded[0] is not found or self._worded[1] != wrong:
            leading = None if found is None else found.diagnosis
            words = watch_words.finding_sentence(leading, wrong), watch_words.finding_in_short(leading, wrong)
            self._worded = (found, wrong, *words)
        _, _, finding, finding_short = self._worded
        todo = watch_words.next_thing(None if found is None else found.diagnosis)
        return Snapshot(
            tap=stretch.info.name,
            settings=str(stretch.info.settings),
            now_ns=now_ns,
            pace=self.pace if self.share is None else f"{self.pace}, {self.share:.0%} of file",
            recording=self.recording,
            state=f"Cannot hear now: {self.lost}. It goes on as soon as it is back."
            if self.lost and not self.ended
            else watch_words.state_sentence(now_ns, *self._heard(), rates, devices, self.ended),
            finding=finding,
            finding_short=finding_short,
            do_head=todo.head,
            do=todo.do,
            do_name=todo.name,
            caution=todo.caution,
            devices=devices,
            cells=cells,
            rates=rates,
            counts=Counts(stretch.octets, stretch.sound, stretch.damaged, None if blind else stretch.line_errors),
            unseen=watch_words.unseen(stretch.info),
            resolution_ns=stretch.info.resolution_ns,
            lines=tuple(lines),
            selected=look.selected if look.held else -1,
            newer=self.newer(look, numbers[-1] if numbers else look.bottom) if look.held else 0,
            passed=look.passed,
            deaf_since_ns=None if self.ended else self.deaf_since_ns,
        )


_ANY = Mark.FRAMING | Mark.PARITY | Mark.BREAK | Mark.OVERRUN
