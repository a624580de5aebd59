"""`benchtool site`: the record of an installation. Each sub-command is loaded only when it is called."""

from __future__ import annotations

import importlib

import click

_LAZY: dict[str, tuple[str, str]] = {
    "new": ("benchtool.commands.site_new", "Begin the record of an installation."),
    "walk": ("benchtool.commands.site_walk", "Note devices in the order in which one walks along the bus."),
    "set": ("benchtool.commands.site_set", "Set one field of one entry."),
    "remove": ("benchtool.commands.site_remove", "Take out an entry that nothing names."),
    "show": ("benchtool.commands.site_show", "List what is recorded, bus by bus, device by device."),
    "import": ("benchtool.commands.site_import", "Take entries from a spreadsheet's CSV list."),
    "export": ("benchtool.commands.site_export", "Write entries as CSV lists for a spreadsheet."),
    "check": ("benchtool.commands.site_check", "Hold a record against the rules of the trade."),
    "compare": ("benchtool.commands.site_compare", "Hold a record against what is on the wire."),
    "report": ("benchtool.commands.site_report", "The hand-over page: drawing, schedule, checks, figures, to print."),
    "close": ("benchtool.commands.site_close", "The list before closing: tick with time and reading."),
}
"""name: (module whose `command` is the click command, short help)."""


class _Group(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_LAZY)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _LAZY:
            return None
        command: click.Command = importlib.import_module(_LAZY[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, words) for name, (_, words) in _LAZY.items()])


@click.group("site", cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
def command() -> None:
    """Keep the record of an installation: what is mounted where, how it is wired, what feeds what.

    \b
      benchtool site new depot.toml
      benchtool site walk depot.toml
      benchtool site show depot.toml
      benchtool site close depot.toml
    """
