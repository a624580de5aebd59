"""Records items to a capture file, and keeps it readable whatever happens: whole blocks only, at most a second lost."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import Self

from benchtool.capture.chunk import Chunk, Item, TapInfo
from benchtool.capture.log import LogEncoder
from benchtool.capture.pcapng_writer import PcapngEncoder
from benchtool.capture.private import create_private, discard_empty
from benchtool.capture.problems import CaptureError, why_not_written

LOG_SUFFIXES = (".log", ".txt")
"""Suffixes that make a recording an octet log; all others make it pcapng."""
FLUSH_NS = 1_000_000_000
"""A recorder hands its blocks to the system when items span this time."""
FLUSH_OCTETS = 256 << 10
"""… or when it holds this much."""


class Recorder:
    """Records items to a file: `.log` and `.txt` make an octet log, all else pcapng.

    Only its owner may read the file, for it may hold card numbers and keys (private.py).

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
            self._file = create_private(self.path, overwrite=self._overwrite)
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
            discard_empty(self.path)
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
            self._settle(self._file)
            self._failure = self._cannot(error)
            raise self._failure from error
        except BaseException:
            # Ctrl-C may come between a write and its being counted.
            self._settle(self._file)
            raise
        self._written += len(data)
        self._blocks.clear()
        self._held = 0
        self._since_ns = None

    def _settle(self, file: FileIO) -> None:
        """After a broken write: keep the whole blocks that reached the file, cut off the rest and hold it again."""
        with suppress(OSError):
            reached = file.tell() - self._written
            while self._blocks and len(self._blocks[0]) <= reached:
                length = len(self._blocks.pop(0))
                reached -= length
                self._written += length
                self._held -= length
            file.seek(self._written)
            file.truncate()

    def _cannot(self, error: OSError | ValueError) -> CaptureError:
        return CaptureError(f"'{self.path}' cannot be written: {why_not_written(error)}", reason="cannot-write")

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
