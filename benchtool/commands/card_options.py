"""`--table FILE`: a user's own card formats, for every command that reads cards."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.frames.card.formats import CardFormat

_F = TypeVar("_F", bound=Callable[..., Any])


class CardNumber(click.ParamType):  # type: ignore[type-arg]  # generic only in newer releases of click
    """A whole number of a card; what cannot be read is not repeated, since it may be a card's number."""

    name = "integer"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The number."""
        if isinstance(value, int):
            return value
        if not re.fullmatch(r"\s*-?[0-9]{1,80}\s*", str(value)):
            self.fail("a whole number in decimal digits is wanted", param, ctx)
        return int(value)


def table_option(function: _F) -> _F:
    """`--table`: files with formats of the user's own, several times if need be."""
    return click.option(
        "--table",
        "tables",
        type=click.Path(dir_okay=False),
        multiple=True,
        metavar="FILE",
        help="Also read in the formats of this table file (docs/format-tables.md; benchtool formats check FILE).",
    )(function)


def read_table(path: str) -> tuple[CardFormat, ...]:
    """The formats in one file; CommandError with one line where it cannot be read."""
    from benchtool.frames.card.table_file import TableFileError, load

    try:
        return load(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise CommandError(f"{path}: {error.strerror or error}", Exit.INPUT) from None
    except UnicodeDecodeError:
        raise CommandError(f"{path}: not a text file", Exit.INPUT) from None
    except ValueError as error:
        kind = "" if isinstance(error, TableFileError) else "not a table of card formats: "
        raise CommandError(f"{path}: {kind}{error}", Exit.INPUT) from None


def read_tables(paths: tuple[str, ...]) -> tuple[CardFormat, ...]:
    """The formats of all files in order. CommandError also where two have one name."""
    rows: list[CardFormat] = []
    for path in paths:
        for row in read_table(path):
            if any(known.name == row.name for known in rows):
                raise CommandError(f"{path}: another --table has a format called {row.name!r} already", Exit.INPUT)
            rows.append(row)
    return tuple(rows)
