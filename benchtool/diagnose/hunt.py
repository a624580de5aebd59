"""A hunt for what keeps a reader dead: which question is next, what an answer changes, when it is over.

A state machine without input or output: `next_question`, `take`, `hear`, `back`; and it is over where no question is
left that is worth its time. Everything answered is kept as a list, so it can be gone back on, saved and taken up again.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from benchtool.diagnose import observed as saved
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.finding import Cause, Diagnosis
from benchtool.diagnose.hunt_answers import Conversation, listened, saved_hunt
from benchtool.diagnose.hunt_choose import LENGTH, LISTEN, best_look, best_question
from benchtool.diagnose.hunt_question import Answer, Ask, HuntError, Question
from benchtool.diagnose.observed import Observed, StateError
from benchtool.diagnose.readings import (
    MOST_ADDRESS,
    ByHand,
    ReadingError,
    Seen,
    action_of,
    kind_of,
    parse_reading,
    parse_tried,
)
from benchtool.diagnose.sensible import sensible
from benchtool.diagnose.sights_known import sight_of
from benchtool.diagnose.state import State, believed, state_of
from benchtool.diagnose.weigh import levelled, something_wrong

KEY, VERSION = "benchtool-hunt", 1
_MOST_METRES = 10_000.0
_ENOUGH = 20
"""Fewer requests in all do not show who is asked (judgement)."""
_Known = TypeVar("_Known")
ADDRESS = Question(
    "address",
    Ask.VALUE,
    "Which address has the reader that does not work?",
    how="Off the site's list, the controller's screen or the reader's label. If several are dead, take the first of "
    "them along the cable. Enter alone if nobody knows.",
    minutes=0.5,
)


class Hunt(Conversation):
    """One hunt on a bus."""

    def __init__(self, tap: str = "", *, listens: bool = True) -> None:
        super().__init__(tap, listens=listens)
        self.heard: Observed | None = None
        """What listening brought, the last time."""
        self._state: State | None = None
        self._asked: Question | None = None
        self._over = False

    @property
    def observed(self) -> Observed:
        """Everything heard, seen, measured and tried so far."""
        return self._observed(self.answers)

    def _observed(self, answers: tuple[Answer, ...]) -> Observed:
        found = self.heard if self.heard is not None and listened(answers) else Observed(tap=self.tap)
        for one in answers:
            if one.text:
                found = _with(found, one)
        return found

    @property
    def address(self) -> int | None:
        """The address of the dead reader, where it was told."""
        told = [one.text for one in self.answers if one.name == "address" and one.text]
        return int(told[-1]) if told else None

    @property
    def state(self) -> State:
        """What is believed now."""
        if self._state is None:
            self._state = state_of(self.observed)
        return self._state

    def shares(self) -> dict[str, float]:
        """The causes' probabilities as they are shown now, by name."""
        return {cause.value: share for cause, share in self.state.shown.items()}

    def without(self, left_out: Answer) -> dict[str, float]:
        """The causes' probabilities if one thing had not been answered."""
        belief = believed(self._observed(tuple(one for one in self.answers if one is not left_out)))
        return {cause.value: share for cause, share in levelled(belief, belief.present())[0].items()}

    def next_question(self) -> Question | None:
        """What to ask now; None where the hunt is over. The same until it is answered."""
        if self._asked is None and not self._over:
            self._asked = self._choose()
            self._over = self._asked is None
        return self._asked

    def _choose(self) -> Question | None:
        done = {one.name for one in self.answers}
        if "address" not in done:
            return ADDRESS
        listens = self.listens and "listen" not in done
        if not (self.state.certain and self.settled):
            question = best_question(self.observed, self.state, done, self.address, listens=listens)
            if question is not None:
                return question
        if self.unexplained and self.state.leader is Cause.HEALTHY:
            return best_look(self.observed, self.state, done, self.address)
        return None

    @property
    def heard_well(self) -> bool:
        """Whether enough was heard, and all of it went well."""
        observed = self.observed
        asked = sum(one.requests for one in observed.addresses)
        return observed.symptoms is not None and asked >= _ENOUGH and not something_wrong(observed.symptoms)

    @property
    def unexplained(self) -> bool:
        """Whether a reader is told to be dead though all that was heard went well."""
        return self.address is not None and self.heard_well

    @property
    def settled(self) -> bool:
        """Whether there was something else to go by than words: listening, a reading or something tried."""
        hand = self.observed.by_hand
        return self.observed.symptoms is not None or bool(hand.readings or hand.tried)

    def take(self, text: str) -> None:
        """Answer the question that stands; empty: it cannot be told. HuntError leaves all as it was."""
        question = self.next_question()
        if question is None:
            raise HuntError("the hunt is over: nothing is asked any more")
        kept = understood(question, text)
        self._became((*self.answers, Answer(question.name, kept)))

    def hear(self, heard: Observed) -> None:
        """Take in what listening brought, as the answer to the question that stands or instead of an earlier one."""
        self.heard = replace(heard, by_hand=ByHand())
        if not listened(self.answers):
            self._became((*(one for one in self.answers if one.name != "listen"), Answer("listen", "heard")))
        else:
            self._became(self.answers)

    def also(self, answers: Sequence[Answer]) -> None:
        """Take in what was answered before any question; HuntError leaves all as it was."""
        for one in answers:
            _with(Observed(), one)
        self._became((*self.answers, *answers))

    def _became(self, answers: tuple[Answer, ...]) -> None:
        super()._became(answers)
        self._state, self._asked, self._over = None, None, False

    @property
    def minutes(self) -> float:
        """About how long it took, by the time that each question takes somebody who is there already."""
        return sum(_minutes(one.name) for one in self.answers if one.text)

    def diagnosis(self) -> Diagnosis:
        """Where it stands, as `benchtool diagnose` would tell it."""
        observed = self.observed
        return sensible(conclude(observed), listened=observed.symptoms is not None)

    def to_json(self) -> str:
        """The text of a saved hunt. No octets, no card data in it."""
        heard = None if self.heard is None else json.loads(saved.to_json(self.heard))
        answers = [[one.name, one.text] for one in self.answers]
        return json.dumps({KEY: VERSION, "tap": self.tap, "answers": answers, "heard": heard}, indent=1)

    @classmethod
    def from_json(cls, text: str) -> Hunt:
        """Take a saved hunt up again; HuntError says what is wrong with it."""
        held, tap, answers = saved_hunt(text, KEY, VERSION)
        hunt = cls(tap, listens=bool(tap))
        if held.get("heard") is not None:
            try:
                hunt.heard = saved.from_json(json.dumps(held["heard"]))
            except StateError:
                raise HuntError("what was heard cannot be read") from None
        for one in answers:
            try:
                if one.text:
                    _with(Observed(), one)
            except HuntError as error:
                raise HuntError(f"its answer to {one.name[:40]}: {error}") from None
        if listened(answers) and hunt.heard is None:
            raise HuntError("what was heard is missing")
        hunt._became(answers)
        return hunt


def understood(question: Question, text: str) -> str:
    """An answer as it is kept; HuntError, one line with the mend, where it is none."""
    text = text.strip()
    if not text:
        return ""
    if question.ask is Ask.LISTEN:
        raise HuntError(f"{text[:40]!r}: Enter alone listens now; s where it cannot be done")
    if question.ask is Ask.CHOICE:
        return _chosen(question, text)
    answer = Answer(question.name, text)
    _with(Observed(), answer)
    if question.name == "address":
        return str(int(text))
    return text


def _chosen(question: Question, text: str) -> str:
    """Which answer of a list is meant: by number, word, or the beginning of one word alone."""
    words = [word for word, _ in question.choices]
    if text.isascii() and text.isdigit() and 1 <= int(text[:4]) <= len(words):
        return words[int(text[:4]) - 1]
    meant = [word for word in words if word == text.lower()] or [
        word for word in words if word.startswith(text.lower())
    ]
    if len(meant) == 1:
        return meant[0]
    listed = ", ".join(f"{number} {word}" for number, word in enumerate(words, 1))
    raise HuntError(f"{text[:40]!r} is none of the answers: {listed}; or Enter if it cannot be told")


def _with(observed: Observed, answer: Answer) -> Observed:
    """What is known with one more answer; HuntError where it makes no sense."""
    name, text = answer.name, answer.text
    kind, at, place = name.partition("@")
    base, address = f"{kind}{at}", _address(place)
    if name == "listen":
        return observed
    if name == "address":
        if _address(text) is None:
            raise HuntError(f"{text[:40]!r}: an address from 0 to {MOST_ADDRESS} is wanted, or Enter if nobody knows")
        return observed
    if name == LENGTH.name:
        return replace(observed, length_m=_metres(text))
    if (at and address is None) or (address is not None and not at):
        raise HuntError(f"{name[:40]!r}: no such question")
    try:
        if _known(action_of, base) is not None:
            return observed.measured(ByHand(tried=(parse_tried(f"{name}={text}"),)))
        if _known(kind_of, base) is not None:
            return observed.measured(ByHand((parse_reading(f"{name}={text}"),)))
    except ReadingError as error:
        told = str(error).removeprefix(f"{name}={text}: ").replace(" after =", "")
        raise HuntError(f"{text[:40]!r}: {told}") from None
    sight = _known(sight_of, base)
    if sight is None:
        raise HuntError(f"{name[:40]!r}: no such question")
    if text not in sight.words():
        raise HuntError(f"{text[:40]!r}: no answer to {name}")
    return observed.measured(ByHand(seen=(Seen(base, text, address),)))


def _address(text: str) -> int | None:
    whole = text.isascii() and text.isdigit() and len(text) < 9
    return int(text) if whole and int(text) <= MOST_ADDRESS else None


def _known(find: Callable[[str], _Known], name: str) -> _Known | None:
    try:
        return find(name)
    except KeyError:
        return None


def _minutes(name: str) -> float:
    kind, at, _ = name.partition("@")
    base = f"{kind}{at}"
    found = _known(sight_of, base) or _known(kind_of, base) or _known(action_of, base)
    return {"listen": LISTEN, LENGTH.name: LENGTH}.get(name, ADDRESS).minutes if found is None else found.minutes


def _metres(text: str) -> float:
    try:
        value = float(text.lower().removesuffix("m").strip().replace(",", "."))
    except ValueError:
        value = 0.0
    if not 0 < value <= _MOST_METRES:
        raise HuntError(f"{text[:40]!r}: metres are wanted, such as 120")
    return value
