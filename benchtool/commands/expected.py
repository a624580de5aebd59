"""The list of devices that ought to be on a bus: read from TOML or CSV, held against what a survey found.

TOML: a `[[device]]` table each; CSV: a heading line. Keys: address (needed), name, oui, model, version, serial, baud.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchtool.commands.errors import CommandError, Exit

_NUMBERS = {"address": 126, "model": 255, "version": 255, "serial": 0xFFFF_FFFF, "baud": 20_000_000}
_KEYS = ("address", "name", "oui", "model", "version", "serial", "baud")
_MOST_OCTETS = 1 << 20


@dataclass(frozen=True, slots=True)
class Expected:
    """A device that ought to be there. None: not said, so not compared."""

    address: int
    name: str = ""
    oui: str | None = None
    """Six hexadecimal digits."""
    model: int | None = None
    version: int | None = None
    serial: int | None = None
    baud: int | None = None


def read_expected(path: str) -> list[Expected]:
    """The list; CommandError says which row is wrong."""
    try:
        with Path(path).open("rb") as file:
            text = file.read(_MOST_OCTETS).decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise CommandError(f"--expected {path}: cannot be read: {why}", Exit.INPUT) from None
    rows: Iterable[Mapping[str, Any]]
    if path.lower().endswith(".csv"):
        rows = [
            {key.strip().lower(): (value or "").strip() for key, value in row.items() if isinstance(key, str)}
            for row in csv.DictReader(text.splitlines())
        ]
    else:
        try:
            table = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise CommandError(f"--expected {path}: it is not TOML: {error}", Exit.INPUT) from None
        rows = table.get("device", [])
        if not isinstance(rows, list) or set(table) - {"device"}:
            raise CommandError(f"--expected {path}: write a [[device]] table for each device, no more", Exit.INPUT)
    made = [_row(row, f"--expected {path}: device {number}") for number, row in enumerate(rows, 1)]
    seen: set[tuple[int, int | None]] = set()
    for entry in made:
        if (entry.address, entry.baud) in seen:
            raise CommandError(f"--expected {path}: address {entry.address} is there twice", Exit.INPUT)
        seen.add((entry.address, entry.baud))
    if not made:
        raise CommandError(f"--expected {path}: there is no device in it", Exit.INPUT)
    return made


def _row(row: Any, where: str) -> Expected:
    if not isinstance(row, Mapping):
        raise CommandError(f"{where} is no table", Exit.INPUT)
    values: dict[str, Any] = {}
    for key, value in row.items():
        if key not in _KEYS:
            raise CommandError(f"{where} has an unknown key {key!r}; known are {', '.join(_KEYS)}", Exit.INPUT)
        if value == "":
            continue
        if key in _NUMBERS:
            value = _number(value, _NUMBERS[key], f"{where}: {key}")
        elif not isinstance(value, str) or not value.isprintable() or len(value) > 80:
            raise CommandError(f"{where}: {key} is one line of text", Exit.INPUT)
        values[key] = value
    if "address" not in values:
        raise CommandError(f"{where} lacks an address", Exit.INPUT)
    oui = values.get("oui")
    if oui is not None:
        bare = oui.replace(":", "").replace("-", "").upper()
        if len(bare) != 6 or bare.strip("0123456789ABCDEF"):
            raise CommandError(f"{where}: oui is six hexadecimal digits", Exit.INPUT)
        values["oui"] = bare
    return Expected(**values)


def _number(value: Any, most: int, where: str) -> int:
    if isinstance(value, str) and value.isascii() and value.isdigit() and len(value) <= 12:
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
        raise CommandError(f"{where} is a whole number, 0 to {most}", Exit.INPUT)
    return value


def differences(found: Mapping[str, Any], entry: Expected) -> list[str]:
    """What is otherwise than expected with a device: `serial 12 expected, 13 found`."""
    out = []
    for key in ("oui", "model", "version", "serial", "baud"):
        wanted, got = getattr(entry, key), found.get(key)
        if wanted is not None and got is not None and wanted != got:
            out.append(f"{key} {wanted} expected, {got} found")
    return out
