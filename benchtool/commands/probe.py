"""`benchtool probe`: is the card-line probe there, sound, and connected?"""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import tap_failed
from benchtool.taps.tap import TapError

if TYPE_CHECKING:
    from benchtool.taps.probe import ProbeLink

_WATCH_S = 1.3
"""The probe says something every second."""
_EXACT_HZ = 25_000_000
"""The edge program's clock: a board clock that divides by it makes all its cycles equally long."""


@click.group("probe", context_settings={"help_option_names": ["-h", "--help"]})
def command() -> None:
    """The card-line probe: a small board that sees D0 and D1 (docs/probe.md says how to build it).

    \b
    Examples:
      benchtool probe check probe:/dev/ttyACM0
      benchtool reads probe:/dev/ttyACM0
    """


@dataclass(frozen=True, slots=True)
class _Checked:
    """What a check found."""

    device: str
    facts: dict[str, str]
    tick_ns: int
    test: str
    """`sound`, or what the self-test found wrong, in the probe's word."""
    levels: tuple[bool, bool]
    counters: dict[str, int]
    problems: tuple[str, ...]

    @property
    def clock_hz(self) -> int | None:
        """The board's clock."""
        from benchtool.taps.probe_protocol import number_in

        return number_in(self.facts, "clock")


@command.command("check")
@click.argument("port")
@click.option("--strict", is_flag=True, help="Exit code 1 where something is not as it should be.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def check(port: str, strict: bool, as_json: bool) -> None:
    """Say whether the probe at PORT is sound, and what D0 and D1 are now.

    The self-test emits pulses on two spare pins and times them: both programs of the probe are run, and nothing goes
    onto the card lines.

    \b
    Example:
      benchtool probe check probe:/dev/ttyACM0
    """
    from benchtool.taps.probe import ProbeLink

    try:
        with ProbeLink(port) as probe:
            checked = _check(probe)
    except TapError as error:
        raise tap_failed(error) from None
    if as_json:
        click.echo(json.dumps(_object(checked)))
    else:
        click.echo("\n".join(_text(checked)))
    if strict and checked.problems:
        raise CommandError(f"{len(checked.problems)} thing(s) not as they should be", Exit.FAULT)


def _check(probe: ProbeLink) -> _Checked:
    from benchtool.taps.probe import Ask, RefusedError
    from benchtool.taps.probe_protocol import LEVELS, Edges, Lost, facts_of, number_in

    problems = []
    try:
        test = probe.ask(Ask.TEST)
    except RefusedError as error:
        test = str(error)
        problems.append(
            f"the self-test says {test}: are pins GP6 and GP7 free, and are the three files of one version? "
            "(docs/probe.md)"
        )
    edges, lost = 0, 0
    end = time.monotonic() + _WATCH_S
    while (left := end - time.monotonic()) > 0:
        events = probe.events(left)
        edges += sum(len(event.changes) for event in events if isinstance(event, Edges))
        lost += sum(event.lines for event in events if isinstance(event, Lost))
    levels = LEVELS.get(probe.ask(Ask.LEVELS), (False, False))
    facts = facts_of(probe.ask(Ask.COUNTERS))
    counters = {key: number_in(facts, key) or 0 for key in ("edges", "overruns", "damaged")}
    counters |= {"edges_now": edges, "lines_lost": lost, "lines_damaged": probe.decoder.damaged}
    for name, high in zip(("D0", "D1"), levels, strict=True):
        if not high and not edges:
            problems.append(f"{name} is low: no pull-up at the controller, no common ground, or not connected")
    if counters["overruns"]:
        problems.append("it had more changes to tell than it can: noise on the lines, or an input not connected?")
    if lost or probe.decoder.damaged:
        problems.append(
            "lines from the probe came damaged or not at all: the USB cable, or another program at the port"
        )
    clock = number_in(probe.facts, "clock")
    if clock is not None and clock % _EXACT_HZ:
        problems.append(
            f"the board runs at {clock / 1e6:g} MHz: times jitter by a cycle of it (125, 150, 200 are exact)"
        )
    return _Checked(probe.device, probe.facts, probe.tick_ns, test, levels, counters, tuple(problems))


def _text(checked: _Checked) -> list[str]:
    facts, counters = checked.facts, checked.counters
    clock = "?" if checked.clock_hz is None else f"{checked.clock_hz / 1e6:g}"
    lines = [
        f"probe at {checked.device}: program {facts.get('program', '?')}, protocol {facts.get('protocol', '?')}, "
        f"MicroPython {facts.get('micropython', '?')}, {clock} MHz",
        f"times edges to {checked.tick_ns} ns",
        f"self-test: {checked.test}",
        *(
            f"{name} is {'high (idle)' if high else 'LOW'}"
            for name, high in zip(("D0", "D1"), checked.levels, strict=True)
        ),
        f"changes seen since it began: {counters['edges']}, during this check: {counters['edges_now']}; "
        f"overruns: {counters['overruns']}; damaged commands: {counters['damaged']}",
    ]
    return lines + [f"not as it should be: {problem}" for problem in checked.problems]


def _object(checked: _Checked) -> dict[str, Any]:
    return {
        "port": checked.device,
        "program": checked.facts.get("program"),
        "protocol": checked.facts.get("protocol"),
        "micropython": checked.facts.get("micropython"),
        "clock_hz": checked.clock_hz,
        "resolution_ns": checked.tick_ns,
        "self_test": checked.test,
        "d0": "high" if checked.levels[0] else "low",
        "d1": "high" if checked.levels[1] else "low",
        "counters": checked.counters,
        "problems": list(checked.problems),
    }
