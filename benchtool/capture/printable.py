"""Texts from files, devices and other people's octets, made fit for a terminal: none of their controls reach it."""

from __future__ import annotations


def printable(text: str, instead: str = " ") -> str:
    """The text, with `instead` for each character that cannot be printed: line ends, escapes, other controls."""
    return text if text.isprintable() else "".join(one if one.isprintable() else instead for one in text)
