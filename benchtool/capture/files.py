"""Opens capture files: finds out what a file is and reads its items. `Recorder` (recorder.py) writes them.

The kinds of file: docs/capture-format.md (pcapng), docs/octet-log.md (text).
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from benchtool.capture.chunk import Item, TapInfo
from benchtool.capture.log_reader import LogReader
from benchtool.capture.pcapng_blocks import BYTE_ORDER, MAGIC
from benchtool.capture.pcapng_reader import PcapngReader
from benchtool.capture.problems import CaptureError, Problems, why
from benchtool.capture.recorder import Recorder
from benchtool.capture.settings import LineSettings

__all__ = ["CaptureError", "CaptureFile", "Recorder", "open_capture"]

_CLASSIC = {bytes.fromhex(word) for word in ("a1b2c3d4", "d4c3b2a1", "a1b23c4d", "4d3cb2a1", "a1b2cd34", "34cdb2a1")}
_PACKED = {b"\x1f\x8b": "gzip", b"PK": "zip", b"BZ": "bzip2", b"\xfd7": "xz", b"\x28\xb5": "zstd"}


def open_capture(path: str | Path, settings: LineSettings | None = None) -> CaptureFile:
    """A capture file or octet log, to be entered with `with`; nothing is opened before that.

    `settings` is what the receiver was set to: for a log that does not say, and in place of what the file says.
    """
    return CaptureFile(path, settings)


class CaptureFile:
    """A capture that is read: iterate for its items, in order of the file; each iteration starts at the beginning."""

    def __init__(self, path: str | Path, settings: LineSettings | None = None) -> None:
        self.path = Path(path)
        self._settings = settings
        self._stream: BinaryIO | None = None
        self._problems = Problems()
        self._reader: PcapngReader | LogReader | None = None
        self._info: TapInfo | None = None
        self.kind = ""
        """`pcapng` or `octet-log`; empty before the file is open."""

    @property
    def info(self) -> TapInfo:
        """The tap that the capture was made from; only once open."""
        if self._info is None:
            raise RuntimeError("the capture is not open: use it in a `with` statement")
        return self._info

    @property
    def problems(self) -> list[str]:
        """What was wrong in the part read so far, one line each; complete when iteration has ended."""
        return self._problems.lines()

    @property
    def share(self) -> float:
        """How much of the file lies before the next item, 0 to 1; 1 once it is closed."""
        if self._stream is None or self._reader is None:
            return 1.0
        size = os.fstat(self._stream.fileno()).st_size  # it may still be growing
        return min(1.0, self._reader.passed_octets / size) if size else 1.0

    def open(self) -> None:
        """Open and find out what the file is; CaptureError says in one line why it cannot be used."""
        self._stream = _opened(self.path)
        try:
            self._sniff(self._stream)
        except OSError as error:
            self.close()
            raise CaptureError(f"'{self.path}' cannot be read: {error.strerror}", reason="unusable") from error
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close; may be called twice."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __iter__(self) -> Iterator[Item]:
        if self._reader is None or self._stream is None:
            raise RuntimeError("the capture is not open: use it in a `with` statement")
        self._problems.clear()
        try:
            yield from self._reader.items()
        except OSError as error:
            self._problems.note("failures", f"reading failed: {error.strerror}; everything before it was read")

    def _sniff(self, stream: BinaryIO) -> None:
        name = str(self.path)
        head = stream.read(4096)
        if not head:
            raise CaptureError(f"'{name}' is empty", reason="empty")
        if head[:4] in _CLASSIC:
            raise CaptureError(
                f"'{name}' is a classic packet capture and holds no benchtool traffic; "
                "record with benchtool, or write the octets as an octet log",
                reason="foreign",
            )
        if _is_pcapng(head):
            self.kind = "pcapng"
            reader = PcapngReader(stream, name, self._problems)
            found = reader.find_info()
            if found is None:
                types = ", ".join(str(link_type) for link_type in sorted(reader.link_types))
                why = [f"its link types are {types}"] if types else []
                why += self.problems
                raise CaptureError(
                    f"'{name}' holds no benchtool traffic"
                    + (f" ({'; '.join(why[:2])})" if why else "")
                    + "; give a capture recorded with benchtool, or an octet log",
                    reason="foreign",
                )
            if self._settings is not None:
                found = replace(found, settings=self._settings)
            self._reader, self._info = reader, found
            return
        packed = next((how for begin, how in _PACKED.items() if head.startswith(begin)), None)
        if packed is not None and not head.isascii():
            raise CaptureError(f"'{name}' is packed ({packed}); unpack it first", reason="foreign")
        if b"\0" in head and head[:2] not in (b"\xff\xfe", b"\xfe\xff"):
            raise CaptureError(
                f"'{name}' is neither a capture nor an octet log: it holds binary data; "
                "an octet log line is `0.125 53 01 08 00`",
                reason="foreign",
            )
        self.kind = "octet-log"
        log = LogReader(stream, name, self._settings, self._problems)
        self._info = log.find_info()
        self._reader = log


def _is_pcapng(head: bytes) -> bool:
    # A text may begin with the same four characters, all of them line ends.
    orders = (BYTE_ORDER.to_bytes(4, "little"), BYTE_ORDER.to_bytes(4, "big"))
    return head.startswith(MAGIC) and (len(head) < 12 or head[8:12] in orders or b"\0" in head)


def _opened(path: Path) -> BinaryIO:
    try:
        mode = os.stat(path).st_mode
        if stat.S_ISDIR(mode):
            raise CaptureError(f"'{path}' is a folder; give a file in it", reason="unusable")
        if not stat.S_ISREG(mode):
            raise CaptureError(f"'{path}' is not a file; save the capture to a file first", reason="unusable")
        return open(path, "rb")
    except FileNotFoundError as error:
        raise CaptureError(f"there is no file '{path}'", reason="absent") from error
    except PermissionError as error:
        raise CaptureError(f"'{path}' may not be read by you; ask its owner or copy it", reason="forbidden") from error
    except (OSError, ValueError) as error:
        raise CaptureError(f"'{path}' cannot be opened: {why(error)}", reason="unusable") from error
