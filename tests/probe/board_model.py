"""A board that main.py runs on under CPython: its state machines, DMA, registers, pins, clock and USB port, modelled.

One step is one cycle of the edge program's clock (25 MHz). The state machines run instruction by instruction
(pio_model.py); only where nothing moves on any pin are whole passes of the edge program skipped at once, of which
test_pio_programs.py proves that each takes 10 cycles. Register addresses: as main.py has them, held against an
independent emulator in test_peer_pio.py.
"""

from __future__ import annotations

import bisect
from types import ModuleType, SimpleNamespace
from typing import Any

from tests.probe.board_files import load, modules, rp2_module
from tests.probe.pio_model import Program, StateMachine

CYCLES_A_US = 25
_PIO0, _FDEBUG, _TXF, _RXF = 0x50200000, 0x50200008, 0x50200010, 0x50200020
_ARRAY = 0x20010004
"""Where the ring's memory lies: on purpose not aligned."""


class World:
    """All that main.py touches. D0 and D1 are high unless pulled low from outside or by the emit pins."""

    def __init__(self) -> None:
        self.cycle = 0
        self.machines: dict[int, _Machine] = {}
        self.transfers: list[_Transfer] = []
        self.memory: dict[int, int] = {}
        self.to_board = bytearray()
        self.said = bytearray()
        self.lamp = 0
        self.pulled: list[tuple[int, int]] = []
        """When (in cycles, rising) the emit pins changed, and to what."""
        self._times: list[int] = [0]
        self._outside: list[int] = [3]
        self.dma_works = True

    def outside(self, us: float, levels: int) -> None:
        """From then on the lines are so, as far as others go (rising times)."""
        self._times.append(round(us * CYCLES_A_US))
        self._outside.append(levels)

    def lines(self) -> int:
        """D0 (1) and D1 (2) now."""
        emitter = self.machines.get(1)
        pulled = emitter.model.outputs if emitter is not None else 0
        return self._outside[bisect.bisect_right(self._times, self.cycle) - 1] & ~pulled

    def spare(self) -> int:
        """The spare pins."""
        return self.machines[3].model.outputs if 3 in self.machines else 0

    def advance(self, us: float) -> None:
        """Let time pass."""
        end = self.cycle + round(us * CYCLES_A_US)
        while self.cycle < end:
            self._skip(end)
            if self.cycle >= end:
                break
            for machine in self.machines.values():
                if machine.on and self.cycle % machine.divider == 0:
                    machine.model.step()
            if self.dma_works:
                for transfer in self.transfers:
                    transfer.step()
            self.cycle += 1

    def _skip(self, end: int) -> None:
        edger = self.machines[0].model
        others = any(machine.on and not machine.model.stalled for key, machine in self.machines.items() if key != 0)
        moving = others or any(transfer.on and transfer.sends for transfer in self.transfers) or edger.received
        if moving or edger.pc != edger.program.wrap_target or edger._delay or edger.pins() != edger.y:
            return
        following = bisect.bisect_right(self._times, self.cycle)
        until = min(end, self._times[following]) if following < len(self._times) else end
        passes = (until - self.cycle) // 10
        edger.osr = (edger.osr - passes) & 0xFFFFFFFF
        edger.x = edger.osr
        edger.cycle += 10 * passes
        self.cycle += 10 * passes

    def modules(self) -> dict[str, Any]:
        """What main.py imports."""
        world = self

        def module(name: str, **names: Any) -> ModuleType:
            made = ModuleType(name)
            vars(made).update(names)
            return made

        def read(count: int) -> bytes:
            octets = bytes(world.to_board[:count])
            del world.to_board[:count]
            return octets

        def write(octets: bytes) -> None:
            world.said += octets

        poll = SimpleNamespace(register=lambda *_: None, poll=lambda _: [1] if world.to_board else [])
        out = {
            "rp2": rp2_module(
                StateMachine=lambda *words, **named: world._machine(*words, **named), DMA=lambda: _Transfer(world)
            ),
            "machine": module(
                "machine", Pin=type("Pin", (_Pin,), {"world": world}), mem32=_Memory(world), freq=lambda: 125_000_000
            ),
            "uctypes": module("uctypes", addressof=lambda _: _ARRAY),
            "time": module(
                "time",
                ticks_ms=lambda: world.cycle // 25_000 & 0x3FFFFFFF,
                ticks_diff=lambda later, sooner: (later - sooner + 0x20000000 & 0x3FFFFFFF) - 0x20000000,
                sleep_ms=lambda ms: world.advance(ms * 1000),
            ),
            "select": module("select", POLLIN=1, poll=lambda: poll),
            "sys": module(
                "sys",
                stdin=SimpleNamespace(buffer=SimpleNamespace(read=read)),
                stdout=SimpleNamespace(buffer=SimpleNamespace(write=write)),
                implementation=("micropython", (1, 27, 0, "")),
            ),
        }
        with modules(out):
            out["probe_pio"] = load("probe_pio")
        out["probe_logic"] = load("probe_logic")
        return out

    def _machine(self, key: int, program: Program, **named: Any) -> _Machine:
        machine = self.machines.setdefault(key, _Machine(self, key))
        machine.init(program, **named)
        return machine


class _Pin:
    """machine.Pin."""

    world: World
    IN, OUT = 0, 1

    def __init__(self, name: int | str, *_mode: Any) -> None:
        self.name = name

    def value(self, level: int | None = None) -> int:
        if level is not None:
            self.world.lamp = level
        return self.world.lines() >> (int(self.name) - 2) & 1 if self.name in (2, 3) else self.world.lamp


class _Machine:
    """rp2.StateMachine."""

    def __init__(self, world: World, key: int) -> None:
        self._world = world
        self._key = key
        self.on = False
        self.divider = 1
        self.model = StateMachine(Program([], 0, 0, {}))

    def init(
        self, program: Program, freq: int, in_base: Any = None, out_base: Any = None, set_base: Any = None
    ) -> None:
        assert (freq, self._key % 2) in ((25_000_000, 0), (1_000_000, 1))
        assert in_base is None or in_base.name in (2, 6)
        assert out_base is None or out_base.name in (4, 6)
        self.on = False
        self.divider = 25_000_000 // freq
        outputs = self.model.outputs
        self.model = StateMachine(program, self._world.lines if in_base and in_base.name == 2 else self._world.spare)
        self.model.outputs = outputs
        if out_base is not None and out_base.name == 4:
            self.model.on_output = lambda _, levels: self._world.pulled.append((self._world.cycle, levels))

    def active(self, on: int) -> None:
        self.on = bool(on)

    def exec(self, text: str) -> None:
        assert text == "set(pins, 0)"
        self.model.outputs = 0

    def put(self, word: int) -> None:
        assert len(self.model.to_send) < 8, "put would wait"
        self.model.to_send.append(word)

    def get(self) -> int:
        return self.model.received.popleft()

    def rx_fifo(self) -> int:
        return len(self.model.received)

    def tx_fifo(self) -> int:
        return len(self.model.to_send)


class _Transfer:
    """rp2.DMA."""

    def __init__(self, world: World) -> None:
        self._world = world
        self.on = False
        self.sends = False
        self.count = 0
        world.transfers.append(self)

    def pack_ctrl(self, **named: Any) -> dict[str, Any]:
        return named

    def config(self, read: Any, write: int, count: int, ctrl: dict[str, Any], trigger: bool) -> None:
        assert ctrl["size"] == 2
        assert trigger
        self.sends = ctrl["treq_sel"] < 4
        key = ctrl["treq_sel"] % 4
        if self.sends:
            assert (write, ctrl["inc_read"], ctrl["inc_write"]) == (_TXF + 4 * key, True, False)
            self._words = list(read)
        else:
            assert (read, ctrl["inc_read"], ctrl["inc_write"]) == (_RXF + 4 * key, False, True)
            assert write % (1 << ctrl["ring_size"]) == 0, "the DMA wraps at multiples of the ring"
            assert write >= _ARRAY
            assert write + (1 << ctrl["ring_size"]) <= _ARRAY + (2 << ctrl["ring_size"]), "outside its memory"
        self._key, self._base, self._size = key, write, 1 << ctrl.get("ring_size", 2)
        self._at = 0
        self.count = count
        self.on = True

    def active(self, on: int | None = None) -> bool:
        if on is not None:
            self.on = bool(on)
        return self.on

    def step(self) -> None:
        if not self.on:
            return
        model = self._world.machines[self._key].model
        if self.sends:
            if len(model.to_send) >= 8:
                return
            model.to_send.append(self._words[self._at])
            self._at += 1
        elif model.received:
            self._world.memory[self._base + self._at] = model.received.popleft()
            self._at = (self._at + 4) % self._size
        else:
            return
        self.count -= 1
        self.on = self.count > 0


class _Memory:
    """machine.mem32."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._cleared: dict[int, int] = {}

    def __getitem__(self, address: int) -> int:
        if address != _FDEBUG:
            return self._world.memory[address]
        flags = 0
        for key, machine in self._world.machines.items():
            flags |= (machine.model.dropped > self._cleared.get(key, 0)) << key
        return flags | 0xF00  # others' flags are none of main.py's business

    def __setitem__(self, address: int, value: int) -> None:
        assert address == _FDEBUG
        for key, machine in self._world.machines.items():
            if value >> key & 1:
                self._cleared[key] = machine.model.dropped


class Running:
    """main.py's Board and the program, on a World."""

    def __init__(self) -> None:
        self.world = World()
        names = self.world.modules()
        with modules(names):
            self.main = load("main")
        self.board = self.main.Board()
        self.probe = names["probe_logic"].Probe(self.board)
        self.probe.hello()

    def run(self, ms: float, *, pause_ms: float = 1.0) -> None:
        """Let time pass; the program comes round after every pause."""
        left = ms
        while left > 0:
            step = min(left, pause_ms)
            self.world.advance(step * 1000)
            self.probe.step()
            left -= step
