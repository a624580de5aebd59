"""Answers to exercises as people write them: each function gives one that understands, None for what is no answer.

Understanding is kept apart from judging: an answer that says two things, or says what it is not, is no answer, so that
nobody is marked wrong, or right, for how they wrote it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from benchtool.frames.card.entry import EntryError, parse_entry
from benchtool.frames.card.entry import Kind as Taken
from benchtool.frames.card.formats import CardFormat, find_formats

Understand = Callable[[str], object | None]

_SAME_WORD = {"facility": "site", "code": "code", "no": "number", "nr": "number", "num": "number", "id": "number"}
"""Words that people use for a word of a field's name."""
_FILLERS = {
    *("a", "an", "and", "are", "arrived", "bit", "bits", "came", "card", "data", "format", "frame", "has", "have"),
    *("in", "is", "it", "its", "line", "lines", "of", "on", "order", "out", "parity", "the", "this", "was", "were"),
    *("which", "wire", "wires", "with", "wrong"),
}
"""Words that say nothing beside an answer."""


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text.lower())


def numbers(*names: str) -> Understand:
    """A number for each name, in this order, or in any order where names stand beside them: "number 4095, site 101"."""
    keys = [set(_words(name.replace("_", " "))) for name in names]

    def named(words: Sequence[str]) -> int | None:
        """Which number the words speak of; None where they fit none, or several alike."""
        said = {_SAME_WORD.get(word, word) for word in words}
        hits = [len(said & key) for key in keys]
        best = max(hits)
        return hits.index(best) if best and hits.count(best) == 1 else None

    def understand(text: str) -> object | None:
        pieces = _number_pieces(text)
        if pieces is None:
            return None
        found = [int(piece) for piece in pieces if _is_number(piece)]
        if len(found) != len(names):
            return None
        places = [named(words) for words in _beside(pieces)]
        if len(names) > 1 and any(place is not None for place in places):
            # A name left out belongs to the number that is left.
            free = [place for place in range(len(names)) if place not in places]
            filled = [free.pop(0) if place is None and free else place for place in places]
            if set(filled) != set(range(len(names))):
                return None
            found = [found[filled.index(place)] for place in range(len(names))]
        return tuple(found)

    return understand


def _is_number(piece: str) -> bool:
    return re.fullmatch("-?[0-9]+", piece) is not None


def _number_pieces(text: str) -> list[str] | None:
    """Numbers, words and commas of an answer; None where it holds anything else, as "12x" or "1.5"."""
    text = text.lower().replace("_", " ")
    text = re.sub(r"\b([0-9]{1,80})(?:st|nd|rd|th)\b", r"\1", text)
    text = re.sub(r"\bbit([0-9])", r"bit \1", text)
    # A dash between two numbers parts them; a sign stands by itself before one.
    text = re.sub(r"(?<=[0-9])[-–](?=[0-9])|\s[-–]\s", " ", text)
    pieces = []
    pattern = r"-?[0-9]{1,80}(?![0-9.]*[0-9]|[^\W_])|[^\W\d_]+(?![0-9])|[,;]|[\s:/=#().!'\"]+"
    at = 0
    while at < len(text):
        match = re.compile(pattern).match(text, at)
        if match is None:
            return None
        if match[0].strip(" \t:/=#().!'\"\r\n\v\f"):
            pieces.append(match[0])
        at = match.end()
    return pieces


def _beside(pieces: Sequence[str]) -> list[list[str]]:
    """The words that belong to each number: of its clause where each has one, else those before it, or behind it."""
    clauses: list[list[str]] = [[]]
    for piece in pieces:
        if piece in (",", ";", "and"):
            clauses.append([])
        else:
            clauses[-1].append(piece)
    clauses = [clause for clause in clauses if clause]
    if all(sum(map(_is_number, clause)) == 1 for clause in clauses):
        return [[piece for piece in clause if not _is_number(piece)] for clause in clauses]
    plain = [piece for piece in pieces if piece not in (",", ";", "and")]
    turned = bool(plain) and _is_number(plain[0])
    groups: list[list[str]] = []
    words: list[str] = []
    for piece in reversed(plain) if turned else plain:
        if _is_number(piece):
            groups.append(words)
            words = []
        else:
            words.append(piece)
    return groups[::-1] if turned else groups


def bits_of(length: int) -> Understand:
    """A frame as bits or hex, also as `26:HEX`, `HEX/26` or octets; its value."""

    def understand(text: str) -> object | None:
        text = re.sub(r"^\s*hex\b|[\s_|.,]", "", text.lower())
        bits = text.replace("-", "")
        if bits and not bits.strip("01") and len(bits) == length:
            return int(bits, 2)
        # A frame of 0 and 1 with one too few is a slip, no hex.
        if not bits.strip("01") and len(bits) > 2 * ((length + 7) // 8):
            return None
        try:
            entry = parse_entry(text, length=length, kind=Taken.HEX)
        except EntryError:
            return None
        return None if entry.bits is None else entry.bits.value

    return understand


_PARITY_BIT = re.compile(
    r"\b(?:parity )?(?:bit|b|p) ?#?([0-9]{1,3})(?:\s*(?:=|:|->|→|is\b)\s*|\s+)([01])\b"
    r"|\b([0-9]{1,3})\s*(?:=|:|->|→)\s*([01])\b"
)
"""A place with the bit there: "bit 26 = 0", "26: 0"."""


def parity_bits(*places: int) -> Understand:
    """The bits at these places, in this order; or each beside its place, as "bit 26 = 0, bit 1 = 1"."""

    def understand(text: str) -> object | None:
        text = text.lower()
        plain = re.sub(r"\band\b|[\s,;&/.]", "", text)
        if len(plain) == len(places) and not plain.strip("01"):
            return plain
        found = [(int(one[1] or one[3]), one[2] or one[4]) for one in _PARITY_BIT.finditer(text)]
        rest = _PARITY_BIT.sub(" ", text)
        if re.sub(r"\band\b|[\s,;&/.]", "", rest) or sorted(place for place, _ in found) != sorted(places):
            return None
        said = dict(found)
        return "".join(said[place] for place in places)

    return understand


def open_line(text: str) -> object | None:
    """D0 or D1, as "line D0", "data 0" or "0"; None where both are named, or one is said to be well."""
    text = re.sub(r"\b(?:d|data|line)[\s-]*([01])\b", r"d\1", text.lower())
    said = _words(text)
    lines = {word.removeprefix("d") for word in said if re.fullmatch("d?[01]", word)}
    rest = {word for word in said if not re.fullmatch("d?[01]", word)}
    faults = {"open", "broken", "cut", "dead", "missing", "interrupted", "disconnected", "off"}
    return lines.pop() if len(lines) == 1 and rest <= _FILLERS | faults else None


_CHANGES = {
    "swapped": ("swap", "swaped", "swapped", "swopped", "crossed", "exchanged", "invert", "inverted"),
    "reversed": ("reverse", "reversed", "backwards", "backward", "mirrored"),
    "nothing": ("nothing", "none", "neither", "no", "ok", "okay", "fine", "good", "right", "correct"),
}


def changed(means: dict[str, str]) -> Understand:
    """Swapped, reversed or nothing, in a sentence or shortened; given as `means` has it."""

    def understand(text: str) -> object | None:
        said = _words(text)
        if len(said) == 1:
            found = {way for way, words in _CHANGES.items() if said[0] in words or way.startswith(said[0])}
            return means[found.pop()] if len(found) == 1 else None
        found = {way for way, words in _CHANGES.items() if set(said) & set(words)}
        rest = set(said) - {word for words in _CHANGES.values() for word in words} - _FILLERS - {"d0", "d1"}
        if found == {"nothing", "swapped", "reversed"} and "neither" in said and rest <= {"nor"}:
            return means["nothing"]
        if found == {"nothing"}:
            rest -= {"fault", "faults", "error", "errors", "there"}
        return means[found.pop()] if len(found) == 1 and not rest else None

    return understand


def name_among(rows: Sequence[CardFormat], right: set[str]) -> Understand:
    """Names of formats; those that all give what the card says count as one answer."""

    def understand(text: str) -> object | None:
        found = find_formats(text, tuple(rows))
        if len(found) != 1:
            plain = re.sub(r"\b(?:it|is|the|its|a|format)\b|[.!]", " ", text.lower())
            found = find_formats(plain, tuple(rows))
        if len(found) != 1:
            return None
        return "right" if found[0].name in right else found[0].name

    return understand
