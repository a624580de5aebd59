"""One practice installation on a bus: the learner's commands, what they find, and benchtool's own hunt, replayed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property
from typing import ClassVar

from benchtool.capture.chunk import LineErrors, TapInfo
from benchtool.commands.practice_game import Game, Replayed, asked
from benchtool.commands.practice_replay import Replay
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.engine import observe
from benchtool.diagnose.evidence import Gatherer
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_better import LEAST as LEAST_WRONG
from benchtool.diagnose.hunt_better import answering, better, wrong
from benchtool.diagnose.hunt_question import Answer, Ask
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import PLACED
from benchtool.diagnose.readings import ACTIONS, METER, ByHand, Reading, Seen, Tried, action_of, kind_of
from benchtool.diagnose.sights_known import SIGHTS, sight_of
from benchtool.frames.decoder import BusDecoder
from benchtool.measure.tally import Tally
from benchtool.measure.waveform import Waveform, WaveformError, measure_waveform
from benchtool.reports import practice_text
from benchtool.reports.folded import columns
from benchtool.reports.practice_explain import explained
from benchtool.reports.practice_picture import picture_lines
from benchtool.reports.practice_words import reading_words
from benchtool.simulate.build import build_bus, tap_settings
from benchtool.simulate.practice import Hidden
from benchtool.simulate.practice_meter import look, meter
from benchtool.simulate.practice_person import Person
from benchtool.simulate.practice_scope import Shot, shot
from benchtool.simulate.practice_tries import changed
from benchtool.simulate.specs import Scenario

SECONDS = 20.0
_SCOPE_MINUTES, _LISTEN_MINUTES = 15.0, 1.0
_TOLD = ("address", "length")
"""Asked by a hunt, and told the learner before anything is done, or never."""


def hear(line: Scenario, seed: int, tap: str) -> Observed:
    """What an adapter that marks line errors hears of a simulated bus."""
    settings = tap_settings(line)
    info = TapInfo(tap, settings, LineErrors.MARKED, 0)
    decoder, tally = BusDecoder(settings, 0), Tally(info)
    gatherer = Gatherer(tally)
    tally.begin(0)
    for chunk in build_bus(line, seed).run(round(SECONDS * 1e9)):
        frames = decoder.feed(chunk)
        gatherer.item(chunk)
        for frame in frames:
            gatherer.frame(frame)
    for frame in decoder.close():
        gatherer.frame(frame)
    gatherer.close(round(SECONDS * 1e9))
    return observe(gatherer.evidence(decoder.counters), settings, tap=tap)


class Practice(Game):
    """An installation on a bus."""

    measurable = tuple(kind.name for kind in METER)
    visible = tuple(sight.name for sight in SIGHTS)
    tryable = tuple(action.name for action in ACTIONS)
    causes = tuple(cause.value for cause in Cause if cause is not Cause.NONE_OF_THESE)
    placed = frozenset(cause.value for cause in PLACED)
    help = practice_text.HELP
    more_help: ClassVar[Mapping[str, tuple[str, ...]]] = {"scope": practice_text.SCOPE_HELP}
    listens_words = f"{SECONDS:.0f} s at the tap: counts by address, what is odd"

    def __init__(self, hidden: Hidden) -> None:
        at = hidden.options.get("at") if hidden.fault in self.placed else None
        super().__init__(hidden.fault, None if at is None else int(at), hidden.tap)
        self._line, self._seed = hidden.line, hidden.seed
        self._listened = False
        self._hand = ByHand()
        # A second device with an address is on no list.
        self.devices = tuple(sorted({one.address for one in hidden.line.devices}))
        spec = hidden.line.line
        self.title = f"{hidden.line.title}: {hidden.line.controller.protocol}, {spec.length_m:g} m"

    @cached_property
    def heard(self) -> Observed:
        """What the tap hears of the faulty bus."""
        return hear(self._line, self._seed, "sim:practice")

    def observed(self) -> Observed:
        """Everything that the learner knows by now."""
        heard = self.heard if self._listened else Observed()
        # The title tells the length.
        return replace(heard, length_m=self._line.line.length_m).measured(self._hand)

    def done(self) -> frozenset[str]:
        """Names of what the learner knows from."""
        hand = self._hand
        names = {one.name for one in hand.readings} | {one.name for one in hand.seen} | {one.name for one in hand.tried}
        return frozenset({*names, "listen"} if self._listened else names)

    def gathered(self) -> bool:
        """Whether the learner knows anything."""
        return self._listened or self._hand != ByHand()

    def probability(self) -> float:
        """Of the true cause, by what the learner has gathered."""
        return _share(self.observed(), self.truth)

    def before(self) -> float:
        """Probability of the true cause while nothing is known."""
        return _share(Observed(), self.truth)

    def cost(self, name: str) -> float:
        """Minutes that something takes."""
        if name in ("listen", "scope"):
            return _SCOPE_MINUTES if name == "scope" else _LISTEN_MINUTES
        if name in self.visible:
            return sight_of(name).minutes
        return kind_of(name).minutes if name in self.measurable else action_of(name).minutes

    def about(self, name: str) -> list[str]:
        """What is asked, and what is done for it."""
        place = "the device"
        if name in self.visible:
            sight = sight_of(name)
            lines = [f"look {name}: {sight.ask.format(place=place)} {sight.how}"]
            caution = sight.caution
        else:
            one = kind_of(name) if name in self.measurable else action_of(name)
            verb = "measure" if name in self.measurable else "try"
            lines, caution = [f"{verb} {name}: {one.how.format(place=place)}."], one.caution
        return [*lines, f"  {self.cost(name):g} min", *([f"  ! Caution: {caution}"] if caution else [])]

    def causes_lines(self) -> list[str]:
        """All that can be named, each with what it is; an @ where it is at a device."""
        return practice_text.cause_lines(self.causes)

    def listen(self) -> list[str]:
        """Listen at the tap."""
        heard = self.heard
        if not self._listened:
            self._listened, self.minutes = True, self.minutes + _LISTEN_MINUTES
        return practice_text.heard_lines(heard, SECONDS)

    def measure(self, what: str) -> list[str]:
        """Hold the meter to it."""
        base, address = self.kind_of(what, self.measurable, "measure", "no such reading")
        value = asked(lambda: meter(self._line, base, address, self._seed))
        kind = kind_of(base)
        reading = Reading(base, value, address)
        self._hand = self._hand + ByHand((reading,))
        self.minutes += kind.minutes
        return [*self.caution(kind.caution), reading_words(reading.name, value, kind.unit)]

    def look(self, what: str) -> list[str]:
        """Look, ask, count."""
        base, address = self.kind_of(what, self.visible, "look", "nothing of that name to look at")
        sight = sight_of(base)
        answer = asked(lambda: look(self._line, base, address, self._seed, self._alive))
        if not answer:
            return ["Nobody here can tell."]
        self.minutes += sight.minutes
        self._hand = self._hand + ByHand(seen=(Seen(base, answer, address),))
        told = f"{_name(base, address)}: {sight.says(answer)}"
        if base == "branches" and answer in ("long", "far"):
            longest = max(self._line.devices, key=lambda one: one.stub_m)
            told += f"; the longest is that of address {longest.address}"
        return [*self.caution(sight.caution), told]

    def attempt(self, what: str) -> list[str]:
        """Try something, and listen again."""
        base, address = self.kind_of(what, self.tryable, "try", "no such thing to try")
        action = action_of(base)
        gone = address if base == "unplug@" else None
        after = asked(lambda: hear(changed(self._line, base, address), self._seed, "sim:practice"))
        first = []
        if not self._listened:
            # Better than what? Nobody can tell who has not listened before.
            self._listened, self.minutes = True, self.minutes + _LISTEN_MINUTES
            first = [f"Listened before, to compare ({_LISTEN_MINUTES:g} min; listen shows it)."]
        done = better(self.heard, after, gone)
        self.minutes += action.minutes
        if wrong(self.heard) < LEAST_WRONG:
            # Where all goes well nothing can get better, so that "no better" is evidence of nothing.
            told = f"{_name(base, address)}: nothing to improve, all was answered before; it tells nothing; put back"
            return [*self.caution(action.caution), *first, told]
        self._hand = self._hand + ByHand(tried=(Tried(base, done, address),))
        heard = f"before, {practice_text.heard_shortly(self.heard)}; with it, {practice_text.heard_shortly(after)}"
        told = f"{_name(base, address)}: {'it got better' if done else 'no better'} ({heard}); put back as it was"
        return [*self.caution(action.caution), *first, told]

    def scope(self, what: str) -> tuple[list[str], Shot]:
        """One record of the controller asking a device, and its figures."""
        address = self.address(what) if what else self.devices[0]
        taken = asked(lambda: shot(self._line, address, self._seed))
        self.minutes += _SCOPE_MINUTES
        wave = Waveform.of(taken.times_s, taken.a_v - taken.b_v, (taken.a_v + taken.b_v) / 2)
        try:
            figures = measure_waveform(wave, self._line.line.baud).as_readings()
        except WaveformError as error:
            return [f"nothing can be measured on it: {error}"], taken
        figures = {name: value for name, value in figures.items() if name not in practice_text.UNTOLD}
        self._hand = self._hand + ByHand(scope=figures)
        drawn = picture_lines(taken.times_s, taken.a_v - taken.b_v, 1 / self._line.line.baud, columns())
        return [f"the controller asks {address}:", *drawn, *practice_text.scope_lines(figures)], taken

    def next_worth(self) -> tuple[str, str] | None:
        """What benchtool would ask next."""
        found = Hunt(listens=True)
        found.take("")
        if self._listened:
            found.hear(self.heard)
        found.also(self._answers())
        person = Person(self._line, self._seed, self._alive, self._better)
        while (question := found.next_question()) is not None:
            answer = "" if question.ask is Ask.LISTEN else person.answer(question.name)
            # Only what can be told here is worth a hint, and what the title tells is known.
            if question.ask is Ask.LISTEN or (answer and question.name not in _TOLD):
                return question.name, question.text
            found.take(answer)
        return None

    def _answers(self) -> list[Answer]:
        readings = [Answer(one.name, f"{one.value:.4g}") for one in self._hand.readings]
        tried = [Answer(one.name, "better" if one.better else "same") for one in self._hand.tried]
        return [*readings, *tried, *(Answer(one.name, one.answer) for one in self._hand.seen)]

    def explain(self) -> list[str]:
        """What it was, and what told it."""
        numbered = self._line.controller.protocol == "osdp"
        return explained(Cause(self.truth), self.tap, self.observed(), self.said_here(), numbered=numbered)

    def said_here(self) -> str:
        """That it is the controller's own driver, where it is."""
        held = self.truth == Cause.DRIVER_HELD_LATE.value and self.place is None
        return practice_text.HELD_BY_CONTROLLER if held else ""

    def hunt(self) -> Replayed:
        """benchtool's own hunt."""
        found, steps = Hunt(self.tap), Replay()
        person = Person(self._line, self._seed, self._alive, self._better)
        while (question := found.next_question()) is not None:
            before = found.shares()
            if question.ask is Ask.LISTEN:
                found.hear(self.heard)
            else:
                found.take(person.answer(question.name))
            steps.took(self.typed(question.name), found.answers[-1], before, found.shares(), question.unit)
        return steps.ended(found, self.truth, _share(found.observed, self.truth))

    def _alive(self) -> dict[int, float]:
        """How often each address answers, whatever our own clip and settings are."""
        plain = replace(self._line, tap=replace(self._line.tap, reversed_pair=False, baud=None, format=None))
        return answering(hear(plain, self._seed, "sim:practice"))

    def _better(self, line: Scenario, gone: int | None) -> bool:
        return better(self.heard, hear(line, self._seed, "sim:practice"), gone)


def _name(base: str, address: int | None) -> str:
    return base if address is None else f"{base}{address}"


def _share(observed: Observed, cause: str) -> float:
    return next((one.probability for one in conclude(observed).findings if one.cause.value == cause), 0.0)
