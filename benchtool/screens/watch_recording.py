"""The recording beside the screen: begun and ended by a key, and the notes that lie beside it.

A recording that fails ends, and is told; the screen goes on.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from io import BufferedWriter
from pathlib import Path

from benchtool.capture.chunk import Item, TapInfo
from benchtool.capture.files import CaptureError, Recorder
from benchtool.capture.private import create_private
from benchtool.capture.recorder import LOG_SUFFIXES
from benchtool.screens.watch_state import Note

_ENDINGS = (".pcapng", "", *LOG_SUFFIXES)
_FLUSH_NS = 1_000_000_000


class Recording:
    """One a screen; it records only between `begin` and `end`. `on_failure` is told what ended it early."""

    def __init__(self, on_failure: Callable[[CaptureError], None]) -> None:
        self.paths: list[str] = []
        """All that were begun, in order."""
        self._on_failure = on_failure
        self._recorder: Recorder | None = None
        self._notes: BufferedWriter | None = None
        self._flushed_ns = 0

    def begin(self, path: str, info: TapInfo, *, overwrite: bool = False) -> str:
        """Begin to record; why not, if not: then one that was begun before goes on."""
        if Path(path).suffix.lower() not in _ENDINGS:
            return f"{path}: the name of a recording ends in .pcapng, or .log or .txt for an octet log"
        recorder = Recorder(path, info, overwrite=overwrite)
        try:
            recorder.open()
        except CaptureError as error:
            return str(error)
        self.end()
        self._recorder = recorder
        self.paths.append(path)
        return ""

    def end(self) -> str:
        """End it; which file has ended, empty where none was written."""
        recorder, self._recorder = self._recorder, None
        if self._notes is not None:
            self._notes.close()
            self._notes = None
        if recorder is None:
            return ""
        try:
            recorder.close()
        except CaptureError as error:
            self._on_failure(error)
            return ""
        return str(recorder.path)

    def write(self, item: Item) -> None:
        """Record an item, before anything else is done with it."""
        if self._recorder is not None:
            try:
                self._recorder.write(item)
            except CaptureError as error:
                self._fail(error)

    def flush(self, now_ns: int) -> None:
        """It is `now_ns` of bus time: what is older than a second shall be in the file."""
        if self._recorder is not None and abs(now_ns - self._flushed_ns) >= _FLUSH_NS:
            try:
                self._recorder.flush()
            except CaptureError as error:
                self._fail(error)
            self._flushed_ns = now_ns

    @property
    def notes_path(self) -> Path | None:
        """Where notes lie beside it; None where nothing is recorded."""
        recorder = self._recorder
        return None if recorder is None else recorder.path.with_name(f"{recorder.path.stem}.notes.txt")

    def note(self, note: Note) -> None:
        """Write a note beside it, where something is recorded. OSError where it cannot be."""
        path = self.notes_path
        if path is None:
            return
        try:
            if self._notes is None:
                self._notes = BufferedWriter(create_private(path, overwrite=False))
            self._notes.write(f"{note.t_ns / 1e9:.3f} s  {note.text}\n".encode("utf-8", "backslashreplace"))
            self._notes.flush()
        except OSError as error:
            raise OSError(error.errno, f"{path} cannot be written ({error.strerror or error})") from None

    def _fail(self, error: CaptureError) -> None:
        recorder, self._recorder = self._recorder, None
        if recorder is not None:
            with suppress(CaptureError):
                recorder.close()
        self._on_failure(error)


def next_name(path: str) -> str:
    """`visit-2.pcapng` after `visit.pcapng`, the first that is free."""
    base = Path(path)
    number = 2
    while (found := base.with_name(f"{base.stem}-{number}{base.suffix}")).exists():
        number += 1
    return str(found)
