"""What the user asks of the tap, done in the thread that listens: record, set the line, do, play faster, count anew."""

from __future__ import annotations

import queue
from collections.abc import Callable, Sequence

from benchtool.capture.chunk import Gap, Item
from benchtool.capture.files import CaptureError
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.diagnose.readings import ByHand
from benchtool.reports.recorded import Recorded
from benchtool.screens import watch_typed
from benchtool.screens.watch_diagnosis import Worker
from benchtool.screens.watch_pace import Pace
from benchtool.screens.watch_recording import Recording
from benchtool.screens.watch_source import Source
from benchtool.screens.watch_state import Model
from benchtool.screens.watch_summary import Part
from benchtool.screens.watch_written import Written
from benchtool.taps.tap import TapError

_BATCH = 64
"""Items heard before who paints may look."""


class Asked(Written):
    """The part of the pump that does what is asked of the tap."""

    def __init__(
        self,
        model: Model,
        source: Source,
        pace: Pace,
        worker: Worker,
        clock_ns: Callable[[], int],
        tell: Callable[[str], None],
        show_secrets: bool,
    ) -> None:
        super().__init__(model, worker, Recording(self._recording_failed), tell, show_secrets)
        self.source, self.pace = source, pace
        self.failure: TapError | CaptureError | None = None
        """What went wrong with the tap or a recording, to be told once the screen is gone."""
        self.past: list[Part] = []
        """What came of the listening before counting began anew."""
        self._clock_ns = clock_ns
        self._requests: queue.SimpleQueue[Callable[[], object]] = queue.SimpleQueue()
        self._told = 0
        """Notices of the tap that have been passed on."""
        self._closed = False

    def record(self, path: str, *, overwrite: bool = False) -> str:
        """Begin to record; why not, if not."""
        if refused := self._recording.begin(path, self.source.info, overwrite=overwrite):
            return refused
        self._record_into(path)
        return ""

    def _record_into(self, path: str, *before: str) -> None:
        """Say so, behind what else is to be said now."""
        self.model.recording = path
        self.tell(*before, f"Recording into {path}: raw octets, card data included; only you may read it.")

    def stop_recording(self) -> None:
        """End the recording, if there is one."""
        self.model.recording = ""
        if ended := self._recording.end():
            self.tell(f"Recording ended: {ended}")

    @property
    def recorded(self) -> list[Recorded]:
        """The files that were recorded into, in order."""
        return self._recording.files

    def _recording_failed(self, error: CaptureError) -> None:
        self.failure = error
        self.model.recording = ""
        # It may have failed amid a batch, while the model is held: told as soon as that is done.
        self.ask(lambda: self.tell(f"RECORDING STOPPED: {error}"))

    def set_line(self, baud: int | None, char_format: CharFormat | None) -> str:
        """Listen with another rate or format; why not, if not."""
        source, before = self.source, self.model.settings
        wanted = LineSettings(baud or before.baud, char_format or before.format)
        if source.fixed_line:
            return source.fixed_line
        if wanted == before:
            return f"It listens with {before} already."
        refused = self._reopen(source.address, wanted)
        if self._closed:
            return refused
        got = source.settings = source.info.settings
        if got == before:
            refused = refused or f"The device does not take {wanted}: it goes on with {got}."
            self._missed()
            self.model.say(refused)
            return refused
        not_taken = "" if got == wanted else f" (the device does not take {wanted})"
        said = self._other_bus(f"the receiver was set to {got}{not_taken}")
        if not self.model.recording:
            self.tell(*said)
        elif failed := self._recording.go_on(source.info):
            self.model.recording = ""
            self.tell(*said, f"The recording does not go on: {failed}")
        else:
            self._record_into(self._recording.files[-1].path, *said)
        return ""

    def inject(self, text: str) -> str:
        """Run the simulated bus with another fault; why not, if not."""
        address = self.source.with_fault(text)
        why = f"the simulated bus got the fault {text.strip() or 'healthy'}"
        if refused := self._reopen(address, self.source.settings):
            return refused.partition(": ")[2] or refused  # without the address: nobody typed it
        self.tell(*self._other_bus(why))
        self.model.by_hand = ByHand()
        return ""

    def act(self, text: str) -> str:
        """Have a simulated device do something; why not, if not."""
        if not self.source.is_simulated:
            return "Listening cannot transmit: cards, keys and faults are for a simulated bus (sim:demo)."
        words = text.split(maxsplit=1)
        if words and words[0].lower() == "fault":
            return self.inject(words[1] if len(words) > 1 else "healthy")
        if refused := watch_typed.not_a_deed(text):
            return refused
        try:
            self.tell(self.source.act(text))
        except ValueError as error:
            return str(error)
        return ""

    def _reopen(self, address: str, settings: LineSettings | None) -> str:
        """Open the tap anew, or as it was where that cannot be: why not, empty where it was."""
        source, model = self.source, self.model
        was = (source.address, source.settings)
        begun_ns = self._clock_ns()
        now_ns = max(model.now_ns, source.now_ns()) if source.is_live and not self._closed else model.now_ns
        if not self._closed:
            self._hear(source.close())
        refused = ""
        source.address, source.settings = address, settings
        try:
            source.open(now_ns)
        except TapError as error:
            refused = str(error)
            source.address, source.settings = was
            try:
                source.open(now_ns)
            except TapError as second:
                self.failure, self._closed = second, True
                self._ended(f"The tap failed: {second}")
                return refused
        if source.is_live:
            source.set_clock(now_ns + self._clock_ns() - begun_ns)
        self._told = 0
        return refused

    def _missed(self) -> None:
        """Between closing the tap and opening it as it was nothing could be heard."""
        began_ns, now_ns = self.model.now_ns, self.source.now_ns()
        if self.source.is_live and now_ns > began_ns:
            self._hear([Gap(began_ns, now_ns, "the tap was being set")])

    def _hear(self, items: Sequence[Item]) -> None:
        """Into the recording before all else, then into the model."""
        for start in range(0, len(items), _BATCH):
            with self.model.lock:
                for item in items[start : start + _BATCH]:
                    self._recording.write(item)
                    self.model.hear(item)

    def _other_bus(self, why: str) -> list[str]:
        """What comes now is to be counted by itself; what is to be said of that."""
        self.count_anew(why, self.source.now_ns())
        return [f"Counting began anew: {why}.", *self._notices()]

    def begin_anew(self) -> None:
        """As the user asked: counts, devices, findings; readings too, for they were of the bus as it was."""
        dropped = len(self.model.by_hand.readings) + len(self.model.by_hand.tried)
        self.count_anew("the user asked for it", self.model.now_ns)
        self.model.by_hand = ByHand()
        if dropped:
            self._wrote(self.model.took(f"begun anew: {dropped} earlier reading{'s' * (dropped > 1)} dropped"))
        also = f"; {dropped} reading{'s' * (dropped > 1)} of before dropped: measure anew" if dropped else ""
        self.tell_screen(f"Counts, devices and findings begin anew{also}.")

    def count_anew(self, why: str, at_ns: int) -> None:
        """Counts, devices and evidence begin anew at that bus time; traffic, notes and recording go on."""
        # What the decoder still holds is decided first: every octet is counted somewhere.
        model = self.model
        model.close(model.now_ns, goes_on=True)
        until = f"until {model.now_ns / 1e9:.1f} s, when {why}"
        self.past.append(Part(until, model.figures(), model.noticed_figures(), model.found, model.trouble()))
        del self.past[:-20]
        model.begin(self.source.info, max(at_ns, model.now_ns))
        self._closed = False

    def change_speed(self, step: int) -> None:
        """Play faster or slower; 0: pause, or go on."""
        if self.source.is_live:
            self.tell_screen("A live bus comes as fast as it comes; Space holds the picture of the traffic.")
            return
        if step == 0:
            self.pace.paused = not self.pace.paused
        else:
            self.pace.change(step)
        self._show_pace()
        self.tell_screen(f"Playing: {self.pace.text()}.")

    def _show_pace(self) -> None:
        self.model.pace = "" if self.source.is_live else self.pace.text()

    def ask(self, request: Callable[[], object]) -> None:
        """Have something done between two reads, in the thread that listens."""
        self._requests.put(request)

    def tell(self, *texts: str) -> None:
        """Say things in the traffic, and to who sits at the screen; nothing where there are none."""
        for text in texts:
            self.model.say(text)
        if texts:
            self.tell_screen("  ".join(texts))

    def _notices(self) -> list[str]:
        """What the tap had to tell since it was asked last."""
        tap = self.source.tap
        lines = [*getattr(tap, "notices", ()), *getattr(tap, "problems", ())]
        new, self._told = lines[self._told :], max(self._told, len(lines))
        return new

    def _ended(self, short: str, text: str = "") -> None:
        self.model.ended = short
        self.tell(f"{text or short}. q quits and sums up.")
