"""How often the leading finding, from octets alone, is the fault that a scenario of `sim:` has.

Run: python tests/benchmarks/bench_diagnosis.py [SEEDS]. Prints a confusion table; decides nothing.
"""

from __future__ import annotations

import sys
from collections import Counter

from benchtool.commands.session import Session
from benchtool.diagnose.engine import diagnose
from benchtool.taps.address import open_tap

FAULTS = {
    "healthy": ["healthy"],
    "pair-reversed-at-tap": ["pair-reversed-at-tap"],
    "pair-reversed-at-device": ["pair-reversed-at-device", "device-silent"],
    "device-silent": ["device-silent"],
    "device-slow": ["device-slow"],
    "device-resetting": ["device-resetting"],
    "noise-broadband&level=0.3": ["noise-broadband"],
    "noise-broadband&level=0.6": ["noise-broadband"],
    "noise-mains": ["noise-mains", "noise-impulsive"],
    "baud-wrong": ["baud-wrong"],
    "format-wrong": ["format-wrong"],
    "address-duplicate": ["address-duplicate"],
    "two-controllers": ["two-controllers"],
    "terminator-missing-one&which=far": ["terminator-missing-one", "terminator-missing-both"],
}
"""fault option: the findings that count as right (a reversed device is as silent as any, docs/faults.md)."""
SCENARIOS = ("demo", "bench", "longline", "modbus")
TAPS = ("", "&adapter=blind", "&adapter=counted", "&lump_ms=16", "&adapter=blind&lump_ms=16")


def leading(address: str) -> tuple[str, float]:
    """The leading finding's cause and probability at a simulated tap."""
    session = Session(open_tap(address))
    session.run()
    found = diagnose(session.gatherer.evidence(), session.tap.info.settings)
    return found.findings[0].cause.value, found.findings[0].probability


def main() -> None:
    """Print the table."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    right = total = 0
    for fault, wanted in FAULTS.items():
        seen: Counter[str] = Counter()
        scenarios = ("longline",) if fault.startswith("terminator") else SCENARIOS
        for scenario in scenarios:
            for tap in TAPS:
                for seed in range(1000, 1000 + seeds):
                    cause, probability = leading(f"sim:{scenario}?fault={fault}&seed={seed}&for=8{tap}")
                    seen[cause] += 1
                    total += 1
                    right += cause in wanted
                    if cause not in wanted:
                        print(f"  missed: {scenario} {fault} {tap} seed {seed}: {cause} {probability:.2f}")
        print(f"{fault:32} {dict(seen)}", flush=True)
    print(f"right: {right} of {total} = {right / total:.1%}")


if __name__ == "__main__":
    main()
