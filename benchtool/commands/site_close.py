"""`benchtool site close`: the list before closing, ticked with time and reading; each tick is in the file at once."""

from __future__ import annotations

import json
import math
import sys
from datetime import datetime
from pathlib import Path

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.site_ask import Asker, make_asker, say, say_keys
from benchtool.commands.site_file import read_site, read_text, write_text
from benchtool.install.closing import Point, State, last_ticks, points_of, state_of
from benchtool.install.closing_bands import Band, Unknown, reading_of
from benchtool.install.load import RecordError, load
from benchtool.install.record import Record, Tick
from benchtool.install.save import with_entry
from benchtool.install.view import view_of
from benchtool.reports.site_closing_text import list_lines, point_lines, point_values, summary_lines

KEYS = (
    *("y or the reading: done", "y; words: done, with a note", "; words: a note, still open"),
    *("Enter: later", "?: explain", "<: back", ".: leave"),
)


@click.command("close", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--list", "only_list", is_flag=True, help="Print the list with what is done; ask nothing.")
@click.option("--json", "as_json", is_flag=True, help="Print the list as one JSON object; ask nothing.")
@click.option("--by", metavar="NAME", help="Who ticks; noted with each point.")
@click.option("--again", is_flag=True, help="Ask for points that are done too.")
@click.option("--strict", is_flag=True, help="Exit code 1 where a point is open or outside its band.")
def command(file: Path, only_list: bool, as_json: bool, by: str | None, again: bool, strict: bool) -> None:
    """Go through the list before the covers are closed: made from the record, with the figures that are right here.

    Bands are computed for this bus: cable, end-of-line resistors, bias, supplies as recorded. Ticks are kept in FILE,
    so stop when you like and go on later.

    \b
      benchtool site close depot.toml --by K
      benchtool site close depot.toml --list
    """
    closing = Closing(file, make_asker(), by, again)
    if as_json:
        values = [point_values(point, closing.ticks) for point in closing.points]
        click.echo(json.dumps({"site": closing.record.site.name, "points": values}))
    elif only_list:
        say("\n".join(list_lines(closing.points, closing.ticks)))
        click.echo()
    else:
        closing.run()
    if not as_json:
        say("\n".join(summary_lines(closing.points, closing.ticks)))
    if strict and any(state_of(point, closing.ticks) is not State.DONE for point in closing.points):
        sys.exit(int(Exit.FAULT))


def now() -> str:
    """The time of a tick: local, to the minute."""
    return datetime.now().strftime("%Y-%m-%d %H:%M")


class Closing:
    """The talk with the person. Every tick is in the file before the next point."""

    def __init__(self, path: Path, asker: Asker, by: str | None, again: bool) -> None:
        self.path = path
        self.asker = asker
        self.by = by
        self.again = again
        loaded = read_site(path)
        self.record: Record = loaded.record
        self.points = points_of(view_of(loaded))
        self.ticks = last_ticks(self.record)
        self._group = self._told = ""
        self._asked: Point | None = None
        """The point that was shown last: after a refusal it is not shown again."""

    def run(self) -> None:
        """Ask point by point, until the end or until the person leaves."""
        say_keys(KEYS)
        place, gone_back = 0, False
        shown: list[int] = []
        try:
            while place < len(self.points):
                point = self.points[place]
                state = state_of(point, self.ticks)
                if state is State.MISSING or (state is State.DONE and not self.again and not gone_back):
                    place += 1
                    continue
                typed = self._ask(point)
                if typed == ".":
                    break
                if typed == "<":
                    place, gone_back = (shown.pop(), True) if shown else (place, gone_back)
                    self._group, self._asked = "", None
                    continue
                if typed == "?":
                    say("\n".join(f"    {line}" for line in _explained(point)))
                elif self._take(point, typed):
                    shown.append(place)
                    place, gone_back = place + 1, False
        except (EOFError, KeyboardInterrupt):
            click.echo()
        click.echo()

    def _ask(self, point: Point) -> str:
        if point.group != self._group:
            self._group, self._told = point.group, ""
            say(f"\n{point.group}")
        if point.caution and point.caution != self._told:
            self._told = point.caution
            say(f"  CAUTION: {point.caution}")
        if point is not self._asked:
            self._asked = point
            say("\n".join(f"  {line}" for line in point_lines(point, self.ticks)))
        wanted = f"reading in {point.unit}" if point.unit else "done? y"
        return self.asker.ask(f"      {wanted} (Enter: later): ", () if point.unit else ("y",)).strip()

    def _take(self, point: Point, typed: str) -> bool:
        """Note an answer; False where it cannot be taken, and the point is asked again."""
        said, _, note = (part.strip() for part in typed.partition(";"))
        if not said and not note:
            return True
        if not said:
            click.echo("    noted; the point stays as it was")
            return self._keep(Tick(item=point.item, at=now(), by=self.by, note=note, done=False))
        reading = None
        if point.unit:
            value = reading_of(said, point.unit)
            if value is None:
                wanted = f"a reading in {point.unit} is wanted, as {_example(point.unit)}, not {said!r}"
                say(f"    not taken: {wanted}. A note alone: ; words")
                return False
            reading = _written(value, point.unit)
            if isinstance(point.band, Band) and not point.band.holds(value):
                outside = f"outside {point.band}"
                say(f"    {reading} is {outside}: noted as that. Look for the cause before you close.")
                note = f"{outside}; {note}" if note else outside
        elif said.lower() not in ("y", "yes", "ok", "done"):
            say(f"    not taken: y for done, Enter for later, ; and words for a note alone, not {typed!r}")
            return False
        return self._keep(Tick(item=point.item, at=now(), by=self.by, reading=reading, note=note or None))

    def _keep(self, tick: Tick) -> bool:
        """Put a tick into the file."""
        try:
            text = with_entry(read_text(self.path), ("tick",), tick)
            after = load(text).record
        except (RecordError, ValueError) as error:
            raise CommandError(f"{self.path} was changed meanwhile and is no record now: {error}", Exit.INPUT) from None
        write_text(self.path, text)
        self.ticks = last_ticks(after)
        return True


def _written(value: float, unit: str) -> str:
    if math.isinf(value):
        return "open"
    return f"{value * 1000:g} mV" if unit == "V" and abs(value) < 1 else f"{value:g} {unit}"


def _example(unit: str) -> str:
    return "61, 1.2 kohm or open" if unit == "ohm" else "12.6 or 254 mV"


def _explained(point: Point) -> list[str]:
    if isinstance(point.band, Band):
        return [f"should read {point.band}, from the record with:", *(f"  {line}" for line in point.band.basis)]
    if isinstance(point.band, Unknown):
        return [f"its band cannot be computed: {point.band.why}", "a reading is noted all the same"]
    return [
        f"{point.item}: {point.words}",
        "y when you have seen it yourself; y; words adds a note, ; words alone is a note and leaves it open",
    ]
