"""`benchtool site compare`: the record against what is on the wire, and the edits that would make it right."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.options import (
    AUTO,
    LIVE_SECONDS,
    is_live,
    listening_line_options,
    listening_time,
    protocol_option,
    read_protocol,
    tap_for,
    time_option,
)
from benchtool.commands.osdp_keys import key_file_caution, osdp_key_option, read_keys
from benchtool.commands.site_file import read_site, read_text

if TYPE_CHECKING:
    from benchtool.diagnose.finding import Diagnosis
    from benchtool.frames.decoders import Spoken
    from benchtool.frames.osdp.keys import KeyRing
    from benchtool.install.compare_found import AsFound
    from benchtool.install.record import Bus
    from benchtool.install.view import Trunk, View

_SURE = 0.8
"""From this probability on a second controller is told (judgement)."""
_MOST_SURVEY = 8_000_000
_MOST_HEAD = 1 << 16
_PCAPNG, _TOLD = b"\n\r\r\n", b"#! tap"
"""How a capture begins, and the line of a log that says what the receiver was set to."""


@click.command("compare", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("site", type=click.Path(dir_okay=False, path_type=Path))
@click.argument("tap")
@click.option("--bus", "bus_id", metavar="ID", help="Which bus of the record TAP is on, where it has several.")
@listening_line_options
@time_option(f"How long to listen ({LIVE_SECONDS['compare']:.0f}s on an adapter; a file or simulated bus whole).")
@osdp_key_option
@protocol_option
@click.option("--apply", "apply_edits", is_flag=True, help="Write the proposed edits into SITE, after asking.")
@click.option("--yes", is_flag=True, help="With --apply: write all that are not doubtful, without asking.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object (docs/site-compare.md).")
@click.option("--strict", is_flag=True, help="Exit code 1 when something is not as recorded.")
def command(
    site: Path,
    tap: str,
    bus_id: str | None,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    osdp_key: str | None,
    protocol: str | None,
    apply_edits: bool,
    yes: bool,
    as_json: bool,
    strict: bool,
) -> None:
    """Hold the record SITE against what is on the wire at TAP, and propose what to change in the record.

    TAP: an adapter, a capture, an octet log, a simulated bus, or what `benchtool survey --json` printed into a file.
    Listening never transmits. A survey tells serials and kinds at once; listening tells failures, and what the
    controller does. What could not be compared is said.

    \b
    Examples:
      benchtool site compare depot.toml /dev/ttyUSB0 --bus yard
      benchtool site compare depot.toml visit.pcapng --strict
      benchtool site compare depot.toml survey.json --apply
      benchtool site compare depot.toml /dev/ttyUSB0 --baud auto --for 2m
    """
    from benchtool.install.compare import compare
    from benchtool.install.view import view_of
    from benchtool.reports.site_compare_text import compare_object, compare_text

    if yes and not apply_edits:
        raise click.UsageError("--yes: say --apply too, to write the proposed edits.")
    if as_json and apply_edits and not yes:
        raise click.UsageError("--json with --apply: say --yes too; questions do not fit into JSON.")
    text = read_text(site)
    loaded = read_site(site)
    view = view_of(loaded)
    trunk = trunk_of(view, bus_id)
    failure: CommandError | None = None
    found = saved_survey(tap)
    if found is None:
        spoken = read_protocol(protocol or ("modbus-ascii" if trunk.bus.protocol == "modbus-ascii" else None))
        if (caution := key_file_caution(osdp_key)) is not None:
            click.echo(f"note: {caution}", err=True)
        found, failure = _listen(tap, baud, char_format, seconds, spoken, read_keys(osdp_key), trunk.bus)
    else:
        for given, option in (
            (baud, "--baud"),
            (char_format, "--format"),
            (seconds, "--for"),
            (osdp_key, "--osdp-key"),
            (protocol, "--protocol"),
        ):
            if given is not None:
                raise click.UsageError(f"{option}: nothing is listened to with a saved survey.")
    compared = compare(view, trunk, found)
    if as_json:
        click.echo(json.dumps(compare_object(compared), indent=2))
    else:
        click.echo("\n".join(compare_text(compared)))
    if apply_edits:
        from benchtool.commands.site_apply import apply

        apply(site, text, loaded, [edit for one in compared.differences for edit in one.edits], yes=yes)
    if failure is not None:
        raise failure
    if strict and (compared.wrong or not found.complete):
        sys.exit(Exit.FAULT)


def on_bus(site: str, bus_id: str | None) -> tuple[View, Trunk]:
    """A record and the bus meant; CommandError where it cannot be read, or the bus is not clear."""
    from benchtool.install.view import view_of

    view = view_of(read_site(Path(site)))
    return view, trunk_of(view, bus_id)


def trunk_of(view: View, bus_id: str | None) -> Trunk:
    """The bus meant; CommandError where there is none, or several and nobody says which."""
    ids = [trunk.bus.id for trunk in view.trunks]
    if not ids:
        raise CommandError("the record has no bus: note its devices first, benchtool site walk", Exit.INPUT)
    if bus_id is None:
        if len(ids) > 1:
            raise CommandError(f"the record has several buses: say --bus {' or --bus '.join(ids)}", Exit.USAGE)
        return view.trunks[0]
    for trunk in view.trunks:
        if trunk.bus.id == bus_id:
            return trunk
    raise CommandError(f"--bus {bus_id}: the record has {', '.join(ids)}", Exit.USAGE)


def saved_survey(tap: str) -> AsFound | None:
    """What a survey wrote with `--json`, if the file is that; None for anything else."""
    from benchtool.install.compare_survey import SurveyError, is_survey, read_survey

    path = Path(tap)
    try:
        if not path.is_file():
            return None
        with path.open("rb") as file:
            if not is_survey(file.read(4000).decode("utf-8", "replace")):
                return None
            file.seek(0)
            octets = file.read(_MOST_SURVEY)
    except (OSError, ValueError):
        return None
    try:
        return read_survey(octets.decode("utf-8-sig", "replace"), tap)
    except SurveyError as error:
        raise CommandError(f"{tap}: {error}", Exit.INPUT) from None


def sets_line(tap: str, baud: int | None) -> bool:
    """Whether our settings are those that the octets were received with; a device server has its own, a log may not
    say."""
    if tap.startswith("socket://"):
        return False
    path = Path(tap)
    try:
        if baud is not None or not path.is_file():
            return True
        with path.open("rb") as file:
            head = file.read(_MOST_HEAD)
    except (OSError, ValueError):
        return True
    return head.startswith(_PCAPNG) or _TOLD in head


def recorded_settings(
    tap: str, baud: int | None, char_format: CharFormat | None, bus: Bus
) -> tuple[int | None, CharFormat | None]:
    """Rate and format as given; else, on a live tap, as recorded."""
    if not is_live(tap) or baud == AUTO:
        return baud, char_format
    if char_format is None and bus.format is not None:
        try:
            char_format = CharFormat.parse(bus.format)
        except ValueError:
            click.echo(f"note: the record's character format {bus.format!r} is none; taking 8N1", err=True)
    return baud or bus.baud, char_format


def _listen(
    tap: str,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    spoken: Spoken,
    keys: KeyRing,
    bus: Bus,
) -> tuple[AsFound, CommandError | None]:
    """Listen to the end; what ended it early is returned, so that the result is still shown."""
    from benchtool.commands.noticing import Noticing
    from benchtool.commands.session import Session, end_progress, progress_line
    from benchtool.diagnose.conclude import conclude
    from benchtool.diagnose.engine import observe
    from benchtool.frames.decoder import BusDecoder
    from benchtool.install.compare_listened import Listener

    listener = Listener()
    noticing = Noticing(keys, listener)
    alike: tuple[LineSettings, ...] = ()
    searched = baud == AUTO
    sure = sets_line(tap, baud)

    def on_notice(text: str) -> None:
        click.echo(f"note: {text}", err=True)

    if baud == AUTO:
        from benchtool.commands.find_settings import find_settings

        result = find_settings(tap, char_format, spoken)
        for line in result.words():
            on_notice(line)
        baud, char_format, alike = result.settings.baud, result.settings.format, result.alike
    baud, char_format = recorded_settings(tap, baud, char_format, bus)
    opened = tap_for(tap, baud, char_format, seconds, spoken)
    progress = progress_line()
    session = Session(
        opened,
        seconds=listening_time(opened, seconds, "compare"),
        on_item=noticing.item,
        on_frame=noticing.frame,
        on_notice=on_notice,
        progress=progress,
        protocol=spoken.table,
        make_decoder=spoken.decoder if spoken.name else BusDecoder,
    )
    session.run(noticing.opened)
    end_progress(progress)
    info, figures = session.tap.info, session.tally.figures(session.decoder.counters)
    proved = None
    second: tuple[str, ...] = ()
    if figures.octets and (not figures.sound or figures.damaged):
        observed = observe(session.gatherer.evidence(session.decoder.counters), info.settings)
        proved = None if figures.sound else observed.sender_baud
        second = _second_controller(conclude(observed, figures)) if figures.sound else ()
    found = listener.found(
        info.name,
        info.settings,
        figures,
        noticing.figures(session.ended_ns),
        proved_baud=proved,
        alike=alike,
        searched=searched,
        sets_line=sure,
    )
    return replace(found, two_controllers=second), session.failure


def _second_controller(diagnosis: Diagnosis) -> tuple[str, ...]:
    """What speaks for a second controller, where a diagnosis is sure enough of one to name it; else nothing."""
    from benchtool.diagnose.finding import REST, Cause

    first = diagnosis.findings[0]
    if first.cause is not Cause.TWO_CONTROLLERS or first.probability < _SURE:
        return ()
    told = [proof.text for proof in first.evidence if proof.weight > 0 and proof.text != REST]
    return (*told[:3], f"a diagnosis of what was heard: {first.probability:.0%}")
