"""What listens during a hunt: at a tap on the bus, or where cards are read. Never transmits."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from benchtool.capture.settings import CharFormat
from benchtool.commands.hunt_talk import tell
from benchtool.commands.options import AUTO, listening_time, tap_failed, tap_for
from benchtool.diagnose.hunt_retune import Setting
from benchtool.taps.simulated import SimulatedTap
from benchtool.taps.tap import TapError

if TYPE_CHECKING:
    from benchtool.diagnose.card_evidence import CardEvidence
    from benchtool.diagnose.observed import Observed

_READ_S = 60.0


def bus_listener(
    tap: str, baud: int | None, char_format: CharFormat | None, seconds: float | None
) -> Callable[[Setting], Observed | None]:
    """Listens at the tap each time, with the setting given; a failure is told in a line, and None given."""

    def listen(setting: Setting) -> Observed | None:
        from benchtool.commands.session import Session, end_progress, progress_line
        from benchtool.diagnose.engine import observe
        from benchtool.reports.frame_text import tap_line

        try:
            form = char_format if setting.format is None else CharFormat.parse(setting.format)
            rate = AUTO if setting.find else setting.baud or baud
            opened = tap_for(tap, rate, None if setting.find else form, seconds, on_notice=tell)
            if setting.turned and isinstance(opened, SimulatedTap):
                opened.turn_clip()
            progress = progress_line()
            session = Session(opened, seconds=listening_time(opened, seconds, "diagnose"), progress=progress)
            session.run()
        except click.ClickException as error:
            tell(f"{error.format_message()}; mend that and listen again, or s to go on without")
            return None
        end_progress(progress)
        if session.stopped_by_user:
            tell("Broken off: what was heard until then is weighed. < goes back, to listen for longer.")
        if session.failure is not None:
            tell(f"{session.failure.format_message()}; what was heard until then is weighed")
        evidence = session.gatherer.evidence(session.decoder.counters)
        info = session.tap.info
        tell(f"{tap_line(info)}")
        figures = evidence.figures
        tell(f"Heard {figures.octets} octets, {_frames(evidence.figures)}.")
        return observe(evidence, info.settings, tap=info.name)

    return listen


def _frames(figures: object) -> str:
    rows = getattr(figures, "addresses", ())
    asked = sum(row.requests for row in rows)
    if rows and not asked:
        return f"no request understood, but frames of {len(rows)} addresses"
    return f"{asked} requests to {len(rows)} addresses, {sum(row.answered for row in rows)} answered"


def card_listener(source: str, seconds: float | None) -> Callable[[Setting], CardEvidence | None]:
    """Reads cards each time it is called; numbers are not shown."""

    def listen(_: Setting) -> CardEvidence | None:
        from benchtool.commands.reads_run import ReadsRun, Wanted
        from benchtool.diagnose.card_evidence import CardEvidence
        from benchtool.frames.card.formats import FORMATS
        from benchtool.frames.card.pulses import FRAME_END_NS
        from benchtool.taps.card_address import open_card_source

        whole = source.startswith("sim:")
        run = ReadsRun(
            Wanted(tuple(FORMATS)),
            timeout_ns=FRAME_END_NS,
            seconds=seconds or (None if whole else _READ_S),
            on_source=lambda info: tell(f"reading at {info.where} (Ctrl-C ends it)"),
            on_taken=lambda one: None,
        )
        try:
            run.run([open_card_source(source)])
        except TapError as error:
            tell(f"{tap_failed(error).format_message()}; mend that and read again, or s to go on without")
            return None
        except click.ClickException as error:
            tell(f"{error.format_message()}; mend that and read again, or s to go on without")
            return None
        reads = tuple(one.read for one in run.outcome.reads if one.read is not None)
        tell(f"{len(reads)} reads came.")
        return CardEvidence(reads, records=tuple(run.records), formats=tuple(FORMATS))

    return listen
