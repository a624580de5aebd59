"""`benchtool calculate`: the sums of the trade, with formula, figures and source."""

from __future__ import annotations

import json
import math
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.install import confidence as counts
from benchtool.install import pair_rules, power
from benchtool.install.copper import drop as voltage_drop
from benchtool.install.copper import gauge_mm2, ohm_per_km
from benchtool.install.worked import Worked
from benchtool.reports.worked_text import feeds_text, feeds_values, worked_text, worked_values

_METRES = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,9})?)(?::([0-9]{1,9}(?:\.[0-9]{1,9})?))?\Z", re.ASCII)
_LOADS = re.compile(r"([0-9]{1,9})(?::(?:([0-9]{1,9}(?:\.[0-9]{1,9})?)|1/([1-9][0-9]{0,3})))?", re.ASCII)
_GREATEST = 1e15
"""Beyond it in size, or so near to 0, no figure of the trade lies."""


class Number(click.FloatRange):
    """A number in its range that a sum can be made with: neither nan nor infinite nor absurd."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number; a usage error where it is none."""
        number: float = click.FLOAT.convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"a finite number is wanted, not {value}", param, ctx)
        number = super().convert(number, param, ctx)
        if abs(number) > _GREATEST or 0 < abs(number) < 1 / _GREATEST:
            self.fail(f"{value} is no figure that can be meant here", param, ctx)
        return number


_ABOVE_0 = Number(min=0, min_open=True)
_FROM_0 = Number(min=0)


@click.group("calculate", context_settings={"help_option_names": ["-h", "--help"]})
def command() -> None:
    """Voltage drop, bias, termination reading and other sums, with formula, figures and source.

    \b
      benchtool calculate drop --metres 80 --awg 22 --amps 0.5
      benchtool calculate bias --volts 5 --each 560 --terminator 120 --terminator 120
      benchtool calculate reading --metres 300 --awg 24 --terminator 0 --terminator 300
      benchtool calculate confidence --rate 1e-6 --baud 9600
    """


def _tell(work: Callable[[], Worked], as_json: bool, strict: bool = False) -> None:
    try:
        worked = work()
    except ValueError as error:
        raise CommandError(str(error), Exit.USAGE) from None
    click.echo(json.dumps(worked_values(worked)) if as_json else "\n".join(worked_text(worked)))
    if strict and worked.fits is False:
        sys.exit(int(Exit.FAULT))


def _json_option(function: Callable[..., Any]) -> Callable[..., Any]:
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")(function)


def _strict_option(function: Callable[..., Any]) -> Callable[..., Any]:
    return click.option("--strict", is_flag=True, help="Exit code 1 where the limit is missed.")(function)


def _copper_options(function: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option("--mm2", type=_ABOVE_0, help="Copper of one conductor, mm²."),
        click.option("--awg", type=Number(0, 40), help="American wire gauge of one conductor."),
    ):
        function = option(function)
    return function


def _area(awg: float | None, mm2: float | None) -> float:
    if (awg is None) == (mm2 is None):
        raise CommandError("give the conductor as --awg or as --mm2, one of them", Exit.USAGE)
    return mm2 if mm2 is not None else gauge_mm2(awg or 0.0)


@command.command("drop")
@click.option("--metres", type=_FROM_0, required=True, help="Length of the cable, one way.")
@_copper_options
@click.option("--amps", type=_FROM_0, required=True, help="Current.")
@click.option("--celsius", type=Number(-60, 120), default=20.0, show_default=True, help="Of the cable.")
@_json_option
def drop(metres: float, awg: float | None, mm2: float | None, amps: float, celsius: float, as_json: bool) -> None:
    """Voltage lost along a cable, both conductors."""
    area = _area(awg, mm2)
    _tell(lambda: voltage_drop(metres, area, amps, celsius), as_json)


@command.command("bias")
@click.option("--volts", type=_ABOVE_0, default=5.0, show_default=True, help="Supply of the bias.")
@click.option("--each", type=_ABOVE_0, help="Pull-up and pull-down, ohm each; left out: the greatest that will do.")
@click.option("--terminator", "ends", type=_ABOVE_0, multiple=True, help="Ohm; again for each.")
@click.option("--loads", type=_FROM_0, default=0.0, show_default=True, help="Unit loads of all receivers.")
@click.option("--metres", type=_FROM_0, help="Length of the pair, biased at one end: tells what the far end gets.")
@_copper_options
@click.option("--celsius", type=Number(-60, 120), help="Of the cable; 40 if not said.")
@_strict_option
@_json_option
def bias(
    volts: float,
    each: float | None,
    ends: tuple[float, ...],
    loads: float,
    metres: float | None,
    awg: float | None,
    mm2: float | None,
    celsius: float | None,
    strict: bool,
    as_json: bool,
) -> None:
    """Idle voltage that a bias gives, or the greatest bias that gives 200 mV.

    With --metres at the far end of the cable, the first --terminator at the bias, the second at the far end.
    """
    if metres is None and (awg, mm2, celsius) != (None, None, None):
        raise CommandError("--awg, --mm2 and --celsius are for the cable: give its --metres too", Exit.USAGE)
    if metres is not None:
        loop = 2 * metres / 1000 * ohm_per_km(_area(awg, mm2), 40.0 if celsius is None else celsius)
        if each is None:
            _tell(lambda: pair_rules.greatest_bias_along(volts, ends, loads, loop), as_json, strict)
        else:
            _tell(lambda: pair_rules.idle_bias_along(volts, each, ends, loads, loop), as_json, strict)
    elif each is None:
        _tell(lambda: pair_rules.greatest_bias(volts, ends, loads), as_json, strict)
    else:
        _tell(lambda: pair_rules.idle_bias(volts, each, ends, loads), as_json, strict)


@command.command("reading")
@click.option("--metres", type=_FROM_0, required=True, help="Length of the pair.")
@_copper_options
@click.option("--terminator", "ends", multiple=True, metavar="METRES[:OHM]", help="Where one is, 120 ohm if not said.")
@click.option("--at", type=_FROM_0, default=0.0, show_default=True, help="Where the meter is, metres.")
@_json_option
def reading(
    metres: float, awg: float | None, mm2: float | None, ends: tuple[str, ...], at: float, as_json: bool
) -> None:
    """What a meter reads between the wires of a pair without power."""
    places = []
    for word in ends:
        found = _METRES.match(word)
        if not found:
            raise CommandError(f"--terminator {word}: metres, or metres:ohm, as 300 or 300:120", Exit.USAGE)
        places.append((float(found.group(1)), float(found.group(2) or 120)))
    loop = 2 * ohm_per_km(_area(awg, mm2)) / 1000
    _tell(lambda: pair_rules.reading(metres, loop, places, at), as_json)


@command.command("loads")
@click.option(
    "--device", "devices", multiple=True, metavar="COUNT[:LOAD]", help="As 20:0.125 or 20:1/8; again for each kind."
)
@click.option("--bias", "biases", type=_ABOVE_0, multiple=True, help="Ohm of each resistor of a bias; again for each.")
@_strict_option
@_json_option
def loads(devices: tuple[str, ...], biases: tuple[float, ...], strict: bool, as_json: bool) -> None:
    """Unit loads on a pair, biases counted."""
    each: list[float] = []
    for word in devices:
        found = _LOADS.fullmatch(word)
        if not found or int(found[1]) > 10_000:
            raise CommandError(f"--device {word}: a count, or count:unit loads, as 20 or 20:1/8", Exit.USAGE)
        load = 1 / int(found[3]) if found[3] else float(found[2] or 1)
        each += [load] * int(found[1])
    _tell(lambda: pair_rules.unit_loads(each, biases), as_json, strict)


@command.command("length")
@click.option("--baud", type=click.IntRange(50, 20_000_000), required=True, help="Bit rate.")
@_json_option
def length(baud: int, as_json: bool) -> None:
    """How long a pair may be at a bit rate."""
    _tell(lambda: pair_rules.longest_at(baud), as_json)


@command.command("stub")
@click.option("--rise-ns", type=_ABOVE_0, required=True, help="Edge time of the driver, 10 to 90 %.")
@click.option("--velocity", type=Number(0.3, 1), default=0.66, show_default=True, help="Share of light's.")
@_json_option
def stub(rise_ns: float, velocity: float, as_json: bool) -> None:
    """How long a stub may be."""
    _tell(lambda: pair_rules.longest_stub(rise_ns, velocity), as_json)


@command.command("network-power")
@click.option("--class", "poe_class", type=click.IntRange(0, 8), required=True, help="Class of the port's power.")
@click.option("--watts", type=_FROM_0, required=True, help="What the device and all fed from it need.")
@_strict_option
@_json_option
def network_power(poe_class: int, watts: float, strict: bool, as_json: bool) -> None:
    """Whether a network port feeds a device."""
    _tell(lambda: power.network_power(poe_class, watts), as_json, strict)


@command.command("battery")
@click.option("--ah", type=_ABOVE_0, required=True, help="Capacity.")
@click.option("--amps", type=_ABOVE_0, required=True, help="Load.")
@click.option("--hours", type=_ABOVE_0, help="How long it must last.")
@click.option("--usable", type=Number(0, 1, min_open=True), default=power.USABLE, show_default=True)
@click.option(
    "--celsius",
    type=Number(power.IN_THE_COLD[0][0], 60),
    help="Of the battery; 25 if not said. What is left in the cold is known to -15.",
)
@_strict_option
@_json_option
def battery(
    ah: float, amps: float, hours: float | None, usable: float, celsius: float | None, strict: bool, as_json: bool
) -> None:
    """How long a back-up battery lasts."""
    _tell(lambda: power.battery(ah, amps, usable, hours, celsius), as_json, strict)


@command.command("confidence")
@click.option(
    "--rate",
    type=Number(min=0, min_open=True, max=1),
    help="Error rate to claim, a share as 1e-6: how long must I listen?",
)
@click.option("--baud", type=click.IntRange(50, 20_000_000), default=9600, show_default=True, help="Bits a second.")
@click.option(
    "--load",
    type=Number(0, 1, min_open=True),
    default=1.0,
    show_default=True,
    help="Share of time with traffic.",
)
@click.option("--counted", type=_ABOVE_0, help="Bits, octets or frames seen: which rate can I claim?")
@click.option("--errors", type=click.IntRange(0, 1_000_000), default=0, show_default=True, help="Errors among them.")
@click.option("--sure", type=Number(0, 1, min_open=True, max_open=True), default=0.95, show_default=True)
@_json_option
def confidence(
    rate: float | None, baud: int, load: float, counted: float | None, errors: int, sure: float, as_json: bool
) -> None:
    """How long to listen for a claim (--rate), or what may be claimed (--counted).

    \b
      benchtool calculate confidence --rate 1e-6 --baud 9600
      benchtool calculate confidence --counted 300 --errors 0
    """
    if (rate is None) == (counted is None):
        raise CommandError(
            "give --rate (how long to listen) or --counted (what may be claimed), one of them", Exit.USAGE
        )
    if rate is not None:
        wanted = rate
        _tell(lambda: counts.listen_for(wanted, baud * load, sure, errors), as_json)
    else:
        _tell(lambda: counts.rate_limit(errors, counted or 0.0, sure), as_json)


@command.command("feeds")
@click.argument("site", type=click.Path(path_type=Path))
@click.option("--idle", is_flag=True, help="Currents at rest and rated supply voltages, not the worst.")
@click.option("--celsius", type=Number(-60, 120), help="Of the cables; the record's warmest if not said, else 40.")
@_json_option
def feeds(site: Path, idle: bool, celsius: float | None, as_json: bool) -> None:
    """Voltage at every device, reader and lock of a recorded installation, along the tree of its feeds."""
    from benchtool.commands.site_file import read_site
    from benchtool.install.feeds import solve

    found = solve(read_site(site).record, worst=not idle, celsius=celsius)
    click.echo(json.dumps(feeds_values(found)) if as_json else "\n".join(feeds_text(found)))
