"""The recording beside the screen: begun and ended by a key, and the notes that lie beside it.

A recording that fails ends, and is told; the screen goes on.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from io import BufferedWriter, FileIO
from pathlib import Path

from benchtool.capture.chunk import Item, LineCounts, TapInfo
from benchtool.capture.files import CaptureError, Recorder
from benchtool.capture.private import create_private
from benchtool.capture.recorder import LOG_SUFFIXES
from benchtool.reports.recorded import Recorded
from benchtool.screens.watch_snapshot import Note

_ENDINGS = (".pcapng", "", *LOG_SUFFIXES)
_NOTES = ".notes.txt"
_FLUSH_NS = 1_000_000_000


class Recording:
    """One a screen; it records only between `begin` and `end`. `on_failure` is told what ended it early."""

    def __init__(self, on_failure: Callable[[CaptureError], None]) -> None:
        self.files: list[Recorded] = []
        """All that were begun, in order."""
        self._base = ""
        """The name that the user gave."""
        self._now_ns = 0
        self._on_failure = on_failure
        self._recorder: Recorder | None = None
        self._overwrites = False
        """Whether what lies there of before may be replaced: as the user said of this recording."""
        self._notes: BufferedWriter | None = None
        self._notes_path: Path | None = None
        self._own_notes: set[Path] = set()
        """Files of notes that were begun here; these are only added to."""
        self._flushed_ns = 0

    def begin(self, path: str, info: TapInfo, *, overwrite: bool = False) -> str:
        """Begin to record; why not, if not: then one that was begun before goes on."""
        if Path(path).suffix.lower() not in _ENDINGS:
            return f"{path}: the name of a recording ends in .pcapng, or .log or .txt for an octet log"
        recorder = Recorder(path, info, overwrite=overwrite)
        try:
            recorder.open()
        except CaptureError as error:
            return f"{path} is there already and is kept; give another name" if error.reason == "exists" else str(error)
        self.end()
        self._recorder, self._base, self._overwrites = recorder, path, overwrite
        self.files.append(Recorded(path))
        return ""

    def go_on(self, info: TapInfo) -> str:
        """Go on in the next file, for the line is set otherwise now; why not, if not: then the old one has ended."""
        base = self._base
        refused = self.begin(next_name(base), info)
        self._base = base
        if refused:
            self.end()
        return refused

    def end(self) -> str:
        """End it; which file has ended, empty where none was written."""
        recorder, self._recorder = self._recorder, None
        if self._notes is not None:
            with suppress(OSError):  # each note was flushed, or told as not written
                self._notes.close()
            self._notes = None
        self._notes_path = None
        if recorder is None:
            return ""
        try:
            recorder.close()
        except CaptureError as error:
            self._broke_off(error)
            return ""
        return str(recorder.path)

    def write(self, item: Item) -> None:
        """Record an item, before anything else is done with it."""
        if self._recorder is not None:
            self._now_ns = max(self._now_ns, item.t_ns if isinstance(item, LineCounts) else item.end_ns)
            try:
                self._recorder.write(item)
            except CaptureError as error:
                self._fail(error)

    def flush(self, now_ns: int) -> None:
        """It is `now_ns` of bus time: what is older than a second shall be in the file."""
        if self._recorder is not None and abs(now_ns - self._flushed_ns) >= _FLUSH_NS:
            self._now_ns = max(self._now_ns, now_ns)
            try:
                self._recorder.flush()
            except CaptureError as error:
                self._fail(error)
            self._flushed_ns = now_ns

    @property
    def notes_path(self) -> Path | None:
        """Where notes of this recording lie; None where nothing is recorded, or none was written yet."""
        return None if self._recorder is None else self._notes_path

    def note(self, note: Note) -> None:
        """Write a note beside it, where something is recorded. OSError where it cannot be."""
        recorder = self._recorder
        if recorder is None:
            return
        path = self._notes_path or recorder.path.with_name(f"{recorder.path.stem}{_NOTES}")
        try:
            if self._notes is None:
                path, self._notes = self._opened_notes(path)
                self._notes_path = path
                self._own_notes.add(path)
            self._notes.write(f"{note.t_ns / 1e9:.3f} s  {note.text}\n".encode("utf-8", "backslashreplace"))
            self._notes.flush()
        except OSError as error:
            raise OSError(error.errno, f"{path} cannot be written ({error.strerror or error})") from None

    def _opened_notes(self, path: Path) -> tuple[Path, BufferedWriter]:
        """That file; the next free name where it is there and is neither of this session nor to be replaced."""
        first, number = path, 1
        while True:
            if path in self._own_notes:
                # As ever closed to others, should it have been taken away meanwhile.
                return path, BufferedWriter(FileIO(path, "a", opener=lambda name, flags: os.open(name, flags, 0o600)))
            try:
                return path, BufferedWriter(create_private(path, overwrite=self._overwrites))
            except FileExistsError:
                number += 1
                path = first.with_name(f"{first.name.removesuffix(_NOTES)}-{number}{_NOTES}")

    def _fail(self, error: CaptureError) -> None:
        recorder, self._recorder = self._recorder, None
        if recorder is not None:
            with suppress(CaptureError):
                recorder.close()
        self._broke_off(error)

    def _broke_off(self, error: CaptureError) -> None:
        last = self.files[-1]
        last.broke_off_ns, last.why = self._now_ns, str(error)
        self._on_failure(error)


def next_name(path: str) -> str:
    """`visit-2.pcapng` after `visit.pcapng`, the first that is free."""
    base = Path(path)
    number = 2
    while (found := base.with_name(f"{base.stem}-{number}{base.suffix}")).exists():
        number += 1
    return str(found)
