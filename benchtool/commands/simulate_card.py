"""`benchtool simulate card`: stand in for a reader on D0 and D1, through the card-line probe."""

from __future__ import annotations

import json
import re
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from benchtool.commands.card_options import read_tables, table_option
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import Duration, tap_failed
from benchtool.taps.tap import TapError

if TYPE_CHECKING:
    from benchtool.frames.card.bits import Bits
    from benchtool.frames.card.formats import CardFormat
    from benchtool.taps.probe_emit import Emitted, ProbeEmitter

_TIME = re.compile(r"(\d+(?:\.\d+)?)\s*(us|µs|ms|s)?")
_MICROSECONDS = {"us": 1, "µs": 1, None: 1, "ms": 1000, "s": 1_000_000}
_CANNOT_READ = "give bits, hex with its length (HEX/26), or SITE,NUMBER or the printed number with --format"

_LOOK_S = 0.3
"""How long it is listened for somebody else before anything is emitted."""
_EXCHANGED = str.maketrans("01", "10")


class Micros(click.ParamType):  # type: ignore[type-arg]  # generic only in newer releases of click
    """`50us`, `1ms` or plain microseconds; gives whole microseconds."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Whole microseconds."""
        if isinstance(value, int):
            return value
        match = _TIME.fullmatch(str(value).strip().lower())
        if match is None:
            self.fail(f"'{value}' is not a time; write 50us, 1ms or plain microseconds", param, ctx)
        return round(float(match[1]) * _MICROSECONDS[match[2]])


@dataclass(frozen=True, slots=True)
class _Frame:
    """One frame to emit, and what it may be called."""

    bits: Bits
    name: str


@click.command("card")
@click.argument("value", nargs=-1)
@click.option("--port", required=True, metavar="PORT", help="The probe: probe:/dev/ttyACM0.")
@click.option("--transmit", is_flag=True, help="Yes, emit on these lines. Needed: on a live installation doors open.")
@click.option("--site", type=click.IntRange(0), metavar="CODE", help="Site code, with --format and --number.")
@click.option("--number", type=click.IntRange(0), metavar="NUMBER", help="Card number, with --format.")
@click.option("--format", "format_name", metavar="NAME", help='The card format, as "26-bit" or "37-bit 16+19".')
@table_option
@click.option(
    "--reads", "reads_file", type=click.Path(dir_okay=False), metavar="FILE", help="Emit every read of this file."
)
@click.option("--width", type=Micros(), default="50us", show_default=True, metavar="50us", help="How long a pulse is.")
@click.option(
    "--spacing", type=Micros(), default="1ms", show_default=True, metavar="1ms", help="From pulse to pulse, beginnings."
)
@click.option("--repeat", type=click.IntRange(1), default=1, show_default=True, help="How often each card is shown.")
@click.option("--every", type=Duration(), default=1.0, show_default="1s", metavar="1s", help="From card to card.")
@click.option("--anyway", is_flag=True, help="Emit though a line is low or somebody else talks on the lines.")
@click.option("--strict", is_flag=True, help="Exit code 1 if the lines did not follow what was emitted.")
@click.option("--show-cards", is_flag=True, help="Show bits, which are hidden else.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a line.")
def command(value: tuple[str, ...], port: str, transmit: bool, **options: Any) -> None:
    """Show a card to a controller: emit a frame on D0 and D1 through the probe (docs/probe.md).

    VALUE is bits, hex with its length, SITE,NUMBER or a printed number with --format; or give --site and --number, or a
    file of reads. The probe sees what it emits: it is said whether the lines followed. The published limits are 20 to
    100 us for a pulse and 200 us to 20 ms from pulse to pulse; others can be set, to try what a controller takes.

    CAUTION: this transmits, and a card that the controller knows opens its door. Only on systems that you are allowed
    to test. Take the real reader off D0 and D1 first, and keep escape routes open. What is typed here stands in the
    shell's history: a file of reads does not.

    \b
    Examples:
      benchtool simulate card --port probe:/dev/ttyACM0 --transmit --format 26-bit --site 101 --number 4095
      benchtool simulate card 0CA1FFF/26 --port probe:/dev/ttyACM0 --transmit --width 80us --spacing 2ms
      benchtool simulate card --port probe:/dev/ttyACM0 --transmit --reads cards.txt --repeat 10 --every 2s
    """
    from benchtool.taps.probe_emit import ProbeEmitter, why_not

    frames = _frames(value, options)
    width, spacing = options["width"], options["spacing"]
    for frame in frames:
        problem = why_not(frame.bits.text, width, spacing)
        if problem:
            raise CommandError(problem, Exit.USAGE)
    if not transmit:
        raise CommandError(
            "this emits on the card lines, and a card that the controller knows opens its door; if that is wanted and "
            "allowed, add --transmit",
            Exit.USAGE,
        )
    for limit in _outside(width, spacing):
        click.echo(f"note: {limit}", err=True)
    try:
        with ProbeEmitter(port) as probe:
            run = _Run(probe, frames, options)
            if not options["anyway"]:
                run.look_first()
            run.go()
    except TapError as error:
        raise tap_failed(error) from None
    run.summary()
    if options["strict"] and run.followed < run.sent:
        raise CommandError(f"{run.sent - run.followed} of {run.sent} frames were not seen back right", Exit.FAULT)


class _Run:
    """Emitting frames one after the other, and telling it."""

    def __init__(self, probe: ProbeEmitter, frames: list[_Frame], options: dict[str, Any]) -> None:
        self._probe = probe
        self._frames = frames
        self._options = options
        self.sent = 0
        self.followed = 0
        self.stopped = False

    def look_first(self) -> None:
        """CommandError where a line is low, or pulses come from somebody else."""
        from benchtool.taps.probe import Ask
        from benchtool.taps.probe_protocol import LEVELS, Edges

        levels = LEVELS.get(self._probe.ask(Ask.LEVELS), (False, False))
        low = " and ".join(name for name, high in zip(("D0", "D1"), levels, strict=True) if not high)
        if low:
            raise CommandError(
                f"{low} low: no pull-up, no common ground, or not connected (benchtool probe check); --anyway emits",
                Exit.TAP,
            )
        end = time.monotonic() + _LOOK_S
        while (left := end - time.monotonic()) > 0:
            if any(isinstance(event, Edges) for event in self._probe.events(left)):
                raise CommandError(
                    "somebody else talks on these lines: take the real reader off D0 and D1 first; --anyway emits",
                    Exit.TAP,
                )

    def go(self) -> None:
        """Emit all; Ctrl-C ends it between two frames or lets the lines go within one."""
        due = time.monotonic()
        count = len(self._frames) * self._options["repeat"]
        try:
            for frame in self._frames:
                for _ in range(self._options["repeat"]):
                    while (left := due - time.monotonic()) > 0:
                        self._probe.events(left)
                    due = time.monotonic() + self._options["every"]
                    emitted = self._probe.send(frame.bits.text, self._options["width"], self._options["spacing"])
                    self.sent += 1
                    self._tell(frame, emitted, count)
        except KeyboardInterrupt:
            self.stopped = True
            self._probe.stop()

    def _tell(self, frame: _Frame, emitted: Emitted, count: int) -> None:
        right = emitted.bits == frame.bits.text
        self.followed += right
        if self._options["as_json"]:
            told: dict[str, Any] = {
                "kind": "sent",
                "card": frame.name,
                "length": frame.bits.length,
                "pulses_seen": len(emitted.bits),
                "followed": right,
                "gap": emitted.gap,
            }
            if self._options["show_cards"]:
                told |= {"bits": frame.bits.text, "seen": emitted.bits}
            click.echo(json.dumps(told))
            return
        shown = f" {frame.bits.text}" if self._options["show_cards"] else " •••"
        click.echo(f"{self.sent} of {count}: {frame.name}{shown}, {frame.bits.length} bits; {_seen(frame, emitted)}")

    def summary(self) -> None:
        """What was done."""
        if self._options["as_json"]:
            summary = {"kind": "summary", "sent": self.sent, "followed": self.followed, "stopped": self.stopped}
            click.echo(json.dumps(summary))
        elif self.stopped:
            click.echo(f"stopped: {self.sent} frames emitted, the lines let go")


def _seen(frame: _Frame, emitted: Emitted) -> str:
    wanted, seen = frame.bits.text, emitted.bits
    if seen == wanted:
        return "seen back right"
    if emitted.gap:
        return "emitted; what came back was lost in part on the way"
    if not seen:
        return "NOT seen back: is the emit jumper in, are transistors and ground connected?"
    if seen == wanted.translate(_EXCHANGED):
        return "seen back EXCHANGED: D0's transistor pulls the wire of D1's input, and the other way round"
    for line, name in enumerate(("D0", "D1")):
        if seen == wanted.replace(str(line), ""):
            return f"seen back without the pulses of {name}: its transistor, its wire, or its input"
    return f"seen back WRONG: {len(seen)} pulses (somebody else on the lines, or the lines do not rise in time)"


def _outside(width: int, spacing: int) -> list[str]:
    """What is outside the published limits (reference sheet 6.1)."""
    notes = []
    if not 20 <= width <= 100:
        notes.append(f"pulses of {width} us are outside the published 20 to 100 us")
    if not 200 <= spacing <= 20_000:
        notes.append(f"a spacing of {spacing} us is outside the published 200 us to 20 ms")
    return notes


def _frames(value: tuple[str, ...], options: dict[str, Any]) -> list[_Frame]:
    """What is to be emitted; CommandError without the card where it cannot be."""
    given = [bool(value), options["number"] is not None, options["reads_file"] is not None]
    if sum(given) != 1:
        raise CommandError(
            "which card? Give one of: VALUE, --number with --format (and --site), --reads FILE", Exit.USAGE
        )
    if options["site"] is not None and options["number"] is None:
        raise CommandError("--site goes with --number and --format", Exit.USAGE)
    if options["reads_file"] is not None:
        return _read_file(options["reads_file"])
    row = _row(options["format_name"], read_tables(options["tables"]))
    return [_typed(" ".join(value), row) if value else _built(row, options["site"], options["number"])]


def _row(name: str | None, tables: tuple[CardFormat, ...]) -> CardFormat | None:
    from benchtool.frames.card.formats import FORMATS, find_formats

    if name is None:
        return None
    rows = find_formats(name, FORMATS + tables)
    if len(rows) == 1:
        return rows[0]
    known = ", ".join(f'"{row.name}"' for row in (rows or FORMATS + tables))
    raise CommandError(f"--format {name!r}: which one? {known}", Exit.USAGE)


def _built(row: CardFormat | None, site: int | None, number: int) -> _Frame:
    from benchtool.frames.card.build import build_bits

    if row is None:
        raise CommandError("--number needs its --format", Exit.USAGE)
    try:
        return _Frame(build_bits(row, site, number), row.name)
    except ValueError:
        raise CommandError(_cannot_carry(row, site), Exit.USAGE) from None


def _cannot_carry(row: CardFormat, site: int | None) -> str:
    """Why, without the numbers that were typed."""
    if row.site is None and site is not None:
        return f"{row.name} has no site code: leave --site out"
    sites = "" if row.site is None else f"site codes {row.site.lowest} to {row.site.highest} and "
    return f"{row.name} carries {sites}card numbers {row.number.lowest} to {row.number.highest}"


def _typed(typed: str, row: CardFormat | None) -> _Frame:
    from benchtool.frames.card.build import build_printed
    from benchtool.frames.card.entry import EntryError, parse_entry

    try:
        entry = parse_entry(typed)
    except EntryError:
        # Its own mend names options that are not here.
        raise CommandError(f"the value cannot be read as a card: {_CANNOT_READ}", Exit.USAGE) from None
    if entry.bits is not None:
        if row is not None and row.length != entry.bits.length:
            raise CommandError(f"{entry.bits.length} bits were given, and {row.name} has {row.length}", Exit.USAGE)
        return _Frame(entry.bits, row.name if row is not None else "bits as given")
    if row is None:
        raise CommandError(f"the value is a number, {entry.taken}: add its --format", Exit.USAGE)
    if entry.pair is not None:
        return _built(row, *entry.pair)
    assert entry.data is not None
    try:
        return _Frame(build_printed(row, entry.data), row.name)
    except ValueError:
        raise CommandError(_cannot_carry(row, None), Exit.USAGE) from None


def _read_file(path: str) -> list[_Frame]:
    from benchtool.capture.card_lines import LineRecord
    from benchtool.frames.card.pulses import PulseReader
    from benchtool.frames.card.read import CardRead
    from benchtool.taps.card_file import CardFile

    reads: list[CardRead] = []
    pulses = PulseReader()
    try:
        with CardFile(path) as source:
            while not source.ended:
                for item in source.read(0):
                    if isinstance(item, LineRecord):
                        reads += [burst.read for burst in pulses.feed(item) if burst.read is not None]
                    else:
                        reads.append(item)
            reads += [burst.read for burst in pulses.flush() if burst.read is not None]
    except TapError as error:
        raise tap_failed(error) from None
    if not reads:
        raise CommandError(f"{path}: no read of a card in it", Exit.INPUT)
    return [_Frame(read.bits, f"read {number}") for number, read in enumerate(reads, 1)]
