"""What the wire room costs, as ratios, and where a missing terminator shows in octets.

Run: `python tests/benchmarks/bench_wire.py` for the times, with `--grid` for the table of docs/line-model.md, with
`--agree` to hold the shortcut against all voltages on lines drawn at random (one minute).
Slots of a few milliseconds of processor time in turn, medians, ratios: the machine may be shared.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from statistics import median

import numpy as np

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.wire.eye import sure_way
from benchtool.wire.link import Link, Sent
from benchtool.wire.pair import Bias, Cable, Driver, Node, Noise, Pair, Terminator
from benchtool.wire.uart import UartReceiver

FRAME = bytes.fromhex("1103006B00037687")


def two_nodes(
    length_m: float,
    ends: tuple[bool, bool],
    *,
    output_ohm: float = 54.0,
    rise_ns: float = 100.0,
    rms_v: float = 0.0,
    cable: Cable | None = None,
) -> Pair:
    """A controller at 0 and a reader at the far end, with or without each terminator."""
    driver = Driver(output_ohm=output_ohm, rise_ns=rise_ns)
    places = [place for place, fitted in zip((0.0, length_m), ends, strict=True) if fitted]
    return Pair(
        cable or Cable(),
        length_m,
        (Node("controller", 0.0, driver), Node("reader", length_m, driver)),
        tuple(Terminator(place) for place in places),
        noise=Noise(rms_v=rms_v),
    )


def wrong_share(pair: Pair, baud: int, *, frames: int = 40, seed: int = 3) -> float:
    """Share of octets that arrive wrong or not at all, of random frames of 8 without noise."""
    link = Link(pair, seed)
    line = LineSettings(baud)
    rng = np.random.default_rng(seed)
    wrong = 0
    for _ in range(frames):
        sent = rng.bytes(8)
        heard = link.carry("controller", "reader", sent, line, line).octets
        good = [octet.value for octet in heard if not octet.marks]
        if len(heard) != len(sent):
            wrong += len(sent)
        else:
            wrong += sum(one != other for one, other in zip(sent, good, strict=False)) + len(sent) - len(good)
    return wrong / (8 * frames)


def grid() -> None:
    """Print the share of wrong octets by rate, length, terminators and driver."""
    rates = (9600, 38400, 57600, 115200, 230400, 460800, 1_000_000, 2_000_000)
    cables = {"AWG24, 2 dB": Cable(), "AWG18, 0.8 dB": Cable(loop_ohm_per_m=0.0419, db_per_100m_at_1mhz=0.8)}
    for name, cable in cables.items():
        for output_ohm in (54.0, 20.0, 5.0):
            print(f"\n{name} per 100 m at 1 MHz, driver 5 V behind {output_ohm:g} ohm; both / far / near / none fitted")
            print("length m " + "".join(f"{rate:>16}" for rate in rates))
            for length in (50.0, 100.0, 200.0, 400.0, 800.0, 1200.0):
                cells = []
                pairs = [
                    two_nodes(length, ends, output_ohm=output_ohm, rise_ns=50.0, cable=cable)
                    for ends in ((True, True), (False, True), (True, False), (False, False))
                ]
                for rate in rates:
                    shares = [100 * wrong_share(pair, rate) for pair in pairs]
                    cells.append("/".join(f"{share:.0f}" for share in shares))
                print(f"{length:8g} " + "".join(f"{cell:>16}" for cell in cells))


def agree(lines: int = 1500, seed: int = 1) -> None:
    """Print on how many random lines the shortcut is taken, and how often it says other than the voltages."""
    rng = np.random.default_rng(seed)
    taken = frames = wrong = off = 0
    for _ in range(lines):
        length = float(rng.choice([5, 50, 100, 200, 400, 800, 1200]))
        driver = Driver(output_ohm=float(rng.choice([5, 20, 54])), rise_ns=float(rng.choice([20, 100, 300])))
        stubs = [float(rng.choice([0, 0, 3, 30])) for _ in range(4)]
        nodes = [Node(f"{place}", float(rng.uniform(0, length)), driver, stub_m=m) for place, m in enumerate(stubs)]
        ends = [(0.0, length), (0.0,), (length,), (), (0.0, length, length / 2)][int(rng.integers(5))]
        pair = Pair(
            Cable(loop_ohm_per_m=float(rng.choice([0.04, 0.1684])), db_per_100m_at_1mhz=float(rng.choice([0.8, 2]))),
            length,
            (Node("controller", 0.0, driver), *nodes, Node("reader", length, driver)),
            tuple(Terminator(place) for place in ends),
            (Bias(0.0, float(rng.choice([300, 560, 4700]))),) if rng.random() < 0.6 else (),
        )
        form = CharFormat.parse(str(rng.choice(["8N1", "8E1", "8N2", "7O1"])))
        line = LineSettings(int(rng.choice([9600, 38400, 115200, 230400, 500_000, 1_000_000])), form)
        sender, listener = (float(rng.choice([0, 0.01, -0.01, 0.02, -0.02])) for _ in range(2))
        receiver = UartReceiver(line, clock_error=listener)
        if sure_way(pair, "controller", "reader", line, receiver, sender_clock_error=sender) is None:
            continue
        taken += 1
        quick, whole = Link(pair, 1), Link(pair, 1, whole=True)
        for _ in range(15):
            octets = rng.bytes(12)
            one, other = (
                link.carry(
                    "controller",
                    "reader",
                    octets,
                    line,
                    line,
                    sender_clock_error=sender,
                    listener_clock_error=listener,
                ).octets
                for link in (quick, whole)
            )
            frames += 1
            if [octet[:2] for octet in one] != [octet[:2] for octet in other]:
                wrong += 1
            else:
                off += any(abs(a.start_s - b.start_s) > 1.01 * receiver.tick_s for a, b in zip(one, other, strict=True))
    print(f"{lines} lines, shortcut taken on {taken}: {frames} frames, {wrong} unlike, {off} more than a tick apart")


def _per_call(work: Callable[[], object], slot_s: float = 0.002) -> float:
    begin = time.process_time()
    count = 0
    while time.process_time() - begin < slot_s:
        work()
        count += 1
    return (time.process_time() - begin) / count


def times() -> None:
    """Print the cost of one frame of 8 octets in each path, as a ratio to bare numpy work and to real time."""
    line = LineSettings(115200)
    quiet = Link(two_nodes(300, (True, True)), 1)
    mild = Link(replace(two_nodes(300, (True, True), rms_v=0.03), biases=(Bias(0.0, 560.0),)), 1)
    noisy = Link(two_nodes(300, (True, True), rms_v=0.3), 1)
    whole = Link(two_nodes(300, (True, True)), 1, whole=True)
    mains = Link(replace(quiet.pair, noise=Noise(mains_hz=50.0, mains_v=5.0, mains_s=300e-6)), 1)
    both = (Sent("controller", 0.0, FRAME, line), Sent("reader", 3e-4, FRAME, line))
    often = [bytes([value, 0x55]) * 4 for value in range(19)]
    ringing = Link(two_nodes(1200, (False, False), output_ohm=5.0), 1)
    rng = np.random.default_rng(1)
    samples = (8 * 10 + 12 + 6) * 16
    counter = iter(range(1 << 60))
    levels = np.ones(samples)
    works: dict[str, Callable[[], object]] = {
        "bare numpy: noise and compare": lambda: (levels + 0.3 * rng.standard_normal(samples)) > 0.0,
        "kept": lambda: quiet.carry("controller", "reader", FRAME, line, line, rng=rng),
        "kept, bias, noise of 0.03 V": lambda: mild.carry("controller", "reader", FRAME, line, line, rng=rng),
        "kept, bursts with the mains": lambda: mains.carry(
            "controller", "reader", FRAME, line, line, rng=rng, t_s=next(counter) * 7e-4
        ),
        "noise of 0.3 V, no bias": lambda: noisy.carry("controller", "reader", FRAME, line, line, rng=rng),
        "new": lambda: quiet.carry("controller", "reader", next(counter).to_bytes(8, "big"), line, line, rng=rng),
        "20, one of them new": lambda: [
            quiet.carry("controller", "reader", octets, line, line, rng=rng)
            for octets in (*often, next(counter).to_bytes(8, "big"))
        ],
        "new, all voltages": lambda: whole.carry(
            "controller", "reader", next(counter).to_bytes(8, "big"), line, line, rng=rng
        ),
        "two at once": lambda: quiet.carry_together(both, "reader", line, rng=rng),
        "new, ringing 1200 m": lambda: ringing.carry(
            "controller", "reader", next(counter).to_bytes(8, "big"), line, line
        ),
        "strays of a noisy second": lambda: noisy.idle_strays("reader", line, 1.0, rng),
    }
    taken: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(100):
        for name, work in works.items():
            taken[name].append(_per_call(work))
    bare = median(taken["bare numpy: noise and compare"])
    on_wire = len(FRAME) * line.char_ns * 1e-9
    for name, values in taken.items():
        each = median(values)
        lasts = 1.0 if name.startswith("strays") else on_wire * (20 if name.startswith("20") else 1)
        print(f"{name:32} {each * 1e6:9.1f} µs {each / bare:8.2f} × bare numpy {lasts / each:9.1f} × real time")


if __name__ == "__main__":
    chosen = [work for option, work in (("--grid", grid), ("--agree", agree)) if option in sys.argv[1:]]
    (chosen or [times])[0]()
