"""The one loop that all listening commands share: tap → recording, tallies, decoder → whoever looks on."""

from __future__ import annotations

import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from types import FrameType

from benchtool.capture.chunk import Gap, Item, LineCounts
from benchtool.capture.files import CaptureError, Recorder
from benchtool.capture.settings import LineSettings
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import tap_failed
from benchtool.commands.outputs import recording_failed
from benchtool.diagnose.table_evidence import gatherer_for
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.decoders import Decoder
from benchtool.frames.frame import Frame
from benchtool.frames.protocol_table import ProtocolTable
from benchtool.frames.table_decoder import TableDecoder
from benchtool.measure.tally import Tally
from benchtool.reports.recorded import Recorded
from benchtool.taps.file import FileTap
from benchtool.taps.tap import Tap, TapError

_WAIT_S = 0.05
_FLUSH_NS = 1_000_000_000


class Session:
    """Listens at a tap until it ends, the time is up, or Ctrl-C; then `figures` and `evidence` are complete.

    `protocol`: the table of an unknown bus; None: what `make_decoder` finds, OSDP and Modbus RTU.
    `on_item` and `on_frame` are called as things happen, in order; `on_notice` with lines for the user.
    """

    def __init__(
        self,
        tap: Tap,
        *,
        seconds: float | None = None,
        record: str | None = None,
        overwrite: bool = False,
        on_item: Callable[[Item], None] | None = None,
        on_frame: Callable[[Frame], None] | None = None,
        on_notice: Callable[[str], None] | None = None,
        progress: Callable[[int, int], None] | None = None,
        protocol: ProtocolTable | None = None,
        make_decoder: Callable[[LineSettings, int], Decoder] = BusDecoder,
    ) -> None:
        self.tap = tap
        self.decoder: Decoder
        self._protocol = protocol
        self._make_decoder = make_decoder
        self.stopped_by_user = False
        self.ended_ns = 0
        """When the listening ended, on the tap's clock."""
        self._seconds = seconds
        self._record = record
        self._overwrite = overwrite
        self._on_item = on_item
        self._on_frame = on_frame
        self._on_notice = on_notice
        self._progress = progress
        self._recorder: Recorder | None = None
        self.recorded = None if record is None else Recorded(record)
        """How far it was recorded; None where it was not to be."""
        self._notices_shown = 0
        self._frames = 0
        self._heard_ns = 0
        self._failed: CommandError | None = None
        self._whole = Whole()

    def run(self, on_open: Callable[[Tap], None] | None = None) -> None:
        """Listen. CommandError when the tap cannot be opened; a later failure is raised after all is counted."""
        with ExitStack() as stack:
            try:
                stack.enter_context(self.tap)
            except TapError as error:
                raise tap_failed(error) from None
            info = self.tap.info
            self.tally = Tally(info)
            if self._protocol is None:
                self.decoder = self._make_decoder(info.settings, info.resolution_ns)
            else:
                self.decoder = TableDecoder(self._protocol, info.settings, info.resolution_ns)
            self.gatherer = gatherer_for(self.tally, self.decoder)
            if not isinstance(self.tap, FileTap):
                self.tally.begin(self.tap.now_ns)
            if self._record is not None:
                self._recorder = self._open_recorder(stack)
            if on_open is not None:
                on_open(self.tap)
            if isinstance(self.decoder, TableDecoder) and self._on_notice is not None:
                for note in self.decoder.notes:
                    self._on_notice(note)
            with terminate_as_interrupt(self._whole):
                try:
                    self._listen()
                except KeyboardInterrupt:
                    self.stopped_by_user = True
                except TapError as error:
                    self._failed = tap_failed(error)
                except CaptureError as error:
                    self._recording_failed(error)
                self._finish()
                self._end_recording()
                self._show_notices()
        self._show_notices()

    @property
    def failure(self) -> CommandError | None:
        """What ended the listening early, to be raised once the result is printed."""
        return self._failed

    def _open_recorder(self, stack: ExitStack) -> Recorder:
        assert self._record is not None
        try:
            return stack.enter_context(Recorder(self._record, self.tap.info, overwrite=self._overwrite))
        except CaptureError as error:
            raise recording_failed(error, self._record) from None

    def _end_recording(self) -> None:
        """What is still held must go into the file, too: whether that could be done is to be told."""
        if self._recorder is not None and self._failed is None:
            try:
                self._recorder.close()
            except CaptureError as error:
                self._recording_failed(error)

    def _recording_failed(self, error: CaptureError) -> None:
        self._failed = CommandError(str(error), Exit.OUTPUT)
        if self.recorded is not None:
            self.recorded.broke_off_ns, self.recorded.why = self._heard_ns, str(error)

    def _listen(self) -> None:
        tap, decoder = self.tap, self.decoder
        end_ns = None if self._seconds is None else round(self._seconds * 1e9)
        flushed_ns = 0
        while not tap.ended:
            wait_s = _WAIT_S if end_ns is None else min(_WAIT_S, max(0.0, (end_ns - tap.now_ns) / 1e9))
            items = tap.read(wait_s)
            for item in items:
                if end_ns is not None and item.t_ns >= end_ns:
                    return
                with self._whole:
                    self._hear(item)
            now_ns = tap.now_ns
            if not items:
                # Only when there was nothing to read: a stalled computer must not cut a frame in two.
                with self._whole:
                    self._take(decoder.flush(now_ns))
            if self._recorder is not None and now_ns - flushed_ns >= _FLUSH_NS:
                self._recorder.flush()
                flushed_ns = now_ns
            self._show_notices()
            if self._progress is not None:
                self._progress(now_ns, self._frames)
            if end_ns is not None and now_ns >= end_ns:
                return

    def _hear(self, item: Item) -> None:
        self._heard_ns = max(self._heard_ns, item.t_ns if isinstance(item, LineCounts) else item.end_ns)
        if self._recorder is not None:
            self._recorder.write(item)
        if self._on_item is not None:
            self._on_item(item)
        frames = [] if isinstance(item, LineCounts) else self.decoder.feed(item)
        if isinstance(item, Gap):
            # What the decoder still held was heard before the gap.
            self._take(frames)
            frames = []
        self.gatherer.item(item)
        self._take(frames)

    def _finish(self) -> None:
        """Close the tap, take what it still held, and decide what is left."""
        now_ns = self.tap.now_ns
        if self._seconds is not None and isinstance(self.tap, FileTap):
            # A file is read in batches: what lies beyond the time asked for was not listened to.
            now_ns = min(now_ns, max(round(self._seconds * 1e9), self._heard_ns))
        self.ended_ns = now_ns
        self.tap.close()
        try:
            for item in self.tap.read(0):
                self._hear(item)
        except TapError:
            pass  # the failure that ended the listening is told already
        except CaptureError as error:
            if self._failed is None:
                self._recording_failed(error)
        self._take(self.decoder.close())
        self.gatherer.close(now_ns)

    def _take(self, frames: list[Frame]) -> None:
        self._frames += len(frames)
        for frame in frames:
            self.gatherer.frame(frame)
            if self._on_frame is not None:
                self._on_frame(frame)

    def _show_notices(self) -> None:
        """Pass on what the tap has to say to the user, each line once."""
        lines: list[str] = list(getattr(self.tap, "notices", ())) + list(getattr(self.tap, "problems", ()))
        for line in lines[self._notices_shown :]:
            if self._on_notice is not None:
                self._on_notice(line)
        self._notices_shown = max(self._notices_shown, len(lines))


class Whole:
    """Holds Ctrl-C back while one item is recorded, decoded and told: so that each is, in all three, or in none.

    A second Ctrl-C is not held back.
    """

    def __init__(self) -> None:
        self._inside = self._pending = False

    def __enter__(self) -> None:
        self._inside = True

    def __exit__(self, *_: object) -> None:
        self._inside = False
        if self._pending:
            self._pending = False
            raise KeyboardInterrupt

    def interrupt(self, signum: int, frame: FrameType | None) -> None:
        """The handler of the signals."""
        if self._inside and not self._pending:
            self._pending = True
        else:
            raise KeyboardInterrupt


@contextmanager
def terminate_as_interrupt(whole: Whole) -> Iterator[None]:
    """A polite kill or a closed terminal ends the listening as Ctrl-C does: with a usable result.

    `whole` holds all of them back while it must.
    """
    ends = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    try:
        before = [(end, signal.signal(end, whole.interrupt)) for end in ends]
    except ValueError:  # not the main thread: somebody else minds the signals
        yield
        return
    try:
        yield
    finally:
        for end, handler in before:
            signal.signal(end, handler)


def terminal_width() -> int | None:
    """Columns of the terminal that standard output goes to; None where it goes to a file or another program."""
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else None


def progress_line() -> Callable[[int, int], None] | None:
    """A progress line on standard error, redrawn in place; None where nobody would see it."""
    if not sys.stderr.isatty():
        return None
    shown = -1

    def show(now_ns: int, frames: int) -> None:
        nonlocal shown
        second = now_ns // 500_000_000
        if second != shown:
            shown = second
            sys.stderr.write(f"\rlistening: {now_ns / 1e9:.0f} s, {frames} frames (Ctrl-C ends it) ")
            sys.stderr.flush()

    return show


def end_progress(progress: Callable[[int, int], None] | None) -> None:
    """Wipe the progress line."""
    if progress is not None:
        sys.stderr.write("\r" + " " * 60 + "\r")
        sys.stderr.flush()
