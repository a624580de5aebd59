"""Practice at a reader's data lines (D0, D1): the learner's commands, what they find, and benchtool's own hunt."""

from __future__ import annotations

from functools import cached_property

from benchtool.commands.practice_game import Game, RefusedError, Replayed
from benchtool.commands.practice_replay import Replay
from benchtool.diagnose.card_engine import diagnose_lines
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.card_readings import CARD_METER, CardMeterReading, card_kind
from benchtool.diagnose.hunt_card import LISTEN, PRINTED_MINUTES, CardHunt
from benchtool.diagnose.hunt_question import Ask
from benchtool.diagnose.sensible import CERTAIN
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.entry import Entry
from benchtool.frames.card.entry import Kind as Typed
from benchtool.frames.card.pulses import reads_of
from benchtool.reports import practice_card_text as texts
from benchtool.reports.practice_explain import card_explained
from benchtool.reports.practice_words import reading_words
from benchtool.simulate.card_address import records_of
from benchtool.simulate.card_meter import OPEN_OHM
from benchtool.simulate.practice_card import HiddenReader, card_reading, hide_reader

_MOST_TURNS = 30


def fair_reader(level: int, seed: int) -> HiddenReader:
    """A reader whose fault does enough for benchtool's own hunt to name it, alone or in the group it ends with."""
    for turn in range(_MOST_TURNS):
        hidden = hide_reader(level, seed, turn)
        if CardPractice(hidden).findable():
            return hidden
    return hide_reader(level, seed)


class CardPractice(Game):
    """A reader at the end of its cable."""

    measurable = tuple(kind.name for kind in CARD_METER)
    visible = ("printed",)
    causes = tuple(cause.value for cause in CardCause if cause is not CardCause.NONE_OF_THESE)
    help = texts.HELP
    listens_words = "the probe on both lines, a card held to the reader, five times"

    def __init__(self, hidden: HiddenReader) -> None:
        super().__init__(hidden.fault, None, hidden.tap)
        self._hidden = hidden
        self._listened = False
        self._readings: dict[str, CardMeterReading] = {}
        self._printed = False
        expected = hidden.setup.expected.name
        metres = hidden.setup.lines[0].length_m
        self.title = f"one reader on D0 and D1, {metres:.0f} m of cable; the controller is set to {expected}"

    @cached_property
    def heard(self) -> CardEvidence:
        """What a probe on both lines records while each card is held to the reader."""
        records = tuple(records_of(self._hidden.tap))
        reads = tuple(read for record in records for read in reads_of(record))
        expected = (self._hidden.setup.expected,)
        return CardEvidence(reads, records=records, expected=expected, presented=len(self._hidden.cards))

    def evidence(self) -> CardEvidence:
        """Everything that the learner knows by now."""
        heard = self.heard if self._listened else CardEvidence(expected=self.heard.expected)
        return CardEvidence(
            heard.reads,
            records=heard.records,
            expected=heard.expected,
            presented=heard.presented,
            readings=tuple(self._readings.values()),
            printed=self._entries() if self._printed and self._listened else (),
        )

    def _entries(self) -> tuple[Entry, ...]:
        cards = [card for card in self._hidden.cards if isinstance(card, Bits)]
        # A read that split in two, or never came, belongs to no card for sure.
        if len(cards) != len(self.heard.reads):
            return ()
        return tuple(Entry(Typed.BITS, "the whole frame", bits=card) for card in cards)

    def gathered(self) -> bool:
        """Whether the learner knows anything."""
        return self._listened or bool(self._readings)

    def done(self) -> frozenset[str]:
        """Names of what the learner knows from."""
        names = {*self._readings, *(("printed",) if self._printed else ())}
        return frozenset({*names, "listen"} if self._listened else names)

    def probability(self) -> float:
        """Of the true cause, by what the learner has gathered."""
        return _share(self.evidence(), self.truth)

    def before(self) -> float:
        """Probability of the true cause while nothing is known."""
        return _share(CardEvidence(), self.truth)

    def cost(self, name: str) -> float:
        """Minutes that something takes."""
        if name in ("listen", "printed"):
            return LISTEN.minutes if name == "listen" else PRINTED_MINUTES
        return card_kind(name).minutes

    def about(self, name: str) -> list[str]:
        """What is done for it."""
        if name == "printed":
            return [
                "look printed: compare the reads with the numbers printed on the cards.",
                f"  {PRINTED_MINUTES:g} min",
            ]
        kind = card_kind(name)
        caution = [f"  ! Caution: {kind.caution}"] if kind.caution else []
        return [f"measure {name}: {kind.how}.", f"  {kind.minutes:g} min", *caution]

    def causes_lines(self) -> list[str]:
        """All that can be named, each with what it is."""
        return texts.cause_lines(self.causes)

    def listen(self) -> list[str]:
        """Hold cards to the reader, with the probe on the lines."""
        if not self._listened:
            self._listened, self.minutes = True, self.minutes + LISTEN.minutes
        return texts.heard_lines(self.heard)

    def measure(self, what: str) -> list[str]:
        """Hold the meter, or the scope, to it."""
        name, _ = self.kind_of(what, self.measurable, "measure", "no such reading")
        kind = card_kind(name)
        value = card_reading(self._hidden, name)
        reading = CardMeterReading(name, min(OPEN_OHM, max(0.0, value)) if kind.unit == "ohm" else value)
        self._readings[name] = reading
        self.minutes += kind.minutes
        return [*self.caution(kind.caution), reading_words(name, reading.value, kind.unit)]

    def look(self, what: str) -> list[str]:
        """Compare with the number printed on the card."""
        self.kind_of(what, self.visible, "look", "nothing of that name to look at")
        if not self._listened:
            raise RefusedError("there is no read yet to compare with the printed number: listen first")
        if not self._entries():
            raise RefusedError("reads and cards do not go together one by one here: there is nothing to compare")
        self._printed, self.minutes = True, self.minutes + PRINTED_MINUTES
        return texts.printed_lines(self.heard, self._entries())

    def next_worth(self) -> tuple[str, str] | None:
        """What benchtool would ask next; the printed number too."""
        if not self._listened:
            return "listen", LISTEN.text
        found = diagnose_lines(self.evidence())
        if found.findings[0].probability >= CERTAIN and found.group is None:
            return None
        steps = found.next
        known = [one for one in steps if one.name in (*self.measurable, "printed")]
        return (known[0].name, known[0].do) if known else None

    def explain(self) -> list[str]:
        """What it was, and what told it."""
        return card_explained(CardCause(self.truth), self.tap, self.evidence())

    def said_here(self) -> str:
        """What it is by the pulses heard."""
        return texts.said_here(CardCause(self.truth), self.heard)

    def hunt(self) -> Replayed:
        """benchtool's own hunt."""
        hunt, steps = self._hunted()
        return steps.ended(hunt, self.truth, hunt.shares().get(self.truth, 0.0))

    def _hunted(self) -> tuple[CardHunt, Replay]:
        hunt, steps = CardHunt(self.tap), Replay()
        while (question := hunt.next_question()) is not None:
            before = hunt.shares()
            if question.ask is Ask.LISTEN:
                hunt.hear(self.heard)
            elif question.name == "printed":
                entries = self._entries()
                if entries:
                    hunt.compare(entries)
                else:
                    hunt.take("")
            else:
                hunt.take(_typed(card_reading(self._hidden, question.name), question.unit))
            steps.took(self.typed(question.name), hunt.answers[-1], before, hunt.shares(), question.unit)
        return hunt, steps

    def findable(self) -> bool:
        """Whether benchtool's own hunt ends at it, or at a group with it in."""
        found = self._hunted()[0].diagnosis()
        ends = {found.findings[0].cause} | set(found.group.causes if found.group is not None else ())
        return CardCause(self.truth) in ends


def _typed(value: float, unit: str) -> str:
    """As somebody types what a meter shows."""
    if unit == "ohm":
        value = max(0.0, value)
        return "open" if value >= OPEN_OHM else f"{value / 1e3:.3g}k" if value >= 1e3 else f"{value:.3g}"
    return f"{round(value, 2) + 0.0:.2f}"  # no minus before a nothing


def _share(evidence: CardEvidence, cause: str) -> float:
    return next((one.probability for one in diagnose_lines(evidence).findings if one.cause.value == cause), 0.0)
