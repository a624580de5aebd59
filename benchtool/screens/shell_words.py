"""The words of a line typed at the prompt, with their places, for running and for completing it.

Quotes as in most command shells; a backslash takes the next character as it is, but on Windows, where paths hold them.
"""

from __future__ import annotations

import os
from typing import NamedTuple

REDIRECTIONS = frozenset({"|", ">", ">>", "<", "&&", "||", ";", "&"})
"""Words that mean something to a command shell, and nothing here."""
_PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_./:?=&,@+%~#*")


class Word(NamedTuple):
    """One word of a line."""

    text: str
    """Without its quotes."""
    start: int
    """Where it begins in the line, its quote included."""
    end: int
    """Where the line goes on."""
    bare: bool
    """Whether no quote or backslash is in it."""
    open_quote: str = ""
    """The quote that is not closed, if one is not."""


def split(line: str, *, backslash: bool = os.name != "nt") -> list[Word]:
    """The words of any line; never raises."""
    words: list[Word] = []
    place = 0
    while place < len(line):
        if line[place].isspace():
            place += 1
            continue
        word = _word(line, place, backslash)
        words.append(word)
        place = word.end
    return words


def _word(line: str, start: int, backslash: bool) -> Word:
    letters: list[str] = []
    quote, bare, place = "", True, start
    while place < len(line):
        letter = line[place]
        if not quote and letter.isspace():
            break
        if letter == quote:
            quote = ""
        elif not quote and letter in "'\"":
            quote, bare = letter, False
        elif letter == "\\" and backslash and quote != "'" and place + 1 < len(line):
            place += 1
            bare = False
            letters.append(line[place])
        else:
            letters.append(letter)
        place += 1
    return Word("".join(letters), start, place, bare, quote)


def texts(words: list[Word]) -> list[str]:
    """What the words say; `~` at the beginning of a word without quotes is the user's folder."""
    return [
        os.path.expanduser(word.text) if word.bare and word.text.startswith(("~/", "~\\")) else word.text
        for word in words
    ]


def quoted(text: str, *, closed: bool = True, backslash: bool = os.name != "nt") -> str:
    """The text as one word of a line; not `closed`: more is to be typed behind it."""
    plain = _PLAIN if backslash else _PLAIN | {"\\"}
    if text and all(letter in plain or (letter.isalnum() and ord(letter) > 127) for letter in text):
        return text
    if '"' in text or ("\\" in text and backslash):
        return "'" + text.replace("'", "'\"'\"'") + ("'" if closed else "")
    return '"' + text + ('"' if closed else "")


def joined(words: list[str]) -> str:
    """The words as a line."""
    return " ".join(map(quoted, words))
