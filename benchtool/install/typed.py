"""What a person types, or what stands in a list's cell, to the value of a field; and back.

Written as people write: `12,5 m`, `9600 baud`, `yes`, `inter` for `interface`. A thousands separator is never guessed
at.
"""

from __future__ import annotations

import json
import re
from typing import Any

from benchtool.install.csv_units import is_unit
from benchtool.install.load import why_not
from benchtool.install.schema import Slot

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_WITH_UNIT = re.compile(r"([^\W\d_]*)\s*(1/\d+|[+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*(\D.*|)", re.ASCII | re.DOTALL)
"""Unit, number, unit: `AWG 22`, `9600 baud`, `0.5 mm2`, `1/8 unit load`."""
_SHARE = re.compile(r"1/([1-9]\d{0,3})", re.ASCII)
"""How data sheets write the load of a receiver."""
_YES = ("yes", "y", "true", "on", "1", "x", "ja", "j", "wahr")
_NO = ("no", "n", "false", "off", "0", "nein", "falsch")
"""In English and German, as spreadsheets of both write truth values; an empty cell is neither."""
_ROUNDED = re.compile(r"\d(?:[.,]\d+)?E\+\d+", re.ASCII)
_PLAIN_WORD = re.compile(r"[^\s,;=\"'\[\]{}]+(?: [^\s,;=\"'\[\]{}]+)*")


class TypedError(ValueError):
    """What was typed cannot stand in the field; says why."""


def value_of(slot: Slot, typed: str) -> Any:
    """The value meant. TypedError says why there is none; text that is empty gives none either."""
    words = typed.strip()
    if not words:
        raise TypedError("it is empty")
    if any("\ud800" <= letter <= "\udfff" for letter in words):
        raise TypedError("it holds octets that are no text in UTF-8")
    value = _parsed(slot, words)
    if slot.kind not in (tuple, dict):
        problem = why_not(slot, value)
        if problem is not None:
            raise TypedError(problem)
    return value


def _parsed(slot: Slot, words: str) -> Any:
    if slot.kind is bool:
        if words.lower() in _YES:
            return True
        if words.lower() in _NO:
            return False
        raise TypedError(f"yes or no is wanted, not {words!r}")
    if slot.kind in (int, float):
        return _number(slot, words)
    if slot.kind is tuple:
        return _words(words)
    if slot.kind is dict:
        return _pairs(words)
    if slot.meaning.choices:
        return _choice(slot.meaning.choices, words)
    if slot.name == "serial" and _ROUNDED.fullmatch(words):
        raise TypedError(f"{words} is a number that a spreadsheet has rounded: type the serial number as it is")
    return words


def _choice(choices: tuple[str, ...], words: str) -> str:
    low = words.lower()
    if low in choices:
        return low
    begins = [choice for choice in choices if choice.startswith(low)]
    return begins[0] if len(begins) == 1 else words


def _number(slot: Slot, words: str) -> float | int:
    unit = slot.meaning.unit
    bare = words
    if unit and (parts := _WITH_UNIT.fullmatch(words)) and is_unit(parts[1] or parts[3], unit):
        bare = parts[2].strip()
    if unit == "unit loads" and (share := _SHARE.fullmatch(bare)):
        return 1 / int(share[1])
    wanted = "a whole number is wanted" if slot.kind is int else "a number is wanted"
    in_unit = f", in {unit}" if unit else ""
    if not _NUMBER.fullmatch(bare) or len(bare) > 30:
        raise TypedError(f"{wanted}{in_unit}, not {words!r}")
    if re.fullmatch(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", bare) and "," in bare:
        raise TypedError(f"{bare} can be read in two ways: write it without the comma, or with a point")
    number = float(bare.replace(",", "."))
    if slot.kind is float:
        return number
    if re.fullmatch(r"[+-]?\d+", bare):
        return int(bare)
    if not number.is_integer() or abs(number) > 1e15:
        raise TypedError(f"{wanted}{in_unit}, not {words!r}")
    return int(number)


def _json(words: str) -> Any:
    try:
        return json.loads(words)
    except (ValueError, RecursionError):
        return None


def _words(words: str) -> tuple[str, ...]:
    if words.startswith("["):
        found = _json(words)
        if not isinstance(found, list) or not all(isinstance(one, str) for one in found):
            raise TypedError("words are wanted, with ; between them")
        return tuple(found)
    return tuple(part.strip() for part in re.split(r"[;,]", words) if part.strip())


def _pairs(words: str) -> dict[str, str]:
    if words.startswith("{"):
        found = _json(words)
        if not isinstance(found, dict) or not all(isinstance(one, str) for one in found.values()):
            raise TypedError("pairs are wanted, as D0=green; D1=white")
        return found
    # With no separator but spaces, each word is a pair of its own: D0=green D1=white.
    parts = re.split(r"[;,]", words) if re.search(r"[;,]", words) else re.split(r"\s+(?=\S+=)", words)
    pairs: dict[str, str] = {}
    for part in (part.strip() for part in parts):
        if not part:
            continue
        name, sign, colour = (piece.strip() for piece in part.partition("="))
        if not sign or not name or not colour:
            raise TypedError(f"pairs are wanted, as D0=green; D1=white; {part!r} is none")
        if name in pairs:
            raise TypedError(f"{name} stands there twice")
        pairs[name] = colour
    if not pairs:
        raise TypedError("pairs are wanted, as D0=green; D1=white")
    return pairs


def text_of(slot: Slot, value: Any) -> str:
    """A value as it is typed; `value_of` gives it back, outer spaces of text aside. Empty where it is not known."""
    if value is None:
        return ""
    if slot.kind is bool:
        return "yes" if value else "no"
    if slot.kind is tuple:
        simple = all(_PLAIN_WORD.fullmatch(one) for one in value)
        return "; ".join(value) if simple and value else (json.dumps(value, ensure_ascii=False) if value else "")
    if slot.kind is dict:
        simple = bool(value) and all(_PLAIN_WORD.fullmatch(one) for pair in value.items() for one in pair)
        if simple:
            # A single pair is followed by the separator, so that spaces in a colour are not taken for one.
            return "; ".join(f"{name}={colour}" for name, colour in value.items()) + (";" if len(value) == 1 else "")
        return json.dumps(value, ensure_ascii=False)
    if slot.kind is float and float(value).is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)


def wanted_words(slot: Slot) -> str:
    """What is wanted in a field, in a few words: choices, unit and range."""
    meaning = slot.meaning
    if meaning.choices:
        return " | ".join(meaning.choices)
    if slot.kind is bool:
        return "yes | no"
    if slot.kind is tuple:
        return "words, with ; between them"
    if slot.kind is dict:
        return "pairs, as D0=green; D1=white"
    if meaning.least is not None and meaning.most is not None:
        return f"{_said(meaning.least)} to {_said(meaning.most)} {meaning.unit}".rstrip()
    return meaning.unit


def _said(limit: float) -> str:
    return str(int(limit)) if float(limit).is_integer() else f"{limit:g}"
