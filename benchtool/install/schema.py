"""How a field of the record is described: what it means, its unit, its range. One description serves the reader of the
file, the questions of `benchtool site`, the CSV columns and the documentation.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

_KEY = "benchtool"


@dataclass(frozen=True, slots=True)
class Meaning:
    """What is said about one field."""

    text: str
    """What it is, in a few words."""
    unit: str = ""
    least: float | None = None
    most: float | None = None
    choices: tuple[str, ...] = ()
    """The only words allowed; empty where any are."""
    names: tuple[str, ...] = ()
    """Kinds of entries (tables of the file) whose `id` it gives; empty where it gives none."""
    secret: bool = False
    """Whether reports leave it out unless asked for."""


def noted(
    text: str,
    *,
    unit: str = "",
    least: float | None = None,
    most: float | None = None,
    choices: tuple[str, ...] = (),
    names: tuple[str, ...] = (),
    secret: bool = False,
    default: Any = None,
) -> Any:
    """A field that may be left out: then it is not known, which no check takes for a pass."""
    meaning = Meaning(text, unit, least, most, choices, names, secret)
    return dataclasses.field(default=default, metadata={_KEY: meaning})


def needed(text: str, **more: Any) -> Any:
    """A field without which an entry makes no sense."""
    return dataclasses.field(metadata={_KEY: Meaning(text, **more)})


def entries(text: str) -> Any:
    """A list of entries, in order."""
    return dataclasses.field(default=(), metadata={_KEY: Meaning(text)})


@dataclass(frozen=True, slots=True)
class Slot:
    """One field of an entry as the reader of the file sees it."""

    name: str
    kind: type
    """`str`, `int`, `float`, `bool`, `tuple` (of words), `dict` (words to words), or an entry's class in a list."""
    is_list: bool
    """Whether it is a list of entries."""
    required: bool
    default: Any
    meaning: Meaning


@lru_cache(maxsize=64)
def slots_of(entry: type) -> tuple[Slot, ...]:
    """The fields of an entry, in the order in which they are written."""
    hints = typing.get_type_hints(entry)
    found = []
    for one in dataclasses.fields(entry):
        kind, is_list = _kind(hints[one.name])
        required = one.default is dataclasses.MISSING
        meaning: Meaning = one.metadata[_KEY]
        found.append(Slot(one.name, kind, is_list, required, None if required else one.default, meaning))
    return tuple(found)


def _kind(hint: Any) -> tuple[type, bool]:
    origin = typing.get_origin(hint)
    if origin in (types.UnionType, typing.Union):
        return _kind(next(one for one in typing.get_args(hint) if one is not type(None)))
    if origin is tuple:
        inner = typing.get_args(hint)[0]
        return (tuple, False) if inner is str else (inner, True)
    if origin in (dict, Mapping) or hint is Mapping:
        return dict, False
    return hint, False
