"""Payload layouts as tables: what an item of a table can be, and the walk that turns octets into fields.

One table serves decoding, encoding (`encode`) and the documentation. Multi-octet numbers are low octet first.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from benchtool.frames.meaning import Field, Value
from benchtool.frames.osdp.words import characters_text, keys_text


@dataclass(frozen=True, slots=True)
class Number:
    """An integer of 1 to 4 octets, low octet first."""

    name: str
    size: int = 1
    scale: int = 1
    """The field's value is the integer times this, in `unit`: 5 with 100 ms is 500."""
    unit: str = ""
    words: Mapping[int, str] | None = None
    """Words for the values; a value that is not among them is a problem."""
    flags: Mapping[int, str] | None = None
    """Words for single bits."""
    hints: Mapping[int, str] | None = None
    """Words for some values, from memory: shown beside the number, and another value is no problem."""
    signed: bool = False
    least: int = 0
    most: int | None = None
    zero: str = ""
    """What 0 means, where that is not the number nought."""

    def text(self, raw: int) -> str:
        """The integer as a person reads it."""
        if self.words is not None:
            return self.words.get(raw, f"{raw} (not defined)")
        if self.flags is not None:
            names = [word for bit, word in self.flags.items() if raw & bit]
            names += [f"bit {n}" for n in range(8 * self.size) if raw >> n & 1 and 1 << n not in self.flags]
            return " + ".join(names) or "none"
        if self.hints is not None and raw in self.hints:
            return f"{raw} ({self.hints[raw]})"
        if raw == 0 and self.zero:
            return self.zero
        return f"{raw * self.scale} {self.unit}" if self.unit else str(raw)

    def problem(self, name: str, raw: int) -> str | None:
        """What is wrong with the integer, if anything."""
        if self.words is not None and raw not in self.words:
            return f"{name.replace('_', ' ')} {raw} is not defined"
        if self.most is not None and raw > self.most:
            return f"{name.replace('_', ' ')} {raw} is above {self.most}"
        if raw < self.least and not self.signed:
            return f"{name.replace('_', ' ')} {raw} is below {self.least}"
        return None


class Kind(Enum):
    """How a span of octets is shown and given."""

    HEX = "octets"
    CHARACTERS = "characters"
    KEYS = "keys"
    BITS = "bits"
    """First bit in the top of the first octet; what is left of the last octet is padding, not looked at."""


@dataclass(frozen=True, slots=True)
class Span:
    """A run of octets: of fixed `size`, as many as the number `count` before it says, or all the rest."""

    name: str
    size: int | None = None
    count: str | None = None
    kind: Kind = Kind.HEX
    secret: bool = False

    def value(self, octets: bytes, count: int | None) -> tuple[str, str]:
        """Value and text."""
        if self.kind is Kind.BITS:
            bits = "".join(f"{octet:08b}" for octet in octets)[:count]
            return bits, bits
        if self.kind is Kind.HEX:
            text = octets.hex().upper()
            return text, text
        return octets.decode("latin-1"), (keys_text if self.kind is Kind.KEYS else characters_text)(octets)


@dataclass(frozen=True, slots=True)
class Group:
    """Numbers that read as one: one field whose value is a dict of its parts."""

    name: str
    items: tuple[Number, ...]
    text: Callable[[Mapping[str, int], Mapping[str, str]], str]
    """Makes the text from the parts' raw integers and texts."""

    @property
    def size(self) -> int:
        """Octets it takes."""
        return sum(item.size for item in self.items)


Plain = Number | Span | Group


@dataclass(frozen=True, slots=True)
class Repeat:
    """Records to the end of the payload.

    The second record's fields end in `_2` and so on; `from_zero` names them `_0`, `_1` … where devices count so.
    """

    items: tuple[Plain, ...]
    least: int = 1
    from_zero: bool = False

    def suffix(self, index: int) -> str:
        """What the names of record `index` (from 0) end in."""
        if self.from_zero:
            return f"_{index}"
        return f"_{index + 1}" if index else ""


@dataclass(frozen=True, slots=True)
class Layout:
    """One payload."""

    items: tuple[Plain | Repeat, ...] = ()
    source: str = "sheet 5.5"

    @property
    def secret(self) -> bool:
        """Whether any of it is secret: then odd octets in it are, too."""
        return any(isinstance(item, Span) and item.secret for item in self.items)

    def size_text(self) -> str:
        """How many octets it takes, in words."""
        fixed = fixed_size(self.items)
        last = self.items[-1] if self.items else None
        if isinstance(last, Repeat):
            unit = fixed_size(last.items)
            if fixed or unit == 1:
                return f"at least {fixed + unit * last.least} octets"
            return f"a multiple of {unit} octets"
        if isinstance(last, Span) and last.count is not None:
            return f"{fixed} octets and what {last.count.replace('_', ' ')} says"
        if isinstance(last, Span) and last.size is None:
            return f"at least {fixed} octets"
        return "1 octet" if fixed == 1 else f"{fixed} octets"


def fixed_size(items: Sequence[Plain | Repeat]) -> int:
    """Octets of the items whose size does not vary."""
    return sum(item.size or 0 for item in items if not isinstance(item, Repeat))


class _Walk:
    """One walk over a payload. A method answers False when the octets ran out."""

    def __init__(self, layout: Layout, data: bytes, offset: int, cut_off: bool) -> None:
        self.layout, self.data, self.offset, self.cut_off = layout, data, offset, cut_off
        self.at = 0
        self.raw: dict[str, int] = {}
        self.fields: list[Field] = []
        self.problems: list[str] = []

    def run(self) -> None:
        ended = all(self._step(item) for item in self.layout.items)
        found = f"{self.layout.size_text()}, found {len(self.data)}"
        if ended and self.at < len(self.data):
            self._left_over("extra")
            self.problems.append(f"payload too long: expected {found}")
        elif not ended:
            self._left_over("incomplete")
            self._short(f"payload too short: expected {found}")

    def _short(self, problem: str) -> None:
        if not self.cut_off:
            self.problems.append(problem)

    def _left_over(self, name: str) -> None:
        rest = self.data[self.at :]
        if rest:
            text = rest.hex().upper()
            self.fields.append(Field(name, text, text, self.offset + self.at, len(rest), self.layout.secret))

    def _step(self, item: Plain | Repeat) -> bool:
        if isinstance(item, Repeat):
            index = 0
            while self.at < len(self.data) or index < item.least:
                if not all(self._plain(part, item.suffix(index)) for part in item.items):
                    return False
                index += 1
            return True
        return self._plain(item, "")

    def _plain(self, item: Plain, suffix: str) -> bool:
        if isinstance(item, Number):
            return self._number(item, suffix)
        if isinstance(item, Span):
            return self._span(item, suffix)
        start, first = self.at, len(self.fields)
        if not all(self._number(part, "") for part in item.items):
            return False
        parts = self.fields[first:]
        del self.fields[first:]
        value: dict[str, Value] = {part.name: part.value for part in parts}
        text = item.text(self.raw, {part.name: part.text for part in parts})
        self.fields.append(Field(item.name + suffix, value, text, self.offset + start, item.size))
        return True

    def _number(self, item: Number, suffix: str) -> bool:
        piece = self.data[self.at : self.at + item.size]
        if len(piece) < item.size:
            return False
        raw = int.from_bytes(piece, "little", signed=item.signed)
        name = item.name + suffix
        self.raw[item.name] = raw
        self.fields.append(Field(name, raw * item.scale, item.text(raw), self.offset + self.at, item.size))
        if problem := item.problem(name, raw):
            self.problems.append(problem)
        self.at += item.size
        return True

    def _span(self, item: Span, suffix: str) -> bool:
        count = self.raw[item.count] if item.count is not None else item.size
        left = len(self.data) - self.at
        need = left if count is None else -(-count // 8) if item.kind is Kind.BITS else count
        piece = self.data[self.at : self.at + need]
        if piece:
            value, text = item.value(piece, count)
            self.fields.append(Field(item.name + suffix, value, text, self.offset + self.at, len(piece), item.secret))
        elif item.count is not None:
            self.fields.append(Field(item.name + suffix, "", "none", self.offset + self.at, 0, item.secret))
        self.at += len(piece)
        return len(piece) == need


def decode(layout: Layout, data: bytes, offset: int, *, cut_off: bool = False) -> tuple[list[Field], list[str]]:
    """Fields of a payload as far as they go, and what is odd about it; never raises.

    `offset` is the payload's place in its frame. `cut_off` says that the frame itself stopped early, so that a
    payload too short is no news.
    """
    walk = _Walk(layout, data, offset, cut_off)
    walk.run()
    return walk.fields, walk.problems
