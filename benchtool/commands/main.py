"""The `benchtool` command: a table of commands, each imported only when it is called."""

from __future__ import annotations

import importlib
import os
import sys
from typing import Any

import click

from benchtool import __version__
from benchtool.commands.plain import fold_long_lines, make_plain

_STOPPED = 130  # as shells say of a program that Ctrl-C ended
_CANNOT_WRITE = 5  # Exit.OUTPUT, without importing what --help does not need
_FILE = 4  # Exit.INPUT, likewise

COMMANDS: dict[str, tuple[str, str]] = {
    "calculate": ("benchtool.commands.calculate", "Voltage drop, bias, termination reading, other sums of the trade."),
    "card": ("benchtool.commands.card", "Explain or build the bits of a card."),
    "demo": ("benchtool.commands.demo", "The main job on an invented installation, no hardware needed."),
    "diagnose": ("benchtool.commands.diagnose", "Say what is wrong with a bus, with proof and what to do next."),
    "explore": ("benchtool.commands.explore", "Work out what the traffic of an unknown bus is made of."),
    "formats": ("benchtool.commands.formats", "List, check or work out card formats."),
    "hunt": ("benchtool.commands.hunt", "Find why a reader is dead, question by question."),
    "listen": ("benchtool.commands.listen", "Show the traffic at a tap, one line a frame."),
    "practice": ("benchtool.commands.practice", "Find hidden faults of simulated installations, scored."),
    "reads": ("benchtool.commands.reads", "Read cards at a reader's data lines, measure the pulses, find the fault."),
    "site": ("benchtool.commands.site", "Keep an installation's record, check it, hand it over."),
    "survey": ("benchtool.commands.survey", "Ask every address on a bus who is there."),
    "simulate": ("benchtool.commands.simulate", "Stand in for a controller, a reader or an interface on a line."),
    "probe": ("benchtool.commands.probe", "Check the card-line probe: program, self-test, levels of D0 and D1."),
    "watch": ("benchtool.commands.watch", "One live screen of a bus: state, devices, traffic, findings."),
    "shell": ("benchtool.commands.shell", "A prompt with all commands, to stay in through a visit."),
    "ports": ("benchtool.commands.ports", "List serial adapters and what each can see."),
}
"""name: (module whose `command` is the click command, short help)."""


_NO_WORDS: tuple[type[click.UsageError], ...] = tuple(
    getattr(click.exceptions, name) for name in ("NoArgsIsHelpError",) if hasattr(click.exceptions, name)
)
"""What newer releases of click raise for a group without a sub-command; older ones show the help themselves."""


class _PipeClosedError(Exception):
    """Whoever read our output has seen enough."""


class _Lazy(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        entry = COMMANDS.get(cmd_name)
        if entry is None:
            return None
        command: click.Command = importlib.import_module(entry[0]).command
        return command

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run; errors are one line that says what to do, with the exit codes of docs/commands.md."""
        if not extra.pop("standalone_mode", True):
            return click.Group.main(self, *args, **{**extra, "standalone_mode": False})
        try:
            code = click.Group.main(self, *args, **{**extra, "standalone_mode": False})
        except _NO_WORDS as error:
            # The help of a group is told as it is: squeezed into one line nobody can read it.
            click.echo(error.format_message(), err=True)
            sys.exit(error.exit_code)
        except click.UsageError as error:
            message = " ".join(error.format_message().split())
            path = error.ctx.command_path if error.ctx is not None else "benchtool"
            if error.ctx is not None and error.ctx.command is self:
                message += f" There are: {', '.join(sorted(COMMANDS))}."
            click.echo(f"benchtool: {message.removesuffix('.')}; see {path} --help", err=True)
            sys.exit(error.exit_code)
        except click.ClickException as error:
            error.show()
            sys.exit(error.exit_code)
        except (click.Abort, KeyboardInterrupt):
            click.echo("benchtool: stopped before there was a result", err=True)
            sys.exit(_STOPPED)
        sys.exit(code if isinstance(code, int) else 0)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; a closed pipe is passed on under a name that click does not end with code 1."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError as error:
            raise _PipeClosedError from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][1]) for name in sorted(COMMANDS)])


@click.group(cls=_Lazy, invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="benchtool")
@click.pass_context
def main(context: click.Context) -> None:
    """Listen to, decode and diagnose RS-485 buses and card readers.

    TAP is where to listen: a serial device (/dev/ttyUSB0, COM5), a URL (socket://host:port, rfc2217://host:port),
    a capture or octet log (visit.pcapng, pasted.txt), or a simulated bus (sim:demo).

    Alone, at a terminal, benchtool opens a prompt with all commands (benchtool shell).

    \b
    Start with:
      benchtool demo
      benchtool ports
      benchtool listen /dev/ttyUSB0 --baud 9600
      benchtool diagnose visit.pcapng
    """
    if context.invoked_subcommand is not None:
        return
    from benchtool.commands.shell import at_terminal, begin

    if at_terminal():
        assert isinstance(context.command, click.Group)
        begin(context.command)
    else:
        click.echo(context.get_help())


def run() -> None:
    """Entry point: a closed pipe ends the program quietly; output that cannot be written is told in one line."""
    for stream in (sys.stdout, sys.stderr):
        make_plain(stream, os.environ)
        fold_long_lines(stream)
    try:
        main(prog_name="benchtool")
        sys.stdout.flush()
    except (BrokenPipeError, _PipeClosedError):
        _drop_output()
    except OSError as error:
        _drop_output()
        if error.filename is not None:  # a file of the command's, which it should have told itself
            click.echo(f"benchtool: {error.filename}: {error.strerror}", err=True)
            sys.exit(_FILE)
        click.echo(f"benchtool: the output cannot be written: {error.strerror}", err=True)
        sys.exit(_CANNOT_WRITE)


def _drop_output() -> None:
    """What is still buffered goes nowhere, so that the interpreter does not fail on it once more."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
