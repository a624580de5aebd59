"""A capture or an octet log as a tap, in virtual time: what was recorded comes again, as fast as it is asked for."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from benchtool.capture.chunk import Chunk, Gap, Item, TapInfo
from benchtool.capture.files import CaptureError, CaptureFile, open_capture
from benchtool.capture.settings import LineSettings
from benchtool.taps.tap import Tap, TapError

_BATCH = 256


class FileTap(Tap):
    """Reads a capture file. `settings` None: as the file says; else as the user says, whatever the file says."""

    def __init__(self, path: str, settings: LineSettings | None = None) -> None:
        self._path = path
        self._settings = settings
        self._file: CaptureFile | None = None
        self._items: Iterator[Item] = iter(())
        self._info = TapInfo(path, settings or LineSettings())
        self._now_ns = 0
        self._ended = False
        self._broken: TapError | None = None
        self._problems: list[str] = []

    def open(self) -> None:
        """Open; TapError with the reason `absent`, `forbidden`, `unusable` or `foreign`."""
        if self._file is not None:
            return
        file = open_capture(self._path, self._settings)
        try:
            file.open()
        except CaptureError as error:
            raise _explain(error) from error
        self._file, self._info, self._items = file, file.info, iter(file)
        self._now_ns, self._ended, self._broken = 0, False, None

    def close(self) -> None:
        """Close the file."""
        file, self._file = self._file, None
        self._items = iter(())
        if file is not None:
            self._problems = list(file.problems)
            file.close()

    @property
    def info(self) -> TapInfo:
        """What the file says about the tap that recorded it."""
        return self._info

    @property
    def problems(self) -> list[str]:
        """What was wrong in the file and was skipped, in words; grows while reading."""
        return list(self._file.problems) if self._file is not None else self._problems

    @property
    def share(self) -> float:
        """How much of the file has been read, 0 to 1."""
        return 1.0 if self._file is None or self._ended else self._file.share

    def read(self, timeout_s: float) -> list[Item]:
        """The next items, at most 256; TapError if the file breaks off, after all items before the break."""
        if self._broken is not None:
            raise self._broken
        items: list[Item] = []
        try:
            items.extend(islice(self._items, _BATCH))
        except CaptureError as error:
            self._broken = _explain(error)
        if not items:
            self._ended = True
            if self._broken is not None:
                raise self._broken
            return items
        last = items[-1]
        self._now_ns = max(self._now_ns, last.end_ns if isinstance(last, Chunk | Gap) else last.t_ns)
        return items

    @property
    def ended(self) -> bool:
        """True once a read has found the end."""
        return self._ended

    @property
    def now_ns(self) -> int:
        """The end of the last item read."""
        return self._now_ns


def _explain(error: CaptureError) -> TapError:
    return TapError(str(error), reason="foreign" if error.reason == "empty" else error.reason)
