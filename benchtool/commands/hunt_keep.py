"""A hunt saved after each answer, so that a closed terminal or an empty battery takes none of the work with it."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchtool.commands.errors import CommandError
from benchtool.commands.hunt_talk import tell
from benchtool.commands.outputs import write_text

if TYPE_CHECKING:
    from benchtool.diagnose.hunt import Hunt
    from benchtool.diagnose.hunt_card import CardHunt


class Keeper:
    """Saves one hunt; `path`: where, or None for the first free name in this folder."""

    def __init__(self, hunt: Hunt | CardHunt, path: str | None) -> None:
        self._hunt = hunt
        self._path = path
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
        # The command stands on a line of its own, to be copied as it is.
        click.echo(f"saved: {path}; {how}:\nbenchtool hunt --resume {shlex.quote(path)}", err=True)

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
