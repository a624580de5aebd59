"""A hunt at a reader with data lines (D0 and D1): the same conversation, with the inference of `reads`.

Reads and the numbers printed on cards are card data, so none of them is saved: a hunt taken up again listens and asks
anew. What is kept of a printed number is in which way the reads agree with it.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import replace
from itertools import combinations

from benchtool.diagnose.card_belief import believe
from benchtool.diagnose.card_engine import diagnose_lines
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardDiagnosis
from benchtool.diagnose.card_kinds import expected_formats, printed_agrees
from benchtool.diagnose.card_readings import CARD_METER, CardMeterReading, card_kind, parse_card_reading
from benchtool.diagnose.card_steps import meanings
from benchtool.diagnose.hunt_answers import Conversation, chosen, listened, saved_hunt
from benchtool.diagnose.hunt_card_choose import best_card_look
from benchtool.diagnose.hunt_choose import LEAST_GAIN
from benchtool.diagnose.hunt_question import Answer, Ask, HuntError, Question
from benchtool.diagnose.readings import DOORS, LIVE, ReadingError
from benchtool.diagnose.sensible import CERTAIN
from benchtool.diagnose.sights_card import CARD_SIGHTS, card_sight_of
from benchtool.frames.card.entry import Entry, EntryError, Kind, parse_entry

KEY, VERSION = "benchtool-card-hunt", 1
_NAMES = frozenset(kind.name for kind in CARD_METER)
_SEEN = frozenset(sight.name for sight in CARD_SIGHTS)
_READ = frozenset({"listen", "printed"})
"""Answers that hang on card data, and are not saved."""
_HOW = {
    "ohm": "Type what the meter shows: 61, 1.2k, 0.3, or open where it shows no end of ohms (OL).",
    "V": "Set the meter to DC volts, black probe on the controller's 0 V. Type what it shows: 4.9, 0.2, 120m.",
}
LISTEN = Question(
    "listen",
    Ask.LISTEN,
    "Join the probe to D0, D1 and 0 V at the controller, let benchtool read, and hold a card to the reader five times.",
    how="docs/probe.md draws how it is joined. Any card will do, also one that the door does not know; card numbers "
    "are not shown and not kept.",
    caution=f"{LIVE} {DOORS}",
    minutes=3.0,
)
PRINTED_MINUTES = 2.0
_PRINTED = "printed"
_OTHER_CARD = 4
"""Bits by which two reads of one length differ where they are of two cards (judgement: noise turns fewer)."""
_TELL_PRINTED = (
    "Type the number printed on the card that was held to the reader: its digits, or SITE,NUMBER. It is not shown, not "
    "saved, and not put on the page."
)
_HOW_PRINTED = (
    "It stands on the card or in the controller's list. Were they several cards, type all in the order they were read, "
    "with ; between. Only how the reads agree with it is kept: as it stands, inverted, last bit first, or not at all."
)


class CardHunt(Conversation):
    """One hunt at data lines. `looks`: whether somebody with eyes and ears stands at the reader."""

    def __init__(self, tap: str = "", *, listens: bool = True, looks: bool = False) -> None:
        super().__init__(tap, listens=listens)
        self.looks = looks
        self._heard = CardEvidence()
        self._printed: tuple[Entry, ...] = ()
        self._diagnosis: CardDiagnosis | None = None

    @property
    def evidence(self) -> CardEvidence:
        """Everything read and measured so far."""
        return self._evidence(self.answers)

    def _evidence(self, answers: tuple[Answer, ...]) -> CardEvidence:
        heard = self._heard if listened(answers) else CardEvidence()
        told = any(one.name == _PRINTED and one.text for one in answers) and heard.reads
        readings = tuple(_reading(one) for one in answers if one.name in _NAMES and one.text)
        seen = tuple((one.name, one.text) for one in answers if one.name in _SEEN and one.text)
        return replace(heard, readings=readings, printed=self._printed if told else (), seen=seen)

    def diagnosis(self) -> CardDiagnosis:
        """Where it stands, as `benchtool reads` would tell it."""
        if self._diagnosis is None:
            self._diagnosis = diagnose_lines(self.evidence)
        return self._diagnosis

    def shares(self) -> dict[str, float]:
        """The causes' probabilities now, by name."""
        return _shares(self.diagnosis())

    def without(self, left_out: Answer) -> dict[str, float]:
        """The causes' probabilities if one thing had not been answered."""
        return _shares(diagnose_lines(self._evidence(tuple(one for one in self.answers if one is not left_out))))

    @property
    def minutes(self) -> float:
        """About how long it took."""
        times = {kind.name: kind.minutes for kind in CARD_METER} | {"listen": LISTEN.minutes, _PRINTED: PRINTED_MINUTES}
        times |= {sight.name: sight.minutes for sight in CARD_SIGHTS}
        return sum(times[one.name] for one in self.answers if one.text)

    def next_question(self) -> Question | None:
        """What to ask now; None where the hunt is over."""
        done = {one.name for one in self.answers}
        if self.listens and "listen" not in done:
            return LISTEN
        found = self.diagnosis()
        dark = any(one == ("reader-light", "dark") for one in self.evidence.seen)
        if dark and "supply" not in done:  # a dark reader's supply comes before everything else at its lines
            kind = card_kind("supply")
            expect = meanings("supply", believe(self.evidence))
            return Question(
                "supply", Ask.VALUE, f"{kind.how}.", (), _HOW[kind.unit], expect, kind.caution, kind.unit,
                minutes=kind.minutes,
            )  # fmt: skip
        if found.findings[0].probability >= CERTAIN and found.group is None and self.settled:
            return None
        measured = self._measured(found, done)
        return best_card_look(self.evidence, found, done, measured) if self.looks else measured

    @property
    def settled(self) -> bool:
        """Whether there was something else to go by than eyes and ears: reads, or a reading."""
        return listened(self.answers) or any(one.text for one in self.answers if one.name in _NAMES)

    def _measured(self, found: CardDiagnosis, done: Collection[str]) -> Question | None:
        """The best question for the meter or the printed number."""
        for step in found.next:
            if step.name == _PRINTED and _PRINTED not in done and step.gain_bits >= LEAST_GAIN:
                return Question(
                    _PRINTED, Ask.VALUE, _TELL_PRINTED, (), _HOW_PRINTED, step.expect, step.caution, "", step.gain_bits,
                    PRINTED_MINUTES, secret=True,
                )  # fmt: skip
            if step.name in _NAMES and step.name not in done and step.gain_bits >= LEAST_GAIN:
                unit = card_kind(step.name).unit
                return Question(
                    step.name, Ask.VALUE, step.do, (), _HOW[unit], step.expect, step.caution, unit, step.gain_bits,
                    step.minutes,
                )  # fmt: skip
        return None

    def take(self, text: str) -> None:
        """Answer the question that stands; empty: it cannot be told. HuntError leaves all as it was."""
        question = self.next_question()
        if question is None:
            raise HuntError("the hunt is over: nothing is asked any more")
        if question.name == _PRINTED and text.strip():
            self.compare(_entries(text))
            return
        answer = Answer(question.name, text.strip())
        if answer.text and question.ask is Ask.LISTEN:
            raise HuntError(f"{answer.text[:40]!r}: Enter alone reads now; s where it cannot be done")
        if answer.text and question.ask is Ask.CHOICE:
            answer = Answer(question.name, chosen(question, answer.text))
        elif answer.text:
            _reading(answer)
        self._became((*self.answers, answer))

    def compare(self, printed: tuple[Entry, ...]) -> None:
        """Take the numbers printed on the cards: one for all reads, or one for each. HuntError leaves all as it was."""
        reads = self.evidence.reads
        if len(printed) not in (1, len(reads)):
            raise HuntError(
                f"{len(printed)} numbers for {len(reads)} reads: one for all, or one for each, with ; between"
            )
        heard = replace(self.evidence, printed=printed)
        if len(printed) < len(reads) and _several_cards(heard):
            raise HuntError(
                f"the {len(reads)} reads are not of one card: type the number of each, in the order they were read, "
                "with ; between; or < and read one card alone"
            )
        pairs = ((read, heard.printed_of(number)) for number, read in enumerate(reads))
        told = [printed_agrees(read.bits, one, expected_formats(heard)).value for read, one in pairs if one is not None]
        words = [f"{told.count(one)} of {len(told)} reads: {one}" for one in dict.fromkeys(told)]
        self._printed = printed
        self._became((*self.answers, Answer(_PRINTED, "; ".join(words))))

    def hear(self, heard: CardEvidence) -> None:
        """Take in what was read; the numbers printed on earlier cards are asked for anew."""
        self._heard = replace(heard, readings=())
        self._became((*(one for one in self.answers if one.name not in _READ), Answer("listen", "heard")))

    def _became(self, answers: tuple[Answer, ...]) -> None:
        super()._became(answers)
        self._diagnosis = None

    def to_json(self) -> str:
        """The text of a saved hunt; without what was read."""
        answers = [[one.name, one.text] for one in self.answers if one.name not in _READ]
        return json.dumps({KEY: VERSION, "tap": self.tap, "answers": answers}, indent=1)

    @classmethod
    def from_json(cls, text: str) -> CardHunt:
        """Take a saved hunt up again; HuntError says what is wrong with it."""
        _, tap, answers = saved_hunt(text, KEY, VERSION)
        hunt = cls(tap, listens=bool(tap))
        for one in answers:
            if one.name not in _NAMES and one.name not in _SEEN:
                raise HuntError(f"{one.name[:40]!r}: no such question")
            if one.text and one.name in _SEEN and one.text not in card_sight_of(one.name).words():
                raise HuntError(f"{one.text[:40]!r}: no answer to {one.name}")
            if one.text and one.name in _NAMES:
                _reading(one)
        hunt._became(answers)
        return hunt


def _shares(found: CardDiagnosis) -> dict[str, float]:
    return {finding.cause.value: finding.probability for finding in found.findings}


def _several_cards(heard: CardEvidence) -> bool:
    """Whether reads of the right length differ by more than damage does: one number is not that of all then."""
    lengths = {row.length for row in expected_formats(heard)}
    values = {read.bits.value for read in heard.reads if read.bits.length in lengths}
    return any((one ^ other).bit_count() >= _OTHER_CARD for one, other in combinations(values, 2))


def _entries(text: str) -> tuple[Entry, ...]:
    """Printed numbers as they are typed; HuntError never repeats one."""
    try:
        return tuple(parse_entry(one, kind=Kind.DECIMAL) for one in text.split(";") if one.strip())
    except EntryError as error:
        raise HuntError(str(error)) from None


def _reading(answer: Answer) -> CardMeterReading:
    try:
        return parse_card_reading(f"{answer.name}={answer.text}")
    except ReadingError as error:
        raise HuntError(str(error).replace(" after =", "")) from None
