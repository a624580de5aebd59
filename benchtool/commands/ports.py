"""`benchtool ports`: which adapters are there, and what each can see."""

from __future__ import annotations

import json
from pathlib import Path

import click


@click.command()
@click.option("--all", "onboard", is_flag=True, help="Also list on-board ports, not only USB adapters.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option(
    "--root",
    type=click.Path(path_type=Path, readable=False),
    default=Path("/"),
    hidden=True,
    help="Another file system root.",
)
def command(onboard: bool, as_json: bool, root: Path) -> None:
    """List serial adapters and what each can see.

    For each: USB id, product and serial number, driver, latency timer, whether line errors can be seen, whether you
    may read it and what to do if not, and who has it open. Nothing is opened.
    """
    from benchtool.reports.ports_text import ports_json, ports_text
    from benchtool.taps.devices import list_adapters

    adapters = list_adapters(root, onboard=onboard)
    if as_json:
        click.echo(json.dumps(ports_json(adapters), ensure_ascii=False))
    else:
        click.echo(ports_text(adapters, onboard=onboard))
