"""What of a note may be a card, a key or a PIN: such words are `***` in the visit's log, whatever stands around them.

A note is free text, so numbers that a technician notes (readings, rates, times, addresses) must stay. What is hidden by
mistake costs a word; what is shown by mistake costs a card: in doubt a word is hidden. The rules are judgements.
"""

from __future__ import annotations

import re

from benchtool.capture.rates import TRIED_RATES

MASK = "***"
_NAMED = re.compile(
    r"\b(?:pin|code|passcode|password|card|badge|tag|fob|key|secret|scbk|number|no|nr)\b\.?(?:\s+(?:is|was|no|nr|number)\b\.?)*"
    r"[\s:=#]+[\"'(]?(?P<word>[0-9A-Za-z]*[0-9][0-9A-Za-z*#,;:/._-]*)",
    re.IGNORECASE,
)
"""What stands behind a word that announces one, however short."""
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
_UNIT = re.compile(
    r"\s*(?:V|mV|A|mA|ohms?|kohms?|Ω|k|baud|bd|bit/s|bps|Hz|kHz|ms|us|s|min|m|metres|meters|octets|frames|errors)\b"
)
"""Behind a number of at most five digits these make it a reading."""
_UNIT_DIGITS = 5


def masked_note(text: str) -> tuple[str, int]:
    """The note with `***` for what may be secret, and how many words that was."""
    spans: list[tuple[int, int]] = [match.span("word") for match in _NAMED.finditer(text) if _is_named(match)]
    spans += [match.span() for match in _OCTETS.finditer(text) if not _covered(match.start(), spans)]
    spans += [match.span() for match in _GROUPS.finditer(text) if _is_long(match[0])]
    spans += [match.span() for match in _WORD.finditer(text) if _looks(match[0], text[match.end() :])]
    return _without(text, spans)


def _is_named(match: re.Match[str]) -> bool:
    """`no 3` and `card 2` are counts and places; a PIN of any length is none."""
    return _digits(match["word"]) >= _NAMED_LEAST or match[0].lower().startswith(("pin", "pass", "code"))


def _is_long(groups: str) -> bool:
    """Two or three short addresses in a row are no number."""
    longest = max(map(len, groups.split()))
    return _digits(groups) > (_UNIT_DIGITS if longest > 2 else _UNIT_DIGITS + 2)


def _looks(word: str, behind: str) -> bool:
    digits = _digits(word)
    if digits < _LEAST or _PLAIN.fullmatch(word):
        return False
    if word.isdigit() and len(word) <= _UNIT_DIGITS + 1 and (int(word) in TRIED_RATES or _is_reading(word, behind)):
        return False
    if re.fullmatch(r"(?:0[xX])?[0-9A-Fa-f,;:/_.#*+-]+", word):
        return True
    return len(word) >= _KEY_LETTERS and re.fullmatch(r"[0-9A-Za-z+/=_-]+", word) is not None


def _is_reading(word: str, behind: str) -> bool:
    return len(word) <= _UNIT_DIGITS and _UNIT.match(behind) is not None


def _digits(text: str) -> int:
    return sum(letter.isdigit() for letter in text)


def _covered(place: int, spans: list[tuple[int, int]]) -> bool:
    return any(begin <= place < end for begin, end in spans)


def _without(text: str, spans: list[tuple[int, int]]) -> tuple[str, int]:
    merged: list[tuple[int, int]] = []
    for begin, end in sorted(spans):
        if merged and begin < merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((begin, end))
    for begin, end in reversed(merged):
        text = text[:begin] + MASK + text[end:]
    return text, len(merged)
