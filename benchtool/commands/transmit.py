"""Options of the commands that transmit; light, so that --help is quick."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

from benchtool.taps.talker_echo import Echo
from benchtool.taps.talker_line import Switching

_F = TypeVar("_F", bound=Callable[..., Any])


def line_to_talk(function: _F) -> _F:
    """`--transmit`, `--direction` and `--echo`: whether and how to talk on a line."""
    function = click.option(
        "--echo",
        type=click.Choice([echo.value for echo in Echo]),
        default=Echo.AUTO.value,
        show_default=True,
        help="Whether the adapter hears itself; found out unless said.",
    )(function)
    function = click.option(
        "--direction",
        type=click.Choice([way.value for way in Switching]),
        default=Switching.ADAPTER.value,
        show_default=True,
        help="Who switches the driver: the adapter, the kernel's RS-485 mode, or we by RTS.",
    )(function)
    return click.option(
        "--transmit", is_flag=True, help="Yes, transmit on this line. Needed: on a live installation it does harm."
    )(function)
