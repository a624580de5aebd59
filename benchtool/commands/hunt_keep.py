"""A hunt saved after each answer, so that a closed terminal or an empty battery takes none of the work with it."""

from __future__ import annotations

import shlex
import signal
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, NoReturn

import click

from benchtool.commands.errors import CommandError
from benchtool.commands.hunt_talk import tell
from benchtool.commands.outputs import write_text

if TYPE_CHECKING:
    from benchtool.diagnose.hunt import Hunt
    from benchtool.diagnose.hunt_card import CardHunt


class Keeper:
    """Saves one hunt; `path`: where, or None for the first free name in this folder. `page`: the page asked for."""

    def __init__(self, hunt: Hunt | CardHunt, path: str | None, page: str | None = None) -> None:
        self._hunt = hunt
        self._path = path
        self._page = page
        self._told = False

    def keep(self) -> None:
        """Save it as it stands. Where that fails, say so once and go on: the hunt matters more than its record."""
        try:
            self._write()
        except CommandError as error:
            if not self._told:
                tell(f"Not saved: {error.format_message()}. The hunt goes on; its result will be shown here.")
            self._told = True

    def close(self, *, ended: bool) -> None:
        """Save it for the last time and say how to take it up again; CommandError where that cannot be done."""
        path = self._write()
        how = "look again with" if ended else "go on with"
        if any(one.name == "listen" and one.text for one in self._hunt.answers) and self._reads_cards():
            how = "card data is not saved, so this reads anew"
        # The command stands on a line of its own, to be copied as it is.
        click.echo(f"saved: {path}; {how}:\n{self._command(path)}", err=True)

    def _reads_cards(self) -> bool:
        from benchtool.diagnose.hunt_card import CardHunt

        return isinstance(self._hunt, CardHunt)

    def _command(self, path: str) -> str:
        page = f" --page {shlex.quote(self._page)} --overwrite" if self._page else ""
        return f"benchtool hunt --resume {shlex.quote(path)}{page}"

    @contextmanager
    def minding_ends(self) -> Iterator[None]:
        """Meanwhile a polite kill or a closed terminal is told how to go on; each answer is saved already."""
        before: list[tuple[int, Any]] = []
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None:
                with suppress(ValueError):  # not the main thread: somebody else minds the signals
                    before.append((number, signal.signal(number, self._ended)))
        try:
            yield
        finally:
            for number, handler in before:
                signal.signal(number, handler)

    def _ended(self, number: int, frame: FrameType | None) -> NoReturn:
        if self._path is not None and Path(self._path).exists():
            told = f"Ended from outside; what was answered is saved. Go on with:\n{self._command(self._path)}"
        else:
            told = "Ended from outside; nothing was answered yet, so nothing is saved."
        with suppress(OSError):  # the terminal may be gone
            click.echo(f"\n{told}", err=True)
        raise SystemExit(128 + number)

    def _write(self) -> str:
        # A free name is looked for once: later it is this hunt's own.
        path = self._path = self._path or _free_name()
        write_text(path, self._hunt.to_json())
        return path


def _free_name() -> str:
    """A name in this folder that nothing has yet."""
    return next(
        name
        for name in ("hunt.json", *(f"hunt-{number}.json" for number in range(2, 10_000)))
        if not Path(name).exists()
    )
