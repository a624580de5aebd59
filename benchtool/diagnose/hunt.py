"""A hunt for what keeps a reader dead: which question is next, what an answer changes, when it is over.

A state machine without input or output: `next_question`, `take`, `hear`, `back`; and it is over where no question is
left that is worth its time. Everything answered is kept as a list, so it can be gone back on, saved and taken up again.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from typing import TypeVar

from benchtool.diagnose import observed as saved
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.finding import Cause, Diagnosis
from benchtool.diagnose.hunt_answers import FOUND, Conversation, chosen, listened, saved_hunt
from benchtool.diagnose.hunt_choose import LENGTH, LISTEN, best_look, best_question, look_at
from benchtool.diagnose.hunt_question import Answer, Ask, HuntError, Question
from benchtool.diagnose.hunt_reader import before_replacing, dark_unfed, elsewhere, first_look, of_reader, placed_by_all
from benchtool.diagnose.hunt_retune import AGAIN, Setting, is_setting, kept, listen_again, read_over, setting_of, wanted
from benchtool.diagnose.hunt_set_to import SET_TO, SET_TO_HERE, set_otherwise, set_to_question
from benchtool.diagnose.hunt_silence import POWER, nobody_polls
from benchtool.diagnose.hunt_subject import focus, subject
from benchtool.diagnose.hunt_which import ADDRESS, looked_at, which_reader
from benchtool.diagnose.observed import Observed, StateError
from benchtool.diagnose.readings import (
    HERE,
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
_POWER_MINUTES = 6.0
"""What it takes to warn the users and switch the bus off and on again, which is done once for readings in a row."""
_UNPLUG_MINUTES = 5.0
"""What it takes to unplug a device and plug it in again, which is done once for the two questions that want it."""
_Known = TypeVar("_Known")


class Hunt(Conversation):
    """One hunt on a bus. `retunes`: whether its tap can be listened at again with another setting."""

    def __init__(self, tap: str = "", *, listens: bool = True, retunes: bool = False) -> None:
        super().__init__(tap, listens=listens)
        self.retunes = retunes
        self._heard: dict[str, Observed] = {}
        """What each kind of listening brought, the last time."""
        self._state: State | None = None
        self._asked: Question | None = None
        self._over = False

    @property
    def observed(self) -> Observed:
        """Everything heard, seen, measured and tried so far."""
        return self._observed(self.answers)

    def _observed(self, answers: tuple[Answer, ...]) -> Observed:
        heard = [self._heard[one.name] for one in answers if one.text and one.name in self._heard]
        found = heard[-1] if heard else Observed(tap=self.tap)
        for one in read_over(answers):
            if one.text:
                found = _with(found, one)
        return found

    @property
    def address(self) -> int | None:
        """The address of the dead reader, where it was told."""
        told = [one.text for one in self.answers if one.name in ("address", SET_TO_HERE) and one.text]
        return int(told[-1]) if told else None

    @property
    def reader(self) -> int | None:
        """The address that the hunt is about: as told; or of several silent ones the first that was looked at."""
        return looked_at(self.observed, self.answers) if self.address is None else self.address

    @property
    def state(self) -> State:
        """What is believed now."""
        if self._state is None:
            self._state = state_of(self.counted)
        return self._state

    @property
    def counted(self) -> Observed:
        """What of that counts for the reader that was named, or was looked at first of several that are silent."""
        return of_reader(self.observed, self.reader)

    def shares(self) -> dict[str, float]:
        """The causes' probabilities as they are shown now, by name."""
        return {cause.value: share for cause, share in self.state.shown.items()}

    def without(self, left_out: Answer) -> dict[str, float]:
        """The causes' probabilities if one thing had not been answered."""
        kept = self._observed(tuple(one for one in self.answers if one is not left_out))
        belief = believed(of_reader(kept, self.reader))
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
        if self.retunes and listened(self.answers) and self.state.shown[self.state.leader] >= FOUND:
            again = listen_again(self.state.leader, self.observed, done)
            if again is not None:
                return again
        if nobody_polls(self.observed):
            return None
        if listened(self.answers) and not self.observed.octets and POWER not in done:
            return look_at(POWER, self.observed, self.state)
        otherwise = set_otherwise(self.observed, self.address)
        if otherwise is not None:  # that is why, whatever else is wrong; only which address it is can be asked still
            return set_to_question(otherwise, done) or (LISTEN if listens else None)
        if listened(self.answers):
            about = which_reader(self.observed, self.address, self.answers)
            if about is not None:
                return about
        if (self.unasked and self.heard_well) or self.confirmed:
            return None
        first = dark_unfed(self.counted, done) or first_look(self.counted, self.address, done)
        if first is not None:
            return look_at(first, self.counted, self.state)
        question = self._worth_asking(done, listens=listens)
        if question is None and self.settled:
            settings = before_replacing(self.counted, self.focus or self.state, self.address, done)
            return None if settings is None else look_at(settings, self.counted, self.state)
        return question

    def _worth_asking(self, done: Collection[str], *, listens: bool) -> Question | None:
        """What settles most for its time; None where nothing does."""
        about = self.focus
        if about is not None:
            if not about.group and not listens:
                return None
            return best_question(self.counted, about, done, self.address, listens=listens, apart=bool(about.group))
        if not (self.state.certain and self.settled):
            question = best_question(self.counted, self.state, done, self.address, listens=listens)
            if question is not None:
                return question
        if self.unexplained and self.state.leader is Cause.HEALTHY:
            return best_look(self.counted, self.state, done, self.address)
        return None

    @property
    def focus(self) -> State | None:
        """The state for the dead reader alone, where what leads does not account for it; else None."""
        return focus(self.counted, self.state, self.address)

    @property
    def subject(self) -> tuple[tuple[Cause, float], ...]:
        """What can keep the named reader dead, the likeliest first, where what leads does not account for it."""
        about = self.focus
        return () if about is None or self.address is None else subject(self.counted, about, self.address)

    @property
    def setting(self) -> Setting:
        """How to listen for the question that stands."""
        question = self.next_question()
        if question is None:
            return setting_of(self.answers)
        return wanted(question.name, self.observed, self.answers)

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
    def unasked(self) -> bool:
        """Whether nobody asks the address of the reader that is told to be dead, though others are asked."""
        rows = self.observed.addresses
        others = sum(one.requests for one in rows if one.address != self.address)
        asked = any(one.requests for one in rows if one.address == self.address)
        return self.address is not None and others >= _ENOUGH and not asked

    @property
    def confirmed(self) -> bool:
        """Whether the told address answers while another never does, and it was told to be right all the same."""
        told = sum(one.name == ADDRESS.name for one in self.answers)
        return told > 1 and elsewhere(self.observed, self.address) is not None

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
        heard = replace(heard, by_hand=ByHand())
        again = self._asked.name if self._asked is not None and self._asked.name in AGAIN else None
        if again is not None:
            self._heard[again] = heard
            self._became((*self.answers, Answer(again, kept(again, heard))))
            return
        self._heard["listen"] = heard
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
        total, off = 0.0, False
        for one in self.answers:
            kind = _known(kind_of, one.name)
            if one.text:
                total += _minutes(one.name) - (_POWER_MINUTES if off and kind is not None and kind.power_off else 0.0)
            if kind is not None and one.text:
                off = kind.power_off
        told = [one.name.partition("@") for one in self.answers if one.text]
        unplugged = ({place for name, _, place in told if name == what} for what in ("unplug", "still-answers"))
        return total - _UNPLUG_MINUTES * len(set.intersection(*unplugged))

    def diagnosis(self) -> Diagnosis:
        """Where it stands, as `benchtool diagnose` would tell it."""
        observed = self.counted
        found = conclude(observed)
        # Between which devices a wire is open, all of them tell.
        placed = (placed_by_all(one, self.observed) for one in found.findings)
        return sensible(replace(found, findings=tuple(placed)), listened=observed.symptoms is not None)

    def to_json(self) -> str:
        """The text of a saved hunt. No octets, no card data in it."""
        heard = {name: json.loads(saved.to_json(one)) for name, one in self._heard.items()}
        first = heard.pop("listen", None)
        answers = [[one.name, one.text] for one in self.answers]
        held = {KEY: VERSION, "tap": self.tap, "answers": answers, "heard": first}
        return json.dumps({**held, "heard-again": heard} if heard else held, indent=1)

    @classmethod
    def from_json(cls, text: str) -> Hunt:
        """Take a saved hunt up again; HuntError says what is wrong with it."""
        held, tap, answers = saved_hunt(text, KEY, VERSION)
        hunt = cls(tap, listens=bool(tap))
        again = held.get("heard-again", {})
        if not isinstance(again, dict) or not again.keys() <= set(AGAIN):
            raise HuntError("what was heard cannot be read")
        for name, heard in {"listen": held.get("heard"), **again}.items():
            if heard is not None:
                try:
                    hunt._heard[name] = saved.from_json(json.dumps(heard))
                except StateError:
                    raise HuntError("what was heard cannot be read") from None
        for one in answers:
            try:
                if one.text:
                    _with(Observed(), one)
            except HuntError as error:
                raise HuntError(f"its answer to {one.name[:40]}: {error}") from None
        if any(one.text and one.name in ("listen", *AGAIN) and one.name not in hunt._heard for one in answers):
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
        return chosen(question, text)
    answer = Answer(question.name, text)
    _with(Observed(), answer)
    if question.name == "address" or question.name.startswith(SET_TO):
        return str(int(text))
    return text


def _with(observed: Observed, answer: Answer) -> Observed:
    """What is known with one more answer; HuntError where it makes no sense."""
    name, text = answer.name, answer.text
    kind, at, place = name.partition("@")
    base, address = f"{kind}{at}", _address(place)
    here = bool(at) and place == HERE
    if name == "listen" or name in AGAIN:
        if name not in ("listen", AGAIN[0]) and not is_setting(text):
            raise HuntError(f"{text[:40]!r}: a rate and a format are wanted, such as 9600 8N1")
        return observed
    if name == "address":
        if _address(text) is None:
            raise HuntError(f"{text[:40]!r}: an address from 0 to {MOST_ADDRESS} is wanted, or Enter if nobody knows")
        return observed
    if name == LENGTH.name:
        return replace(observed, length_m=_metres(text))
    if name.startswith(SET_TO):
        if _address(text) is None or not (here or address is not None):
            raise HuntError(
                f"{text[:40]!r}: an address from 0 to {MOST_ADDRESS} is wanted, or Enter if it cannot be told"
            )
        return observed
    if (at and address is None and not here) or (address is not None and not at):
        raise HuntError(f"{name[:40]!r}: no such question")
    try:
        if _known(action_of, base) is not None and not here:
            return observed.measured(ByHand(tried=(parse_tried(f"{name}={text}"),)))
        if _known(kind_of, base) is not None:
            reading = parse_reading(f"{base}{0 if here else place}={text}")
            return observed.measured(ByHand((replace(reading, address=None) if here else reading,)))
    except ReadingError as error:
        told = str(error).replace(f"{base}0", name) if here else str(error)
        told = told.removeprefix(f"{name}={text}: ").replace(" after =", "")
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
    told = {"listen": LISTEN, LENGTH.name: LENGTH, **dict.fromkeys(AGAIN, LISTEN)}
    return told.get(name, ADDRESS).minutes if found is None else found.minutes


def _metres(text: str) -> float:
    try:
        value = float(text.lower().removesuffix("m").strip().replace(",", "."))
    except ValueError:
        value = 0.0
    if not 0 < value <= _MOST_METRES:
        raise HuntError(f"{text[:40]!r}: metres are wanted, such as 120")
    return value
