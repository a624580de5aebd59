"""What a hunt asks next: of everything to look at, measure, try or listen to, what settles most for its time.

The same expected fall of the entropy as `measurements`, with sights and listening among the candidates.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchtool.diagnose import draws, measurements, weigh
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.hunt_question import Ask, Question
from benchtool.diagnose.mends import action_chance
from benchtool.diagnose.model import INDEX, all_sets
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import PLACED
from benchtool.diagnose.readings import ACTIONS, HERE, LIVE, METER, Action, Kind, kind_of
from benchtool.diagnose.sights import Sight
from benchtool.diagnose.sights_known import SIGHTS, sight_of
from benchtool.diagnose.sights_weigh import chances
from benchtool.diagnose.state import State
from benchtool.diagnose.weigh import Belief, Floats, Places, entropy

LISTENS_AWAY = 0.5
"""Share of the uncertainty that listening is expected to take away (judgement; docs/diagnosis.md: octets alone name one
cause of two rightly)."""
_LISTEN_MINUTES = 1.0
_LOOK_MINUTES, _SETUP_MINUTES = 0.5, 1.0
"""Added to the time of looking, which wants no tool, and of everything else."""
LEAST_GAIN = 0.04
"""A question expected to bring less than so many bits is not asked."""
_LEAST_WORTH = 0.008
"""Nor one that brings less than so many bits a minute (judgement: a bit in two hours)."""
_ENOUGH, _LONG_MINUTES, _LEAST_TURNS = 0.8, 6.5, 0.005
"""Where a cause is so probable, what takes long is asked only where another leads after it with so great a chance
(judgements): what is told in the end would stay the same."""
_CHEAP_MINUTES, _LEAST_CHEAP = 9.0, 0.02
"""What is looked at although all sounds well: at most so many minutes, at least so many bits a minute (judgement)."""
_MOST_PLACES = 2
"""The same reading at a third device tells little that two did not (judgement; `measurements` takes them as apart)."""
_LENGTH_MINUTES = 2.0
_BEYOND, _BEYOND_BY_CHANCE = 0.94, 0.06
"""How often a pair is longer than the rule allows where that is the cause, and elsewhere (judgement: 15 to 1, as it is
weighed)."""


@dataclass(frozen=True, slots=True)
class _Candidate:
    what: Sight | measurements.Choice | str
    address: int | None
    gain: float
    minutes: float
    apart: float
    """Bits on which of the group it is; 0 where there is no group."""
    turns: float = 1.0
    """How probable it is that another cause leads after the answer."""

    def worth(self, *, apart: bool) -> float:
        return (self.apart if apart else self.gain) / self.minutes


def best_question(
    observed: Observed, state: State, done: Collection[str], address: int | None, *, listens: bool, apart: bool = False
) -> Question | None:
    """The question most worth asking; None where none is. `listens`: whether there is a tap not listened to yet;
    `apart`: nothing else is wanted than which of the state's group it is.
    """
    found = list(_candidates(observed, state, done, address, listens=listens, apart=apart))
    settled = not state.group and state.shown[state.leader] >= _ENOUGH
    by_group = apart or any(one.apart >= LEAST_GAIN for one in found)
    for one in sorted(found, key=lambda one: -one.worth(apart=by_group)):
        gain = one.apart if apart else max(one.gain, one.apart)
        if gain < LEAST_GAIN or gain / one.minutes < _LEAST_WORTH:
            continue
        if settled and one.minutes >= _LONG_MINUTES and one.turns < _LEAST_TURNS:
            continue  # no answer to it is likely to change what is told in the end
        question = _question(one, observed, state)
        if question is not None:
            return question
    return None


def best_look(observed: Observed, state: State, done: Collection[str], address: int | None) -> Question | None:
    """The cheap look most worth asking for if a sound bus is no answer; None where none is.

    For a reader that is told to be dead where all sounds well: what is left besides is told apart.
    """
    probability = state.belief.probability.copy()
    probability[0] = 0.0
    left = replace(state.belief, probability=probability / probability.sum())
    found = [one for one in _looks(observed, state._replace(belief=left, group=()), done, address) if _cheap(one)]
    best = max(found, key=lambda one: one.worth(apart=False), default=None)
    return None if best is None else _question(best, observed, state)


def look_at(name: str, observed: Observed, state: State) -> Question | None:
    """A sight, or a reading at a device, that is asked for by its name (`settings@4`), whatever it is worth."""
    base, at, where = name.partition("@")
    place = int(where) if where.isdigit() else None
    if f"{base}{at}" in _READ_AT:
        kind = kind_of(f"{base}{at}")
        expect = measurements.meanings(kind, place, state.belief.present(), observed.length_m, state.at)
        do = f"{kind.how.format(place=place_words(place))}."
        return Question(
            name, Ask.VALUE, do, (), how_to_read(kind), expect, kind.caution, kind.unit, minutes=kind.minutes
        )
    sight = sight_of(f"{base}{at}")
    one = _weighed(sight, place, sight.minutes + _LOOK_MINUTES, chances(sight, place, state.heard_at), state)
    return _question(one, observed, state)


_READ_AT = frozenset(kind.name for kind in METER if kind.at_device)


def _cheap(one: _Candidate) -> bool:
    return one.minutes <= _CHEAP_MINUTES and one.gain >= LEAST_GAIN and one.worth(apart=False) >= _LEAST_CHEAP


def _candidates(
    observed: Observed, state: State, done: Collection[str], address: int | None, *, listens: bool, apart: bool
) -> Iterator[_Candidate]:
    """Everything that can be asked for."""
    belief, probability = state.belief, state.belief.probability
    if listens:
        parted = LISTENS_AWAY * entropy(_shares(state)) if state.group else 0.0
        yield _Candidate("listen", None, LISTENS_AWAY * belief.bits(), _LISTEN_MINUTES + _LOOK_MINUTES, parted)
    yield from _looks(observed, state, done, address)
    suspects = measurements.suspects(belief, state.at)
    at = state.at
    if not suspects and address is not None:
        # As likely there as not: what `share_at` takes of a device never heard.
        at = {cause: {address: 0.5} for cause in PLACED}
    actions = ACTIONS if _heard(observed) and weigh.something_wrong(observed.symptoms) else ()
    listed = measurements.choices(belief, observed.by_hand, observed.length_m, at, state.group, actions)
    listed = [choice for choice in listed if _choice_name(choice) not in done and not _told(choice, done)]
    # Nobody swaps wires at a reader that has no light: that is no fault of the wires.
    dark = {one.address for one in observed.by_hand.seen if one.sight == _THE_READER and one.answer == "dark"}
    listed = [one for one in listed if not (one.what.name == "swap-wires@" and one.address in dark)]
    if not suspects and address is None:
        listed = _ranked([*_where_one_stands(observed, state, done), *listed])
    for number, choice in enumerate(listed[:_MOST_MEASURED]):
        parted, turns = 0.0, 1.0
        measured = _table(choice, observed, at, probability)
        if measured is not None:
            parted = _gain_apart(measured, state) if state.group and (apart or number == 0) else 0.0
            turns = _turns(belief, measured)
        yield _Candidate(choice, choice.address, choice.gain_bits, choice.minutes + _SETUP_MINUTES, parted, turns)


_MOST_MEASURED = 8


def _where_one_stands(observed: Observed, state: State, done: Collection[str]) -> Iterator[measurements.Choice]:
    """Readings at the dead reader where nobody knows its address, and nothing was heard that tells."""
    if _nobody_dead(observed):
        return
    known, belief = draws.load_fewer(), state.belief
    for kind in METER:
        if kind.at_device and f"{kind.name}{HERE}" not in done:
            table = known.outcomes(kind, None, observed.length_m, state.at, belief.probability)
            if table is not None:
                yield measurements.Choice(
                    kind, None, belief.bits() - _expected(belief.probability, table), kind.minutes
                )


def _ranked(found: Sequence[measurements.Choice]) -> list[measurements.Choice]:
    return sorted(found, key=lambda one: -one.worth)


def _nobody_dead(observed: Observed) -> bool:
    return any(one.sight == "who-is-dead" and one.answer == "none" for one in observed.by_hand.seen)


def _looks(observed: Observed, state: State, done: Collection[str], address: int | None) -> Iterator[_Candidate]:
    """What wants eyes and ears alone, and the pair's length."""
    heard = _heard(observed)
    suspects = measurements.suspects(state.belief, state.at)
    where = address if address is not None else suspects[0] if suspects else None
    for sight in SIGHTS:
        place = where if sight.at_device else None
        if address is None and sight.at_device and (place is None or sight.name == _THE_READER):
            place = None  # the dead one that was come for, whatever its address
            if sight.name == _STILL_ANSWERS or _nobody_dead(observed):
                continue
        if (sight.heard_too and heard) or _name(sight.name, place) in done:
            continue
        if sight.name in (_STILL_ANSWERS, _RATE_SET) and not heard and not (sight.name == _RATE_SET and observed.tap):
            continue  # nobody could hear it; and there is no rate of ours to compare with
        if _told_by_other(sight.name, observed, done):
            continue
        table = chances(sight, place, state.heard_at)
        yield _weighed(sight, place, sight.minutes + _LOOK_MINUTES, table, state)
    if observed.length_m is None and "length" not in done and heard:
        beyond = np.where(all_sets().holds[:, INDEX[Cause.LINE_TOO_LONG]], _BEYOND, _BEYOND_BY_CHANCE)
        table = np.stack((beyond, 1 - beyond), axis=1)
        yield _weighed("length", None, _LENGTH_MINUTES + _LOOK_MINUTES, table, state)


def _heard(observed: Observed) -> bool:
    return observed.symptoms is not None and observed.octets > 0


def _told(choice: measurements.Choice, done: Collection[str]) -> bool:
    """Whether the same was measured at enough devices."""
    kind = choice.what.name
    return kind.endswith("@") and sum(name.startswith(kind) for name in done) >= _MOST_PLACES


def _told_by_other(name: str, observed: Observed, done: Collection[str]) -> bool:
    """Whether the other of two questions about terminators told it: what is there, or that it cannot be told. One too
    many shows in ohms; where one is missing, it is asked where the others are.
    """
    other = _SAME.get(name)
    if other is None or other not in done:
        return False
    return not any(one.sight == other and one.answer not in ("both", "ends") for one in observed.by_hand.seen)


_SAME = {"terminators": "end-boxes", "end-boxes": "terminators"}
_THE_READER, _STILL_ANSWERS, _RATE_SET = "reader@", "still-answers@", "rate-set"


def _name(name: str, address: int | None) -> str:
    place = HERE if name.endswith("@") else ""
    return f"{name}{place if address is None else address}"


def place_words(address: int | str | None) -> str:
    """Which device is meant, for people."""
    return "the reader that you stand before" if address in (None, HERE) else f"address {address}"


def _choice_name(choice: measurements.Choice) -> str:
    return _name(choice.what.name, choice.address)


def _weighed(what: Sight | str, address: int | None, minutes: float, table: Floats, state: State) -> _Candidate:
    gain = state.belief.bits() - _expected(state.belief.probability, table)
    apart = _gain_apart(table, state) if state.group else 0.0
    return _Candidate(what, address, gain, minutes, apart, _turns(state.belief, table))


def _turns(belief: Belief, table: Floats) -> float:
    """How probable it is that another cause leads after an answer; `table`: shape (sets, answers)."""
    joint = belief.probability[:, None] * table
    shares = np.vstack((joint[:1], all_sets().holds.T @ joint))  # of a sound bus, then of each cause
    before = int(shares.sum(axis=1).argmax())
    return float(joint.sum(axis=0)[shares.argmax(axis=0) != before].sum())


def _table(choice: measurements.Choice, observed: Observed, at: Places, probability: Floats) -> Floats | None:
    if isinstance(choice.what, Action):
        better = action_chance(choice.what.name, choice.address, all_sets(), at)
        return np.stack((better, 1 - better), axis=1)
    return draws.load_fewer().outcomes(choice.what, choice.address, observed.length_m, at, probability)


def _expected(probability: Floats, table: Floats) -> float:
    """Expected entropy after an answer, in bits; `table`: shape (sets, answers)."""
    joint = probability[:, None] * table
    total = joint.sum(axis=0)
    return float(sum(share * entropy(joint[:, place] / share) for place, share in enumerate(total) if share > 1e-9))


def _gain_apart(table: Floats, state: State) -> float:
    """Bits that an answer brings on which of the group it is."""
    shares = _shares(state)
    return entropy(shares) - _expected(shares, table[_rows(state)])


def _rows(state: State) -> list[int]:
    return [state.belief.most_probable(cause) for cause in state.group]


def _shares(state: State) -> Floats:
    """Of the group, 1 in all."""
    found = state.belief.probability[_rows(state)]
    return np.asarray(found / found.sum())


def _question(one: _Candidate, observed: Observed, state: State) -> Question | None:
    gain, minutes = round(max(one.gain, 0.0), 3), one.minutes
    if isinstance(one.what, Sight):
        sight = one.what
        asked = sight.ask.format(place=place_words(one.address))
        if one.address is None:
            asked = asked.replace("the reader at the reader", "the reader")
        return Question(
            _name(sight.name, one.address),
            Ask.CHOICE,
            asked,
            sight.answers,
            sight.how,
            caution=sight.caution,
            gain_bits=gain,
            minutes=minutes - _LOOK_MINUTES,
        )
    if one.what == "listen":
        return LISTEN
    if isinstance(one.what, str):
        return LENGTH
    choice = one.what
    do = choice.what.how.format(place=place_words(choice.address)) + "."
    if not observed.tap:
        do = without_tap(do)
    if isinstance(choice.what, Action):
        better, same = choice.what.expect
        told = (("better", "it got better"), ("same", "no better"))
        expect: tuple[str, ...] = (f"better: {better}", f"no better: {same}")
        return Question(
            _choice_name(choice), Ask.CHOICE, do, told, "", expect, choice.what.caution, "", gain, choice.minutes
        )
    expect = measurements.meanings(choice.what, choice.address, state.belief.present(), observed.length_m, state.at)
    if len(expect) < 2:  # no result would tell causes in play apart
        return None
    return Question(
        _choice_name(choice), Ask.VALUE, do, (), how_to_read(choice.what), expect, choice.what.caution,
        choice.what.unit, gain, choice.minutes,
    )  # fmt: skip


def without_tap(do: str) -> str:
    """What to measure where nothing of ours is clipped on."""
    for words, instead in _UNCLIPPED:
        do = do.replace(words, instead)
    return do


_UNCLIPPED = (
    ("Where we are clipped on", "At the controller's terminals"),
    ("the data wire on our + lead", "the data wire in its A (+) terminal"),
    ("the data wire on our - lead", "the data wire in its B (-) terminal"),
    ("our + lead", "A (+)"),
    ("our - lead", "B (-)"),
)
_HOW = {
    "ohm": "Set the meter to ohms, hold the probes together once (it should show less than 1), then measure. Type what "
    "it shows: 61, 1.2k, 0.3, or open where it shows no end of ohms (OL).",
    "V": "Set the meter to DC volts. Type what it shows with its sign: 0.24, -0.2, 240m for millivolts.",
}
_QUIET = (
    " To stop polling, switch the bus port off in the controller's settings; do not pull its plug, as bias and a "
    "terminator often sit there. Where it cannot be stopped, the meter shows a mean of talk and pauses: Enter."
)
"""Common practice."""


def how_to_read(kind: Kind) -> str:
    """How the meter is used for a reading, for `?`."""
    return _HOW[kind.unit] + (_QUIET if "polling stopped" in kind.how else "")


LISTEN = Question(
    "listen",
    Ask.LISTEN,
    "Clip the adapter's two leads on the pair, its ground on the common wire, and let benchtool listen.",
    how="Which lead is on which wire does not matter: that is found out. One clip at a time, none across two "
    "terminals. A laptop on its mains supply can tie the bus to earth: run it on battery, or use an isolated adapter.",
    caution=f"{LIVE} benchtool listens only; it sends nothing.",
    minutes=_LISTEN_MINUTES,
)
LENGTH = Question(
    "length",
    Ask.VALUE,
    "About how long is the pair, end to end, in metres?",
    how="From the drawing, or paced along the cable's way. A quarter more or less does no harm.",
    unit="m",
    minutes=_LENGTH_MINUTES,
)
