"""`benchtool listen`: the traffic at a tap, one line a frame, and a summary."""

from __future__ import annotations

import json
from typing import Any

import click

from benchtool.capture.chunk import Gap, Item, LineCounts
from benchtool.capture.settings import CharFormat
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import (
    check_recording,
    listening_line_options,
    protocol_option,
    read_protocol,
    record_options,
    tap_for,
    time_option,
)
from benchtool.commands.osdp_keys import key_file_caution, osdp_key_option, read_keys
from benchtool.frames.frame import Frame
from benchtool.frames.osdp.events import Event, Level
from benchtool.taps.tap import Tap


class _Filter:
    """Which frames are shown: `errors`, addresses, or both."""

    def __init__(self, words: tuple[str, ...]) -> None:
        self.errors = False
        self.addresses: set[int] = set()
        for word in (part for entry in words for part in entry.replace(",", " ").split()):
            if word == "errors":
                self.errors = True
            elif word.isascii() and word.isdigit() and int(word) <= 255:
                self.addresses.add(int(word))
            else:
                raise CommandError(f"--only {word}: write 'errors' or an address (0 to 255)", Exit.USAGE)

    def wants(self, frame: Frame) -> bool:
        if self.errors and frame.ok and not frame.marks:
            return False
        return not self.addresses or frame.address in self.addresses

    def wants_event(self, event: Event) -> bool:
        if self.errors and event.row.level is Level.NOTE:
            return False
        return not self.addresses or event.address in self.addresses


@click.command("listen")
@click.argument("tap")
@listening_line_options
@time_option("Stop after this time (of bus time on a simulated bus or a file).")
@record_options
@osdp_key_option
@protocol_option
@click.option(
    "--only", "only", multiple=True, metavar="WHAT", help="Show only 'errors', or only an address; may be repeated."
)
@click.option("--site", "site", metavar="FILE", help="The installation's record: names beside addresses at the end.")
@click.option("--bus", "bus_id", metavar="ID", help="With --site: which bus of the record, where it has several.")
@click.option(
    "--octets",
    "show_octets",
    is_flag=True,
    help="Show octets; dots for those that are secret or may be, and for check values that would tell them.",
)
@click.option("--wide", is_flag=True, help="Do not cut long lines at the edge of the terminal.")
@click.option(
    "--show-cards", is_flag=True, help="Show card numbers, typed digits, keys and all octets, which are hidden else."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line (docs/json.md).")
def command(
    tap: str,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    record: str | None,
    overwrite: bool,
    osdp_key: str | None,
    protocol: str | None,
    only: tuple[str, ...],
    site: str | None,
    bus_id: str | None,
    show_octets: bool,
    wide: bool,
    show_cards: bool,
    as_json: bool,
) -> None:
    """Show the traffic at TAP, one line a frame, and a summary at the end or on Ctrl-C.

    Listening never transmits. Each line: time, silence before, who, verdict, what it is and says.
    An arrow -> goes to a device, <- comes from it. A recording holds card data as sent: keep it as you keep keys.
    OSDP: a star is an event (a rule broken, a secure session, a security finding); the summary says what to do. Secure
    sessions are read with the default key, or with yours.

    \b
    Examples:
      benchtool listen sim:demo
      benchtool listen "sim:demo?fault=noise-broadband" --only errors
      benchtool listen /dev/ttyUSB0 --baud 9600 --for 30s --record visit.pcapng
      benchtool listen visit.pcapng --only 5 --json
      benchtool listen visit.pcapng --osdp-key site.keys
      benchtool listen /dev/ttyUSB0 --baud auto
      benchtool listen visit.pcapng --protocol unknown.toml
      benchtool listen /dev/ttyUSB0 --format 7E1 --protocol modbus-ascii
    """
    from benchtool.commands.session import Session, terminal_width
    from benchtool.measure.osdp_watch import OsdpWatch
    from benchtool.reports import frame_text, osdp_text

    check_recording(record, tap)
    if bus_id is not None and site is None:
        raise click.UsageError("--bus: name the record too, --site FILE.")
    names: dict[int, str] = {}
    if site is not None:
        from benchtool.commands.site_compare import on_bus
        from benchtool.reports.site_names import names_of

        names = names_of(*on_bus(site, bus_id))
    spoken = read_protocol(protocol)
    keys = read_keys(osdp_key)
    if (caution := key_file_caution(osdp_key)) is not None:
        click.echo(f"note: {caution}", err=True)
    watch: OsdpWatch | None = None
    lines = osdp_text.EventLines()
    wanted = _Filter(only)
    width = None if wide else terminal_width()

    def out(made: dict[str, Any]) -> None:
        click.echo(json.dumps(made, separators=(",", ":")))

    def opened(open_tap: Tap) -> None:
        nonlocal watch
        watch = OsdpWatch(open_tap.info, keys)
        if as_json:
            out(frame_text.tap_object(open_tap.info))
        else:
            click.echo(frame_text.tap_line(open_tap.info))
            click.echo(frame_text.HEADER)

    def on_frame(frame: Frame) -> None:
        assert watch is not None
        seen = watch.frame(frame)
        if wanted.wants(frame):
            meaning = osdp_text.meaning_of(frame, seen)
            if as_json:
                made = frame_text.frame_object(frame, meaning=meaning, show_secrets=show_cards)
                security = osdp_text.security_object(seen)
                out(made if security is None else {**made, "security": security})
            else:
                meaning = osdp_text.line_meaning(meaning, seen)
                click.echo(
                    frame_text.frame_line(
                        frame, meaning=meaning, show_secrets=show_cards, show_octets=show_octets, width=width
                    )
                )
        on_events(seen.events)

    def on_events(events: tuple[Event, ...]) -> None:
        for event in events:
            if not wanted.wants_event(event):
                continue
            if as_json:
                out(osdp_text.event_object(event))
                continue
            line = lines.line(event, width=width)
            if line is not None:
                click.echo(line)

    def on_item(item: Item) -> None:
        assert watch is not None
        watch.item(item)
        if isinstance(item, Gap):
            if as_json:
                out(frame_text.gap_object(item))
            else:
                click.echo(frame_text.gap_line(item))
        elif isinstance(item, LineCounts) and as_json:
            out(frame_text.counts_object(item))

    def on_notice(text: str) -> None:
        if as_json:
            out({"kind": "notice", "text": text})
        else:
            click.echo(f"note: {text}", err=True)

    session = Session(
        tap_for(tap, baud, char_format, seconds, spoken, on_notice),
        seconds=seconds,
        record=record,
        overwrite=overwrite,
        on_item=on_item,
        on_frame=on_frame,
        on_notice=on_notice,
        protocol=spoken.table,
        make_decoder=spoken.decoder,
    )
    session.run(opened)
    assert watch is not None
    on_events(watch.close(session.ended_ns))
    noticed = watch.figures()
    figures = session.tally.figures(session.decoder.counters)
    if as_json:
        made = frame_text.figures_object(figures)
        osdp = osdp_text.figures_object(noticed)
        if site is not None:
            made["names"] = {str(address): name for address, name in names.items()}
        out({"kind": "summary", "stopped_by_user": session.stopped_by_user, **made, "osdp": osdp})
    else:
        click.echo("")
        click.echo("\n".join(frame_text.figures_text(figures, terminal_width())))
        for address, name in names.items():
            click.echo(f"by the record, address {address}: {name}")
        for line in osdp_text.figures_text(noticed):
            click.echo(line)
        if figures.octets == 0:
            click.echo("nothing was heard: is the controller on, and the clip on the right pair? (benchtool diagnose)")
        unheard = wanted.addresses - {row.address for row in figures.addresses}
        if figures.octets and unheard:
            click.echo(f"never heard of: address {', '.join(map(str, sorted(unheard)))}")
        if session.recorded is not None:
            click.echo(session.recorded.text())
    if session.failure is not None:
        raise session.failure
