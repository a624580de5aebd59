"""The thread that listens for the screen: tap to recording to model; in between what the user asks (`watch_asked`).

The recording gets every item before anything else does; what the screen cannot show is never missing from it.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from contextlib import suppress
from time import monotonic_ns, sleep

from benchtool.screens.watch_asked import Asked
from benchtool.screens.watch_diagnosis import Worker
from benchtool.screens.watch_pace import Pace
from benchtool.screens.watch_source import Source
from benchtool.screens.watch_state import Model
from benchtool.taps.tap import TapError

_AGAIN_NS = 10_000_000_000
"""Where nothing more comes, a diagnosis is made anew after so much silence."""
_FIRST_NS = 1_500_000_000
"""What is heard before tells too little to be worth a diagnosis."""
_SILENT_NS = 10_000_000_000
"""So long a bus must have been silent before silence is something to judge by."""
_REST_S = 0.03
"""Between two turns of a played bus: fewer turns cost less, and nobody sees a difference."""
_ANSWER_S = 1.0
"""A person who has typed something waits so long at most."""
_LOOK_S = 0.05
"""Whether the thread lives is looked at so often meanwhile."""


class Pump(Asked):
    """`open`, then `step` over and over (`start` does it in a thread), then `finish`."""

    def __init__(
        self,
        model: Model,
        source: Source,
        pace: Pace,
        worker: Worker,
        *,
        seconds: float | None = None,
        clock_ns: Callable[[], int] = monotonic_ns,
        wait: Callable[[float], None] = sleep,
        tell: Callable[[str], None] = lambda _: None,
        show_secrets: bool = False,
        answer_s: float = _ANSWER_S,
    ) -> None:
        super().__init__(model, source, pace, worker, clock_ns, tell, show_secrets)
        self.broken: BaseException | None = None
        """A mistake of our own in the thread."""
        self._seconds_ns = None if seconds is None else round(seconds * 1e9)
        self._wait, self._answer_s = wait, answer_s
        self._heard_ns = 0
        """When the tap could last hear."""
        self._worked = (0, -1, 0)
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def open(self) -> None:
        """Open the tap; TapError says why it cannot be."""
        self.source.open()
        now_ns = self.source.now_ns()
        if self._seconds_ns is not None:
            self._seconds_ns += now_ns
        self.model.begin(self.source.info, now_ns, by_file=self.source.is_file)
        self._show_pace()

    def start(self) -> None:
        """Listen in a thread of its own."""
        self._thread = threading.Thread(target=self._run, name="listening", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                self.step()
        except BaseException as error:  # told by who waits for the thread
            self.broken = error
            self.model.ended = f"benchtool failed: {type(error).__name__}; q tells more"

    def finish(self) -> None:
        """Stop listening, close everything, decide what is still open."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join()
        self._do_requests()  # a note typed just before the end
        self._end()
        self.stop_recording()
        self.worker.stop()

    @property
    def closed(self) -> bool:
        """Whether nothing more comes."""
        return self._closed

    def settle(self) -> None:
        """Work the diagnosis out from all that was heard, now; for who has no thread for it."""
        if self._can_judge(last=True):
            self.worker.work(self.model.work())

    def refusal(self, request: Callable[[], str]) -> str:
        """Have something done there and wait for it: why it was not done, empty where it was.

        What takes too long goes on, and is told on the screen when it fails. Where the thread is gone nothing is done.
        """
        thread = self._thread
        if thread is None:
            return request()
        if not thread.is_alive():
            return self._deaf()
        answers: queue.SimpleQueue[str] = queue.SimpleQueue()
        handing_over, late, withdrawn = threading.Lock(), threading.Event(), threading.Event()

        def done() -> None:
            if withdrawn.is_set():
                return
            answer = request()
            with handing_over:
                answers.put(answer)
            if late.is_set() and answer:
                self.tell_screen(answer)

        self.ask(done)
        alive, looks = True, max(1, round(self._answer_s / _LOOK_S))
        for _ in range(looks):
            with suppress(queue.Empty):
                return answers.get(timeout=self._answer_s / looks)
            if not (alive := thread.is_alive()):
                break
        with handing_over:
            with suppress(queue.Empty):
                return answers.get_nowait()  # it has come since
            late.set()
        if alive:
            return ""
        withdrawn.set()  # what is told as not done is not done at the end, either
        return self._deaf()

    def _deaf(self) -> str:
        """Why nothing can be done any more: the thread that listened is gone."""
        if self.broken is None:
            return "Not done: listening has ended."
        return f"Not done: benchtool failed ({type(self.broken).__name__}) and listens no longer; q tells more."

    def step(self) -> None:
        """One turn: what was asked for, what has come, a diagnosis where one is due."""
        self._do_requests()
        if self._closed:
            self._diagnose(last=True)
            self._wait(_REST_S)
            return
        try:
            items = self.source.take(self._clock_ns())
        except TapError as error:
            self.failure = error
            self._end()
            self._ended(f"The tap failed: {error}")
            return
        if self._seconds_ns is not None:
            items = [item for item in items if item.t_ns < self._seconds_ns]
        self._hear(items)
        now_ns = self.source.now_ns()
        with self.model.lock:
            self.model.hears(self.source.lost, self._heard_ns)
            if not items or not (self.source.is_live or self.source.behind):
                # Only when all there was has been read: a stalled computer must not cut a frame in two.
                self.model.idle(now_ns)
        if not self.source.lost:
            self._heard_ns = now_ns
        self.model.share = self.source.share
        self._recording.flush(now_ns)
        self.tell(*self._notices())
        self._diagnose()
        if self.source.ended or (self._seconds_ns is not None and now_ns >= self._seconds_ns):
            self._end()
            what = "The capture has" if self.source.is_file else "Listening has"
            self._ended("Ended", f"{what} ended at {self.model.now_ns / 1e9:.1f} s")
        elif not (self.source.is_live or self.source.behind):
            self._wait(_REST_S if self.pace.waits else 0)

    def _do_requests(self) -> None:
        while True:
            try:
                request = self._requests.get_nowait()
            except queue.Empty:
                return
            request()

    def _end(self) -> None:
        if self._closed:
            return
        self._closed = True
        now_ns = self.source.now_ns()
        self._hear(self.source.close())
        if self._seconds_ns is not None:
            # A file is read in batches, time goes in strides: what lies beyond the time asked for was not listened to.
            now_ns = min(now_ns, max(self._seconds_ns, self.model.now_ns))
        elif self.source.is_file:
            now_ns = self.model.now_ns
        self.model.close(now_ns)
        self.tell(*self._notices())

    def _diagnose(self, *, last: bool = False) -> None:
        model, worker = self.model, self.worker
        if worker.broken is not None:
            if self.broken is None:
                self.broken = worker.broken
                self.tell(f"The diagnosis failed ({type(worker.broken).__name__}); q tells more. Listening goes on.")
            return
        stretch, octets, at_ns = self._worked
        now_ns = model.now_ns
        heard = model.octets
        if not worker.is_due() or not self._can_judge(last=last):
            return
        if stretch == model.stretches and octets == heard and (last or now_ns - at_ns < _AGAIN_NS):
            return
        self._worked = (model.stretches, heard, now_ns)
        worker.give(model.work())

    def _can_judge(self, *, last: bool) -> bool:
        """Whether enough was heard to say anything; long silence at a bus that could speak is something, too."""
        waited_ns = self.model.listened_ns
        if self.model.octets:
            return last or waited_ns >= _FIRST_NS
        return waited_ns >= _SILENT_NS and not self.source.is_file
