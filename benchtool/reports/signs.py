"""Whether a terminal shows more than ASCII: one place decides, for full screens and for what commands print.

Python writes UTF-8 in the locales `C` and `POSIX`, and in those that are not installed, too (PEP 538, PEP 540): the
terminal may well not read it. There PEP 538 also sets LC_CTYPE, which therefore tells nothing.
"""

from __future__ import annotations

from collections.abc import Mapping

_DRAWN = "▁█·─●…•↑"
_BY_PYTHON = ("C.UTF-8", "C.utf8", "UTF-8")


def draws_blocks(encoding: str | None, environ: Mapping[str, str]) -> bool:
    """Whether a terminal with that encoding of ours, in that environment, shows more than ASCII."""
    if environ.get("TERM") == "linux":  # the console's font has few of them
        return False
    if is_ascii_locale(environ):
        return False
    codeset = _locale(environ).partition(".")[2].partition("@")[0]
    return _carried(encoding or "ascii") and (not codeset or _carried(codeset))


def is_ascii_locale(environ: Mapping[str, str]) -> bool:
    """Whether the user's locale has ASCII only."""
    return _locale(environ).upper() in ("C", "POSIX")


def _locale(environ: Mapping[str, str]) -> str:
    names = ("LC_ALL", "LANG") if environ.get("LC_CTYPE") in _BY_PYTHON else ("LC_ALL", "LC_CTYPE", "LANG")
    return next((environ[name] for name in names if environ.get(name)), "")


def _carried(encoding: str) -> bool:
    try:
        _DRAWN.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True
