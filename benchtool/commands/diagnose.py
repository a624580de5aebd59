"""`benchtool diagnose`: what is wrong with the bus at a tap, with proof, and what to do next."""

from __future__ import annotations

import json
import sys

import click

from benchtool.capture.settings import CharFormat
from benchtool.commands.errors import Exit
from benchtool.commands.options import check_recording, line_options, record_options, tap_for, time_option

_LIVE_SECONDS = 20.0


@click.command("diagnose")
@click.argument("tap")
@line_options
@time_option("How long to listen (20s on an adapter; a file or simulated bus is taken whole).")
@record_options
@click.option(
    "--length", type=click.FloatRange(0, 10_000, min_open=True), metavar="METRES", help="Length of the pair, if known."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object (docs/json.md).")
@click.option("--strict", is_flag=True, help="Exit code 1 when the leading finding is a fault.")
def command(
    tap: str,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    record: str | None,
    overwrite: bool,
    length: float | None,
    as_json: bool,
    strict: bool,
) -> None:
    """Say what is wrong with the bus at TAP, with proof, and what to do next.

    Listens (or reads), never transmits. Ctrl-C ends the listening early; what was heard is diagnosed all the same.

    \b
    Examples:
      benchtool diagnose sim:demo
      benchtool diagnose "sim:demo?fault=pair-reversed-at-tap"
      benchtool diagnose /dev/ttyUSB0 --baud 9600 --for 30s
      benchtool diagnose pasted.txt --baud 19200 --format 8N1 --json
    """
    from benchtool.commands.session import Session, end_progress, progress_line
    from benchtool.diagnose.engine import diagnose
    from benchtool.reports.diagnosis_text import diagnosis_object, diagnosis_text, is_fault
    from benchtool.reports.frame_text import tap_line
    from benchtool.taps.file import FileTap
    from benchtool.taps.simulated import SimulatedTap

    check_recording(record, tap)
    opened = tap_for(tap, baud, char_format, seconds)
    if seconds is None and not isinstance(opened, FileTap | SimulatedTap):
        seconds = _LIVE_SECONDS
    progress = progress_line()
    session = Session(
        opened,
        seconds=seconds,
        record=record,
        overwrite=overwrite,
        on_notice=lambda text: click.echo(f"note: {text}", err=True),
        progress=progress,
    )
    session.run()
    if progress is not None:
        click.echo("\rworking out the findings …                                   ", err=True, nl=False)
    info = session.tap.info
    found = diagnose(session.gatherer.evidence(session.decoder.counters), info.settings, length_m=length)
    end_progress(progress)
    if as_json:
        click.echo(json.dumps(diagnosis_object(found), indent=2))
    else:
        click.echo(tap_line(info))
        click.echo("\n".join(diagnosis_text(found)))
    if session.failure is not None:
        raise session.failure
    if strict and is_fault(found):
        sys.exit(Exit.FAULT)
