"""The loop of `benchtool reads`: sources to reads, each understood and told as it comes, all of it kept for the end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass

from benchtool.capture.card_lines import LineRecord
from benchtool.capture.card_lines_file import EdgeRecorder
from benchtool.capture.problems import CaptureError
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import tap_failed
from benchtool.commands.outputs import recording_failed
from benchtool.commands.session import Whole, terminate_as_interrupt
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.compare import compare
from benchtool.frames.card.decode import decode_in
from benchtool.frames.card.entry import Entry
from benchtool.frames.card.formats import CardFormat
from benchtool.frames.card.hints import hints_for
from benchtool.frames.card.keypad import key_of
from benchtool.frames.card.pulses import Burst, PulseReader
from benchtool.frames.card.read import CardRead
from benchtool.measure.card_analog import line_figures
from benchtool.measure.pulse_figures import PulseTally
from benchtool.reports.reads_outcome import Outcome, Taken, letter
from benchtool.taps.card_file import CardFile
from benchtool.taps.card_source import CardSource, CardSourceInfo
from benchtool.taps.tap import TapError

_WAIT_S = 0.05
_MOST_RECORDS = 20_000
"""Pieces of a record kept for the diagnosis; of a longer run the last."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What reads are held against."""

    formats: tuple[CardFormat, ...]
    """All known."""
    expected: tuple[CardFormat, ...] = ()
    """What the controller is set to; empty where it was not told."""
    printed: tuple[Entry, ...] = ()
    """The printed number: none, one for all, or one for each read."""


class ReadsRun:
    """Reads sources one after the other until each ends, the time is up, or Ctrl-C; then `outcome` is complete."""

    def __init__(
        self,
        wanted: Wanted,
        *,
        timeout_ns: int,
        seconds: float | None = None,
        record: str | None = None,
        overwrite: bool = False,
        on_source: Callable[[CardSourceInfo], None],
        on_taken: Callable[[Taken], None],
    ) -> None:
        self._wanted = wanted
        self._timeout_ns = timeout_ns
        self._seconds = seconds
        self._record = record
        self._overwrite = overwrite
        self._on_source = on_source
        self._on_taken = on_taken
        self._tally = PulseTally()
        self._whole = Whole()
        self._cards: dict[Bits, str] = {}
        self._number = 0
        self._recorder: EdgeRecorder | None = None
        self._label = ""
        self._pulses_seen = False
        self.records: list[LineRecord] = []
        """The pieces that were seen, for the diagnosis."""
        self.turned = False
        """Whether a source rests low, and was turned over to read it."""
        self.outcome = Outcome(timeout_ns=timeout_ns)
        self.failure: CommandError | None = None
        """What ended the run early, to be raised once the result is printed."""

    def run(self, sources: Sequence[CardSource]) -> None:
        """Read. CommandError where the first source cannot be opened; a later failure is kept in `failure`."""
        with ExitStack() as stack, terminate_as_interrupt(self._whole):
            for source in sources:
                try:
                    self._source(source, stack)
                except KeyboardInterrupt:
                    self.outcome.stopped_by_user = True
                except TapError as error:
                    self.failure = self._named(tap_failed(error))
                except CaptureError as error:
                    self.failure = CommandError(str(error), Exit.OUTPUT)
                if self.failure is not None or self.outcome.stopped_by_user:
                    break
        if self._pulses_seen:
            self.outcome.figures = self._tally.figures()

    def _named(self, error: CommandError) -> CommandError:
        if not self.outcome.taken and not self._label:
            raise error
        return error

    def _source(self, source: CardSource, stack: ExitStack) -> None:
        with source:
            info = source.info
            if self._record is not None and self._recorder is None:
                # Only now: an address that is wrong leaves no file behind.
                try:
                    recorder = EdgeRecorder(self._record, overwrite=self._overwrite)
                    self._recorder = stack.enter_context(recorder)
                except CaptureError as error:
                    raise recording_failed(error, self._record) from None
                except ValueError as error:
                    raise CommandError(str(error), Exit.OUTPUT) from None
            self._label = info.where
            self._on_source(info)
            self._pulses_seen |= info.sees_pulses
            if self._recorder is not None and not info.sees_pulses:
                self.outcome.notes.append(f"{info.where}: bits only, nothing to record: --record keeps edges")
            reader = PulseReader(info.source, info.where, self._timeout_ns)
            end_ns = None if self._seconds is None else source.now_ns + round(self._seconds * 1e9)
            try:
                self._listen(source, reader, end_ns)
            finally:
                with self._whole:
                    for burst in reader.flush():
                        self._burst(burst)
                # What a source is may only turn out while it is read, as on standard input.
                self._pulses_seen |= source.info.sees_pulses
                notes = [*source.info.notes, *source.problems]
                self.outcome.notes += [f"{source.info.where}: {note}" for note in notes]
                self.turned |= source.info.turned
                if isinstance(source, CardFile) and source.waveform is not None:
                    waveform = source.waveform
                    self.outcome.waveforms.append((info.where, waveform, line_figures(waveform)))

    def _listen(self, source: CardSource, reader: PulseReader, end_ns: int | None) -> None:
        while not source.ended:
            wait_s = _WAIT_S if end_ns is None else min(_WAIT_S, max(0.0, (end_ns - source.now_ns) / 1e9))
            for item in source.read(wait_s):
                at_ns = (item.t_ns or 0) if isinstance(item, CardRead) else item.begin_ns
                if end_ns is not None and at_ns >= end_ns:
                    return
                with self._whole:
                    if isinstance(item, CardRead):
                        self._take(item, None)
                        continue
                    if self._recorder is not None:
                        self._recorder.write(item)
                    self.records.append(item)
                    del self.records[:-_MOST_RECORDS]
                    for burst in reader.feed(item):
                        self._burst(burst)
            if end_ns is not None and source.now_ns >= end_ns:
                return

    def _burst(self, burst: Burst) -> None:
        self._tally.add(burst)
        self._take(burst.read, burst)

    def _take(self, read: CardRead | None, burst: Burst | None) -> None:
        if read is None:
            one = Taken(0, self._label, None, burst)
        else:
            self._number += 1
            one = self._understood(self._number, read, burst)
        self.outcome.taken.append(one)
        self._on_taken(one)

    def _understood(self, number: int, read: CardRead, burst: Burst | None) -> Taken:
        wanted, bits = self._wanted, read.bits
        rows = wanted.expected or wanted.formats
        readings = tuple(decode_in([row for row in rows if row.length == bits.length], bits))
        key = not readings and key_of(bits) is not None
        card = "" if key else self._cards.setdefault(bits, letter(len(self._cards)))
        hints = () if any(reading.ok for reading in readings) else hints_for(bits, rows)
        agreements = None
        printed = wanted.printed
        if printed and not key:
            entry = printed[0] if len(printed) == 1 else printed[number - 1] if number <= len(printed) else None
            agreements = None if entry is None else compare(bits, entry, rows)
        return Taken(number, self._label, read, burst, card, readings, key, hints, agreements)
