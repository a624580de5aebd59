"""Options that several commands share: how the line is set, how long to listen, where to record."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.outputs import overwrite_option
from benchtool.taps.tap import Tap, TapError

if TYPE_CHECKING:
    from benchtool.frames.decoders import Spoken

_F = TypeVar("_F", bound=Callable[..., Any])

_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*(ms|s|m|min|h)?")
_SECONDS = {"ms": 1e-3, "s": 1.0, None: 1.0, "m": 60.0, "min": 60.0, "h": 3600.0}


class Duration(click.ParamType):  # type: ignore[type-arg]  # generic only in newer releases of click
    """`30s`, `5m`, `1h`, `500ms` or plain seconds; gives seconds."""

    name = "duration"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Seconds as a float."""
        if isinstance(value, float):
            return value
        match = _DURATION.fullmatch(str(value).strip().lower())
        if match is None or float(match[1]) <= 0:
            self.fail(f"'{value}' is not a time; write 30s, 5m, 1h or plain seconds", param, ctx)
        return float(match[1]) * _SECONDS[match[2]]


class Format(click.ParamType):  # type: ignore[type-arg]  # as above
    """A character format, `8N1`."""

    name = "format"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> CharFormat:
        """The format parsed."""
        if isinstance(value, CharFormat):
            return value
        try:
            return CharFormat.parse(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


AUTO = 0
"""What `--baud auto` gives: find the settings."""


class Rate(click.ParamType):  # type: ignore[type-arg]  # as above
    """A bit rate in bit/s; `auto` too where the command listens first."""

    name = "rate"

    def __init__(self, *, auto: bool = False) -> None:
        self._auto = auto

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The rate as a whole number."""
        if isinstance(value, int):
            return value
        text = str(value).strip()
        if self._auto and text.lower() == "auto":
            return AUTO
        # isdigit alone takes ² and other digits that int does not.
        if not (text.isascii() and text.isdigit() and len(text) <= 9) or not 50 <= int(text) <= 20_000_000:
            more = ", or auto" if self._auto else ""
            words = f"'{value}' is not a bit rate; write 9600, 19200, 38400 … (50 to 20 000 000 bit/s){more}"
            self.fail(words, param, ctx)
        return int(text)


def line_options(function: _F) -> _F:
    """`--baud` and `--format`: what our receiver is set to."""
    return _line_options(function, Rate(), "Bit rate of our receiver (9600 if nobody says)")


def listening_line_options(function: _F) -> _F:
    """The same for a command that can find them by listening: `--baud auto`."""
    return _line_options(function, Rate(auto=True), "Bit rate of our receiver (9600 if nobody says), or auto")


def _line_options(function: _F, rate: Rate, words: str) -> _F:
    function = click.option(
        "--format",
        "char_format",
        type=Format(),
        metavar="8N1",
        help="Data bits, parity, stop bits of our receiver; for an octet log, what the receiver was set to.",
    )(function)
    return click.option("--baud", type=rate, metavar="RATE", help=f"{words}; a capture or simulated bus has its own.")(
        function
    )


_RECORDING = (".pcapng", ".log", ".txt", "")


def record_options(function: _F) -> _F:
    """`--record` and `--overwrite`: where to save the raw truth."""
    function = overwrite_option("files that are")(function)
    return click.option(
        "--record",
        type=click.Path(dir_okay=False),
        metavar="FILE",
        help="Save the raw truth: .pcapng, or .log or .txt for an octet log.",
    )(function)


def check_recording(record: str | None, address: str) -> None:
    """CommandError when a recording has an unknown ending, or would replace the file that is being read."""
    if record is None:
        return
    if Path(record).suffix.lower() not in _RECORDING:
        endings = ".pcapng, or .log or .txt for an octet log"
        raise CommandError(f"--record {record}: the name of a recording ends in {endings}", Exit.USAGE)
    try:
        same = os.path.samefile(record, address)
    except (OSError, ValueError):
        return
    if same:
        raise CommandError(f"--record {record} is the file that is being read; record into another", Exit.USAGE)


def time_option(help_text: str) -> Callable[[_F], _F]:
    """`--for`: how long to listen."""
    return click.option("--for", "seconds", type=Duration(), metavar="30s", help=help_text)


def protocol_option(function: _F) -> _F:
    """`--protocol`: the table of an unknown bus, or a protocol by name; for `read_protocol`."""
    return click.option(
        "--protocol",
        "protocol",
        metavar="FILE",
        help="Read the bus by a protocol table, as benchtool explore --save makes one; or modbus-ascii.",
    )(function)


_FOUND = ("osdp", "modbus", "modbus-rtu", "rtu")


def read_protocol(path: str | None) -> Spoken:
    """What `--protocol` names, or the table in a file; CommandError with one line where it cannot be read."""
    from benchtool.frames.decoders import NAMED, UNTOLD, Spoken
    from benchtool.frames.protocol_file import ProtocolFileError, from_toml

    if path is None:
        return UNTOLD
    if path in NAMED:
        return Spoken(name=path)
    try:
        return Spoken(from_toml(Path(path).read_text(encoding="utf-8")))
    except FileNotFoundError:
        if path.lower() in _FOUND:
            mend = "OSDP and Modbus RTU are found without it"
        else:
            mend = f"a file that benchtool explore --save made is wanted, or {', '.join(NAMED)}"
        raise CommandError(f"--protocol {path}: no such file; {mend}", Exit.INPUT) from None
    except OSError as error:
        raise CommandError(f"--protocol {path}: {error.strerror or error}", Exit.INPUT) from None
    except UnicodeDecodeError:
        raise CommandError(
            f"--protocol {path}: not a text file; benchtool explore --save makes one", Exit.INPUT
        ) from None
    except ProtocolFileError as error:
        raise CommandError(f"--protocol {path}: {error}", Exit.INPUT) from None


def tap_for(
    address: str,
    baud: int | None,
    char_format: CharFormat | None,
    seconds: float | None,
    spoken: Spoken | None = None,
    on_notice: Callable[[str], None] | None = None,
) -> Tap:
    """The tap at `address`, not yet open, set as the options say; CommandError with one line if there is none.

    With `baud` AUTO the settings are found by listening first, and `on_notice` is told them. Where nobody says, a live
    tap is set as the bus was when the table of `spoken` was learned.
    """
    from benchtool.taps.address import open_tap

    if baud == AUTO:
        from benchtool.commands.find_settings import find_settings
        from benchtool.frames.decoders import UNTOLD

        result = find_settings(address, char_format, spoken or UNTOLD)
        if on_notice is not None:
            for line in result.words():
                on_notice(line)
        baud, char_format = result.settings.baud, result.settings.format
    elif spoken is not None and spoken.table is not None and spoken.table.settings is not None and is_live(address):
        learned = spoken.table.settings
        baud, char_format = baud or learned.baud, char_format or learned.format
    try:
        settings = _settings(address, baud, char_format)
        return open_tap(address, settings, seconds=seconds)
    except TapError as error:
        raise tap_failed(error) from None
    except ValueError as error:
        raise CommandError(str(error), Exit.USAGE) from None


LIVE_SECONDS = {"diagnose": 20.0, "explore": 30.0, "compare": 30.0}
"""How long a command listens on a live bus where nobody says; a capture or a simulated bus is taken whole.

To tell what a bus is made of takes more, and more varied, traffic than to tell what is wrong with it (judgement).
"""


def listening_time(tap: Tap, seconds: float | None, command: str) -> float | None:
    """`seconds` as given, or the command's own on a live bus; None: the tap's whole."""
    from benchtool.taps.file import FileTap
    from benchtool.taps.simulated import SimulatedTap

    return LIVE_SECONDS[command] if seconds is None and not isinstance(tap, FileTap | SimulatedTap) else seconds


def is_live(address: str) -> bool:
    """Whether an address names something in real time, rather than a file or a simulated bus."""
    return not address.startswith("sim:") and not os.path.isfile(address)


def _settings(address: str, baud: int | None, char_format: CharFormat | None) -> LineSettings | None:
    if baud is None and char_format is None:
        return None
    base = LineSettings()
    if (baud is None or char_format is None) and "://" not in address and not address.startswith("/dev/"):
        from benchtool.taps.address import open_tap
        from benchtool.taps.file import FileTap
        from benchtool.taps.simulated import SimulatedTap

        tap = open_tap(address)
        if isinstance(tap, FileTap | SimulatedTap):
            with tap:
                base = tap.info.settings
    return LineSettings(baud or base.baud, char_format or base.format)


_WRONG_ADDRESS = {"bad-address": Exit.USAGE, "foreign": Exit.INPUT, "truncated": Exit.INPUT}


def tap_failed(error: TapError) -> CommandError:
    """The command's error for a tap that cannot be opened or read."""
    return CommandError(str(error), _WRONG_ADDRESS.get(error.reason, Exit.TAP))
