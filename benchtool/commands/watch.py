"""`benchtool watch`: one live screen of a bus: how it does, who is on it, what is wrong, what to do next."""

from __future__ import annotations

import os
import re
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import (
    check_recording,
    listening_line_options,
    protocol_option,
    read_protocol,
    record_options,
    tap_failed,
    tap_for,
    time_option,
)
from benchtool.commands.osdp_keys import key_file_caution, osdp_key_option, read_keys
from benchtool.commands.outputs import is_there
from benchtool.taps.tap import Tap, TapError

if TYPE_CHECKING:
    from benchtool.screens.watch_desk import Desk
    from benchtool.screens.watch_glyphs import Glyphs
    from benchtool.screens.watch_pump import Pump

_WITHOUT = "benchtool listen prints lines, --still 80x24 one picture of the screen"
_SIZE = re.compile(r"(\d{1,4})[xX](\d{1,4})", re.ASCII)
_MOST = 999
_STILL_S = 20.0
"""So much bus time goes into a still picture where nobody says, and there is no end."""


@click.command("watch")
@click.argument("tap")
@listening_line_options
@time_option("Stop listening after this time (of bus time); the screen stays.")
@record_options
@osdp_key_option
@protocol_option
@click.option("--speed", type=click.FloatRange(0, 1000), default=1.0, help="Of a capture or simulated bus; 0: full.")
@click.option("--show-cards", is_flag=True, help="Show card numbers, typed digits and keys, which are hidden else.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw with plain ASCII only.")
@click.option("--mouse", is_flag=True, help="Take the mouse too; the terminal then selects no text by itself.")
@click.option("--still", metavar="80x24", help="Print one picture of that size: of a whole capture, else of 20 s.")
def command(
    tap: str,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    record: str | None,
    overwrite: bool,
    osdp_key: str | None,
    protocol: str | None,
    speed: float,
    show_cards: bool,
    ascii_only: bool,
    mouse: bool,
    still: str | None,
) -> None:
    """Watch the bus at TAP on one screen: state, devices, traffic, what is wrong, what to measure next.

    Listening never transmits. All keys stand at the bottom; ? explains them. q or Ctrl-C ends it and sums up. A
    recording holds card data as sent: keep it as you keep keys. docs/watch.md

    \b
    Examples:
      benchtool watch sim:demo
      benchtool watch "sim:demo?fault=noise-broadband"
      benchtool watch /dev/ttyUSB0 --baud 9600 --record visit.pcapng
      benchtool watch visit.pcapng --speed 4
      benchtool watch sim:demo --for 12s --still 80x24
    """
    from benchtool.reports.signs import draws_blocks
    from benchtool.screens.watch_glyphs import ASCII, BLOCKS
    from benchtool.screens.watch_pace import FULL

    size = _size(still)
    if size is None and not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise CommandError(f"watch needs a terminal; {_WITHOUT}", Exit.USAGE)
    if size is None and (term := os.environ.get("TERM", "")) in ("dumb", "unknown"):
        raise CommandError(f"this terminal (TERM={term}) cannot be drawn on; {_WITHOUT}", Exit.USAGE)
    check_recording(record, tap)
    plain = ascii_only or not draws_blocks(sys.stdout.encoding, os.environ)
    if size and not seconds and not Path(tap).is_file():
        seconds = _STILL_S
    pump, desk = _prepared(
        tap, baud, char_format, seconds, osdp_key, protocol, show_cards,
        FULL if size else speed, ASCII if plain else BLOCKS,
    )  # fmt: skip
    try:
        pump.open()
    except TapError as error:
        raise tap_failed(error) from None
    if record is not None and Path(record).exists() and not overwrite:
        pump.finish()
        raise is_there("--record", record)
    if record is not None and (refused := pump.record(record, overwrite=overwrite)):
        pump.finish()
        raise CommandError(refused, Exit.OUTPUT)
    if size is not None:
        _still(pump, desk, size, ASCII if plain else BLOCKS)
    else:
        _screen(pump, desk, ASCII if plain else BLOCKS, mouse=mouse)
        from benchtool.screens.watch_summary import summary_lines

        click.echo("\n".join(summary_lines(pump, min(shutil.get_terminal_size().columns, 100))))
    if pump.broken is not None:
        raise pump.broken
    if isinstance(pump.failure, TapError):
        raise tap_failed(pump.failure)
    if pump.failure is not None:
        raise CommandError(str(pump.failure), Exit.OUTPUT)


def _size(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    from benchtool.screens.watch_view import SMALLEST

    match = _SIZE.fullmatch(text.strip())
    size = (int(match[1]), int(match[2])) if match is not None else (0, 0)
    if not all(least <= one <= _MOST for least, one in zip(SMALLEST, size, strict=True)):
        least = f"{SMALLEST[0]}x{SMALLEST[1]}"
        raise click.UsageError(
            f"--still {text}: columns and rows are wanted, {least} to {_MOST}x{_MOST}, such as 80x24."
        )
    return size


def _prepared(
    address: str,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    osdp_key: str | None,
    protocol: str | None,
    show_cards: bool,
    speed: float,
    glyphs: Glyphs,
) -> tuple[Pump, Desk]:
    """Everything but the terminal."""
    from benchtool.screens.watch_desk import Desk
    from benchtool.screens.watch_diagnosis import Worker
    from benchtool.screens.watch_look import Look
    from benchtool.screens.watch_pace import Pace
    from benchtool.screens.watch_pump import Pump
    from benchtool.screens.watch_source import Source
    from benchtool.screens.watch_state import Model

    spoken, keys = read_protocol(protocol), read_keys(osdp_key)
    if (caution := key_file_caution(osdp_key)) is not None:
        click.echo(f"note: {caution}", err=True)
    first = tap_for(address, baud, char_format, seconds, spoken, lambda line: click.echo(f"note: {line}", err=True))

    def opener(where: str, settings: LineSettings | None) -> Tap:
        from benchtool.taps.address import open_tap

        # The first is set as the options say, and as --baud auto found; later ones as the user sets them then.
        return first if settings is None else open_tap(where, settings)

    settings = None
    if address.startswith("sim:") and (baud is not None or char_format is not None):
        with first:
            settings = first.info.settings
    look = Look(show_secrets=show_cards)
    model, pace = Model(spoken, keys), Pace(speed)
    worker = Worker(model.take_found)
    source = Source(address, settings, pace, opener)
    pump = Pump(model, source, pace, worker, seconds=seconds, tell=look.tell, show_secrets=show_cards)
    return pump, Desk(model, look, pump, glyphs=glyphs)


def _screen(pump: Pump, desk: Desk, glyphs: Glyphs, *, mouse: bool) -> None:
    from benchtool.screens.watch_app import make_app, run_app

    app = make_app(desk, glyphs, mouse=mouse, plain=bool(os.environ.get("NO_COLOR")))
    pump.worker.start()
    pump.start()
    try:
        run_app(app)
    except (KeyboardInterrupt, EOFError):
        pass  # as q
    finally:
        pump.finish()


def _still(pump: Pump, desk: Desk, size: tuple[int, int], glyphs: Glyphs) -> None:
    from benchtool.screens.watch_app import Canvas

    canvas = Canvas(desk, glyphs)
    shown = ""
    try:
        while not pump.closed and pump.failure is None:
            pump.step()
            if sys.stderr.isatty() and (said := _reached(pump)) != shown:
                sys.stderr.write(f"\r{said} ")
                sys.stderr.flush()
                shown = said
    except KeyboardInterrupt:
        pass  # what was heard until then
    finally:
        if shown:
            sys.stderr.write(f"\r{' ' * (len(shown) + 1)}\r")
            sys.stderr.flush()
    pump.settle()
    desk.look.painted, desk.look.message = pump.model.rows.end, ""  # nobody looked on
    for line in canvas.paint(*size):
        click.echo("".join(text for _, text in line).rstrip())
    pump.finish()


def _reached(pump: Pump) -> str:
    """How far a still picture is, in few enough words that they need not be drawn often."""
    share = pump.model.share
    done = f"listening: {pump.model.now_ns // 1_000_000_000} s" if share is None else f"reading: {share:.0%}"
    return f"{done} (Ctrl-C: the picture of what was heard)"
