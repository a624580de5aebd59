"""Standard input for one command of the shell: nobody goes on reading it once the command is over.

Some commands read what is typed while they run, in a thread that waits for the next line. In a program that ends with
its command that does no harm; here it would take the keys typed at the prompt. So the waiting is cut short when the
command ends. Where a terminal cannot be waited for with `select` (Windows), the stream is given as it is.
"""

from __future__ import annotations

import io
import os
import select
from types import TracebackType
from typing import Any, TextIO

_WAIT_S = 0.1


class TypedInput(io.TextIOBase):
    """The terminal's lines until `close`. A context manager."""

    def __init__(self, stream: TextIO) -> None:
        super().__init__()
        self._stream = stream
        self._held = b""
        self._over = False

    def __enter__(self) -> TypedInput:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over = True

    def readable(self) -> bool:
        """It is."""
        return True

    def readline(self, size: int = -1, /) -> str:  # type: ignore[override]
        """The next line; empty at Ctrl-D, and once the command is over. `size` is not minded: terminals give lines."""
        while b"\n" not in self._held:
            octets = self._next()
            if not octets:
                held, self._held = self._held, b""
                return self._text(held)
            self._held += octets
        line, _, self._held = self._held.partition(b"\n")
        return self._text(line + b"\n")

    def read(self, size: int | None = -1, /) -> str:
        """All lines until Ctrl-D."""
        return "".join(iter(self.readline, ""))

    def __next__(self) -> str:  # type: ignore[override]  # typeshed takes every stream for one of octets
        line = self.readline()
        if not line:
            raise StopIteration
        return line

    def _next(self) -> bytes:
        handle = self.fileno()
        while not self._over:
            if select.select([handle], [], [], _WAIT_S)[0] and not self._over:
                return os.read(handle, 4096)
        return b""

    def _text(self, octets: bytes) -> str:
        return octets.decode(self._stream.encoding or "utf-8", errors="replace")

    def isatty(self) -> bool:
        """As the stream."""
        return self._stream.isatty()

    def fileno(self) -> int:
        """Of the stream."""
        return self._stream.fileno()

    def reconfigure(self, **options: Any) -> None:
        """Nothing to set: what cannot be read as text is replaced anyway."""

    @property
    def encoding(self) -> Any:  # type: ignore[override]  # of the stream
        """Of the stream."""
        return self._stream.encoding

    @property
    def errors(self) -> Any:  # type: ignore[override]  # as above
        """What cannot be read is replaced."""
        return "replace"


def for_a_command(stream: TextIO) -> TypedInput | None:
    """Standard input for one command; None where the stream must serve as it is."""
    if os.name == "nt":
        return None
    try:
        stream.fileno()
    except (OSError, ValueError, AttributeError):
        return None
    return TypedInput(stream)
