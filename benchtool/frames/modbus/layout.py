"""What a Modbus layout is made of, and the walk over it that turns octets into fields; `build` walks the other way.

Numbers have their high octet first (sheet 3.3, "Meaning checks"); bits are packed from the low end of each octet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from benchtool.capture.printable import printable
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
    """A list of 0 and 1; the padding of the last octet is left off where the frame says how many there are."""
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
    least: int = 0
    most: int = 0xFFFF

    def problem(self, value: int) -> str | None:
        """What the specification has against the value."""
        if not self.least <= value <= self.most:
            return f"{self.name.replace('_', ' ')} {value} is outside {self.least} to {self.most}"
        return None


@dataclass(frozen=True, slots=True)
class Run:
    """Octets to the end of what the count before allows."""

    name: str
    kind: Kind
    optional: bool = False
    """May be empty."""
    most: int = 0
    """How many bits, registers or octets at most; 0: no limit but the frame's."""
    counted_by: str = ""
    """The number before it that says how many bits or registers there are."""

    def octets_for(self, number: int) -> int:
        """Octets that so many bits, registers or octets take."""
        if self.kind is Kind.BITS:
            return (number + 7) // 8
        return 2 * number if self.kind is Kind.REGISTERS else number

    def most_problem(self, octets: int) -> str | None:
        """What the specification has against so many octets."""
        if self.most and octets > self.octets_for(self.most):
            return f"{octets} octets of {self.name}: at most {self.most} {self.kind.value} are allowed"
        return None


@dataclass(frozen=True, slots=True)
class Records:
    """Records to the end of what the count before allows: fields with parts, the second one's name ends in `_2`.

    A `Count` within a record counts the record's rest; a `Run` ends with its record, or where its number says.
    """

    name: str
    """Of one of them."""
    items: tuple[Number | Count | Run, ...]
    counted_by: str = ""
    """The number before them that says how many there are."""


Item = Number | Count | Run | Records
Layout = tuple[Item, ...]

_SHOWN_BITS, _SHOWN_REGISTERS, _SHOWN_OCTETS = 64, 16, 32
"""A line of text shows so many; the value has them all."""


class CutOffError(Exception):
    """Octets end before the layout does; never leaves this module."""


def _some(words: list[str], shown: int, total: int) -> str:
    text = " ".join(words[:shown])
    return text if len(words) <= shown else f"{text} … {total} in all"


def octets_text(octets: bytes) -> str:
    """Octets in hex, the first of many."""
    return _some([f"{octet:02X}" for octet in octets], _SHOWN_OCTETS, len(octets))


def _run_value(kind: Kind, octets: bytes, number: int | None) -> tuple[Value, str]:
    if kind is Kind.BITS:
        bits = [octet >> bit & 1 for octet in octets for bit in range(8)][:number]
        eights = ["".join(str(bit) for bit in bits[at : at + 8]) for at in range(0, len(bits), 8)]
        return list(bits), _some(eights, _SHOWN_BITS // 8, len(bits))
    if kind is Kind.REGISTERS:
        words = [int.from_bytes(octets[at : at + 2], "big") for at in range(0, len(octets) - 1, 2)]
        return list(words), _some([str(word) for word in words], _SHOWN_REGISTERS, len(words))
    if kind is Kind.CHARACTERS:
        text = octets.decode("latin-1")
        return text, printable(text, ".")
    return octets.hex().upper(), octets_text(octets)


class Reader:
    """Walks a layout over a frame's data; collects fields and problems.

    The fields lie end to end over all of the data. `cut_off` says that the frame stopped early, so that something
    missing is no news.
    """

    def __init__(self, octets: bytes, start: int, end: int, *, cut_off: bool = False) -> None:
        self.fields: list[Field] = []
        self.problems: list[str] = []
        self._octets = octets
        self._at = start
        self._end = end
        self._cut_off = cut_off
        self._numbers: dict[str, int] = {}

    def read(self, layout: Layout) -> None:
        """Read all of it; what is missing or too much is a problem."""
        end = self._end
        try:
            for item in layout:
                if isinstance(item, Records):
                    self._records(item, end)
                else:
                    end = self._item(item, end)
        except CutOffError as problem:
            self._missing(str(problem))
            self.rest("incomplete")
            return
        if self.rest("surplus"):
            self.problems.append(f"{self.fields[-1].length} octets more than the function has")

    def rest(self, name: str) -> bool:
        """What is left as one field; False when nothing is."""
        octets = self._octets[self._at : self._end]
        if not octets:
            return False
        self.fields.append(Field(name, octets.hex().upper(), octets_text(octets), self._at, len(octets)))
        self._at = self._end
        return True

    def _missing(self, problem: str) -> None:
        if not self._cut_off:
            self.problems.append(problem)

    def _take(self, size: int, name: str, end: int) -> int:
        octets = self._octets[self._at : min(end, self._at + size)]
        if len(octets) < size:
            raise CutOffError(f"ends before {name.replace('_', ' ')}")
        self._at += size
        return int.from_bytes(octets, "big")

    def _item(self, item: Number | Count | Run, end: int) -> int:
        """Read one; answers where what follows it ends."""
        if isinstance(item, Run):
            self._run(item, end)
            return end
        start = self._at
        value = self._take(item.size, item.name, end)
        text = item.text(value) if isinstance(item, Number) else str(value)
        self.fields.append(Field(item.name, value, text, start, item.size))
        problem = item.problem(value)
        if problem is not None:
            self.problems.append(problem)
        if isinstance(item, Number):
            self._numbers[item.name] = value
            return end
        left = end - self._at
        if value > left:
            self._missing(f"{item.name.replace('_', ' ')} says {value}, found {left}")
        return min(end, self._at + value)

    def _run(self, item: Run, end: int) -> None:
        start = self._at
        octets = self._octets[start:end]
        self._at = start + len(octets)
        number = self._numbers.get(item.counted_by)
        if number is not None and len(octets) != item.octets_for(number):
            counted = item.counted_by.replace("_", " ")
            self._missing(f"{len(octets)} octets of {item.name}: {counted} {number} takes {item.octets_for(number)}")
            number = None
        if not octets:
            if not item.optional and not item.counted_by:
                self._missing(f"no {item.name.replace('_', ' ')}")
            return
        value, text = _run_value(item.kind, octets, number)
        self.fields.append(Field(item.name, value, text, start, len(octets)))
        if item.kind is Kind.REGISTERS and len(octets) % 2:
            self._missing(f"{item.name.replace('_', ' ')}: half a register")
        if item.kind is Kind.BITS and number is not None and number % 8 and octets[-1] >> number % 8:
            self.problems.append("the padding after the last bit is not 0")
        problem = item.most_problem(len(octets))
        if problem is not None:
            self.problems.append(problem)

    def _records(self, item: Records, end: int) -> None:
        index = 0
        while self._at < end:
            index += 1
            self._record(item, "" if index == 1 else f"_{index}", end)
        counted = self._numbers.get(item.counted_by)
        if counted is not None and counted != index:
            self._missing(f"{item.counted_by.replace('_', ' ')} says {counted}, found {index}")
        elif not index and counted is None:
            self._missing(f"no {item.name}")

    def _record(self, item: Records, suffix: str, end: int) -> None:
        start, outer = self._at, self.fields
        parts = self.fields = []
        try:
            for part in item.items:
                if isinstance(part, Run) and part.counted_by:
                    stop = min(end, self._at + part.octets_for(self._numbers[part.counted_by]))
                    self._item(part, stop)
                else:
                    end = self._item(part, end)
        finally:
            self.fields = outer
            if parts:
                value = {part.name: part.value for part in parts}
                text = " ".join(f"{part.name.replace('_', ' ')} {part.text}" for part in parts)
                outer.append(Field(item.name + suffix, value, f"[{text}]", start, self._at - start))
