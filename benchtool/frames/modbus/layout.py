"""What a Modbus layout is made of, and the two walks over it: octets to fields, and values to octets.

Numbers have their high octet first (sheet 3.3, "Meaning checks"); bits are packed from the low end of each octet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from benchtool.frames.meaning import Field, Value


@dataclass(frozen=True, slots=True)
class Number:
    """An unsigned integer of 1 or 2 octets."""

    name: str
    size: int = 2
    least: int = 0
    most: int = 0xFFFF
    words: Mapping[int, str] | None = None
    """Words for values; other values are odd when `closed`."""
    closed: bool = True
    hexadecimal: bool = False

    def text(self, value: int) -> str:
        """The value as a person reads it."""
        if self.words is not None and value in self.words:
            return f"{value} ({self.words[value]})" if not self.hexadecimal else self.words[value]
        return f"0x{value:0{2 * self.size}X}" if self.hexadecimal else str(value)

    def problem(self, value: int) -> str | None:
        """What the specification has against the value."""
        name = self.name.replace("_", " ")
        if not self.least <= value <= self.most:
            return f"{name} {value} is outside {self.least} to {self.most}"
        if self.words is not None and self.closed and value not in self.words:
            return f"{name} {self.text(value)} is not defined"
        return None


class Kind(Enum):
    """How a run of octets is shown and given."""

    BITS = "bits"
    """A list of 0 and 1; padding bits of the last octet are there when read."""
    REGISTERS = "registers"
    """A list of integers of 2 octets."""
    OCTETS = "octets"
    """Hex."""
    CHARACTERS = "characters"


@dataclass(frozen=True, slots=True)
class Count:
    """A length field: the items after it take as many octets as it says."""

    name: str = "byte_count"
    size: int = 1


@dataclass(frozen=True, slots=True)
class Run:
    """Octets to the end of what the count before allows."""

    name: str
    kind: Kind
    optional: bool = False
    """May be empty."""


@dataclass(frozen=True, slots=True)
class Records:
    """Records to the end of what the count before allows; the second one's fields end in `_2` and so on.

    A `Count` within a record counts the record's rest; `length_of` names a number that counts registers.
    """

    name: str
    items: tuple[Number | Count | Run, ...]
    registers_by: str = ""


Item = Number | Count | Run | Records
Layout = tuple[Item, ...]


class CutOffError(Exception):
    """Octets end before the layout does; never leaves this module."""


def _run_value(kind: Kind, octets: bytes) -> tuple[Value, str]:
    if kind is Kind.BITS:
        bits: list[Value] = [octet >> bit & 1 for octet in octets for bit in range(8)]
        return bits, " ".join("".join(str(octet >> bit & 1) for bit in range(8)) for octet in octets)
    if kind is Kind.REGISTERS:
        words = [int.from_bytes(octets[at : at + 2], "big") for at in range(0, len(octets) - 1, 2)]
        return list(words), " ".join(str(word) for word in words)
    if kind is Kind.CHARACTERS:
        text = octets.decode("latin-1")
        return text, "".join(c if c.isprintable() else "." for c in text)
    return octets.hex().upper(), octets.hex(" ").upper()


class Reader:
    """Walks a layout over a frame's data; collects fields and problems."""

    def __init__(self, octets: bytes, start: int, end: int) -> None:
        self.fields: list[Field] = []
        self.problems: list[str] = []
        self._octets = octets
        self._at = start
        self._end = end

    def read(self, layout: Layout) -> None:
        """Read all of it; what is missing or too much is a problem."""
        end = self._end
        try:
            for item in layout:
                if isinstance(item, Number):
                    self._number(item, "", end)
                elif isinstance(item, Count):
                    end = self._count(item, "", end)
                elif isinstance(item, Run):
                    self._run(item, "", end)
                else:
                    self._records(item, end)
        except CutOffError as problem:
            self.problems.append(str(problem))
            return
        if self._at < self._end:
            self._surplus(self._end)

    def _take(self, size: int, name: str, end: int) -> bytes:
        octets = self._octets[self._at : min(end, self._at + size)]
        if len(octets) < size:
            raise CutOffError(f"ends before {name.replace('_', ' ')}")
        self._at += size
        return octets

    def _number(self, item: Number, suffix: str, end: int) -> int:
        start = self._at
        value = int.from_bytes(self._take(item.size, item.name, end), "big")
        self.fields.append(Field(item.name + suffix, value, item.text(value), start, item.size))
        problem = item.problem(value)
        if problem is not None:
            self.problems.append(problem)
        return value

    def _count(self, item: Count, suffix: str, end: int) -> int:
        start = self._at
        value = int.from_bytes(self._take(item.size, item.name, end), "big")
        self.fields.append(Field(item.name + suffix, value, str(value), start, item.size))
        left = end - self._at
        if value > left:
            self.problems.append(f"{item.name.replace('_', ' ')} says {value}, found {left}")
        return min(end, self._at + value)

    def _run(self, item: Run, suffix: str, end: int) -> None:
        start = self._at
        octets = self._octets[start:end]
        self._at = max(start, end)
        if not octets:
            if not item.optional:
                self.problems.append(f"no {item.name.replace('_', ' ')}")
            return
        value, text = _run_value(item.kind, octets)
        self.fields.append(Field(item.name + suffix, value, text, start, len(octets)))
        if item.kind is Kind.REGISTERS and len(octets) % 2:
            self.problems.append(f"{item.name.replace('_', ' ')}: half a register")

    def _records(self, item: Records, end: int) -> None:
        index = 0
        while self._at < end:
            index += 1
            suffix = "" if index == 1 else f"_{index}"
            self._record(item, suffix, end)
        if not index:
            self.problems.append(f"no {item.name}")

    def _record(self, item: Records, suffix: str, end: int) -> None:
        numbers: dict[str, int] = {}
        for part in item.items:
            if isinstance(part, Number):
                numbers[part.name] = self._number(part, suffix, end)
            elif isinstance(part, Count):
                end = self._count(part, suffix, end)
            else:
                stop = self._at + 2 * numbers[item.registers_by] if item.registers_by else end
                if stop > end:
                    self.problems.append(f"{part.name} cut off")
                self._run(part, suffix, min(stop, end))

    def _surplus(self, end: int) -> None:
        octets = self._octets[self._at : end]
        self.fields.append(Field("surplus", octets.hex().upper(), octets.hex(" ").upper(), self._at, len(octets)))
        self.problems.append(f"{len(octets)} octets more than the function has")
