"""Answers to exercises as people write them: each function gives one that understands, None for what is no answer."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from benchtool.frames.card.formats import CardFormat, find_formats


def numbers(count: int) -> Callable[[str], object | None]:
    """So many numbers, with words between them as people write them: "site 101, number 4095"."""

    def understand(text: str) -> object | None:
        parts = [part for part in re.split(r"[\s,;:/=]+", text) if part]
        numbers = [part for part in parts if re.fullmatch("-?[0-9]{1,80}", part)]
        words = [part for part in parts if part.isalpha()]
        return tuple(map(int, numbers)) if len(numbers) == count and len(numbers) + len(words) == len(parts) else None

    return understand


def bits_of(length: int) -> Callable[[str], object | None]:
    """A frame as bits or hex; its value."""

    def understand(text: str) -> object | None:
        text = re.sub(r"[\s_]", "", text)
        if text and not text.strip("01") and len(text) == length:
            return int(text, 2)
        match = re.fullmatch(r"(?:0[xX])?([0-9A-Fa-f]{1,64})(?:/([0-9]{1,3}))?", text)
        if match is None or (match[2] and int(match[2]) != length) or int(match[1], 16) >> length:
            return None
        # A frame of 0 and 1 with one too few is a slip, no hex.
        return None if not text.strip("01") and len(text) > (length + 3) // 4 else int(match[1], 16)

    return understand


def parity_bits(count: int) -> Callable[[str], object | None]:
    """So many bits, blanks and commas between them or not."""

    def understand(text: str) -> object | None:
        text = re.sub(r"[\s,]", "", text)
        return text if len(text) == count and not text.strip("01") else None

    return understand


def choice(words: dict[str, str]) -> Callable[[str], object | None]:
    """One of some words, or the beginning of it; what follows the first word is not looked at."""

    def understand(text: str) -> object | None:
        first = text.lower().split()[:1]
        means = {value for word, value in words.items() if first and word.startswith(first[0].rstrip(".,"))}
        return means.pop() if len(means) == 1 else None

    return understand


def name_among(rows: Sequence[CardFormat], right: set[str]) -> Callable[[str], object | None]:
    """Names of formats; those that all give the printed number count as one answer."""

    def understand(text: str) -> object | None:
        found = find_formats(text, tuple(rows))
        if len(found) != 1:
            return None
        return "right" if found[0].name in right else found[0].name

    return understand
