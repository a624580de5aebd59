"""`benchtool formats infer`: work out an unknown card format from reads, some with the number printed on the card."""

from __future__ import annotations

import io
import json
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.outputs import check_output, overwrite_option, write_text

if TYPE_CHECKING:
    from benchtool.explore.card_infer import Inferred
    from benchtool.explore.card_samples import CardSample

_NAME = re.compile(r"[\w .+-]{1,40}")
_MOST_READS = 5000
_TASTE = 4096


@click.command("infer", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("reads")
@click.option("--length", type=click.IntRange(1, 256), metavar="BITS", help="Bits of hex that says no length.")
@click.option("--save", metavar="FILE", help="Save the likeliest layout as a format table (.toml).")
@click.option("--name", default="unknown", metavar="NAME", help="What to call the format in the table.")
@overwrite_option("a table that is")
@click.option("--no-tables", is_flag=True, help="Do not prefer the groups of published formats.")
@click.option(
    "--all-sites", is_flag=True, help="There are no cards of other sites or batches: what never changed never will."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, without any card number.")
@click.option("--strict", is_flag=True, help="Exit code 1 unless the reads settle the layout.")
def command(
    reads: str,
    length: int | None,
    save: str | None,
    name: str,
    overwrite: bool,
    no_tables: bool,
    all_sites: bool,
    as_json: bool,
    strict: bool,
) -> None:
    """Work out an unknown card format from READS: parity groups, constant bits, card number, site code.

    READS is a file, or - for standard input: one read a line, bits or hex with its length, and after = the number
    printed on the card where you have it (site code,number too). # begins a comment. Cards of different numbers tell
    more than one card many times. What benchtool reads takes (edges or samples as CSV, a capture) is taken too, without
    printed numbers. The answer shows the structure only, never a card. Read cards that are yours, or that
    you were asked to test: a known format is what a copy of a card needs.

    \b
    A line of READS may be:
      10110010100010001111000110
      0CA1FFF/26 = 04095
      0CA1FFF/26 = 101,04095      # site code and number
    \b
    Examples:
      benchtool formats infer reads.txt
      benchtool formats infer reads.txt --save door.toml --name "front door"
      benchtool formats infer reads.txt --all-sites --strict
      benchtool formats infer - --json
    """
    if not _NAME.fullmatch(name) or not name.strip():
        raise click.UsageError("--name: up to 40 letters, digits, spaces, and . + - _ are wanted.")
    check_output(save, "--save", (".toml",), overwrite=overwrite, reads=(reads,))
    samples = _samples(reads, length)
    if len(samples) > _MOST_READS:
        raise CommandError(f"{reads}: more than {_MOST_READS} reads; a hundred tell all", Exit.INPUT)
    from benchtool.explore.card_infer import Verdict, infer
    from benchtool.reports.infer_text import inferred_object, inferred_text

    found = infer(samples, name=name, tables=not no_tables, all_sites=all_sites)
    if not found:
        different = len({sample.bits for sample in samples})
        raise CommandError(
            f"{reads}: {different} different read(s) are too few: at least 3 different cards of one length, of 8 bits"
            " or more, are needed, ten or more say something",
            Exit.INPUT,
        )
    failed: CommandError | None = None
    if save is not None:
        try:
            _save(save, found)
        except CommandError as error:
            failed = error  # told once the result was shown
    saved = save if failed is None else None
    if as_json:
        click.echo(
            json.dumps({"kind": "inferred formats", "saved": saved, "lengths": [inferred_object(f) for f in found]})
        )
    else:
        click.echo("\n\n".join("\n".join(inferred_text(one)) for one in found))
        if saved is not None:
            click.echo(f"saved: {saved} (structure only, no card in it)", err=True)
            if any(one.turned for one in found):
                click.echo("the table reads the bits as they came: of no use once what turns them is mended", err=True)
    if failed is not None:
        raise failed
    if strict and any(one.verdict is not Verdict.SETTLED for one in found):
        sys.exit(Exit.FAULT)


def _samples(reads: str, length: int | None) -> list[CardSample]:
    from benchtool.explore.card_reads import ReadsError, parse_reads

    if _is_source(reads):
        return _from_source(reads)
    try:
        if reads == "-":
            if isinstance(sys.stdin, io.TextIOWrapper):
                sys.stdin.reconfigure(errors="replace")
            lines = sys.stdin.readlines()
        else:
            lines = Path(reads).read_text(encoding="utf-8").splitlines()
    except OSError as error:
        raise CommandError(f"{reads}: {error.strerror or error}", Exit.INPUT) from None
    except UnicodeDecodeError:
        raise CommandError(f"{reads}: not a text file; one read a line is wanted", Exit.INPUT) from None
    try:
        samples = parse_reads(lines, length=length)
    except ReadsError as error:
        raise CommandError(f"{reads}: {error}", Exit.INPUT) from None
    if not samples:
        raise CommandError(f"{reads}: there are no reads in it; one a line is wanted, as bits or hex/26", Exit.INPUT)
    return samples


def _is_source(reads: str) -> bool:
    """Whether READS is a capture, edges or samples, or a simulated reader, rather than a list of reads."""
    from benchtool.taps.card_address import is_simulated_reader
    from benchtool.taps.card_file import is_capture, looks_like_table

    if is_simulated_reader(reads):
        return True
    if reads == "-" or not Path(reads).is_file():
        return False
    if is_capture(reads):
        return True
    try:
        with Path(reads).open(encoding="utf-8", errors="replace") as file:
            text = file.read(_TASTE)
    except OSError:
        return False  # told where it is read
    taste = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    return bool(taste) and ("," in taste[0] or ";" in taste[0]) and looks_like_table(taste[1:])


def _from_source(address: str) -> list[CardSample]:
    from benchtool.commands.options import tap_failed
    from benchtool.explore.card_samples import CardSample
    from benchtool.frames.card.pulses import PulseReader
    from benchtool.frames.card.read import CardRead
    from benchtool.taps.card_address import open_card_source
    from benchtool.taps.tap import TapError

    found: list[CardRead] = []
    try:
        with open_card_source(address) as source:
            reader = PulseReader(source.info.source, source.info.where)
            while not source.ended and len(found) <= _MOST_READS:
                for item in source.read(0.0):
                    if isinstance(item, CardRead):
                        found.append(item)
                    else:
                        found += [burst.read for burst in reader.feed(item) if burst.read is not None]
            found += [burst.read for burst in reader.flush() if burst.read is not None]
    except TapError as error:
        raise tap_failed(error) from None
    if not found:
        raise CommandError(f"{address}: no card was read in it; benchtool reads {address} says why", Exit.INPUT)
    return [CardSample(read.bits, None, f"read {number}") for number, read in enumerate(found, 1)]


def _save(save: str, found: list[Inferred]) -> None:
    from benchtool.frames.card.table_file import dump
    from benchtool.reports.infer_text import save_notes

    notes = tuple(note for one in found for note in save_notes(one))
    text = dump(*(one.best for one in found), notes=notes)
    write_text(save, text)
