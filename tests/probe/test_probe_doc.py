"""docs/probe.md tells the truth: its lines of protocol are right, and its voltages are those of its resistors."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest

from benchtool.taps.probe_protocol import Answer, Edges, Lost, ProbeDecoder, Refused
from tests.probe.board_files import FOLDER, load

PAGE = (FOLDER.parent / "probe.md").read_text(encoding="utf-8")
LOGIC: Any = load("probe_logic")
R1, R2, R3 = 22e3, 39e3, 68.0
RATIO = R2 / (R1 + R2)
IO_LOW, IO_HIGH, IO_VOLTS = 0.8, 2.0, 3.3
"""RP2040 data sheet, from memory."""


def test_the_lines_of_the_example_are_right() -> None:
    told = "".join(re.findall(r"^!.*\n", PAGE, re.MULTILINE)).encode()
    events = ProbeDecoder().feed(told)
    assert len(events) == 9
    assert not any(isinstance(event, Lost) for event in events)
    assert events[-1] == Refused(0x53, "width")
    assert Answer(0x52, "sending") in events
    pulses = next(event for event in events if isinstance(event, Edges) and len(event.changes) == 4)
    ticks = [change.ticks for change in pulses.changes]
    assert ticks[0] * 400 == 80_000_000
    assert [(one - ticks[0]) * 0.4 for one in ticks] == [0, 50, 1000, 1050]
    asked = "".join(re.findall(r"^\?.*\n", PAGE, re.MULTILINE)).encode()
    assert [words for _, words in LOGIC.LineReader("?").feed(asked)] == ["hello", "send 32 3E8 01", "send 2 3E8 01"]


@pytest.mark.parametrize(
    ("volts", "pull_up", "line", "pin"),
    [(5, 1e3, 4.92, 3.15), (5, 4.7e3, 4.64, 2.97), (5, 10e3, 4.30, 2.75), (3.3, 1e3, 3.25, 2.08)],
)
def test_the_table_of_levels(volts: float, pull_up: float, line: float, pin: float) -> None:
    at_line = volts * (R1 + R2) / (R1 + R2 + pull_up)
    assert (round(at_line, 2), round(at_line * RATIO + 1e-3, 2)) == pytest.approx((line, pin), abs=0.006)
    assert IO_HIGH < at_line * RATIO < IO_VOLTS + 0.3
    assert f"| {line:.2f} V | {pin:.2f} V |" in PAGE


def test_thresholds_edges_and_accidents() -> None:
    assert f"below {IO_LOW / RATIO:.2f} V" in PAGE
    assert f"above {IO_HIGH / RATIO:.2f} V" in PAGE
    tau_us = R1 * R2 / (R1 + R2) * 20e-12 * 1e6
    fall = -tau_us * math.log(IO_LOW / 3.15)
    rise = -tau_us * math.log(1 - IO_HIGH / 3.15)
    assert f"{tau_us:.2f} µs. A falling edge reaches 0.8 V after {fall:.2f} µs" in PAGE
    assert f"2.0 V after {rise:.2f} µs" in PAGE.replace("\n", " ")
    for volts in (12, 13.8, 24):
        clamp = IO_VOLTS + 0.3
        assert f"{1e3 * ((volts - clamp) / R1 - clamp / R2):.2f} mA" in PAGE
    assert f"{1e3 * (12 - 0.3) / R1:.2f} mA" in PAGE
    assert f"as {12 * RATIO:.1f} V" in PAGE
    assert f"falls to {5 * (R3 + 10) / (R3 + 10 + 1000):.2f} V" in PAGE
    assert f"to {5 * (R3 + 10) / (R3 + 10 + 500):.2f} V" in PAGE
    assert 5 * (R3 + 10) / (R3 + 10 + 1000) < IO_LOW / RATIO


def test_limits_and_sizes() -> None:
    assert f"{LOGIC.LONGEST} octets at most" in PAGE
    assert f"up to {LOGIC.MOST_BITS} bits" in PAGE
    assert f"{LOGIC.WIDTHS[0]} to {LOGIC.WIDTHS[1] // 1000} 000 µs" in PAGE
    assert f"{LOGIC.SPACINGS[0]} to {LOGIC.SPACINGS[1] // 1000} 000 µs" in PAGE
    assert 1 << LOGIC.COUNT_BITS == LOGIC.SPAN
    assert round(LOGIC.SPAN * LOGIC.TICK_NS / 1e9) == 429
    main = (FOLDER / "main.py").read_text(encoding="utf-8")
    assert "_RING_BITS = 14" in main
    assert "a ring of 4096" in PAGE


def test_every_file_to_copy_is_named_and_there() -> None:
    assert {path.name for path in FOLDER.glob("*.py")} == {"main.py", "probe_logic.py", "probe_pio.py"}
    for path in FOLDER.glob("*.py"):
        assert f"`{path.name}`" in PAGE
