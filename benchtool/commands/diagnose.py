"""`benchtool diagnose`: what is wrong with the bus at a tap, with proof, and what to do next."""

from __future__ import annotations

import json
import math
import sys
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

import click

from benchtool.capture.settings import CharFormat
from benchtool.commands.errors import Exit
from benchtool.commands.options import (
    LIVE_SECONDS,
    check_recording,
    listening_line_options,
    listening_time,
    protocol_option,
    read_protocol,
    record_options,
    tap_for,
    time_option,
)
from benchtool.commands.osdp_keys import key_file_caution, osdp_key_option, read_keys
from benchtool.commands.outputs import check_page, write_results

if TYPE_CHECKING:
    from benchtool.commands.diagnose_site import OnSite
    from benchtool.commands.session import Session
    from benchtool.diagnose.evidence import Evidence
    from benchtool.diagnose.observed import Observed
    from benchtool.frames.decoders import Spoken
    from benchtool.frames.osdp.keys import KeyRing
    from benchtool.install.compare import Compared
    from benchtool.install.compare_listened import Listener
    from benchtool.measure.osdp_watch import WatchFigures

_NO_CHECK = "no check value is known of this bus: damaged frames cannot be told from sound ones"
_ASCII = (
    "Read as Modbus in ASCII mode: a reversed pair or a wrong rate cannot be proved by undoing it, and probabilities "
    "were fitted to OSDP and Modbus RTU."
)


@click.command("diagnose")
@click.argument("tap", required=False)
@listening_line_options
@time_option(
    f"How long to listen ({LIVE_SECONDS['diagnose']:.0f}s on an adapter; a file or simulated bus is taken whole)."
)
@record_options
@osdp_key_option
@protocol_option
@click.option(
    "--length", type=click.FloatRange(0, 10_000, min_open=True), metavar="METRES", help="Length of the pair, if known."
)
@click.option("--site", "site", metavar="FILE", help="The installation's record: its lengths, its order, its names.")
@click.option("--bus", "bus_id", metavar="ID", help="With --site: which bus of the record, where it has several.")
@click.option("--order", metavar="A,B,…", help="Addresses in their order along the pair, from the controller.")
@click.option(
    "--meter",
    multiple=True,
    metavar="KIND=VALUE",
    help="A reading, as ab-ohms=61 or ab-idle@5=0.24; of two of a kind the last.",
)
@click.option(
    "--tried", multiple=True, metavar="ACTION=…", help="What an action brought, as swap-clip=better or =same."
)
@click.option("--waveform", metavar="FILE", help="A scope's CSV: time and A and B, or A-B (docs/waveforms.md).")
@click.option("--readings", "list_readings", is_flag=True, help="List the readings and actions that can be given.")
@click.option("--save", metavar="FILE", help="Save what was found; give that file as TAP to go on from it.")
@click.option("--report", metavar="FILE", help="Write the diagnosis as a self-contained HTML page.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object (docs/json.md).")
@click.option("--strict", is_flag=True, help="Exit code 1 when the leading finding is a fault.")
def command(
    tap: str | None,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    record: str | None,
    overwrite: bool,
    osdp_key: str | None,
    protocol: str | None,
    length: float | None,
    site: str | None,
    bus_id: str | None,
    order: str | None,
    meter: tuple[str, ...],
    tried: tuple[str, ...],
    waveform: str | None,
    list_readings: bool,
    save: str | None,
    report: str | None,
    as_json: bool,
    strict: bool,
) -> None:
    """Say what is wrong with the bus at TAP, with proof, and what to do next.

    Listens (or reads), never transmits. Ctrl-C ends the listening early; what was heard is diagnosed all the same.
    OSDP's secure sessions are read with the default key, or yours, and what broke its rules is told under the figures.
    Meter readings and a scope's CSV are weighed with it, or alone where there is no TAP. TAP can be a saved diagnosis.

    \b
    Examples:
      benchtool diagnose sim:demo
      benchtool diagnose "sim:demo?fault=pair-reversed-at-tap"
      benchtool diagnose /dev/ttyUSB0 --baud 9600 --for 30s --save visit.json --report visit.html
      benchtool diagnose visit.json --meter ab-ohms=118 --meter ab-idle=0.42
      benchtool diagnose --meter ab-ohms=61 --meter ab-idle=0.24
      benchtool diagnose visit.pcapng --protocol unknown.toml
      benchtool diagnose visit.pcapng --site depot.toml --bus yard
      benchtool diagnose visit.pcapng --osdp-key site.keys
      benchtool diagnose pasted.txt --baud 19200 --format 8N1 --json
    """
    from benchtool.commands import measured
    from benchtool.diagnose.conclude import conclude
    from benchtool.diagnose.observed import Observed, to_json
    from benchtool.diagnose.readings import ByHand
    from benchtool.diagnose.sensible import sensible
    from benchtool.measure.waveform import measure_waveform
    from benchtool.measure.waveform_rate import rate_words
    from benchtool.reports.diagnosis_text import diagnosis_object, diagnosis_text, is_fault
    from benchtool.reports.frame_text import tap_line
    from benchtool.reports.osdp_text import figures_object, figures_text

    if list_readings:
        click.echo("\n".join(measured.readings_text()))
        return
    if length is not None and not math.isfinite(length):
        raise click.UsageError("--length: metres are wanted, such as 120.")
    hand = measured.by_hand(meter, tried)
    for note in measured.given_twice(meter, tried):
        click.echo(f"note: {note}", err=True)
    if tap is None and not (hand.readings or hand.tried or waveform):
        raise click.UsageError("Give a TAP, or what was measured (--meter, --waveform). --readings lists the readings.")
    if bus_id is not None and site is None:
        raise click.UsageError("--bus: name the record too, --site FILE.")
    place: OnSite | None = None
    if site is not None:
        from benchtool.commands.diagnose_site import on_site

        place = on_site(site, bus_id)
    check_recording(record, tap or "")
    measured.check_save(save, tap or "", overwrite=overwrite)
    check_page(report, "--report", overwrite=overwrite, reads=(tap or "",))
    placed = measured.addresses_in_order(order)
    scope = None
    if waveform is not None:
        record_read = measured.read_scope(waveform)
        scope = (record_read, measure_waveform(record_read, baud or None))
    saved = measured.saved_diagnosis(tap) if tap is not None else Observed()
    if saved is not None:
        for given, option in (
            (record, "--record"),
            (seconds, "--for"),
            (char_format, "--format"),
            (protocol, "--protocol"),
            (osdp_key, "--osdp-key"),
        ):
            if given is not None:
                raise click.UsageError(f"{option}: nothing is listened to without a tap, or with a saved diagnosis.")
    session: Session | None = None
    evidence: Evidence | None = None
    noticed: WatchFigures | None = None
    compared: Compared | None = None
    if saved is None:
        assert tap is not None
        listener: Listener | None = None
        if place is not None:
            from benchtool.commands.site_compare import recorded_settings, sets_line
            from benchtool.install.compare_listened import Listener

            listener = Listener()
            sure = sets_line(tap, baud)
            length = length or place.length_m
            baud, char_format = recorded_settings(tap, baud, char_format, place.trunk.bus)
        spoken, keys = read_protocol(protocol), read_keys(osdp_key)
        if (caution := key_file_caution(osdp_key)) is not None:
            click.echo(f"note: {caution}", err=True)
        session, evidence, observed, noticed = _listen(
            tap, baud, char_format, seconds, record, overwrite, length, spoken, keys, listener
        )
        if place is not None and listener is not None:
            info = session.tap.info
            heard = listener.found(
                info.name, info.settings, evidence.figures, noticed, proved_baud=observed.sender_baud, sets_line=sure
            )
            compared = place.against(heard)
    else:
        observed = saved
    if scope is not None:
        hand = hand + ByHand(scope=scope[1].as_readings())
    observed = replace(observed.measured(hand), length_m=length or observed.length_m, order=placed or observed.order)
    if place is not None:
        observed = place.known(observed, compared)
    found = conclude(observed, evidence.figures if evidence is not None else None)
    found = plain = sensible(found, listened=observed.symptoms is not None)
    if place is not None:
        found = place.named(plain)
    rate = () if scope is None else rate_words(scope[1], baud or (observed.baud if observed.symptoms else None))
    told = () if noticed is None else tuple(figures_text(noticed))
    if place is not None:
        told = (*told, *place.lines(compared))
    results: list[tuple[str, str, str]] = []
    if save is not None:
        results.append((save, to_json(observed), "saved, go on with it as TAP"))
    if report is not None:
        from benchtool.reports.diagnosis_html import diagnosis_html
        from benchtool.reports.waveform_plot import waveform_part

        part = waveform_part(*scope, notes=rate) if scope is not None else None
        where = tap_line(session.tap.info) if session is not None else observed.tap or "no tap: readings alone"
        if place is not None:
            where += f"; names by the record of {place.title}"
        made = datetime.now().astimezone().strftime("%Y-%m-%d %H:%M %Z")
        page = diagnosis_html(
            found,
            evidence,
            title="Bus diagnosis",
            tap=where,
            made=made,
            waveform=part,
            noticed=told,
            names=None if place is None else place.names,
        )
        results.append((report, page, "report"))
    if as_json:
        made_of = diagnosis_object(found)
        made_of["osdp"] = None if noticed is None else figures_object(noticed)
        if place is not None:
            place.put_into(made_of, plain, found, compared)
        if scope is not None:
            made_of["waveform_limits"] = measured.scope_object(scope[1])
            made_of["waveform_notes"] = [*rate, *scope[1].notes]
        click.echo(json.dumps(made_of, indent=2))
    else:
        if session is not None:
            click.echo(tap_line(session.tap.info))
        if scope is not None:
            click.echo("\n".join(measured.scope_text(scope[1], rate)))
        click.echo("\n".join(diagnosis_text(found, noticed=told)))
    write_results(results)
    if session is not None and session.failure is not None:
        raise session.failure
    if strict and is_fault(found):
        sys.exit(Exit.FAULT)


def _listen(
    tap: str,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    record: str | None,
    overwrite: bool,
    length_m: float | None,
    spoken: Spoken,
    keys: KeyRing,
    listener: Listener | None,
) -> tuple[Session, Evidence, Observed, WatchFigures]:
    """Listen at the tap, and work out the symptoms; and what was noticed in OSDP traffic.

    `listener` hears what a record can be held against, where there is one.
    """
    from benchtool.commands.noticing import Noticing
    from benchtool.commands.session import Session, end_progress, progress_line
    from benchtool.diagnose.engine import observe
    from benchtool.frames.decoder import BusDecoder

    noticing = Noticing(keys, listener)

    def on_notice(text: str) -> None:
        click.echo(f"note: {text}", err=True)

    opened = tap_for(tap, baud, char_format, seconds, spoken, on_notice)
    seconds = listening_time(opened, seconds, "diagnose")
    progress = progress_line()
    session = Session(
        opened,
        seconds=seconds,
        record=record,
        overwrite=overwrite,
        on_item=noticing.item,
        on_frame=noticing.frame,
        on_notice=on_notice,
        progress=progress,
        protocol=spoken.table,
        make_decoder=spoken.decoder if spoken.name else BusDecoder,
    )
    session.run(noticing.opened)
    if progress is not None:
        click.echo("\rworking out the findings …                                   ", err=True, nl=False)
    evidence = session.gatherer.evidence(session.decoder.counters)
    observed = observe(evidence, session.tap.info.settings, tap=session.tap.info.name, length_m=length_m)
    if spoken.table is not None and spoken.table.check is None:
        observed = replace(observed, limits=(*observed.limits, _NO_CHECK))
    if spoken.table is not None and spoken.table.address is None and spoken.table.reply_address is None:
        from benchtool.diagnose.table_evidence import without_addresses

        observed = without_addresses(observed)
    if spoken.name:
        observed = replace(observed, limits=(*observed.limits, _ASCII), looks_like="")
    end_progress(progress)
    return session, evidence, observed, noticing.figures(session.ended_ns)
