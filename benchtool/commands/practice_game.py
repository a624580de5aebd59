"""What practice on a bus and practice on a reader's data lines have in common: naming the cause, hints, the score."""

from __future__ import annotations

import difflib
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, TypeVar

from benchtool.commands.practice_score import HINT, WRONG, Score, Work, score
from benchtool.reports import practice_words
from benchtool.simulate.specs import ScenarioError

_Found = TypeVar("_Found")
_NAMES = 3
NEXT = "Next worth its time: "
"""How a hint begins."""
_MOST_SHOWN, _MOST_ALIKE = 40, 4
_FURTHER = 0.25
"""What benchtool's own hunt would have measured is told where it came so much further (a judgement)."""
_FIRST = re.compile(r"[:;.]|, and")
"""What ends the beginning of a caution."""


class RefusedError(ValueError):
    """What was typed makes no sense; one line with the mend. Nothing was done, and nothing is counted."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """benchtool's own hunt on the same fault."""

    lines: tuple[str, ...]
    work: Work
    told: tuple[str, ...] = ()
    """Names of the questions whose answers it rests on, the weightiest first."""


class Game(ABC):
    """One installation being worked on."""

    title: str
    devices: tuple[int, ...] = ()
    """Addresses on the list; none on data lines."""
    measurable: tuple[str, ...]
    visible: tuple[str, ...]
    tryable: tuple[str, ...] = ()
    """What can be measured, looked at and tried; those with an `@` at a device."""
    causes: tuple[str, ...]
    placed: frozenset[str] = frozenset()
    """Causes that are at a device."""
    help: tuple[str, ...]
    more_help: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    """What `help` tells of a word beside its line."""
    listens_words: str
    """What `listen` does, in a few words."""

    def __init__(self, truth: str, place: int | None, tap: str) -> None:
        self.truth = truth
        self.place = place
        """The address at which it is; None where it has none to be named."""
        self.tap = tap
        """The address that shows the same to every other command."""
        self.minutes = 0.0
        """About how long everything done so far takes on a real site."""
        self.named = ""
        self.named_place: int | None = None
        self.over = False
        self._hints = 0
        self._hinted: set[str] = set()
        self._wrong: list[str] = []
        self._asked_where = ""
        self._cautioned: set[str] = set()

    # ---- what differs

    @abstractmethod
    def cost(self, name: str) -> float:
        """Minutes that a name of `measurable`, `visible` or `tryable` takes, or `listen`, or `scope`."""

    @abstractmethod
    def about(self, name: str) -> list[str]:
        """What one of these names asks for, and what is done for it."""

    @abstractmethod
    def causes_lines(self) -> list[str]:
        """All that can be named, each with what it is."""

    @abstractmethod
    def listen(self) -> list[str]:
        """Listen at the tap, or read cards."""

    @abstractmethod
    def measure(self, what: str) -> list[str]:
        """Hold the meter to it."""

    @abstractmethod
    def look(self, what: str) -> list[str]:
        """Look, ask, count."""

    def attempt(self, what: str) -> list[str]:
        """Try something, and listen again."""
        raise RefusedError("there is nothing to try here: listen, measure and look")

    @abstractmethod
    def next_worth(self) -> tuple[str, str] | None:
        """What benchtool would ask next, knowing what the learner knows: its name, and what is done for it.

        None where that is enough.
        """

    @abstractmethod
    def probability(self) -> float:
        """Of the true cause, by what the learner has gathered."""

    @abstractmethod
    def gathered(self) -> bool:
        """Whether the learner knows anything."""

    @abstractmethod
    def before(self) -> float:
        """Probability of the true cause while nothing is known."""

    @abstractmethod
    def hunt(self) -> Replayed:
        """benchtool's own hunt."""

    @abstractmethod
    def explain(self) -> list[str]:
        """What it was, and what told it."""

    @abstractmethod
    def done(self) -> frozenset[str]:
        """Names of what the learner has listened to, measured, seen and tried, each with its address."""

    # ---- what is the same

    @property
    def right(self) -> bool:
        """Whether the cause was named."""
        return self.named == self.truth

    @cached_property
    def hunted(self) -> Replayed:
        """benchtool's own hunt, done once."""
        return self.hunt()

    @cached_property
    def points(self) -> Score | None:
        """Of the answer given; None where it is not right. Asked for once it is over."""
        if not self.right:
            return None
        place = None if self.place is None else self.named_place == self.place
        return score(
            Work(self.probability(), self.minutes),
            self.hunted.work,
            before=self.before(),
            place=place,
            hints=self._hints,
            wrong=len(self._wrong),
            gathered=self.gathered(),
        )

    @property
    def standing(self) -> tuple[float, int, int]:
        """Minutes of work, hints and wrong names: what changes where something was done that counts."""
        return self.minutes, self._hints, len(self._wrong)

    @property
    def score(self) -> int:
        """0 to 100."""
        return 0 if not self.over or self.points is None else self.points.total

    def hint(self) -> list[str]:
        """What benchtool would ask next."""
        worth = self.next_worth()
        if worth is None:
            return ["What you have is enough: name it. (That hint was free.)"]
        told = f"{self.typed(worth[0])}. {worth[1]}"
        if told in self._hinted:
            return [f"As told before: {told} (Free this time.)"]
        self._hinted.add(told)
        self._hints += 1
        return [f"{NEXT}{told} (-{HINT} points)"]

    def typed(self, name: str) -> str:
        """The line that does what a question of that name asks for: `measure ab-idle`, `look reader@4`."""
        verbs = (("measure ", self.measurable), ("look ", self.visible), ("try ", self.tryable))
        return next((verb + name for verb, known in verbs if _kind(name) in known), name)

    def missed(self) -> list[str]:
        """What would have told it, where benchtool's own hunt got much further than the learner."""
        hunted = self.hunted
        if hunted.work.probability - self.probability() < _FURTHER:
            return []
        known = ("listen", *self.measurable, *self.visible, *self.tryable)
        left = [name for name in hunted.told if _kind(name) in known and name not in self.done()]
        told = f"What would have told it (benchtool's own hunt came to {hunted.work.probability:.0%}):"
        rows = [f"- {self.typed(name)} ({self.cost(_kind(name)):g} min)" for name in left]
        return [told, *rows] if rows else []

    def give_up(self) -> list[str]:
        """End it unnamed."""
        self.over = True
        return ["Given up."]

    def result(self) -> list[str]:
        """The points, told last, so that a small window shows them."""
        points = [] if self.points is None else self.points.lines()
        return [*points, f"Score {self.score} of 100."]

    def caution(self, text: str) -> list[str]:
        """A caution, in full the first time; later its beginning, as nobody reads the same twice."""
        if not text:
            return []
        if text in self._cautioned:
            return [f"! Caution, as before: {_FIRST.split(text)[0].lower()}"]
        self._cautioned.add(text)
        return [f"! Caution: {text}"]

    def helped(self, text: str) -> list[str]:
        """Help on one word or name; what there is, where it is none."""
        word, _, rest = text.partition(" ")
        found = [line for line in self.help if line.split(maxsplit=1)[0] == word]
        if found and not rest:
            return [*found, *self.more_help.get(word, ())]
        base = (rest.strip() if found else word).partition("@")[0]
        known = (*self.measurable, *self.visible, *self.tryable)
        names = [one for one in known if one.removesuffix("@") == _whole(base, _plain(known))]
        if names:
            return [line for one in names for line in self.about(one)]
        cause = _whole(base, self.causes)
        if cause in self.causes:
            return [line for line in self.causes_lines() if line.split(maxsplit=1)[0].removesuffix("@") == cause]
        return [f"there is no help on that{near(base, [*_plain(known), *self.causes])} kinds and causes list all names"]

    def name(self, text: str) -> list[str]:
        """The learner's answer."""
        cause, address = self._answer(text)
        if cause in self._wrong:
            return [f"You have said {cause} before: it is not that. Not counted again."]
        if cause in self.placed and address is None and self._asked_where != cause:
            self._asked_where = cause
            return [
                f"At which device? name {cause}@{self.devices[0]} ({self._list()}). Where you cannot tell, or it is at "
                f"none of them: name {cause} again."
            ]
        if cause == self.truth:
            # First what takes time: Ctrl-C in it leaves all as it was.
            _ = self.hunted
        self.named, self.named_place = cause, address
        if self.right:
            self.over = True
            lines = [f"Right: {cause}."]
            if self.place is not None and address != self.place:
                missed = "name" if address is None else "find"
                lines.append(f"It is at address {self.place}, which you did not {missed}.")
            return lines
        self._wrong.append(cause)
        if len(self._wrong) >= _NAMES:
            self.over = True
            return [f"No, it is not {cause}. That was the last try."]
        left = _NAMES - len(self._wrong)
        return [f"No, it is not {cause}: -{WRONG} points. {left} more {'try' if left == 1 else 'tries'}."]

    def _answer(self, text: str) -> tuple[str, int | None]:
        if not text:
            raise RefusedError("\n".join(["name what?", *self.causes_lines(), *self._place_words()]))
        cause, at, where = text.partition("@")
        cause = re.sub(r"[ _-]+", "-", cause.strip())
        if cause not in self.causes:
            alike = [one for one in self.causes if cause and cause[:_MOST_SHOWN] in one][:_MOST_ALIKE]
            told = f": did you mean {' or '.join(alike)}?" if alike else near(cause, self.causes)
            raise RefusedError(f"no such cause{told} causes lists them, and nothing was counted")
        if not at:
            return cause, None
        if cause not in self.placed:
            raise RefusedError(f"{cause} is of no one device: say name {cause}")
        return cause, self.address(where, f"{cause}@")

    def _place_words(self) -> list[str]:
        where = "An @ wants the device behind it, where you know it"
        return [f"{where}: name device-silent@{self.devices[0]}."] if self.placed else []

    def kind_of(self, text: str, known: Sequence[str], verb: str, noun: str) -> tuple[str, int | None]:
        """Which of `known` was typed, with its address; RefusedError says what there is."""
        if not text:
            raise RefusedError("\n".join([f"{verb} what?", *self._rows(known)]))
        base, at, where = text.lower().partition("@")
        base = _whole(base, _plain(known))
        if base in known and not at:
            return base, None
        if f"{base}@" in known:
            if not at:
                raise RefusedError(f"{base} is at a device: {verb} {base}@{self.devices[0]} ({self._list()})")
            return f"{base}@", self.address(where, f"{base}@")
        if base not in known:
            raise RefusedError(f"{noun}{near(base, _plain(known))} {verb} alone lists all")
        raise RefusedError(f"{base} is of no one device: {verb} {base}")

    def address(self, text: str, before: str = "") -> int:
        """An address on the list."""
        if not (text.isascii() and text.isdigit() and len(text) < 4):
            raise RefusedError(f"an address is wanted, such as {before}{self.devices[0]} ({self._list()})")
        if int(text) not in self.devices:
            raise RefusedError(f"there is no device {int(text)} here ({self._list()})")
        return int(text)

    def sentences(self) -> list[str]:
        """Whole lines that Tab may complete."""
        found = []
        for word, known in (("measure", self.measurable), ("look", self.visible), ("try", self.tryable)):
            for one in known:
                places = self.devices if one.endswith("@") else ("",)
                found += [f"{word} {one}{place}" for place in places]
        return [*found, *(f"name {cause}" for cause in self.causes)]

    def kinds_lines(self) -> list[str]:
        """All that can be measured, looked at and tried, each with its minutes and in plain words."""
        lines = [practice_words.row("listen", self.cost("listen"), self.listens_words)]
        if self.tryable:
            lines.append(practice_words.row("scope", self.cost("scope"), "one question and its answer, drawn"))
        for word, known in (("measure", self.measurable), ("look", self.visible), ("try", self.tryable)):
            if known:
                lines += ["", f"{word}:", *self._rows(known)]
        return [*lines, f"help NAME tells more of one; {self.minutes:g} min of work so far."]

    def _rows(self, known: Sequence[str]) -> list[str]:
        """Names, one a line, the quickest first, with an address where they want one."""
        rows = []
        for one in sorted(known, key=self.cost):
            name = f"{one}{self.devices[0]}" if one.endswith("@") else one
            rows.append(practice_words.row(name, self.cost(one), practice_words.short(one)))
        if any(one.endswith("@") for one in known):
            rows.append(f"An @ wants a device behind it: {self._list()}.")
        return rows

    def replay(self) -> list[str]:
        """benchtool's own hunt, answer by answer."""
        said = self.said_here()
        return [*self.hunted.lines, *([f"Beyond what the hunt can tell: {said}"] if said else [])]

    def said_here(self) -> str:
        """What the fault is at this installation, where the cause's usual sentence says something else; or empty."""
        return ""

    def _list(self) -> str:
        return f"devices {', '.join(map(str, self.devices))}"


def _kind(name: str) -> str:
    """`reader@4` is a `reader@`."""
    base, at, _ = name.partition("@")
    return base + at


def _plain(known: Sequence[str]) -> list[str]:
    """Names without their `@`, each once."""
    return list(dict.fromkeys(one.removesuffix("@") for one in known))


def _whole(word: str, known: Sequence[str]) -> str:
    """The name that a beginning of two letters or more can only mean."""
    found = [one for one in known if one.startswith(word)]
    return found[0] if word not in known and len(found) == 1 and len(word) > 1 else word


def near(word: str, known: Sequence[str]) -> str:
    """`: did you mean …?` where something is spelt nearly so, else `;`: what was typed is not repeated."""
    found = difflib.get_close_matches(word[:_MOST_SHOWN], known, 1)
    return f": did you mean {found[0]}?" if found else ";"


def asked(what: Callable[[], _Found]) -> _Found:
    """What a simulated installation answers; its refusal in a line."""
    try:
        return what()
    except ScenarioError as error:
        raise RefusedError(str(error)) from None
