"""What of a text may be a card, a key, a PIN or a password: one place decides, for visits' logs and for pages.

A free note must keep what a technician notes (readings, rates, times, addresses). What is hidden there by mistake costs
a word; what is shown by mistake costs a card: in doubt a word is hidden. Texts that are no notes (names, types, serial
numbers) lose only what is announced as a secret. The rules are judgements.
"""

from __future__ import annotations

import re

from benchtool.capture.rates import TRIED_RATES

MASK = "***"
_KEY = re.compile(r"(?<![0-9A-Za-z])(?:0x)?(?:[0-9A-Fa-f]{2}[ :,-]?){15,}[0-9A-Fa-f]{2}(?![0-9A-Za-z])")
"""16 octets or more: never shown."""
_ANNOUNCED = re.compile(
    r"\b(?:cards?|badges?|fobs?|tags?|tokens?|transponders?|uids?|csn|credentials?"
    r"|site code|facility(?: code)?|pins?|codes?"
    r"|pass[ -]?(?:words?|codes?|phrases?)|karten?(?:nummer)?|ausweis(?:nummer)?|kennwort|passwort)"
    r"(?:\s+(?:numbers?|nummer|no\.?|nr\.?|code|id|is|was|ist))*\s*[:=#]?\s*"
    r"(?P<word>(?=[A-F :-]*[0-9])[0-9A-F]{2}(?:[ :-][0-9A-F]{2}){2,}(?![0-9A-Za-z])"
    r"|[0-9][0-9 :./-]+[0-9](?:[ ,]+(?:(?:and|cards?|numbers?|no\.?|nr\.?)[ :#]*)+[0-9]{2,})*(?![0-9A-Za-z])"
    r"|(?=[A-F]*[0-9])(?:0x)?[0-9A-F]{6,}(?![0-9A-Za-z])|[0-9][0-9 :./-]+[0-9])",
    re.IGNORECASE,
)
"""A number of three digits or more behind a word that announces it, in any text."""
_FACILITY = re.compile(
    r"\b(?:(?:facility|site)(?:[ -]code)?|fc)[\s:=#]*(?:(?:is|no\.?|nr\.?|number)[\s:=#]*)?"
    r"(?P<word>[0-9]{1,6}(?:[\s,;/:.-]+(?:and\s+)?"
    r"(?:(?:cards?|badges?|numbers?|num|nummer|no\.?|nr\.?)[\s:=#]*)+[0-9]{2,}))"
    r"|\b(?:(?:facility|site)[ -]code|(?:facility|fc)(?=\s*[:=]))[\s:=#]*(?:is\s+)?(?P<alone>[0-9]{1,6})\b",
    re.IGNORECASE,
)
"""A facility's number, however short, with the number of the card behind it."""
_PASSWORD = re.compile(
    r"\b(?:(?:pass[ -]?(?:words?|codes?|phrases?)|pwd|kennwort|passwort)"
    r"(?:\s*(?:\b(?:is|was|ist|war)\b|[:=])\s*(?P<word>\S*[^\s,;.])|\s+(?P<odd>(?=\S*[0-9$%&#@*+=])\S{3,}[^\s,;.]))"
    r"|(?:pass|pw)\s*[:=]\s*(?P<short>\S*[^\s,;.]))",
    re.IGNORECASE,
)
"""Whatever is said to be one; without `is` or a sign between only what has a figure or a sign in it."""
_NAMED = re.compile(
    r"\b(?:pin|code|passcode|password|passwort|kennwort|pwd|card|badge|tag|fob|key|secret|scbk|uid|csn|facility|fc|number"
    r"|nummer|karte|kartennummer|ausweis|schlüssel|no|nr)\b\.?(?:\s+(?:is|was|ist|no|nr|number)\b\.?)*"
    r"[\s:=#]+[\"'(]?(?P<word>[0-9A-Za-z]*[0-9](?:[0-9A-Za-z*#,;:/._-]*[0-9A-Za-z*#])?)",
    re.IGNORECASE,
)
"""What stands behind a word that announces one, however short."""
_JOINED = re.compile(
    r"(?<![A-Za-z])(?:pins?|codes?|pass(?:word|code)?|pwd|passwort|kennwort|cards?|badges?|tags?|fobs?|keys?|secret|scbk"
    r"|uids?|csn|credential|facility|fc|karten?|ausweis|schlüssel)"
    r"(?:[-_/.;:=#\s]*(?:numbers?|nummer|no|nr|code|id|is|ist)(?![A-Za-z]))*[-_/.;:=#]+"
    r"(?P<word>(?:0x)?[0-9A-Fa-f]*[0-9][0-9A-Za-z]*(?:[-_/.;:=,*#]+[0-9][0-9A-Za-z]*)*[*#]*)",
    re.IGNORECASE,
)
"""A number joined by a sign to a word that announces it: `pin-4711`, `card_12345678`."""
_HEX = re.compile(
    r"(?<![A-Za-z])(?:uids?|csn|cards?|badges?|tags?|fobs?|transponders?|credentials?|karten?|ausweis)"
    r"(?:[-_/.;:=#\s]+(?:numbers?|nummer|no|nr|id|is|was|ist))*[-_/.;:=#\s]+(?P<word>(?:0x)?[0-9A-F]{8,})(?![0-9A-Za-z])",
    re.IGNORECASE,
)
"""Octets of a card, though none of them has a figure in it."""
_INSIDE = re.compile(
    r"(?<![A-Za-z])(?:pin|code|card|badge|uid|csn|tag|fob)[A-Za-z_-]{0,20}(?P<word>[0-9]{4,})", re.IGNORECASE
)
"""A number written into a word that announces it."""
_EIGHT = re.compile(r"[0-9]{8,}")
"""So many digits in a row are no reading, wherever they stand."""
_OCTETS = re.compile(r"\b[0-9A-Fa-f]{2}(?:[ :-][0-9A-Fa-f]{2}){3,}\b")
"""Octets in a row, as keys and cards are written."""
_GROUPS = re.compile(r"\b[0-9]{2,}(?:[ ][0-9]{2,})+\b")
"""Digits in groups, as long numbers are written."""
_WORD = re.compile(r"[0-9A-Za-z][0-9A-Za-z,;:/_.#*+-]*[0-9A-Za-z#*]|[0-9]")
_NAMED_LEAST = 3
_LEAST = 4
"""So many digits make a PIN, though nothing announces one."""
_KEY_LETTERS = 16
"""So many letters and digits mixed make a key."""
_PLAIN = re.compile(
    r"[0-9]{1,3}(?:\.[0-9]{1,3}|,[0-9]{1,2})"  # a reading; three digits behind a comma may be a card
    r"|[0-9]{1,2}:[0-9]{2}(?::[0-9]{2})?"  # a time
    r"|(?:19|20)[0-9]{2}-[01][0-9]-[0-3][0-9]"  # a date
    r"|[0-9]{1,2}[-/][0-9]{1,2}"  # from one to another
    r"|[0-9]{1,3}[.,][0-9]{1,2}[-/][0-9]{1,3}[.,][0-9]{1,2}"
    r"|[0-9]{1,5}(?:[.,][0-9]{1,3})?(?:V|mV|mA|ohms?|k|M|m|mm|km|Hz|kHz|baud|bd|bps|ms|us|s|min|h)"  # with its unit
)
_TOO_MUCH = re.compile(r"[0-9]{4,5}(?:[.,][0-9]{1,3})?(?:V|k|M|km|kHz|min|h)")
"""More than any reading with its unit is: a number with a letter behind it."""
_FORMAT = re.compile(r"[5-8][NEOMS][12]", re.IGNORECASE)
"""Data bits, parity, stop bits."""
_TAILED = re.compile(r"[0-9]{4,}[A-Za-z]{1,2}")
"""A number with a letter too many, as a slip of the finger makes it."""
_ROW = re.compile(r"\s*[0-9]{1,3}(?:[ ,;]+[0-9]{1,3})+\s*")
"""A whole text of short numbers, as a PIN or a site code and a card are told over the phone."""
_UNIT = re.compile(
    r"\s*(?:V|mV|A|mA|ohms?|kohms?|Ω|k|baud|bd|bit/s|bps|Hz|kHz|ms|us|s|min|m|metres|meters|octets|frames|errors)\b"
)
"""Behind a number of at most five digits these make it a reading."""
_UNIT_DIGITS = 5


def masked_note(text: str) -> tuple[str, int]:
    """The note with `***` for what may be secret, and how many words that was."""
    return masked(text, MASK, free=True)


def may_be_secret(answer: str) -> bool:
    """Whether an answer to a question must not be repeated: stricter than for a note, for a wrong answer is no note."""
    rest = " ".join(word for word in answer.split() if not _is_setting_or_reading(word))
    return _digits(rest) >= _LEAST or masked_note(answer)[1] > 0


def masked(text: str, mask: str, *, free: bool, keys_alone: bool = False) -> tuple[str, int]:
    """A text with `mask` for what may be secret, and how many places that was.

    `free`: it is a note, so that in doubt a word is hidden; else only what is announced. `keys_alone`: hide nothing
    but what looks like a key.
    """
    spans = [match.span() for match in _KEY.finditer(text)]
    if not keys_alone:
        spans += [span for looks_so in (_ANNOUNCED, _FACILITY, _PASSWORD) for span in _groups(looks_so, text)]
    if free and not keys_alone:
        spans += [match.span("word") for match in _NAMED.finditer(text) if _is_named(match)]
        spans += [match.span("word") for match in _JOINED.finditer(text) if _is_joined(match)]
        spans += [match.span("word") for looks_so in (_HEX, _INSIDE) for match in looks_so.finditer(text)]
        spans += [match.span() for match in _EIGHT.finditer(text)]
        spans += [match.span() for match in _OCTETS.finditer(text) if not _covered(match.start(), spans)]
        spans += [match.span() for match in _GROUPS.finditer(text) if _is_long(match[0])]
        spans += [match.span() for match in _WORD.finditer(text) if _looks(match[0], text[match.end() :])]
        if _ROW.fullmatch(text) and _digits(text) >= _LEAST:
            spans.append((0, len(text)))
    return _without(text, spans, mask)


def _groups(looks_so: re.Pattern[str], text: str) -> list[tuple[int, int]]:
    """Where the named groups of a pattern stand: what is secret, without what announces it."""
    return [
        match.span(name) for match in looks_so.finditer(text) for name in looks_so.groupindex if match[name] is not None
    ]


def _is_named(match: re.Match[str]) -> bool:
    """`no 3` and `card 2` are counts and places; a PIN of any length is none."""
    begins = match[0].lower()
    if begins.startswith(("facility", "fc")) and _digits(match["word"]) > 1:
        return True
    return _digits(match["word"]) >= _NAMED_LEAST or begins.startswith(("pin", "pass", "code", "kennwort", "pwd"))


def _is_joined(match: re.Match[str]) -> bool:
    """`card-2` and `code-12` are places; behind a colon or `=` a PIN is announced, and `_NAMED` takes it."""
    return _digits(match["word"]) >= _NAMED_LEAST


def _is_long(groups: str) -> bool:
    """Two or three short addresses in a row are no number."""
    longest = max(map(len, groups.split()))
    return _digits(groups) > (_UNIT_DIGITS if longest > 2 else _UNIT_DIGITS + 2)


def _looks(word: str, behind: str) -> bool:
    digits = _digits(word)
    if digits < _LEAST or (_PLAIN.fullmatch(word) and not _TOO_MUCH.fullmatch(word)):
        return False
    if _TAILED.fullmatch(word):
        return True
    if word.isdigit() and len(word) <= _UNIT_DIGITS + 1 and (int(word) in TRIED_RATES or _is_reading(word, behind)):
        return False
    if re.fullmatch(r"(?:0[xX])?[0-9A-Fa-f,;:/_.#*+-]+", word):
        return True
    return len(word) >= _KEY_LETTERS and re.fullmatch(r"[0-9A-Za-z+/=_-]+", word) is not None


def _is_setting_or_reading(word: str) -> bool:
    """A rate, a format, a time, or a number as a meter shows it."""
    if word.isascii() and word.isdigit():
        return len(word) <= _UNIT_DIGITS + 1 and int(word) in TRIED_RATES
    plain = _PLAIN.fullmatch(word) and not _TOO_MUCH.fullmatch(word)
    return bool(plain) or _FORMAT.fullmatch(word) is not None


def _is_reading(word: str, behind: str) -> bool:
    return len(word) <= _UNIT_DIGITS and _UNIT.match(behind) is not None


def _digits(text: str) -> int:
    return sum(letter.isdigit() for letter in text)


def _covered(place: int, spans: list[tuple[int, int]]) -> bool:
    return any(begin <= place < end for begin, end in spans)


def _without(text: str, spans: list[tuple[int, int]], mask: str) -> tuple[str, int]:
    merged: list[tuple[int, int]] = []
    for begin, end in sorted(spans):
        if merged and begin < merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((begin, end))
    for begin, end in reversed(merged):
        text = text[:begin] + mask + text[end:]
    return text, len(merged)
