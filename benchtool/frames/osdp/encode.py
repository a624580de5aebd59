"""Field values to payload octets, by the same tables that decode them."""

from __future__ import annotations

from collections.abc import Mapping

from benchtool.frames.meaning import Value
from benchtool.frames.osdp.layout import Group, Kind, Layout, Number, Plain, Repeat, Span


def encode(layout: Layout, values: Mapping[str, Value]) -> bytes:
    """The payload; the inverse of `layout.decode` over its fields' values.

    Numbers are in the unit of their field (500 for 500 ms) or a word of their table ("green"); a number that counts
    what follows may be left out. ValueError says which field is missing, unknown or does not fit.
    """
    left = dict(values)
    known = [part.name for item in layout.items for part in (item.items if isinstance(item, Repeat) else (item,))]
    for item in layout.items:
        if isinstance(item, Span) and item.count is not None:
            _count(item, left)
    out = b""
    for item in layout.items:
        if isinstance(item, Repeat):
            out += _records(item, left)
        else:
            out += _plain(item, left, "")
    if left:
        raise ValueError(f"no field '{next(iter(left))}' here; the fields are {', '.join(known) or 'none'}")
    return out


def _count(item: Span, left: dict[str, Value]) -> None:
    text = left.get(item.name)
    if item.count is None or not isinstance(text, str):
        return
    actual = len(_octets(item, text)) if item.kind is Kind.HEX else len(text)
    if left.setdefault(item.count, actual) != actual:
        raise ValueError(f"{item.count} says {left[item.count]}, but {item.name} has {actual}")


def _records(item: Repeat, left: dict[str, Value]) -> bytes:
    out = b""
    index = 0
    while any(part.name + item.suffix(index) in left for part in item.items) or index < item.least:
        for part in item.items:
            out += _plain(part, left, item.suffix(index))
        index += 1
    return out


def _plain(item: Plain, left: dict[str, Value], suffix: str) -> bytes:
    name = item.name + suffix
    if isinstance(item, Span) and item.size is None and item.count is None:
        return _octets(item, left.pop(name, ""))
    if left.get(name) is None:
        raise ValueError(f"{name} is missing")
    value = left.pop(name)
    if isinstance(item, Number):
        return _number(item, name, value)
    if isinstance(item, Span):
        return _octets(item, value)
    return _group(item, name, value)


def _group(item: Group, name: str, value: Value) -> bytes:
    if not isinstance(value, dict):
        raise ValueError(f"{name} takes a dict of {', '.join(part.name for part in item.items)}, not {value!r}")
    parts = dict(value)
    out = b"".join(_plain(part, parts, "") for part in item.items)
    if parts:
        raise ValueError(f"no field '{next(iter(parts))}' in {name}")
    return out


def _number(item: Number, name: str, value: Value) -> bytes:
    if isinstance(value, str) and item.words is not None:
        for number, word in item.words.items():
            if word == value:
                value = number
                break
    if not isinstance(value, int):
        raise ValueError(f"{name} takes a number, not {value!r}")
    raw, over = divmod(value, item.scale)
    if over:
        raise ValueError(f"{name} comes in steps of {item.scale} {item.unit}, not {value}")
    try:
        return raw.to_bytes(item.size, "little", signed=item.signed)
    except OverflowError:
        raise ValueError(f"{name} {value} does not fit in {item.size} octets") from None


def _octets(item: Span, value: Value) -> bytes:
    if not isinstance(value, str):
        raise ValueError(f"{item.name} takes {item.kind.value} as a string")
    if item.kind is Kind.BITS:
        if value.strip("01"):
            raise ValueError(f"{item.name} takes 0 and 1 only")
        padded = value + "0" * (-len(value) % 8)
        return bytes(int(padded[at : at + 8], 2) for at in range(0, len(padded), 8))
    try:
        octets = bytes.fromhex(value) if item.kind is Kind.HEX else value.encode("latin-1")
    except ValueError:
        # The text may be secret, so it is not repeated.
        raise ValueError(f"{item.name} is not {item.kind.value}") from None
    if item.size is not None and len(octets) != item.size:
        raise ValueError(f"{item.name} takes {item.size} octets, not {len(octets)}")
    return octets
