"""`benchtool listen`: the traffic at a tap, one line a frame, and a summary."""

from __future__ import annotations

import json
from typing import Any

import click

from benchtool.capture.chunk import Gap, Item, LineCounts
from benchtool.capture.settings import CharFormat
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import check_recording, line_options, record_options, tap_for, time_option
from benchtool.frames.frame import Frame
from benchtool.taps.tap import Tap


class _Filter:
    """Which frames are shown: `errors`, addresses, or both."""

    def __init__(self, words: tuple[str, ...]) -> None:
        self.errors = False
        self.addresses: set[int] = set()
        for word in (part for entry in words for part in entry.replace(",", " ").split()):
            if word == "errors":
                self.errors = True
            elif word.isdigit() and int(word) <= 255:
                self.addresses.add(int(word))
            else:
                raise CommandError(f"--only {word}: write 'errors' or an address (0 to 255)", Exit.USAGE)

    def wants(self, frame: Frame) -> bool:
        if self.errors and frame.ok and not frame.marks:
            return False
        return not self.addresses or frame.address in self.addresses


@click.command("listen")
@click.argument("tap")
@line_options
@time_option("Stop after this time (of bus time on a simulated bus or a file).")
@record_options
@click.option(
    "--only", "only", multiple=True, metavar="WHAT", help="Show only 'errors', or only an address; may be repeated."
)
@click.option(
    "--octets",
    "show_octets",
    is_flag=True,
    help="Show octets; secrets in them are hidden where known, but an unknown span may hold one.",
)
@click.option("--wide", is_flag=True, help="Do not cut long lines at the edge of the terminal.")
@click.option("--show-cards", is_flag=True, help="Show card numbers, typed digits and keys, which are hidden else.")
@click.option(
    "--json",
    "as_json",
    is_flag=True,
    help="Print one JSON object a line (docs/json.md); its octets are raw, secrets included.",
)
def command(
    tap: str,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    record: str | None,
    overwrite: bool,
    only: tuple[str, ...],
    show_octets: bool,
    wide: bool,
    show_cards: bool,
    as_json: bool,
) -> None:
    """Show the traffic at TAP, one line a frame, and a summary at the end or on Ctrl-C.

    Listening never transmits. Each line: time, silence before, who, verdict, what it is and says.
    An arrow -> goes to a device, <- comes from it. A recording holds card data as sent: keep it as you keep keys.

    \b
    Examples:
      benchtool listen sim:demo
      benchtool listen "sim:demo?fault=noise-broadband" --only errors
      benchtool listen /dev/ttyUSB0 --baud 9600 --for 30s --record visit.pcapng
      benchtool listen visit.pcapng --only 5 --json
    """
    from benchtool.commands.session import Session, terminal_width
    from benchtool.reports import frame_text

    check_recording(record, tap)
    wanted = _Filter(only)
    width = None if wide else terminal_width()

    def out(made: dict[str, Any]) -> None:
        click.echo(json.dumps(made, separators=(",", ":")))

    def opened(open_tap: Tap) -> None:
        if as_json:
            out(frame_text.tap_object(open_tap.info))
        else:
            click.echo(frame_text.tap_line(open_tap.info))
            click.echo(frame_text.HEADER)

    def on_frame(frame: Frame) -> None:
        if not wanted.wants(frame):
            return
        if as_json:
            out(frame_text.frame_object(frame, show_secrets=show_cards))
        else:
            click.echo(frame_text.frame_line(frame, show_secrets=show_cards, show_octets=show_octets, width=width))

    def on_item(item: Item) -> None:
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
        tap_for(tap, baud, char_format, seconds),
        seconds=seconds,
        record=record,
        overwrite=overwrite,
        on_item=on_item,
        on_frame=on_frame,
        on_notice=on_notice,
    )
    session.run(opened)
    figures = session.tally.figures(session.decoder.counters)
    if as_json:
        out({"kind": "summary", "stopped_by_user": session.stopped_by_user, **frame_text.figures_object(figures)})
    else:
        click.echo("")
        click.echo("\n".join(frame_text.figures_text(figures)))
        if figures.octets == 0:
            click.echo("nothing was heard: is the controller on, and the clip on the right pair? (benchtool diagnose)")
        unheard = wanted.addresses - {row.address for row in figures.addresses}
        if figures.octets and unheard:
            click.echo(f"never heard of: address {', '.join(map(str, sorted(unheard)))}")
        if record is not None:
            click.echo(f"recorded in {record}: raw octets, card data included")
    if session.failure is not None:
        raise session.failure
