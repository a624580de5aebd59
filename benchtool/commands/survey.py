"""`benchtool survey`: who answers on an OSDP bus, what each device says of itself, who claims an address twice."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import click

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import Duration, line_options
from benchtool.commands.transmit import line_to_talk

if TYPE_CHECKING:
    from benchtool.commands.expected import Expected
    from benchtool.reports.survey_text import Row, Survey
    from benchtool.simulate.osdp_survey import Answers

_LONGEST_SIM_S = 900_000


@click.command("survey")
@click.argument("tap")
@line_to_talk
@line_options
@click.option("--addresses", default="0-126", show_default=True, metavar="LIST", help="Which to ask: 0-10,42.")
@click.option("--bauds", metavar="LIST", help="Bit rates to try one after the other: 9600,19200,38400,115200.")
@click.option("--wait", type=Duration(), default=0.2, metavar="200ms", help="How long a device may take to answer.")
@click.option("--expected", metavar="FILE", help="A list (.toml or .csv) of the devices that ought to be there.")
@click.option("--no-key-check", is_flag=True, help="Do not ask whether a device takes the default key.")
@click.option("--anyway", is_flag=True, help="Ask though another controller is heard.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object (docs/json.md).")
@click.option("--strict", is_flag=True, help="Exit code 1 when something is wrong.")
def command(
    tap: str,
    transmit: bool,
    direction: str,
    echo: str,
    baud: int | None,
    char_format: CharFormat | None,
    addresses: str,
    bauds: str | None,
    wait: float,
    expected: str | None,
    no_key_check: bool,
    anyway: bool,
    as_json: bool,
    strict: bool,
) -> None:
    """Ask every address on TAP who is there: identity, capabilities, response times, double addresses.

    CAUTION: this transmits, and so needs --transmit but on a simulated bus. Take the real controller off the pair
    first. Devices lose their secure channel to it and begin again when it is back. No poll is sent, so no card is lost.

    \b
    Examples:
      benchtool survey sim:demo
      benchtool survey "sim:demo?fault=address-duplicate"
      benchtool survey /dev/ttyUSB0 --transmit
      benchtool survey /dev/ttyUSB0 --transmit --bauds 9600,38400,115200 --addresses 0-20
      benchtool survey /dev/ttyUSB0 --transmit --expected devices.toml --strict
    """
    from benchtool.commands.expected import read_expected
    from benchtool.reports.survey_text import Survey, survey_object, survey_text

    asked = parse_list(addresses, 126, "--addresses")
    rates = None if bauds is None else parse_list(bauds, 20_000_000, "--bauds", least=50)
    wanted = None if expected is None else read_expected(expected)
    survey = Survey(wanted=len(asked) * len(rates or (0,)))
    progress = _progress(as_json)

    def on_done(rate: int, answers: Answers) -> None:
        survey.asked += 1
        survey.done.setdefault(rate, []).append(answers.address)
        if answers.there:
            survey.rows.append(_row(rate, answers, wanted))
        if progress is not None:
            progress(rate, answers.address, len(survey.rows))

    def surveyor(settings: LineSettings, resolution_ns: int = 0) -> Any:
        from benchtool.simulate.osdp_survey import Surveyor

        survey.resolution_ns = max(survey.resolution_ns, resolution_ns)
        survey.char_format = str(settings.format)
        return Surveyor(
            asked,
            settings,
            wait_ns=round(wait * 1e9),
            random=None if no_key_check else os.urandom,
            on_done=lambda answers: on_done(settings.baud, answers),
        )

    failure: CommandError | None = None
    try:
        if tap.startswith("sim:"):
            _simulated(tap, baud, char_format, rates, surveyor)
        else:
            from benchtool.commands.talking import need_transmit

            need_transmit(transmit, tap, "a second controller takes the devices from the real one")
            failure = _real(tap, baud, char_format, rates, direction, echo, anyway, surveyor)
    except KeyboardInterrupt:
        survey.complete = False
    finally:
        if progress is not None:
            sys.stderr.write("\r" + " " * 70 + "\r")
    survey.complete = survey.complete and failure is None
    if wanted is not None and survey.complete:
        survey.missing = _missing(survey, wanted, asked)
    if as_json:
        click.echo(json.dumps(survey_object(survey), separators=(",", ":")))
    else:
        click.echo("\n".join(survey_text(survey)))
    if failure is not None:
        raise failure
    if strict and (survey.wrong or not survey.complete):
        sys.exit(Exit.FAULT)


def parse_list(text: str, most: int, option: str, *, least: int = 0) -> list[int]:
    """`0-10,42` as numbers in order, each once; CommandError where it is none."""
    found: list[int] = []
    for part in text.replace(" ", ",").split(","):
        first, dash, last = part.partition("-")
        ends = [first, last] if dash else [first, first]
        if not part:
            continue
        if not all(end.isascii() and end.isdigit() and len(end) <= 9 for end in ends):
            raise CommandError(f"{option} {text}: write numbers {least} to {most}, as 0-10,42", Exit.USAGE)
        low, high = int(ends[0]), int(ends[1])
        if not least <= low <= high <= most or high - low > 10_000:
            raise CommandError(f"{option} {text}: write numbers {least} to {most}, as 0-10,42", Exit.USAGE)
        found += range(low, high + 1)
    if not found:
        raise CommandError(f"{option} {text}: there is no number in it", Exit.USAGE)
    return list(dict.fromkeys(found))


def _simulated(
    tap: str,
    baud: int | None,
    char_format: CharFormat | None,
    rates: Sequence[int] | None,
    surveyor: Callable[..., Any],
) -> None:
    """Survey a simulated bus in virtual time, in its controller's place."""
    from benchtool.commands.options import tap_failed
    from benchtool.simulate.specs import Scenario
    from benchtool.simulate.station import Station
    from benchtool.taps.simulated import SimulatedTap
    from benchtool.taps.tap import TapError

    for rate in rates or (baud,):
        made: list[Any] = []

        def instead(
            scenario: Scenario, rate: int | None = rate, made: list[Any] = made
        ) -> tuple[Station, LineSettings]:
            own = scenario.line.settings
            settings = LineSettings(rate or own.baud, char_format or own.format)
            made.append(surveyor(settings))
            return made[0], settings

        # The bus would end at its own time; the survey is over when all are asked.
        bus = SimulatedTap(tap, None, seconds=_LONGEST_SIM_S, instead=instead)
        try:
            with bus:
                if bus.scenario is not None and bus.scenario.controller.protocol != "osdp":
                    raise CommandError(f"{tap} speaks Modbus; a survey asks in OSDP", Exit.USAGE)
                while not made[0].done and not bus.ended:
                    bus.read(0)
        except TapError as error:
            raise tap_failed(error) from None


def _real(
    tap: str,
    baud: int | None,
    char_format: CharFormat | None,
    rates: Sequence[int] | None,
    direction: str,
    echo: str,
    anyway: bool,
    surveyor: Callable[..., Any],
) -> CommandError | None:
    """Survey a real line; what ended it early is returned, so that the result is still shown."""
    from benchtool.commands.talking import Conversation, open_line, who_controls
    from benchtool.taps.clock import SystemClock

    clock = SystemClock()

    def at_rate(rate: int | None) -> CommandError | None:
        line = open_line(tap, rate, char_format, LineSettings(), direction, clock)
        try:
            if not anyway:
                other = who_controls(line, clock)
                if other is not None:
                    raise CommandError(
                        f"another controller talks on {tap} (it asked address {other.address}): take it off the pair "
                        "first, or say --anyway",
                        Exit.TAP,
                    )
            asks = surveyor(line.info.settings, line.info.resolution_ns)
            conversation = Conversation(
                asks,
                line,
                clock=clock,
                echo=echo,
                done=asks.is_done,
                on_notice=lambda text: click.echo(f"note: {text}", err=True),
            )
            conversation.run()
        finally:
            line.close()
        if conversation.stopped_by_user:
            raise KeyboardInterrupt
        return conversation.failure

    for number, rate in enumerate(rates or (baud,)):
        try:
            failure = at_rate(rate)
        except CommandError as error:
            if not number:
                raise
            failure = error  # what the rates before found is still told
        if failure is not None:
            return failure
    return None


def _row(rate: int, answers: Answers, wanted: list[Expected] | None) -> Row:
    from benchtool.commands.expected import differences
    from benchtool.reports.survey_text import Row, identity_parts

    if wanted is None:
        return Row(rate, answers)
    entry = _entry(wanted, answers.address, rate)
    if entry is None:
        return Row(rate, answers, expected=False)
    found = identity_parts(answers.identities[0]) if answers.identities else {}
    return Row(rate, answers, entry.name, True, tuple(differences(found | {"baud": rate}, entry)))


def _entry(wanted: list[Expected], address: int, rate: int) -> Expected | None:
    """The list's entry for a device: that of its rate, if there are several."""
    entries = [entry for entry in wanted if entry.address == address]
    return next((entry for entry in entries if entry.baud == rate), entries[0] if entries else None)


def _missing(survey: Survey, wanted: list[Expected], asked: Sequence[int]) -> list[str]:
    there = {row.answers.address for row in survey.rows}
    return [
        f"address {entry.address} {entry.name}".strip()
        + ("" if entry.address in asked else " (not among the addresses asked)")
        for entry in wanted
        if entry.address not in there
    ]


def _progress(as_json: bool) -> Callable[[int, int, int], None] | None:
    if not sys.stderr.isatty():
        return None

    def show(rate: int, address: int, found: int) -> None:
        sys.stderr.write(f"\rasked address {address} at {rate} bit/s, {found} found (Ctrl-C ends it) ")
        sys.stderr.flush()

    return show
