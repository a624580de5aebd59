"""`benchtool reads`: cards at a reader's data lines, what they say, pulses beside their limits, what is wrong."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import Duration, line_options, tap_failed, time_option
from benchtool.commands.osdp_keys import key_file_caution, osdp_key_option, read_keys
from benchtool.commands.outputs import check_output, check_page, not_written, overwrite_option, write_text

if TYPE_CHECKING:
    from benchtool.commands.reads_run import ReadsRun, Wanted
    from benchtool.diagnose.card_readings import CardMeterReading
    from benchtool.frames.card.entry import Entry
    from benchtool.frames.card.formats import CardFormat
    from benchtool.reports.reads_outcome import Outcome
    from benchtool.taps.card_source import CardSource

_LONG = 30 << 20
"""Octets in a file of which it is said that reading takes a while."""
_MOST_EMPTY = 20
"""Bursts without a bit are shown up to this one: a noisy line has hundreds a second."""
_LONGEST_TIMEOUT = 1.0
"""Seconds of silence that surely part two cards."""
_KINDS = ("edges", "logic", "analog", "lines", "osdp")


@click.command("reads", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("source", nargs=-1)
@click.option("--expect", "expect", metavar="FORMAT", help='What the controller is set to, as "26-bit".')
@click.option(
    "--table",
    "--formats",
    "tables",
    multiple=True,
    type=click.Path(dir_okay=False),
    metavar="FILE",
    help="Also read in the formats of this table file (docs/format-tables.md).",
)
@click.option("--printed", multiple=True, metavar="NUMBER", help="The number on the card; once, or once for each read.")
@click.option("--same-card", is_flag=True, help="All reads are of one card: compare them bit by bit.")
@click.option("--presented", type=click.IntRange(1), metavar="TIMES", help="How often a card was held to the reader.")
@click.option("--meter", multiple=True, metavar="KIND=VALUE", help="A reading by hand; --meter help lists them.")
@click.option(
    "--timeout", type=Duration(), metavar="25ms", help="Silence that ends a frame (25 ms: docs/card-lines.md)."
)
@time_option("Stop after this time (of the lines' own time in a file or a simulated reader).")
@click.option(
    "--record",
    type=click.Path(dir_okay=False),
    metavar="FILE",
    help="Keep all edges in a file, card data as sent, for its owner alone to read.",
)
@overwrite_option("files that are")
@click.option("--plot", type=click.Path(dir_okay=False), metavar="FILE", help="Draw pulses: .png or .svg.")
@click.option("--report", type=click.Path(dir_okay=False), metavar="FILE", help="Write a page: .html.")
@click.option("--show-cards", is_flag=True, help="Show bits and card numbers, which are hidden else, also in files.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line (docs/reads.md).")
@click.option("--strict", is_flag=True, help="Exit code 1 if a read is not sound, a limit is broken or a fault found.")
@click.option("--kind", type=click.Choice(_KINDS), help="What a file is, where looking is not enough.")
@click.option("--length", type=click.IntRange(1, 256), metavar="BITS", help="Bits of hex that does not say its length.")
@click.option("--time-unit", metavar="us", help="Unit of the times in a table: s, ms, us, ns.")
@click.option("--columns", metavar="time,D0,D1", help="Names or numbers of the columns (edge list: time,line,level).")
@click.option(
    "--resolution", type=Duration(), metavar="10us", help="How finely a table was sampled, if it does not show."
)
@line_options
@osdp_key_option
def command(
    source: tuple[str, ...],
    expect: str | None,
    tables: tuple[str, ...],
    printed: tuple[str, ...],
    same_card: bool,
    presented: int | None,
    meter: tuple[str, ...],
    timeout: float | None,
    seconds: float | None,
    record: str | None,
    overwrite: bool,
    plot: str | None,
    report: str | None,
    show_cards: bool,
    as_json: bool,
    strict: bool,
    kind: str | None,
    length: int | None,
    time_unit: str | None,
    columns: str | None,
    resolution: float | None,
    baud: int | None,
    char_format: CharFormat | None,
    osdp_key: str | None,
) -> None:
    """Read cards from SOURCE, measure the pulses, and say what is wrong with the lines.

    SOURCE is a file (edge list, logic capture or scope record as CSV, a converter's lines in bits, hex or decimal, an
    OSDP capture), - for standard input, a probe (probe:/dev/ttyACM0), a simulated reader (sim:card) or an OSDP bus.
    Several files are read one after the other. Bits and numbers are hidden unless asked for. Use it on systems you are
    allowed to test; a card that is accepted opens the door.

    \b
    Examples:
      benchtool reads sim:card
      benchtool reads "sim:card?fault=d0-open" --expect 26-bit
      benchtool reads probe:/dev/ttyACM0 --for 30s --record visit.csv
      benchtool reads visit.csv --same-card --printed 101,4095 --report visit.html
      benchtool reads scope.csv --plot pulses.png
      benchtool reads converter.txt --length 26 --show-cards
      benchtool reads - --json < lines.txt
    """
    from benchtool.commands.reads_run import ReadsRun
    from benchtool.frames.card.pulses import FRAME_END_NS
    from benchtool.reports import reads_json, reads_text

    if meter == ("help",):
        click.echo("\n".join(_meter_help()))
        return
    if timeout is not None and timeout >= _LONGEST_TIMEOUT:
        raise CommandError(
            f"--timeout {timeout:g}s would join all cards to one: a frame ends after milliseconds, as --timeout 25ms",
            Exit.USAGE,
        )
    readings = _meter(meter)
    wanted = _wanted(expect, tables, printed)
    told = bool(readings) or presented is not None
    _check_files(source, record, plot, report, show=show_cards, overwrite=overwrite, told=told)
    if (caution := key_file_caution(osdp_key)) is not None:
        click.echo(f"note: {caution}", err=True)
    options = _options(kind, length, wanted, expect, time_unit, columns, resolution)
    sources = [_opened(address, options, baud, char_format, osdp_key) for address in source]
    for address in source:
        if Path(address).is_file() and (size := Path(address).stat().st_size) > _LONG:
            click.echo(f"note: {address} has {size >> 20} MB, reading it takes a while", err=True)
    head, empty = False, 0

    def on_source(info: Any) -> None:
        nonlocal head
        if as_json:
            made = {"where": info.where, "source": info.source.value, "sees_pulses": info.sees_pulses}
            click.echo(json.dumps({"kind": "source", **made, "resolution_ns": info.resolution_ns}))
            return
        click.echo(reads_text.source_line(info))
        if not head:
            click.echo(reads_text.HEADER)
        head = True

    def on_taken(one: Any) -> None:
        nonlocal empty
        empty += one.read is None
        if as_json:
            click.echo(json.dumps(reads_json.read_object(one, show=show_cards), separators=(",", ":")))
        elif one.read is not None or empty < _MOST_EMPTY:
            click.echo("\n".join(reads_text.taken_lines(one, show=show_cards)))
        elif empty == _MOST_EMPTY:
            click.echo("    - more bursts without a bit are only counted")

    run = ReadsRun(
        wanted,
        timeout_ns=FRAME_END_NS if timeout is None else max(1, round(timeout * 1e9)),
        seconds=seconds,
        record=record,
        overwrite=overwrite,
        on_source=on_source,
        on_taken=on_taken,
    )
    run.run(sources)
    outcome = run.outcome
    if len(printed) > 1 and len(printed) != len(outcome.reads):
        outcome.notes.append(
            f"{len(printed)} printed numbers were given for {len(outcome.reads)} reads: one for all, or one each"
        )
    if same_card and outcome.reads:
        from benchtool.measure.card_reads import compare_reads

        outcome.same = compare_reads([one.bits for one in outcome.reads])
    _diagnose(run, wanted, readings, same_card, presented)
    _print(outcome, show=show_cards, as_json=as_json)
    if record is not None and not as_json:
        click.echo(f"recorded in {record}: every edge, card data included; keep it as you keep keys")
    _write(outcome, plot, report, sources=source, show=show_cards, as_json=as_json)
    if run.failure is not None:
        raise run.failure
    if strict and outcome.wrong:
        sys.exit(int(Exit.FAULT))


def _print(outcome: Outcome, *, show: bool, as_json: bool) -> None:
    from benchtool.reports import reads_finding, reads_json, reads_text

    if as_json:
        made = reads_json.summary_object(outcome, show=show)
        click.echo(json.dumps(made, separators=(",", ":")))
        if outcome.diagnosis is not None:
            said = reads_finding.diagnosis_object(outcome.diagnosis)
            click.echo(json.dumps({"kind": "diagnosis", **said}, separators=(",", ":")))
        return
    click.echo("")
    click.echo("\n".join(reads_text.summary_lines(outcome, show=show)))
    if outcome.diagnosis is not None:
        click.echo("")
        click.echo("\n".join(reads_finding.diagnosis_text(outcome.diagnosis)))


def _diagnose(
    run: ReadsRun,
    wanted: Wanted,
    readings: tuple[CardMeterReading, ...],
    same_card: bool,
    presented: int | None,
) -> None:
    from benchtool.diagnose.card_engine import diagnose_lines
    from benchtool.diagnose.card_evidence import CardEvidence

    reads = tuple(one.read for one in run.outcome.reads if one.read is not None)
    if not reads and not run.records and not readings and presented is None:
        return
    run.outcome.diagnosis = diagnose_lines(
        CardEvidence(
            reads,
            same_card,
            wanted.printed,
            tuple(run.records),
            wanted.expected,
            wanted.formats,
            readings,
            _of_scope(run),
            run.turned,
            bool(run.outcome.waveforms),
            presented=presented,
        )
    )


def _of_scope(run: ReadsRun) -> tuple[CardMeterReading, ...]:
    """The lows of pulses that a scope recorded, the highest of each line: as --meter d0-traffic would say them."""
    from benchtool.diagnose.card_readings import CardMeterReading
    from benchtool.measure.card_analog import lowest_v

    found = []
    for line in (0, 1):
        volts = [lowest_v(waveform, line) for _, waveform, _ in run.outcome.waveforms]
        lows = [low for low in volts if low is not None]
        if lows and not run.turned:
            found.append(CardMeterReading(f"d{line}-traffic", max(lows)))
    return tuple(found)


def _write(
    outcome: Outcome, plot: str | None, report: str | None, *, sources: Sequence[str], show: bool, as_json: bool
) -> None:
    said: list[str] = []
    if plot is not None:
        from benchtool.reports.reads_plot import write_plot

        try:
            said += [f"drawn in {path}" for path in write_plot(plot, outcome, show=show)]
        except OSError as error:
            raise not_written(plot, error) from None
        if not said:
            said.append("nothing to draw: no pulses were seen")
    if report is not None:
        from benchtool.reports.reads_html import reads_html

        write_text(report, reads_html(outcome, sources=list(sources), show=show))
        said.append(f"report in {report}")
    if show and (plot or report):
        said.append("card numbers are in these files: keep them as you keep keys")
    if said and not as_json:
        click.echo("")
        click.echo("\n".join(said))


# ---- what was asked for


def _opened(
    address: str, options: Any, baud: int | None, char_format: CharFormat | None, osdp_key: str | None
) -> CardSource:
    from benchtool.taps.card_address import open_card_source
    from benchtool.taps.tap import TapError

    settings = None
    if baud is not None or char_format is not None:
        base = LineSettings()
        settings = LineSettings(baud or base.baud, char_format or base.format)
    try:
        return open_card_source(address, options, settings=settings, keys=read_keys(osdp_key))
    except TapError as error:
        raise tap_failed(error) from None
    except ValueError as error:
        raise CommandError(str(error), Exit.USAGE) from None


def _options(
    kind: str | None,
    length: int | None,
    wanted: Wanted,
    expect: str | None,
    time_unit: str | None,
    columns: str | None,
    resolution: float | None,
) -> Any:
    from benchtool.taps.card_file import CardOptions

    names = tuple(part.strip() for part in columns.split(",") if part.strip()) if columns else None
    row = wanted.expected[0] if expect is not None else None
    fine = None if resolution is None else max(1, round(resolution * 1e9))
    return CardOptions(kind, length, row, time_unit, names, fine)


def _wanted(expect: str | None, tables: tuple[str, ...], printed: tuple[str, ...]) -> Wanted:
    from benchtool.commands.card_options import read_tables
    from benchtool.commands.reads_run import Wanted
    from benchtool.frames.card.formats import FORMATS, find_formats

    users = read_tables(tables)
    own = {row.name for row in users}
    formats: tuple[CardFormat, ...] = (*users, *(row for row in FORMATS if row.name not in own))
    expected: tuple[CardFormat, ...] = ()
    if expect is not None:
        expected = find_formats(expect, formats)
        if not expected:
            known = ", ".join(f'"{row.name}"' for row in formats)
            raise CommandError(f"--expect: no format is called {expect!r}: choose from {known}", Exit.USAGE)
    return Wanted(formats, expected, tuple(_entry(text) for text in printed))


def _entry(text: str) -> Entry:
    from benchtool.frames.card.entry import EntryError, Kind, parse_entry

    try:
        return parse_entry(text, kind=Kind.DECIMAL)
    except EntryError as error:
        raise CommandError(f"--printed: {error}", Exit.USAGE) from None


def _meter(texts: tuple[str, ...]) -> tuple[CardMeterReading, ...]:
    from benchtool.diagnose.card_readings import parse_card_reading
    from benchtool.diagnose.readings import ReadingError

    try:
        return tuple(map(parse_card_reading, texts))
    except ReadingError as error:
        raise CommandError(f"--meter {error}", Exit.USAGE) from None


def _meter_help() -> list[str]:
    from benchtool.diagnose.card_readings import CARD_METER
    from benchtool.reports.folded import wrap

    lines = ["READINGS  (--meter KIND=VALUE; 120m, 47k and open are understood)"]
    for kind in CARD_METER:
        unit = "OHMS" if kind.unit == "ohm" else "VOLTS"
        lines.append(f"  {kind.name}={unit}")
        lines += wrap(kind.how, "      ")
    lines += ["", "CAUTIONS"]
    for caution in dict.fromkeys(kind.caution for kind in CARD_METER):
        lines += wrap(caution, "  ! ")
    return lines


def _check_files(
    source: tuple[str, ...],
    record: str | None,
    plot: str | None,
    report: str | None,
    *,
    show: bool,
    overwrite: bool,
    told: bool,
) -> None:
    if not source and not told:
        raise CommandError(
            "give a source: a file, -, probe:/dev/ttyACM0 or sim:card; or readings alone (--meter, --presented)",
            Exit.USAGE,
        )
    if not source and (record is not None or plot is not None):
        raise CommandError("--record and --plot need a source whose pulses they keep", Exit.USAGE)
    check_output(record, "--record", (".csv", ".edges", ".txt"), overwrite=overwrite, reads=source)
    if plot is not None:
        from benchtool.reports.reads_plot import pictures

        for picture in pictures(plot, len(source), show=show):
            check_output(str(picture), "--plot", (".png", ".svg"), overwrite=overwrite, reads=source)
    check_page(report, "--report", overwrite=overwrite, reads=source)
