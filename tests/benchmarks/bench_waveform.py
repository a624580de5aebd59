"""Waveform figures against an independent circuit simulator, and what they cost. Run by hand; decides nothing.

`python tests/benchmarks/bench_waveform.py` prints costs and, where the circuit simulator ngspice is installed, what was
wired in a netlist beside what was measured (each wire a lossless line of 60 ohm, drivers as switches behind 27 ohm,
inputs of 24 kilohm between the wires and to ground).
"""

from __future__ import annotations

import binascii
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from benchtool.measure.waveform import Waveform, WaveformFigures, measure_waveform, read_waveform

BAUD = 115200
LIGHT = 299_792_458.0
LEAD_S, HOLD_S, RISE_S = 20e-6, 5e-6, 30e-9


def framed(body: str) -> bytes:
    """An OSDP frame with its CRC (sheet 0.2: init 0x1D0F)."""
    octets = bytes.fromhex(body)
    return octets + binascii.crc_hqx(octets, 0x1D0F).to_bytes(2, "little")


POLL, ACK = framed("530108000460"), framed("538108000440")


@dataclass
class Netlist:
    """A pair for the circuit simulator; nodes are named, each has wires a and b."""

    runs: list[tuple[str, str, float]] = field(default_factory=lambda: [("n0", "n1", 100.0)])
    terminators: tuple[tuple[str, float], ...] = (("n0", 120.0), ("n1", 120.0))
    bias_ohm: float | None = 560.0
    probe: str = "n0"
    output_ohm: float = 27.0
    reversed_nodes: tuple[str, ...] = ()
    ground_v: dict[str, float] = field(default_factory=dict)
    extra: str = ""
    open_a: bool = False
    reply_after_bits: float = 100.0

    def text(self, table: Path) -> str:
        """The netlist; the simulator writes `table`."""
        first = 300e-6
        second = first + self.reply_after_bits / BAUD
        end = max(first, second) + 80 / BAUD + 300e-6
        nodes = sorted({name for run in self.runs for name in run[:2]})
        lines = ["* a pair"]
        for number, (near, far, metres) in enumerate(self.runs):
            for wire in "ab":
                target = f"{far}{wire}"
                if self.open_a and wire == "a":
                    target = f"open{number}"
                    lines.append(f"Ropen{number} {target} 0 1e9")
                delay = metres / (0.66 * LIGHT)
                lines.append(f"T{number}{wire} {near}{wire} 0 {target} 0 Z0=60 TD={delay:.6g} REL=1e6 ABS=1e6")
        for name in nodes:
            lines += [f"Vg{name} g{name} 0 {self.ground_v.get(name, 0)}", f"Rl{name} {name}a {name}b 24k"]
            lines += [f"Ra{name} {name}a g{name} 24k", f"Rb{name} {name}b g{name} 24k"]
        for name, start, octets in (("n0", first, POLL), ("n1", second, ACK)):
            data, done = _edges(octets, start)
            lines.append(f"Ve{name} e{name} 0 PWL({_steps([(start - LEAD_S, 1), (done + HOLD_S, 0)], 0, end)})")
            lines.append(f"Vd{name} d{name} 0 PWL({_steps(data, 1, end)})")
            lines.append(f"Bh{name} h{name} g{name} V=5*V(d{name})")
            lines.append(f"Bl{name} l{name} g{name} V=5*(1-V(d{name}))")
            high, low = ("b", "a") if name in self.reversed_nodes else ("a", "b")
            lines.append(f"Sh{name} h{name} {name}{high} e{name} 0 sw")
            lines.append(f"Sl{name} l{name} {name}{low} e{name} 0 sw")
        lines.append(f".model sw SW(RON={self.output_ohm} ROFF=1e8 VT=0.5 VH=0)")
        lines += [f"Rt{number} {node}a {node}b {ohm}" for number, (node, ohm) in enumerate(self.terminators)]
        if self.bias_ohm:
            lines += ["Vb vb 0 5", f"Rpu vb n0a {self.bias_ohm}", f"Rpd n0b 0 {self.bias_ohm}"]
        lines += [self.extra, ".control", f"tran 20n {end} 0 5n", "set wr_singlescale", "set wr_vecnames"]
        return "\n".join([*lines, f"wrdata {table} v({self.probe}a) v({self.probe}b)", "quit", ".endc", ".end", ""])


def _edges(octets: bytes, start: float) -> tuple[list[tuple[float, int]], float]:
    found, level, now = [], 1, start
    for octet in octets:
        for bit in (0, *((octet >> place) & 1 for place in range(8)), 1):
            if bit != level:
                found.append((now, bit))
                level = bit
            now += 1 / BAUD
    return found, now


def _steps(changes: list[tuple[float, int]], level: int, end: float) -> str:
    points = [(0.0, level)]
    for at, after in changes:
        points += [(at, level), (at + RISE_S, after)]
        level = after
    return " ".join(f"{at:.10g} {value}" for at, value in [*points, (end, level)])


Show = Callable[[WaveformFigures], str]


def number(value: float | None, unit: str = "") -> str:
    return "-" if value is None else f"{value:.4g}{unit}"


def levels(f: WaveformFigures) -> str:
    return f"idle {number(f.idle_v)} mark {number(f.mark_v)} space {number(f.space_v)} V"


def each(f: WaveformFigures) -> str:
    return ", ".join(
        f"{number(t.mark_v)}/{number(t.space_v)} V at {number(t.common_v)} V{' reversed' if t.reversed_pair else ''}"
        for t in f.talkers
    )


CASES: list[tuple[str, str, Netlist, Show]] = [
    ("sound", "idle 0.2525 mark 2.681 space -2.434 V (by the resistances)", Netlist(), levels),
    (
        "far terminator missing, seen at the driver",
        "second step at 100 m",
        Netlist(terminators=(("n0", 120.0),)),
        lambda f: f"{number(f.step_share)} of the swing from {number(f.step_m)} m",
    ),
    (
        "far terminator missing, seen there",
        "ringing over 100 m",
        Netlist(terminators=(("n0", 120.0),), probe="n1"),
        lambda f: f"overshoot {number(f.overshoot)} from {number(f.ring_m)} m",
    ),
    (
        "strong driver, 60 m",
        "ringing over 60 m",
        Netlist([("n0", "n1", 60.0)], (("n0", 120.0),), probe="n1", output_ohm=10.0),
        lambda f: f"overshoot {number(f.overshoot)} from {number(f.ring_m)} m",
    ),
    (
        "no terminators, 300 m",
        "ringing over 300 m, idle 4.39 V",
        Netlist([("n0", "n1", 300.0)], ()),
        lambda f: f"from {number(f.ring_m)} m, idle {number(f.idle_v)} V",
    ),
    (
        "stub of 15 m, seen at its end",
        "ringing over 15 m",
        Netlist([("n0", "m", 40.0), ("m", "n1", 60.0), ("m", "s", 15.0)], probe="s"),
        lambda f: f"overshoot {number(f.overshoot)} from {number(f.ring_m)} m",
    ),
    (
        "stub of 15 m, seen where it leaves",
        "second step at 15 m",
        Netlist([("n0", "m", 40.0), ("m", "n1", 60.0), ("m", "s", 15.0)], probe="m"),
        lambda f: f"{number(f.step_share)} of the swing from {number(f.step_m)} m",
    ),
    ("far device reversed", "mixed, second talker reversed", Netlist(reversed_nodes=("n1",)), each),
    ("bias missing", "idle 0, mark 2.622 V", Netlist(bias_ohm=None), levels),
    (
        "far device's ground 6 V higher",
        "second talker's common mode about 5.7 V higher",
        Netlist(ground_v={"n1": 6.0}),
        each,
    ),
    (
        "wire A to ground by 1 ohm at the far end",
        "swing of A nearly 0",
        Netlist(extra="Rground n1a 0 1"),
        lambda f: f"swing of the wires {f.wire_swing_v and tuple(round(v, 2) for v in f.wire_swing_v)} V",
    ),
    (
        "wire A open between",
        "far talker weak, near one unterminated",
        Netlist(open_a=True),
        each,
    ),
    ("shorted at the far end by 0.5 ohm", "swing nearly 0", Netlist(extra="Rshort n1a n1b 0.5"), levels),
    (
        "both talk at once",
        "time between the states",
        Netlist(reply_after_bits=20.0),
        lambda f: f"{number(f.contention_share)} of the characters' time between the states",
    ),
]


def against_simulator() -> None:
    """One line a case: what was wired, what was measured, whether the octets came out."""
    with tempfile.TemporaryDirectory() as folder:
        for name, wired, netlist, show in CASES:
            circuit, table = Path(folder) / "pair.cir", Path(folder) / "pair.txt"
            circuit.write_text(netlist.text(table))
            subprocess.run(["ngspice", "-b", str(circuit)], capture_output=True, check=False, timeout=600)
            figures = measure_waveform(read_waveform(table))
            octets = bytes(octet.value for octet in figures.octets)
            heard = "both frames" if octets == POLL + ACK else f"{sum(f.ok for f in figures.frames)} sound frames"
            print(f"{name}: {wired}\n    measured {show(figures)}; {heard}")


def costs() -> None:
    """Milliseconds of processor time a waveform, the least of many."""
    random = np.random.default_rng(1)
    for samples in (5_000, 20_000, 200_000):
        edges, done = _edges(POLL, 0.0)
        at = np.linspace(-2e-4, done + 3e-4, samples)
        signal = np.array([1.0, *(2.0 * level - 1 for _, level in edges)])
        volts = 2.4 * signal[np.searchsorted([start for start, _ in edges], at, side="right")]
        volts = np.where((at > -LEAD_S) & (at < done + HOLD_S), volts, 0.25) + random.normal(0, 0.01, samples)
        waveform = Waveform.of(at, volts)
        spent = []
        for _ in range(30):
            begun = time.process_time()
            measure_waveform(waveform)
            spent.append(time.process_time() - begun)
        print(f"{samples} samples: {min(spent) * 1e3:.1f} ms")


if __name__ == "__main__":
    costs()
    if shutil.which("ngspice"):
        against_simulator()
    else:
        print("ngspice is not installed: no comparison", file=sys.stderr)
