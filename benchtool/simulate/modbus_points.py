"""What a simulated Modbus server holds: bits, registers, files, queues and its identity, with changes at set times.

Addresses count from 0, as on the line. Facts: sheet 3.3, 3.4; layout of files and identity from memory where the
function table says so (docs/modbus.md).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from enum import Enum
from typing import NamedTuple


class Table(Enum):
    """The four tables of Modbus; the value is the name in a device file."""

    COILS = "coils"
    """Bits that are read and written."""
    INPUTS = "inputs"
    """Bits that are only read (discrete inputs)."""
    HOLDING = "holding"
    """Registers of 16 bits that are read and written."""
    INPUT_REGISTERS = "input_registers"
    """Registers of 16 bits that are only read."""

    @property
    def most(self) -> int:
        """The greatest value of one place."""
        return 1 if self in (Table.COILS, Table.INPUTS) else 0xFFFF


class Change(NamedTuple):
    """From `at_ns` on, the places of `table` from `start` hold `values`; places that were not there come to be."""

    at_ns: int
    table: Table
    start: int
    values: Sequence[int]


Written = Callable[[int, Table, int, Sequence[int]], None]
"""Called with when (ns), where and what a client wrote."""


class Points:
    """Sparse tables. `changes` happen at their times, whoever asks; `on_write` is told of each write of a client."""

    def __init__(
        self,
        tables: Mapping[Table, Mapping[int, int]] | None = None,
        *,
        changes: Iterable[Change] = (),
        on_write: Written | None = None,
    ) -> None:
        self._tables: dict[Table, dict[int, int]] = {table: {} for table in Table}
        self._changes = deque(sorted(changes, key=lambda change: change.at_ns))
        self._on_write = on_write
        self.files: dict[int, dict[int, int]] = {}
        """Registers by record number, by file number."""
        self.queues: dict[int, list[int]] = {}
        """What is in the queue at each address, the oldest first."""
        for table, places in (tables or {}).items():
            for at, value in places.items():
                self.set(table, at, [value])
        for change in self._changes:
            _check(change.table, change.start, change.values)

    def set(self, table: Table, start: int, values: Sequence[int]) -> None:
        """Put values in, as the device itself does; ValueError when an address or a value is out of range."""
        _check(table, start, values)
        self._tables[table].update(enumerate(values, start))

    def get(self, table: Table, start: int, count: int = 1) -> list[int]:
        """What is there; KeyError names the first address that is not."""
        places = self._tables[table]
        return [places[at] for at in range(start, start + count)]

    def has(self, table: Table, start: int, count: int) -> bool:
        """Whether all of these places are there."""
        places = self._tables[table]
        return all(at in places for at in range(start, start + count))

    def write(self, now_ns: int, table: Table, start: int, values: Sequence[int]) -> None:
        """A client writes to places that are there."""
        self.set(table, start, values)
        if self._on_write is not None:
            self._on_write(now_ns, table, start, values)

    def pass_time(self, now_ns: int) -> None:
        """Do the changes that are due."""
        while self._changes and self._changes[0].at_ns <= now_ns:
            _, table, start, values = self._changes.popleft()
            self.set(table, start, values)


def _check(table: Table, start: int, values: Sequence[int]) -> None:
    if not 0 <= start <= start + len(values) - 1 <= 0xFFFF:
        raise ValueError(f"{table.value}: an address is 0 to 65535, not {start} and {len(values)} from there")
    for value in values:
        if not 0 <= value <= table.most:
            raise ValueError(f"{table.value}: a value is 0 to {table.most}, not {value}")
