"""`benchtool demo`: the main job from end to end on an invented installation; no hardware."""

from __future__ import annotations

import click

_ADDRESS = "sim:demo"
_LINES = 40


@click.command("demo")
@click.option("--all", "show_all", is_flag=True, help="Show every frame, not only the telling ones.")
def command(show_all: bool) -> None:
    """Listen to an invented installation, show its traffic, say what is wrong and what to do next.

    \b
    Examples:
      benchtool demo
      benchtool demo --all
    """
    from benchtool.commands.options import tap_for
    from benchtool.commands.session import Session, terminal_width
    from benchtool.diagnose.engine import diagnose
    from benchtool.frames.explain import explain
    from benchtool.frames.frame import Frame
    from benchtool.reports import frame_text
    from benchtool.reports.diagnosis_text import diagnosis_text
    from benchtool.simulate.scenario import load

    scenario = load("demo")
    click.echo(f"{scenario.title} (an invented installation on a simulated bus)")
    click.echo(scenario.about)
    for device in scenario.devices:
        click.echo(f"  address {device.address}: {device.name}, {device.kind}, {device.position_m:g} m along the pair")
    click.echo("")
    shown = quiet = 0
    seen: set[tuple[int | None, str | None]] = set()

    def on_frame(frame: Frame) -> None:
        nonlocal shown, quiet
        key = (frame.address, explain(frame).name)
        routine = frame.ok and key in seen and key[1] in ("POLL", "ACK")
        seen.add(key)
        if not show_all and (routine or shown >= _LINES):
            quiet += 1
            return
        shown += 1
        click.echo(frame_text.frame_line(frame, width=terminal_width()))

    session = Session(tap_for(_ADDRESS, None, None, None), on_frame=on_frame)
    click.echo(frame_text.HEADER)
    session.run()
    if quiet:
        click.echo(
            f"{'':10} … and {quiet} more frames, polls and answers like those above (benchtool listen {_ADDRESS})"
        )
    click.echo("")
    found = diagnose(session.gatherer.evidence(session.decoder.counters), session.tap.info.settings)
    click.echo("\n".join(diagnosis_text(found)))
    click.echo("")
    click.echo("Now try the same on a fault of your choice:  benchtool diagnose 'sim:demo?fault=pair-reversed-at-tap'")
