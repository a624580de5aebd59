"""Faults on purpose, for bench work: a station that now and then sends wrongly, late, or not at all.

It stands around any Modbus station and changes what that says, never what it hears. Deterministic: each fault has its
own count of what was said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from enum import Enum
from typing import NamedTuple

from benchtool.simulate.altered import Altered
from benchtool.simulate.modbus_framing import Mode, wrap
from benchtool.simulate.station import Station


class Wrong(Enum):
    """What goes wrong; the value is the word that names it."""

    ADDRESS = "address"
    """Another address, with the right check value for it."""
    CHECK = "check"
    """The check value is wrong; all else is right."""
    TRUNCATED = "truncated"
    """The second half of the frame is left out."""
    TWICE = "twice"
    """Sent twice, without a silence between."""
    LATE = "late"
    """Sent later, by `late_ns`."""
    SILENT = "silent"
    """Not sent at all."""


class Ill(NamedTuple):
    """One fault: at every `every`-th thing said, from the first one after `after`."""

    wrong: Wrong
    every: int = 1
    late_ns: int = 0
    after: int = 0


def spoil(octets: bytes, wrong: Wrong, mode: Mode = Mode.RTU) -> bytes:
    """The octets with a fault in them; as they are for the faults that are none of octets."""
    if wrong is Wrong.CHECK:
        return _wrong_check(octets, mode)
    if wrong is Wrong.TRUNCATED:
        return octets[: max(1, len(octets) // 2)]
    if wrong is Wrong.ADDRESS:
        return _wrong_address(octets, mode)
    return octets * 2 if wrong is Wrong.TWICE else octets


def _wrong_check(octets: bytes, mode: Mode) -> bytes:
    if mode is Mode.ASCII:
        digit = b"1" if octets[-3:-2] == b"0" else b"0"
        return octets[:-3] + digit + octets[-2:]
    return octets[:-1] + bytes((octets[-1] ^ 0x01,))


def _wrong_address(octets: bytes, mode: Mode) -> bytes:
    unit = bytes.fromhex(octets[1:-4].decode("ascii")) if mode is Mode.ASCII else octets[:-2]
    other = unit[0] % 247 + 1
    return wrap(mode, bytes((other,)) + unit[1:])


class Faulty(Altered):
    """`inner`, with `faults` in what it says; those that fall together all happen. `spoilt` counts them by kind."""

    def __init__(self, inner: Station, faults: Iterable[Ill], mode: Mode = Mode.RTU) -> None:
        super().__init__(inner)
        # In this order each finds the frame as it has to be for it.
        self.faults = tuple(sorted(faults, key=lambda fault: list(Wrong).index(fault.wrong)))
        for fault in self.faults:
            if fault.every < 1 or fault.late_ns < 0 or fault.after < 0:
                raise ValueError(f"a fault comes every 1st or later time, and not before its time, not {fault}")
        self.spoilt: Counter[Wrong] = Counter()
        self._mode = mode
        self._said = 0

    def altered(self, octets: bytes) -> tuple[bytes, int] | None:
        """Spoilt where it is its turn."""
        self._said += 1
        late_ns = 0
        for fault in self.faults:
            turn = self._said - fault.after
            if turn < 1 or turn % fault.every:
                continue
            self.spoilt[fault.wrong] += 1
            if fault.wrong is Wrong.SILENT:
                return None
            if fault.wrong is Wrong.LATE:
                late_ns += fault.late_ns
            octets = spoil(octets, fault.wrong, self._mode)
        return octets, late_ns
