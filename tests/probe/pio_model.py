"""An instruction-level model of the RP2040's PIO: an assembler for what rp2.asm_pio takes, and state machines.

Facts: reference sheet 9 (one cycle an instruction plus its delay, 32 instructions, FIFO of 4 words each way or 8 one
way, set(pins, 1) = 0xE001); the instruction encoding and what a stalled instruction does: RP2040 data sheet chapter 3,
from memory, held against an independent emulator in test_peer_pio.py.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

MASK = 0xFFFFFFFF
_CONDITIONS = {"always": 0, "not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "x_not_y": 5, "pin": 6, "not_osre": 7}
_PLACES = {"pins": 0, "x": 1, "y": 2, "null": 3, "pindirs": 4, "pc": 5, "isr": 6, "osr": 7}
_LEFT, _RIGHT = 0, 1
JOIN_NONE, JOIN_TX, JOIN_RX = 0, 1, 2


class Constants:
    """The names of rp2.PIO."""

    IN_LOW, IN_HIGH, OUT_LOW, OUT_HIGH = range(4)
    SHIFT_LEFT, SHIFT_RIGHT = _LEFT, _RIGHT
    JOIN_NONE, JOIN_TX, JOIN_RX = JOIN_NONE, JOIN_TX, JOIN_RX


@dataclass
class Program:
    """Assembled words, where the program wraps, and what the decorator was told."""

    words: list[int]
    wrap_target: int
    wrap: int
    options: dict[str, Any]


class _Name(str):
    """A register, pin group or condition; invert() makes another."""

    __slots__ = ()


class _Delay:
    """What an instruction answers, so that [n] can be written behind it."""

    def __init__(self, assembler: _Assembler) -> None:
        self._assembler = assembler

    def __getitem__(self, cycles: int) -> _Delay:
        assert 0 <= cycles <= 31
        self._assembler.words[-1][0] |= cycles << 8
        return self


class _Assembler:
    def __init__(self) -> None:
        self.words: list[list[Any]] = []
        self.labels: dict[str, int] = {}
        self.target = 0
        self.end: int | None = None

    def names(self) -> dict[str, Any]:
        found: dict[str, Any] = {name: _Name(name) for name in (*_PLACES, *_CONDITIONS)}
        found |= {"block": 0x20, "noblock": 0, "invert": lambda place: _Name(f"~{place}")}
        for name in ("jmp", "in_", "out", "push", "pull", "mov", "set", "label", "wrap_target", "wrap", "nop"):
            found[name] = getattr(self, name)
        return found

    def _word(self, word: int, label: str | None = None) -> _Delay:
        self.words.append([word, label])
        return _Delay(self)

    def label(self, name: str) -> None:
        self.labels[name] = len(self.words)

    def wrap_target(self) -> None:
        self.target = len(self.words)

    def wrap(self) -> None:
        self.end = len(self.words) - 1

    def jmp(self, condition: str, label: str | None = None) -> _Delay:
        if label is None:
            condition, label = "always", condition
        return self._word(_CONDITIONS[condition] << 5, label)

    def in_(self, place: str, bits: int) -> _Delay:
        return self._word(0x4000 | _PLACES[place] << 5 | bits & 31)

    def out(self, place: str, bits: int) -> _Delay:
        return self._word(0x6000 | _PLACES[place] << 5 | bits & 31)

    def push(self, block: int = 0x20) -> _Delay:
        return self._word(0x8000 | block)

    def pull(self, block: int = 0x20) -> _Delay:
        return self._word(0x8080 | block)

    def mov(self, to: str, source: str) -> _Delay:
        inverted = source.startswith("~")
        return self._word(0xA000 | _PLACES[to] << 5 | inverted << 3 | _PLACES[source.removeprefix("~")])

    def set(self, place: str, value: int) -> _Delay:
        assert 0 <= value <= 31
        return self._word(0xE000 | _PLACES[place] << 5 | value)

    def nop(self) -> _Delay:
        return self.mov("y", "y")


def assemble(function: Callable[[], None], options: dict[str, Any]) -> Program:
    """Run a function of instructions, as rp2.asm_pio does, with their names among its globals meanwhile."""
    assembler = _Assembler()
    names = assembler.names()
    space = function.__globals__
    kept = {name: space[name] for name in names if name in space}
    space.update(names)
    try:
        function()
    finally:
        for name in names:
            del space[name]
        space.update(kept)
    words = [word | (assembler.labels[label] if label is not None else 0) for word, label in assembler.words]
    return Program(words, assembler.target, len(words) - 1 if assembler.end is None else assembler.end, options)


def asm_pio(**options: Any) -> Callable[[Callable[[], None]], Program]:
    """The decorator."""
    return lambda function: assemble(function, options)


@dataclass
class StateMachine:
    """One state machine, stepped cycle by cycle. `pins` answers the input pins from in_base on, as bits."""

    program: Program
    pins: Callable[[], int] = lambda: 0
    x: int = 0
    y: int = 0
    isr: int = 0
    osr: int = 0
    pc: int = 0
    cycle: int = 0
    outputs: int = 0
    dropped: int = 0
    """Words that a push without blocking had no room for (FDEBUG's RXSTALL)."""
    stalled: bool = False
    on_output: Callable[[int, int], None] | None = None
    """Told (cycle, levels) when the output pins are written."""
    received: deque[int] = field(default_factory=deque)
    to_send: deque[int] = field(default_factory=deque)
    _delay: int = 0

    @property
    def receive_room(self) -> int:
        """Words in the receive FIFO: 4, 8 joined, none when joined the other way."""
        return {JOIN_NONE: 4, JOIN_RX: 8, JOIN_TX: 0}[self.program.options.get("fifo_join", JOIN_NONE)]

    def step(self) -> None:
        """One cycle."""
        if self._delay:
            self._delay -= 1
            self.cycle += 1
            return
        word = self.program.words[self.pc]
        following = self.program.wrap_target if self.pc == self.program.wrap else self.pc + 1
        kind, argument = word >> 13, word & 0xFF
        self.stalled = False
        jump = (self._jump if kind == 0 else self._move)(kind, argument)
        self.cycle += 1
        if self.stalled:
            return
        self.pc = following if jump is None else jump
        self._delay = word >> 8 & 31

    def run(self, cycles: int) -> None:
        """So many cycles."""
        for _ in range(cycles):
            self.step()

    def _jump(self, _kind: int, argument: int) -> int | None:
        condition, address = argument >> 5, argument & 31
        x, y = self.x, self.y
        if condition == 2:
            self.x = x - 1 & MASK
        elif condition == 4:
            self.y = y - 1 & MASK
        taken = {0: True, 1: x == 0, 2: x != 0, 3: y == 0, 4: y != 0, 5: x != y}[condition]
        return address if taken else None

    def _move(self, kind: int, argument: int) -> int | None:
        place, low = argument >> 5, argument & 31
        if kind == 2:
            count = low or 32
            bits = self._read(place) & ((1 << count) - 1)
            if self.program.options.get("in_shiftdir", _RIGHT) == _LEFT:
                self.isr = (self.isr << count | bits) & MASK
            else:
                self.isr = (self.isr >> count | bits << (32 - count)) & MASK
        elif kind == 3:
            count = low or 32
            if self.program.options.get("out_shiftdir", _RIGHT) == _RIGHT:
                bits = self.osr & ((1 << count) - 1)
                self.osr >>= count
            else:
                bits = self.osr >> (32 - count)
                self.osr = self.osr << count & MASK
            self._write(place, bits)
        elif kind == 4:
            self._fifo(bool(argument & 0x80), bool(argument & 0x20))
        elif kind == 5:
            value = self._read(low & 7)
            self._write(place, ~value & MASK if low >> 3 == 1 else value)
        elif kind == 7:
            self._write(place, low)
        else:
            raise AssertionError(f"not modelled: {kind}")
        return None

    def _fifo(self, pull: bool, block: bool) -> None:
        if pull:
            if self.to_send:
                self.osr = self.to_send.popleft()
            elif block:
                self.stalled = True
            else:
                self.osr = self.x
        elif len(self.received) < self.receive_room:
            self.received.append(self.isr)
            self.isr = 0
        elif block:
            self.stalled = True
        else:
            self.dropped += 1
            self.isr = 0

    def _read(self, place: int) -> int:
        return (self.pins, lambda: self.x, lambda: self.y, lambda: 0, None, None, lambda: self.isr, lambda: self.osr)[
            place
        ]()  # type: ignore[misc]  # pindirs and pc are no sources

    def _write(self, place: int, value: int) -> None:
        if place == 0:
            self.outputs = value
            if self.on_output is not None:
                self.on_output(self.cycle, value)
        elif place in (1, 2, 6, 7):
            setattr(self, {1: "x", 2: "y", 6: "isr", 7: "osr"}[place], value)
        else:
            raise AssertionError(f"not modelled: destination {place}")
