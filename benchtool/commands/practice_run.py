"""One practice installation: the learner's commands, what they cost, the score; and benchtool's own hunt, replayed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cached_property
from typing import TypeVar

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.diagnose.engine import observe
from benchtool.diagnose.evidence import Gatherer
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_better import alive, better
from benchtool.diagnose.hunt_question import Answer, Ask
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.readings import ByHand, Reading, Seen, Tried, action_of, kind_of
from benchtool.diagnose.sights_known import sight_of
from benchtool.frames.decoder import BusDecoder
from benchtool.measure.tally import Tally
from benchtool.measure.waveform import Waveform, WaveformError, measure_waveform
from benchtool.measure.waveform_readings import in_words
from benchtool.reports import practice_text
from benchtool.reports.hunt_text import answer_words, learned_lines, result_lines, wrap
from benchtool.simulate.build import build_bus, tap_settings
from benchtool.simulate.practice import Hidden
from benchtool.simulate.practice_meter import KINDS, look, meter
from benchtool.simulate.practice_person import Person
from benchtool.simulate.practice_scope import Shot, shot
from benchtool.simulate.practice_tries import changed
from benchtool.simulate.specs import Scenario, ScenarioError

_T = TypeVar("_T")
_SECONDS = 20.0
_HINT, _WRONG = 10, 15
_FREE_MINUTES, _MINUTES_A_POINT = 10.0, 2.0
_LEAST = 10
_NAMES = 3
_SCOPE_MINUTES, _LISTEN_MINUTES = 15.0, 1.0


class RefusedError(ValueError):
    """What was typed makes no sense; one line with the mend."""


def hear(line: Scenario, seed: int, tap: str) -> Observed:
    """What an adapter that marks line errors hears of a simulated bus."""
    settings = tap_settings(line)
    info = TapInfo(tap, settings, LineErrors.MARKED, 0)
    decoder, tally = BusDecoder(settings, 0), Tally(info)
    gatherer = Gatherer(tally)
    tally.begin(0)
    for chunk in build_bus(line, seed).run(round(_SECONDS * 1e9)):
        frames = decoder.feed(chunk)
        gatherer.item(chunk)
        for frame in frames:
            gatherer.frame(frame)
    for frame in decoder.close():
        gatherer.frame(frame)
    gatherer.close(round(_SECONDS * 1e9))
    return observe(gatherer.evidence(decoder.counters), settings, tap=tap)


class Practice:
    """One installation being worked on."""

    def __init__(self, hidden: Hidden) -> None:
        self._hidden = hidden
        self._listened = False
        self._hand = ByHand()
        self._hints = self._wrong = 0
        self.minutes = 0.0
        """About how long everything done so far takes on a real site."""
        self.named = ""
        self.over = False

    @cached_property
    def heard(self) -> Observed:
        """What the tap hears of the faulty bus."""
        return hear(self._hidden.line, self._hidden.seed, "sim:practice")

    @property
    def truth(self) -> Cause:
        """What is wrong."""
        return Cause(self._hidden.fault)

    @property
    def right(self) -> bool:
        """Whether it was named."""
        return self.named == self.truth.value

    @property
    def score(self) -> int:
        """0 to 100: nothing where it was not named; less for time beyond ten minutes, hints and wrong names."""
        if not self.right:
            return 0
        late = max(0.0, self.minutes - _FREE_MINUTES) / _MINUTES_A_POINT
        return max(_LEAST, round(100 - late - _HINT * self._hints - _WRONG * self._wrong))

    def gathered(self) -> Observed:
        """Everything that the learner knows by now."""
        return (self.heard if self._listened else Observed()).measured(self._hand)

    def listen(self) -> list[str]:
        """Listen at the tap."""
        if not self._listened:
            self._listened, self.minutes = True, self.minutes + _LISTEN_MINUTES
        return practice_text.heard_lines(self.heard)

    def measure(self, what: str) -> list[str]:
        """Hold the meter to it."""
        base, address = _named(what)
        if base not in KINDS:
            raise RefusedError(f"{what}: there is no such reading; kinds lists them")
        value = self._ask(lambda: meter(self._hidden.line, base, address, self._hidden.seed))
        kind = kind_of(base)
        reading = Reading(base, value, address)
        self._hand = self._hand + ByHand((reading,))
        self.minutes += kind.minutes
        return [*wrap(f"Caution: {kind.caution}", "! "), reading.text()]

    def look(self, what: str) -> list[str]:
        """Look, ask, count."""
        base, address = _named(what)
        try:
            sight = sight_of(base)
        except KeyError:
            raise RefusedError(f"{what}: nothing of that name to look at; kinds lists them") from None
        answer = self._ask(lambda: look(self._hidden.line, base, address, self._hidden.seed, self._alive))
        self.minutes += sight.minutes
        if not answer:
            return ["Nobody here can tell."]
        self._hand = self._hand + ByHand(seen=(Seen(base, answer, address),))
        return wrap(f"{what}: {sight.says(answer)}")

    def attempt(self, what: str) -> list[str]:
        """Try something, and listen again."""
        base, address = _named(what)
        try:
            action = action_of(base)
        except KeyError:
            raise RefusedError(f"{what}: no such action; kinds lists them") from None
        done = self._ask(lambda: self._better(changed(self._hidden.line, base, address), _gone(base, address)))
        self._hand = self._hand + ByHand(tried=(Tried(base, done, address),))
        self.minutes += action.minutes
        told = f"{what}: {'it got better' if done else 'no better'}; put back as it was"
        return [*wrap(f"Caution: {action.caution}", "! "), told]

    def scope(self, what: str) -> tuple[list[str], Shot]:
        """One record of the controller asking a device, and its figures."""
        text = what or str(self._hidden.line.devices[0].address)
        if not (text.isascii() and text.isdigit() and len(text) < 4):
            raise RefusedError(f"scope {what}: the address of a device is wanted")
        taken = self._ask(lambda: shot(self._hidden.line, int(text), self._hidden.seed))
        self.minutes += _SCOPE_MINUTES
        wave = Waveform.of(taken.times_s, taken.a_v - taken.b_v, (taken.a_v + taken.b_v) / 2)
        try:
            figures = measure_waveform(wave, self._hidden.line.line.baud).as_readings()
        except WaveformError as error:
            return [f"nothing can be measured on it: {error}"], taken
        self._hand = self._hand + ByHand(scope=figures)
        return [line for name, value in figures.items() for line in wrap(in_words(name, value), "- ")], taken

    def hint(self) -> list[str]:
        """What benchtool would ask next, knowing what the learner knows."""
        self._hints += 1
        found = Hunt(listens=True)
        found.take("")
        if self._listened:
            found.hear(self.heard)
        found.also(self._answers())
        question = found.next_question()
        if question is None:
            return ["What you have is enough: name it."]
        return wrap(f"Next worth its time: {question.name}. {question.text}")

    def _answers(self) -> list[Answer]:
        readings = [Answer(one.name, f"{one.value:.4g}") for one in self._hand.readings]
        tried = [Answer(one.name, "better" if one.better else "same") for one in self._hand.tried]
        return [*readings, *tried, *(Answer(one.name, one.answer) for one in self._hand.seen)]

    def name(self, cause: str) -> list[str]:
        """The learner's answer."""
        known = {one.value for one in Cause} - {Cause.NONE_OF_THESE.value}
        if cause not in known:
            raise RefusedError(f"{cause or 'name'}: say name CAUSE; causes lists them")
        self.named = cause
        if self.right:
            self.over = True
            return [f"Right: {cause}. Score {self.score} of 100, about {self.minutes:.0f} min on a real site."]
        self._wrong += 1
        if self._wrong >= _NAMES:
            self.over = True
            return [f"No, it is not {cause}. That was the last try."]
        left = _NAMES - self._wrong
        return [f"No, it is not {cause}. {left} more {'try' if left == 1 else 'tries'}."]

    def explain(self) -> list[str]:
        """What it was, and what told it."""
        return practice_text.explained(self.truth, self._hidden.tap, self.gathered())

    def replay(self) -> list[str]:
        """benchtool's own hunt on the same fault."""
        hunt, lines = Hunt(self._hidden.tap), ["benchtool's own hunt:"]
        person = Person(self._hidden.line, self._hidden.seed, self._alive, self._better)
        while (question := hunt.next_question()) is not None:
            before = hunt.shares()
            if question.ask is Ask.LISTEN:
                hunt.hear(self.heard)
            else:
                hunt.take(person.answer(question.name))
            lines += wrap(answer_words(hunt.answers[-1]), f"{len(hunt.answers)}. ")
            lines += learned_lines(before, hunt.shares())
        return [*lines, *result_lines(hunt), f"about {hunt.minutes:.0f} min of work"]

    def _alive(self) -> frozenset[int]:
        """Which addresses answer, whatever our own clip and settings are."""
        line = self._hidden.line
        plain = replace(line, tap=replace(line.tap, reversed_pair=False, baud=None, format=None))
        return alive(hear(plain, self._hidden.seed, "sim:practice"))

    def _better(self, line: Scenario, gone: int | None) -> bool:
        return better(self.heard, hear(line, self._hidden.seed, "sim:practice"), gone)

    def _ask(self, what: Callable[[], _T]) -> _T:
        try:
            return what()
        except ScenarioError as error:
            raise RefusedError(str(error)) from None


def _gone(base: str, address: int | None) -> int | None:
    return address if base == "unplug@" else None


def _named(text: str) -> tuple[str, int | None]:
    base, at, place = text.strip().lower().partition("@")
    if at and not (place.isascii() and place.isdigit() and len(place) < 4):
        raise RefusedError(f"{text}: after @ an address is wanted, such as {base}@4")
    return f"{base}{at}", int(place) if place else None
