"""How long a large site takes to load and to check: 64 controllers, 31 interfaces each, a reader and a lock at each.

    python tests/benchmarks/bench_site.py [CONTROLLERS]

Prints processor time (other work on the machine counts for little), and the ratio to tomllib's parsing alone. Decides
nothing; the aim is 2 s for load and check together.
"""

from __future__ import annotations

import sys
import time
import tomllib
from collections.abc import Callable
from typing import Any

from benchtool.install.checks import check
from benchtool.install.load import load

INTERFACES = 31
_HEAD = """schema = 1
[site]
name = "Large"
warmest_c = 40
[[cable]]
id = "pair"
awg = 22
velocity = 0.66
twisted = true
screened = true
impedance_ohm = 120
[[cable]]
id = "power"
area_mm2 = 2.5
"""
_FED = "idle_ma = {idle}\nworst_ma = {worst}\nleast_volts = 8\nmost_volts = 16\n"
_ON_PAIR = """stub_m = 0
terminator = {end}
bias_ohm = {bias}
bias_volts = 5
unit_load = 0.125
rise_ns = 500
shield_through = true
shield_earthed = {first}
cores = {{ A = "white", B = "blue" }}
"""


def _words(true: bool) -> str:
    return "true" if true else "false"


def _one(n: int) -> str:
    """A controller with its supply, its bus, and all that is wired to it."""
    rows = [
        f'[[door]]\nid = "o{n}"\nname = "Door {n}"\nescape = false\nfire_release = false\n',
        f'[[supply]]\nid = "s{n}"\nkind = "mains"\nvolts = 13.8\nlowest_volts = 12\namps = 10\nbattery_ah = 0\n'
        "earthed = true\ncovered = true\n",
        f'[[controller]]\nid = "c{n}"\nserial = "C{n}"\nnetwork_address = "02:00:00:00:{n // 256:02x}:{n % 256:02x}"\n'
        f'fed_by = "s{n}"\nfeed_m = 0\n' + _FED.format(idle=100, worst=150),
        f'[[bus]]\nid = "b{n}"\ncontroller = "c{n}"\nprotocol = "osdp"\nbaud = 9600\nformat = "8N1"\ncable = "pair"\n',
        f'[[bus.device]]\nid = "h{n}"\nkind = "controller"\ncontroller = "c{n}"\n'
        + _ON_PAIR.format(end="true", bias=560, first="true"),
    ]
    for m in range(INTERFACES):
        name = f"{n}-{m}"
        rows += [
            f'[[bus.device]]\nid = "d{name}"\nkind = "interface"\nserial = "I{name}"\naddress = {m}\nmetres = 10\n'
            f'key = "own"\nfed_by = "s{n}"\nfeed_cable = "power"\nfeed_m = {10 * m}\noutput_ma = 500\n'
            + _ON_PAIR.format(end=_words(m == INTERFACES - 1), bias=0, first="false")
            + _FED.format(idle=40, worst=60),
            f'[[reader]]\nid = "r{name}"\ndoor = "o{n}"\ndevice = "d{name}"\nconnector = "J1"\nserial = "R{name}"\n'
            f'cable = "pair"\nmetres = 5\nfed_by = "d{name}"\n' + _FED.format(idle=40, worst=60),
            f'[[lock]]\nid = "l{name}"\ndoor = "o{n}"\nkind = "strike"\ndevice = "d{name}"\nconnector = "K1"\n'
            f'suppression = "built in"\nwithout_power = "locked"\ncable = "power"\nmetres = 20\nfed_by = "s{n}"\n'
            + _FED.format(idle=0, worst=150),
        ]
    return "".join(rows)


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Processor seconds, the best of three."""
    best = float("inf")
    result = None
    for _ in range(3):
        start = time.process_time()
        result = work()
        best = min(best, time.process_time() - start)
    return best, result


def main() -> None:
    controllers = int(sys.argv[1]) if len(sys.argv) > 1 else 64
    text = _HEAD + "".join(map(_one, range(controllers)))
    parsing, _ = timed(lambda: tomllib.loads(text))
    loading, loaded = timed(lambda: load(text))
    checking, checked = timed(lambda: check(loaded))
    lines = text.count("\n")
    print(f"{controllers} controllers of {INTERFACES} interfaces: {lines} lines")
    print(f"tomllib alone  {parsing:6.2f} s")
    print(f"load           {loading:6.2f} s   {loading / parsing:.1f} times tomllib")
    print(f"check          {checking:6.2f} s   {checking / parsing:.1f} times tomllib")
    print(f"together       {loading + checking:6.2f} s")
    print(f"findings {len(checked.findings)}, unchecked {len(checked.unchecked)}, rules kept {len(checked.kept)}")
    for finding in [*checked.findings, *checked.unchecked][:5]:
        print(f"  {finding.rule.id}, line {finding.line}: {finding.said.sentence}")


if __name__ == "__main__":
    main()
