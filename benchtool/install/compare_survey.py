"""A survey's saved JSON (`survey --json`, docs/json.md) as what was found. Whatever the file holds, it is checked."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from benchtool.capture.printable import printable
from benchtool.install.compare_found import AsFound, FoundDevice, Identity, KeyUse, Way

_MOST_ADDRESS = 126
_WHOLE_BUS = 127
"""Addresses that an OSDP device can have."""
_MOST = 2**32 - 1
_SECURITY = 9
"""PDCAP function: communication security (sheet 5.5)."""


class SurveyError(ValueError):
    """The text is no survey; one line."""


def is_survey(beginning: str) -> bool:
    """Whether a text that begins like this is a JSON object with a survey in it, rather than a capture or a log."""
    text = beginning.lstrip("\ufeff \t\r\n")
    return text.startswith("{") and '"survey"' in text


def read_survey(text: str, tap: str) -> AsFound:
    """Read it; SurveyError says what is wrong."""
    try:
        held = json.loads(text)
        if not isinstance(held, dict) or held.get("kind") != "survey":
            raise ValueError("it holds no object of kind survey")
        return _found(held, tap)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, OverflowError) as error:
        words = printable(str(error))[:100]
        raise SurveyError(f"not a survey that can be read ({words}): save one with benchtool survey --json") from None


def _found(held: Mapping[str, Any], tap: str) -> AsFound:
    devices = tuple(_device(row) for row in held["devices"])
    rates = {one.baud for one in devices if one.there}
    asked = _asked(held, {one.baud for one in devices if one.baud is not None})
    sound = sum(one.answered for one in devices)
    return AsFound(
        tap=tap,
        way=Way.SURVEYED,
        protocol="osdp" if sound else None,
        frames={"osdp": sound} if sound else {},
        baud=next(iter(rates)) if len(rates) == 1 else None,
        octets=sum(one.answered + one.failed for one in devices),
        devices=devices,
        asked=asked,
        complete=held["complete"] is True,
    )


def _asked(held: Mapping[str, Any], rates: set[int]) -> Mapping[int, frozenset[int]] | None:
    """Which addresses were asked; None for an older file whose counts do not tell."""
    if "rates" in held:
        return {
            _whole(row["baud"]): frozenset(_whole(one, _MOST_ADDRESS) for one in row["addresses"])
            for row in held["rates"]
        }
    count = _whole(held["asked"])
    if count and held["complete"] is True and len(rates) == 1 and count == _WHOLE_BUS:
        return {next(iter(rates)): frozenset(range(_WHOLE_BUS))}
    return None


def _device(row: Mapping[str, Any]) -> FoundDevice:
    asked, sound = _whole(row["asked"]), _whole(row["sound"])
    capabilities = row["capabilities"]
    takes_default = _truth(row["default_key"])
    records = (
        None
        if capabilities is None
        else tuple((_octet(one, "function"), _octet(one, "compliance"), _octet(one, "number")) for one in capabilities)
    )
    return FoundDevice(
        address=_whole(row["address"], _MOST_ADDRESS),
        baud=_whole(row["baud"]),
        requests=asked,
        answered=sound,
        failed=max(0, asked - sound),
        damaged=_whole(row["garbled"]),
        identities=tuple(_identity(one) for one in row["identities"]),
        capabilities=records,
        key=_key(takes_default, records),
        takes_default=takes_default,
        doubled=_whole(row["doubled"]),
    )


def _key(takes_default: bool | None, records: tuple[tuple[int, int, int], ...] | None) -> KeyUse | None:
    """A survey asks for no session, but a device that takes the default key has that one, and one that knows no
    security has none."""
    if takes_default:
        return KeyUse.DEFAULT
    if records is not None and not any(function == _SECURITY and level & 1 for function, level, _ in records):
        return KeyUse.NONE
    return None


def _identity(row: Mapping[str, Any]) -> Identity:
    oui = row["oui"]
    if not isinstance(oui, str) or len(oui) != 6 or oui.strip("0123456789ABCDEF"):
        raise ValueError("a maker is six hexadecimal digits")
    return Identity(oui, _octet(row, "model"), _octet(row, "version"), _whole(row["serial"]))


def _octet(row: Mapping[str, Any], name: str) -> int:
    return _whole(row[name], 255)


def _whole(value: object, most: int = _MOST) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
        raise ValueError(f"{value!r:.40} where a whole number, 0 to {most}, belongs")
    return value


def _truth(value: object) -> bool | None:
    if value is not None and not isinstance(value, bool):
        raise ValueError(f"{value!r:.40} where true, false or null belongs")
    return value
