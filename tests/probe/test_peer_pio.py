"""The model of the PIO against an independent emulator of the chip: same words, same pins, same pushes, same cycles."""

from __future__ import annotations

import json
import subprocess
from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest

from tests.probe.board_files import load, programs
from tests.probe.peers import EMULATOR_PACKAGE, node_package
from tests.probe.pio_model import Program, StateMachine

PACKAGE = node_package(EMULATOR_PACKAGE)
pytestmark = [
    pytest.mark.peer,
    pytest.mark.skipif(PACKAGE is None, reason=f"no node, or no package {EMULATOR_PACKAGE} (tests/probe/peers.py)"),
]
PROGRAMS: Any = programs()
LOGIC: Any = load("probe_logic")


def emulated(program: Program, **job: Any) -> dict[str, Any]:
    """What the emulator does with it."""
    options = program.options
    given = {
        "words": program.words,
        "wrap": program.wrap,
        "wrapTarget": program.wrap_target,
        "join": "none",
        "inRight": options.get("in_shiftdir", 1) == 1,
        "outRight": options.get("out_shiftdir", 1) == 1,
        "levels": [],
        "send": [],
        "drain": True,
        **job,
    }
    script = Path(__file__).with_name("peer_pio.mjs")
    done = subprocess.run(
        ["node", str(script), str(PACKAGE)], input=json.dumps(given), capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def modelled(program: Program, levels: list[tuple[int, int]], cycles: int, *, drain: bool) -> tuple[list[int], int]:
    now, coming, pushed = [0], sorted(levels), []
    machine = StateMachine(program, lambda: now[0])
    while machine.cycle < cycles:
        while coming and coming[0][0] <= machine.cycle:
            now[0] = coming.pop(0)[1]
        machine.step()
        while drain and machine.received:
            pushed.append(machine.received.popleft())
    return pushed + list(machine.received), machine.dropped


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("drain", [True, False])
def test_edge_program(seed: int, drain: bool) -> None:
    random = Random(seed)
    at, levels = 0, [(0, 3)]
    for _ in range(200):
        at += random.choice([7, 10, 13, 40, 500, random.randrange(1, 3000)])
        levels.append((at, random.randrange(4)))
    # The emulator joins no FIFOs: 4 words there, and so here.
    program = replace(PROGRAMS.edge_program, options={**PROGRAMS.edge_program.options, "fifo_join": 0})
    theirs = emulated(program, levels=levels, cycles=at + 100, drain=drain)
    ours, dropped = modelled(program, levels, at + 100, drain=drain)
    assert ours == theirs["pushed"]
    assert len(ours) > 50 if drain else len(ours) == 4
    # FDEBUG's flag, where main.py looks for it: a push without room is marked there.
    assert bool(dropped) == bool(theirs["stalled"]) == (not drain)


@pytest.mark.parametrize("seed", range(4))
def test_emit_program(seed: int) -> None:
    random = Random(seed)
    bits = "".join(random.choice("01") for _ in range(26))
    width, spacing = random.randrange(5, 300), random.randrange(310, 3000)
    words = list(LOGIC.plan(width, spacing, bits))
    theirs = emulated(PROGRAMS.emit_program, send=words, cycles=26 * spacing + 100)
    out: list[tuple[int, int]] = []
    machine = StateMachine(PROGRAMS.emit_program, on_output=lambda cycle, levels: out.append((cycle, levels)))
    while words or machine.to_send or not machine.stalled:
        while words and len(machine.to_send) < 8:
            machine.to_send.append(words.pop(0))
        machine.step()
    assert out == [tuple(one) for one in theirs["outputs"]]
