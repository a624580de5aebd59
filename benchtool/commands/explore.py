"""`benchtool explore`: work out what the traffic of an unknown bus is made of."""

from __future__ import annotations

import json
import re
import sys
from typing import TYPE_CHECKING, Any

import click

from benchtool.capture.chunk import Chunk, Gap, Item
from benchtool.capture.settings import CharFormat
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import (
    LIVE_SECONDS,
    check_recording,
    listening_line_options,
    listening_time,
    record_options,
    tap_for,
    time_option,
)
from benchtool.commands.outputs import check_output, write_text

if TYPE_CHECKING:
    from benchtool.explore.explore import Explored
    from benchtool.measure.tally import Figures

_MOST_OCTETS = 400_000
_KNOWN_SHARE = 0.5
_NAME = re.compile(r"[\w .+-]{1,40}")


@click.command("explore")
@click.argument("tap")
@listening_line_options
@time_option(
    f"How long to listen ({LIVE_SECONDS['explore']:.0f}s on an adapter; a file or simulated bus is taken whole)."
)
@record_options
@click.option("--save", metavar="FILE", help="Save what was learned as a protocol table (.toml) for --protocol.")
@click.option("--name", default="unnamed", metavar="NAME", help="What to call the bus in the table.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object (docs/json.md).")
@click.option("--strict", is_flag=True, help="Exit code 1 when no check value was found and proved.")
def command(
    tap: str,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    record: str | None,
    overwrite: bool,
    save: str | None,
    name: str,
    as_json: bool,
    strict: bool,
) -> None:
    """Work out what the traffic at TAP is made of, with how sure that is, and what cannot be told from it.

    Listens (or reads), never transmits. For buses whose devices are yours, or their owner's, to test. Ctrl-C ends the
    listening early; what was heard is worked out all the same. More, and more varied, traffic tells more.

    \b
    Examples:
      benchtool explore sim:demo
      benchtool explore /dev/ttyUSB0 --baud auto --for 1m --save gate.toml --name gate
      benchtool explore visit.pcapng --save unknown.toml
      benchtool listen visit.pcapng --protocol unknown.toml
      benchtool diagnose visit.pcapng --protocol unknown.toml
    """
    from benchtool.commands.session import Session, end_progress, progress_line
    from benchtool.frames.decoders import usual_decoder
    from benchtool.reports.explore_text import explored_object, explored_text
    from benchtool.reports.frame_text import tap_line, tap_object

    check_recording(record, tap)
    if not _NAME.fullmatch(name):
        raise click.UsageError("--name: up to 40 letters, digits, spaces, and . + - _ are wanted.")
    check_output(save, "--save", (".toml",), overwrite=overwrite, reads=(tap,))
    items: list[Item] = []
    held = 0

    def on_item(item: Item) -> None:
        nonlocal held
        if held < _MOST_OCTETS:
            items.append(item)
            held += len(item.octets) if isinstance(item, Chunk) else 0

    def on_notice(text: str) -> None:
        click.echo(f"note: {text}", err=True)

    opened = tap_for(tap, baud, char_format, seconds, on_notice=on_notice)
    seconds = listening_time(opened, seconds, "explore")
    progress = progress_line()
    session = Session(
        opened,
        seconds=seconds,
        record=record,
        overwrite=overwrite,
        on_item=on_item,
        on_notice=on_notice,
        progress=progress,
        make_decoder=usual_decoder,
    )
    session.run()
    if progress is not None:
        click.echo("\rworking out what it is made of …                            ", err=True, nl=False)
    from benchtool.explore.explore import explore

    info = session.tap.info
    found = explore(items, info, name=name)
    end_progress(progress)
    notes = _known(session.tally.figures(session.decoder.counters))
    if held >= _MOST_OCTETS:
        notes.append(f"only the first {held} octets were worked on")
    lost = sum(isinstance(item, Gap) for item in items)
    if lost:
        notes.append(f"could not hear {lost} time(s) in between")
    failed: CommandError | None = None
    if save is not None and found.table is not None:
        from benchtool.frames.protocol_file import to_toml

        try:
            write_text(save, to_toml(found.table))
        except CommandError as error:
            failed = error  # told once the result was shown
    saved = save if found.table is not None and failed is None else None
    if as_json:
        made: dict[str, Any] = {**explored_object(found), "tap": tap_object(info), "notes": notes, "saved": saved}
        click.echo(json.dumps(made, indent=2))
    else:
        click.echo(tap_line(info))
        for note in notes:
            click.echo(note)
        click.echo("\n".join(explored_text(found)))
        if saved is not None:
            click.echo(f"saved: {saved}; use it with listen or diagnose --protocol {saved}", err=True)
    if failed is not None:
        raise failed
    if save is not None and found.table is None:
        raise CommandError(f"--save {save}: nothing was learned that tells where a frame begins or ends", Exit.INPUT)
    if session.failure is not None:
        raise session.failure
    if strict and not _proved(found):
        sys.exit(Exit.FAULT)


def _proved(found: Explored) -> bool:
    return found.check.best is not None and found.check.best.proved


def _known(figures: Figures) -> list[str]:
    """What to say where the bus speaks a protocol that is decoded already."""
    counts, octets = figures.frames_ok, figures.octets
    if not counts or octets == 0 or (octets - figures.unknown_octets) / octets < _KNOWN_SHARE:
        return []
    protocol = max(counts, key=lambda one: counts[one])
    text = f"this bus speaks {protocol.value}: {counts[protocol]} sound frames"
    return [f"{text}; benchtool listen decodes it without a table"]
