"""`benchtool site report`: the page that is handed over, from the record and from captures of its buses."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.outputs import check_page, overwrite_option, write_text
from benchtool.commands.site_file import read_site, read_text

if TYPE_CHECKING:
    from benchtool.install.record import Bus, Record
    from benchtool.reports.site_heard import Heard


@click.command("report")
@click.argument("site", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--out", required=True, metavar="PAGE", help="Where the page goes; its name ends in .html.")
@click.option(
    "--capture",
    "captures",
    multiple=True,
    metavar="[BUS=]FILE",
    help="A capture of a bus, for errors and reply times; again for each. BUS: its id, where there are several.",
)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="To be printed on.")
@click.option("--for-sharing", is_flag=True, help="Hide serial numbers, network addresses and names of people.")
@click.option(
    "--show-secrets",
    is_flag=True,
    help="Leave notes as they were typed: else what looks like a card number or code is hidden. Keys always are.",
)
@overwrite_option("a page that is")
@click.option("--date", "day", metavar="DAY", help="Day on the page, as 2026-03-14; today if not said.")
def command(
    site: Path,
    out: str,
    captures: tuple[str, ...],
    paper: str,
    for_sharing: bool,
    show_secrets: bool,
    overwrite: bool,
    day: str | None,
) -> None:
    """Make the page that is handed over: the record in SITE as one HTML file, to be read and printed anywhere.

    On it: each bus as a line diagram, schedule of devices and connectors, voltages at worst load, the checks, what was
    measured, visits, open items, cautions, lines to sign. What the record does not say is told as missing.

    \b
    Examples:
      benchtool site report depot.toml --out depot.html
      benchtool site report depot.toml --out depot.html --capture visit.pcapng --paper letter
      benchtool site report depot.toml --out depot.html --capture bus-1=ground.pcapng --capture bus-2=upper.pcapng
      benchtool site report depot.toml --out forum.html --for-sharing
    """
    from benchtool.install.checks import check
    from benchtool.install.view import view_of
    from benchtool.reports.site_html import Wanted, site_html
    from benchtool.reports.site_values import state

    check_page(out, "--out", overwrite=overwrite, reads=(str(site),))
    loaded = read_site(site)
    heard = [_listened(loaded.record, word) for word in captures]
    checked = check(loaded)
    digest = hashlib.sha256(read_text(site).encode("utf-8")).hexdigest()[:12]
    wanted = Wanted(
        _day(day), f"{site.name} (SHA-256 begins {digest})", paper=paper, secrets=show_secrets, sharing=for_sharing
    )
    write_text(out, site_html(view_of(loaded), checked, heard, wanted))
    click.echo(f"{out}: written. {state(checked)}.")
    if for_sharing:
        click.echo("note: read it before you share it: notes and names may tell more than is meant", err=True)
    elif show_secrets:
        click.echo("note: notes stand in it as they were typed, codes included: keep it as you keep keys", err=True)


def _day(day: str | None) -> str:
    if day is None:
        return datetime.now().astimezone().date().isoformat()
    try:
        return date.fromisoformat(day).isoformat()
    except ValueError:
        raise CommandError(f"--date {day}: a day is wanted, as 2026-03-14", Exit.USAGE) from None


def _listened(record: Record, word: str) -> Heard:
    """A capture read through, as `listen` does, with the bus it was taken at."""
    from benchtool.commands.options import tap_for
    from benchtool.commands.session import Session, end_progress, progress_line
    from benchtool.frames.decoders import NAMED, Spoken
    from benchtool.reports.site_heard import Heard

    bus, file = _bus_and_file(record, word)
    protocol = bus.protocol if bus is not None else None
    spoken = Spoken(name=protocol) if protocol in NAMED else Spoken()
    notices: list[str] = []
    progress = progress_line()
    session = Session(
        tap_for(file, None, None, None, spoken, notices.append),
        on_notice=notices.append,
        progress=progress,
        make_decoder=spoken.decoder,
    )
    session.run()
    end_progress(progress)
    if session.stopped_by_user:
        notices.append("Reading was stopped before the end of the file: only its beginning is counted.")
    if session.failure is not None:
        notices.append(f"Reading ended early: {session.failure.message}.")
    info = session.tap.info
    day = datetime.fromtimestamp(info.anchor_ns / 1e9, UTC).strftime("%Y-%m-%d %H:%M UTC") if info.anchor_ns else ""
    figures = session.tally.figures(session.decoder.counters)
    return Heard(Path(file).name, bus, info, figures, day, tuple(notices))


def _bus_and_file(record: Record, word: str) -> tuple[Bus | None, str]:
    name, equals, rest = word.partition("=")
    bus = next((one for one in record.bus if one.id == name), None) if equals else None
    file = word if bus is None else rest
    if not Path(file).is_file():
        known = ", ".join(one.id for one in record.bus) or "none"
        more = f", or no bus is called {name}; there are: {known}" if equals and bus is None else ""
        raise CommandError(f"--capture {word}: no such file{more}", Exit.INPUT)
    if bus is None and len(record.bus) > 1:
        ids = ", ".join(one.id for one in record.bus)
        raise CommandError(
            f"--capture {word}: of which bus? write {record.bus[0].id}={file}; there are: {ids}", Exit.USAGE
        )
    if bus is None and record.bus:
        bus = record.bus[0]
    return bus, file
