"""Opens and records capture files: finds out what a file is, and keeps a recording readable whatever happens.

The kinds of file: docs/capture-format.md (pcapng), docs/octet-log.md (text).
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from benchtool.capture.chunk import Chunk, Item, TapInfo
from benchtool.capture.log import LogEncoder
from benchtool.capture.log_reader import LogReader
from benchtool.capture.pcapng_blocks import BYTE_ORDER, MAGIC
from benchtool.capture.pcapng_reader import PcapngReader
from benchtool.capture.pcapng_writer import PcapngEncoder
from benchtool.capture.problems import CaptureError, Problems
from benchtool.capture.settings import LineSettings

__all__ = ["CaptureError", "CaptureFile", "Recorder", "open_capture"]

LOG_SUFFIXES = (".log", ".txt")
"""Suffixes that make a recording an octet log; all others make it pcapng."""
FLUSH_NS = 1_000_000_000
"""A recorder hands its blocks to the system when items span this time."""
FLUSH_OCTETS = 256 << 10
"""… or when it holds this much."""

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
        raise CaptureError(f"'{path}' cannot be opened: {_why(error)}", reason="unusable") from error


def _why(error: OSError | ValueError) -> str:
    return (error.strerror or str(error)) if isinstance(error, OSError) else str(error)


_MENDS = {
    errno.ENOSPC: "the disk is full; make room or record elsewhere",
    errno.EDQUOT: "your share of the disk is used up; make room or record elsewhere",
    errno.EROFS: "the disk is read-only; record elsewhere",
    errno.ENOENT: "its folder does not exist; make it first",
    errno.EACCES: "you may not write there; record elsewhere",
    errno.EPERM: "you may not write there; record elsewhere",
    errno.EISDIR: "it is a folder; give a file name in it",
}


class Recorder:
    """Records items to a file: `.log` and `.txt` make an octet log, all else pcapng.

    Whole blocks only: a killed recorder loses what came since the last flush, a full disk what did not fit. Flushing
    goes by the times of the items, every second; on a quiet bus the caller calls `flush`, say once a second.
    """

    def __init__(self, path: str | Path, info: TapInfo, *, overwrite: bool = False) -> None:
        self.path = Path(path)
        log = self.path.suffix.lower() in LOG_SUFFIXES
        self.kind = "octet-log" if log else "pcapng"
        """`pcapng` or `octet-log`."""
        self._encoder: LogEncoder | PcapngEncoder = LogEncoder(info) if log else PcapngEncoder(info)
        self._overwrite = overwrite
        self._file: FileIO | None = None
        self._blocks: list[bytes] = []
        self._held = 0
        self._written = 0
        self._since_ns: int | None = None
        self._failure: CaptureError | None = None

    def open(self) -> None:
        """Make the file and write its header; CaptureError when that cannot be."""
        try:
            self._file = FileIO(str(self.path), "w" if self._overwrite else "x")
        except FileExistsError as error:
            raise CaptureError(
                f"'{self.path}' exists already and is kept; give another name or ask to overwrite", reason="exists"
            ) from error
        except (OSError, ValueError) as error:
            raise self._cannot(error) from error
        self._written = 0
        self._blocks = [self._encoder.header()]
        try:
            self.flush()
        except CaptureError:
            self.close()
            raise

    def write(self, item: Item) -> None:
        """Record one item. CaptureError when it cannot be written; ValueError when the item breaks its contract."""
        if self._failure is not None:
            raise self._failure
        if self._file is None:
            raise RuntimeError("the recorder is not open: use it in a `with` statement")
        if isinstance(item, Chunk) and len(item.octets) > self._encoder.most_octets:
            for piece in _pieces(item, self._encoder.most_octets):
                self._add(self._encoder.encode(piece))
        else:
            self._add(self._encoder.encode(item))
        t_ns = item.t_ns
        if self._since_ns is None:
            self._since_ns = t_ns
        if self._held >= FLUSH_OCTETS or abs(t_ns - self._since_ns) >= FLUSH_NS:
            self.flush()

    def _add(self, block: bytes) -> None:
        self._blocks.append(block)
        self._held += len(block)

    def flush(self) -> None:
        """Hand everything held to the system, so that a killed program has lost none of it."""
        if self._failure is not None:
            raise self._failure
        if self._file is None or not self._blocks:
            return
        data = memoryview(b"".join(self._blocks))
        done = 0
        try:
            while done < len(data):
                done += self._file.write(data[done:]) or 0
        except OSError as error:
            self._cut(done)
            self._failure = self._cannot(error)
            raise self._failure from error
        self._written += len(data)
        self._blocks.clear()
        self._held = 0
        self._since_ns = None

    def _cut(self, done: int) -> None:
        """Take back the part of a block that still got written."""
        whole = 0
        for block in self._blocks:
            if whole + len(block) > done:
                break
            whole += len(block)
        self._blocks.clear()
        if self._file is not None:
            with suppress(OSError):
                self._file.truncate(self._written + whole)

    def _cannot(self, error: OSError | ValueError) -> CaptureError:
        number = error.errno if isinstance(error, OSError) else None
        mend = _MENDS.get(number or 0) or _why(error)
        return CaptureError(f"'{self.path}' cannot be written: {mend}", reason="cannot-write")

    def close(self) -> None:
        """Flush and close; may be called twice. Says nothing of a failure that was raised before."""
        file = self._file
        if file is None:
            return
        try:
            if self._failure is None:
                self.flush()
        finally:
            self._file = None
            try:
                file.close()
            except OSError as error:
                raise self._cannot(error) from error

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _pieces(chunk: Chunk, most: int) -> Iterator[Chunk]:
    """A chunk divided into parts of at most `most` octets, its time in proportion."""
    t_ns, end_ns, octets, marks, direction = chunk
    number = len(octets)
    for begin in range(0, number, most):
        end = min(begin + most, number)
        yield Chunk(
            t_ns + (end_ns - t_ns) * begin // number,
            t_ns + (end_ns - t_ns) * end // number,
            octets[begin:end],
            marks[begin:end],
            direction,
        )
