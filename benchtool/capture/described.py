"""How a tap's description is written in capture files: `key=value` words, the same in both kinds of file."""

from __future__ import annotations

import re

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.capture.settings import CharFormat, LineSettings

MOST_NAME = 1024
"""Longest name of a tap that is kept, in characters."""

_PAIR = re.compile(r"(\w+)=(\S+)")
_LARGEST = (1 << 63) - 1


def described(info: TapInfo) -> str:
    """All of `info` apart from its name: `baud=9600 format=8N1 line_errors=marked resolution_ns=0 anchor_ns=0`."""
    return (
        f"baud={info.settings.baud} format={info.settings.format} line_errors={info.line_errors.value} "
        f"resolution_ns={info.resolution_ns} anchor_ns={info.anchor_ns}"
    )


def pairs(text: str) -> dict[str, str]:
    """The `key=value` words in `text`; other words are passed over."""
    return dict(_PAIR.findall(text))


def info_from(info: TapInfo, values: dict[str, str]) -> TapInfo:
    """`info` with what `values` says in place of its own; unknown keys are passed over.

    ValueError names a value that cannot be.
    """
    settings = LineSettings(
        int(values.get("baud", info.settings.baud)),
        CharFormat.parse(values["format"]) if "format" in values else info.settings.format,
    )
    resolution = int(values.get("resolution_ns", info.resolution_ns))
    anchor = int(values.get("anchor_ns", info.anchor_ns))
    if not (0 <= resolution <= _LARGEST and 0 <= anchor <= _LARGEST):
        raise ValueError("resolution_ns and anchor_ns are 0 to 2^63 - 1")
    return TapInfo(
        info.name, settings, LineErrors(values.get("line_errors", info.line_errors.value)), resolution, anchor
    )
