"""Whether a pair has the same colour on the same terminal at every device, as the conductors' colours were noted.

Names of the pair's terminals: A and B, D0 and D1 by the Modbus serial line guide, others are common practice. Letters
of colours: IEC 60757 (from memory).
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from benchtool.install.places import Path
from benchtool.install.record import Device
from benchtool.install.rule import KEPT, Said, some, unknown
from benchtool.install.view import Trunk, View

_OF_THE_PAIR = re.compile(r"(?:RS-?)?(?:485|DATA|D|T|L)?[-_ ]?(?:A|B|A'|B'|[AB]?\(?[+-]\)?|[+-]\(?[AB]\)?)|D[01]")
"""Terminals of an RS-485 pair, as makers letter them."""
_LETTERS = {
    "bk": "black", "bn": "brown", "rd": "red", "og": "orange", "ye": "yellow", "gn": "green", "bu": "blue",
    "vt": "violet", "gy": "grey", "wh": "white", "pk": "pink", "tq": "turquoise", "gray": "grey", "purple": "violet",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Noted:
    """A place on a pair with the colours that are noted there."""

    path: Path
    device: Device
    cores: dict[str, str]
    pair: dict[str, str] | None
    """Of the pair's two terminals alone; None where their names do not tell which they are."""
    cables: frozenset[str]
    """Kinds of cable that meet there: another kind has other colours."""


def colours(view: View) -> Iterable[Said]:
    """What is told of each place, and of pairs where colours are not noted."""
    for trunk in view.trunks:
        missing = [device.id for _, device in trunk.placed if not device.cores]
        if missing:
            yield unknown(trunk.path, f"the conductors' colours are not noted at {some(missing)}")
        noted = _noted(trunk)
        for one in noted:
            yield from _one_colour(view, one)
        if len(noted) < 2:
            continue
        usual = _usual([one.cores for one in noted])
        reels = {cable: _reel(cable, noted) for cable in frozenset[str]().union(*(one.cables for one in noted))}
        for one in noted:
            crossed = list(_crossed(view, trunk, one, usual))
            yield from crossed or _held(view, one, [reels[cable] for cable in sorted(one.cables)])


def _noted(trunk: Trunk) -> list[_Noted]:
    meeting: dict[str, set[str]] = defaultdict(set)
    for segment in trunk.segments:
        for end in (segment.start, segment.device.id):
            meeting[end].add(segment.cable.id if segment.cable else "")
    return [
        _Noted(path, device, cores, _pair(cores), frozenset(meeting[device.id] or {trunk.bus.cable or ""}))
        for path, device in trunk.placed
        if (cores := _cores(device))
    ]


def _cores(device: Device) -> dict[str, str]:
    return {name.strip().upper(): _colour(colour) for name, colour in (device.cores or {}).items()}


def _colour(written: str) -> str:
    """`WH`, `White`, `white / blue`, `white-blue`: in one way."""
    words = re.findall(r"[^\W\d_]+", written.lower())
    return "-".join(_LETTERS.get(word, word) for word in words) or written.strip()


def _pair(cores: dict[str, str]) -> dict[str, str] | None:
    known = {name: colour for name, colour in cores.items() if _OF_THE_PAIR.fullmatch(name)}
    if len(known) == 2:
        return known
    return cores if len(cores) == 2 and not known else None


def _usual(noted: list[dict[str, str]]) -> dict[str, str]:
    """The colour that most places have on each terminal."""
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for cores in noted:
        for name, colour in cores.items():
            found[name][colour] += 1
    return {name: counts.most_common(1)[0][0] for name, counts in found.items()}


@dataclass(frozen=True, slots=True)
class _Reel:
    """The colours of a pair as far as it is laid in one kind of cable."""

    places: tuple[_Noted, ...]
    """Where no other kind of cable comes in, if there are such places; else all."""
    beside: tuple[_Noted, ...]
    """Where another kind comes in as well, and the colours may be of either."""
    usual: dict[str, str]
    """By the names of terminals that most have."""


def _reel(cable: str, noted: list[_Noted]) -> _Reel:
    touching = [one for one in noted if cable in one.cables and one.pair]
    alone = [one for one in touching if len(one.cables) == 1]
    places = alone or touching
    names = Counter(frozenset(one.pair or ()) for one in places).most_common(1)
    pairs = [one.pair for one in places if one.pair and frozenset(one.pair) == names[0][0]]
    beside = tuple(one for one in touching if len(one.cables) > 1) if alone else ()
    return _Reel(tuple(places), beside, _usual(pairs))


def _one_colour(view: View, one: _Noted) -> Iterable[Said]:
    if one.pair is not None and len(set(one.pair.values())) == 1:
        (first, second), colour = one.pair, next(iter(one.pair.values()))
        sentence = f"at {view.called(one.device.id)} both {first} and {second} are noted on {colour}"
        yield Said((*one.path, "cores"), sentence)


def _crossed(view: View, trunk: Trunk, one: _Noted, usual: dict[str, str]) -> Iterable[Said]:
    cores = one.cores
    for first in cores:
        for second in cores:
            if first < second and cores[first] != cores[second] == usual[first] and cores[first] == usual[second]:
                yield Said(
                    (*one.path, "cores"),
                    f"at {view.called(one.device.id)} the colours of {first} and {second} are the other way round than"
                    f" elsewhere on {trunk.bus.id}",
                )


def _held(view: View, one: _Noted, reels: list[_Reel]) -> Iterable[Said]:
    """Whether it agrees with one of the kinds of cable there; else what cannot be told, else what differs."""
    if one.pair is None:
        called = view.called(one.device.id)
        yield unknown(one.path, f"which two of the terminals at {called} are the pair's is not clear from their names")
    elif len(set(one.pair.values())) > 1:
        said = [_with_reel(view, one, one.pair, reel) for reel in reels]
        yield next((each for each in said if each is KEPT), None) or next(
            (each for each in said if each.unknown), said[0]
        )


def _with_reel(view: View, one: _Noted, pair: dict[str, str], reel: _Reel) -> Said:
    called = view.called(one.device.id)
    if reel.places == (one,):
        if any(other.pair == pair for other in reel.beside):
            return KEPT
        return unknown(one.path, f"the colours of the cable at {called} are noted at none of its other places")
    usual = reel.usual
    if pair.keys() == usual.keys():
        if pair == usual:
            return KEPT
    elif set(pair.values()) == set(usual.values()):
        sentence = f"at {called} the pair's terminals are {_and(pair)}, elsewhere {_and(usual)}: which is which is open"
        return unknown(one.path, sentence)
    here = " and ".join(f"{name} on {colour}" for name, colour in pair.items())
    there = " and ".join(f"{name} on {colour}" for name, colour in usual.items())
    return Said((*one.path, "cores"), f"at {called} {here} is noted, elsewhere on this cable {there}")


def _and(names: Iterable[str]) -> str:
    return " and ".join(names)
