"""What to measure next at a reader's lines: what is expected to settle most for the time it takes, in words.

The expected fall of the entropy over the causes (bits) for its minutes, from the same worked lines that weigh results.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from benchtool.diagnose import card_model, card_rules
from benchtool.diagnose.card_belief import Belief, last_readings
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardCause, Step
from benchtool.diagnose.card_kinds import KINDS, LENGTH_RIGHT, Kind, Printed, expected_formats, kinds
from benchtool.diagnose.card_model import CAUSES, INDEX, Floats
from benchtool.diagnose.card_readings import CARD_METER, card_kind
from benchtool.diagnose.card_shape import FIGURES

_SETUP_MINUTES = 1.0
"""Added to every time, so that a worthless measurement is not chosen for being quick."""
_LEAST_GAIN = 0.02
_MOST_STEPS = 3
_LEAST_SHARE = 0.03
"""Causes less probable than this are not named in what a result would mean."""
_DOORS = "A card that is accepted opens the door: keep it in sight, and escape routes clear."
_CLIP = (
    "Use the protection and level shifting that docs/probe.md draws, and join 0 V first. Touch nothing but the signal "
    "terminals, and keep off mains parts."
)
_AGAIN_MINUTES, _PRINTED_MINUTES, _PULSES_MINUTES = 0.5, 0.3, 12.0


class _Choice(NamedTuple):
    step: Step
    table: Floats
    """Probability of each result under each cause, shape (causes, results)."""

    def gain(self, probability: Floats) -> float:
        joint = probability[:, None] * self.table
        total = joint.sum(axis=0)
        after = sum(share * entropy(joint[:, place] / share) for place, share in enumerate(total) if share > 1e-9)
        return entropy(probability) - float(after)


def entropy(probability: Floats) -> float:
    """In bits."""
    return float(-(probability * np.log2(np.maximum(probability, 1e-300))).sum())


def next_steps(evidence: CardEvidence, belief: Belief, group: Sequence[CardCause]) -> tuple[Step, ...]:
    """The best three; first what tells the causes of a group apart best for its time; else what proves a fault."""
    found = _best(evidence, belief, group)
    leader = CAUSES[int(belief.probability.argmax())]
    if found or leader is CardCause.HEALTHY:
        return found
    # As if it were open still whether anything is wrong: what settles that best proves the finding, and the mending.
    doubted = np.zeros(len(CAUSES))
    doubted[[INDEX[leader], INDEX[CardCause.HEALTHY]]] = 0.5
    strange = leader is CardCause.NONE_OF_THESE
    return _best(evidence, belief._replace(probability=doubted), (), by_reads=strange)[: 3 if strange else 1]


def _best(
    evidence: CardEvidence, belief: Belief, group: Sequence[CardCause], *, by_reads: bool = True
) -> tuple[Step, ...]:
    choices = [*_meter(evidence, belief), *(_reads(evidence, belief) if by_reads else ()), *_pulses(evidence, belief)]
    gains = [choice.gain(belief.probability) for choice in choices]
    worth = [gain / (choice.step.minutes + _SETUP_MINUTES) for choice, gain in zip(choices, gains, strict=True)]
    order = sorted(range(len(choices)), key=lambda place: -worth[place])
    splitting = _splits(choices, belief, group)
    if splitting is not None:
        order.remove(splitting)
        order.insert(0, splitting)
    found: list[Step] = []
    for place in order:
        step = choices[place].step
        if (
            gains[place] < _LEAST_GAIN
            or len(step.expect) < 2
            or _of_other_line(step.name) in {one.name for one in found}
        ):
            continue
        found.append(
            Step(step.do, step.expect, step.caution, step.name, round(gains[place], 3), step.minutes, step.back)
        )
        if len(found) == _MOST_STEPS:
            break
    return tuple(found)


def _of_other_line(name: str) -> str:
    """The same measurement at the other data line: after one of them, the other brings little."""
    other = {"d0": "d1", "d1": "d0"}.get(name[:2])
    return f"{other}{name[2:]}" if other else ""


def _splits(choices: Sequence[_Choice], belief: Belief, group: Sequence[CardCause]) -> int | None:
    if len(group) < 2:
        return None
    shares = np.zeros(len(CAUSES))
    for cause in group:
        shares[INDEX[cause]] = belief.of(cause)
    shares /= shares.sum()
    worth = [choice.gain(shares) / (choice.step.minutes + _SETUP_MINUTES) for choice in choices]
    if not worth:
        return None
    best = int(np.argmax(worth))
    return best if choices[best].gain(shares) >= _LEAST_GAIN else None


def _in_play(belief: Belief) -> list[CardCause]:
    ranked = sorted(CAUSES, key=lambda cause: -belief.of(cause))
    return [cause for cause in ranked if belief.of(cause) >= _LEAST_SHARE and cause is not CardCause.NONE_OF_THESE]


def _meter(evidence: CardEvidence, belief: Belief) -> list[_Choice]:
    done = {reading.kind for reading in last_readings(evidence)}
    off = any(card_kind(name).power_off for name in done)
    model = card_model.load()
    found = []
    for kind in CARD_METER:
        if kind.name in done:
            continue
        minutes = kind.minutes - 4 if kind.power_off and off else kind.minutes
        back = f"--meter {kind.name}={'OHMS' if kind.unit == 'ohm' else 'VOLTS'}"
        step = Step(f"{kind.how}.", meanings(kind.name, belief), kind.caution, kind.name, 0.0, minutes, back)
        found.append(_Choice(step, model.meter_table(kind.name)))
    return found


def meanings(name: str, belief: Belief) -> tuple[str, ...]:
    """What results would mean for the causes still in play: one line a range, most probable cause first."""
    kind = card_kind(name)
    ranges: list[tuple[tuple[float, float], list[str]]] = []
    for cause in _in_play(belief):
        span = card_model.load().span(name, cause)
        if span is None:
            continue
        for limits, names in ranges:
            centre = (limits[0] + limits[1]) / 2
            slack = 3 * kind.spread(10**centre if kind.unit == "ohm" else centre)
            if abs(limits[0] - span[0]) < slack and abs(limits[1] - span[1]) < slack:
                names.append(cause.value)
                break
        else:
            ranges.append((span, [cause.value]))
    return tuple(f"{_range(limits, kind.unit)}: {', '.join(names)}" for limits, names in ranges)


def _range(limits: tuple[float, float], unit: str) -> str:
    low, high = limits
    if unit == "ohm":
        low, high = 10**low, 10**high
        if low > 3e5:
            return "open"
        if high > 3e5:
            return f"{_ohms(low)} ohm or more"
        return f"about {_ohms(high)} ohm" if high < 1.2 * low else f"{_ohms(low)} to {_ohms(high)} ohm"
    return f"about {(low + high) / 2:.1f} V" if high - low < 0.25 else f"{low:.1f} to {high:.1f} V"


def _ohms(value: float) -> str:
    return f"{value / 1000:.0f}k" if value >= 1000 else f"{value:.2g}" if value < 10 else f"{value:.0f}"


def _reads(evidence: CardEvidence, belief: Belief) -> list[_Choice]:
    """The same card again; the number printed on it."""
    seen = kinds(evidence)
    expected = expected_formats(evidence)
    table = card_model.load().next_read(seen, expected)
    found = []
    again = table
    if seen:
        wrong = [kind for kind in seen if kind is not Kind.SOUND]
        if wrong:
            # A wrong read is the same as the last one, or another.
            same = card_rules.repeat_chances()[:, None]
            again = np.hstack((table * same, table * (1 - same)))
        means = _read_meanings(again, belief, len(KINDS), repeats=bool(wrong))
        do = "Hold the same card to the reader again, a few times." if evidence.reads else "Hold a card to the reader."
        found.append(
            _Choice(Step(do, means, _DOORS, "read-again", 0.0, _AGAIN_MINUTES, "the reads, with the others"), again)
        )
    if evidence.reads and not evidence.printed:
        kind = seen[-1] if seen[-1] is not Kind.NOTHING else seen[0]
        agrees = card_rules.printed_chances(kind, built=all(read.built for read in evidence.reads))
        names = [agreement.value for agreement in Printed]
        found.append(
            _Choice(
                Step(
                    "Compare with the number printed on the card.",
                    _result_meanings(agrees, names, belief),
                    "",
                    "printed",
                    0.0,
                    _PRINTED_MINUTES,
                    "--printed NUMBER",
                ),
                agrees,
            )
        )
    return found


def _read_meanings(table: Floats, belief: Belief, kinds_count: int, *, repeats: bool) -> tuple[str, ...]:
    if not repeats:
        return _result_meanings(table, [kind.value for kind in KINDS], belief)
    same = table[:, :kinds_count].sum(axis=1)
    right = [KINDS.index(kind) for kind in LENGTH_RIGHT[:1]]
    sound = table[:, right].sum(axis=1) + table[:, [kinds_count + place for place in right]].sum(axis=1)
    merged = np.stack((sound, same * (1 - sound), (1 - same) * (1 - sound)), axis=1)
    return _result_meanings(merged, ["a sound read", "wrong in the same way again", "wrong in another way"], belief)


def _result_meanings(table: Floats, names: Sequence[str], belief: Belief) -> tuple[str, ...]:
    """For each result the causes in play that it would mostly mean."""
    found: dict[str, list[str]] = {}
    for cause in _in_play(belief):
        found.setdefault(names[int(table[INDEX[cause]].argmax())], []).append(cause.value)
    return tuple(f"{name}: {', '.join(causes)}" for name, causes in found.items())


def _pulses(evidence: CardEvidence, belief: Belief) -> list[_Choice]:
    """To look at the pulses, where only bits are known; worth at least what its best figure is worth."""
    if evidence.records or any(read.pulses for read in evidence.reads):
        return []
    model = card_model.load()
    best: _Choice | None = None
    for figure in FIGURES:
        table = model.figure_table(figure)
        names = [_bin_text(figure.edges, place) for place in range(figure.bins)]
        means = tuple(f"{figure.name} {text}" for text in _result_meanings(table, names, belief))
        step = Step(
            "Record the pulses themselves: the probe on D0, D1 and 0 V (docs/probe.md), or a logic or scope record.",
            means,
            _CLIP,
            "pulses",
            0.0,
            _PULSES_MINUTES,
            "benchtool reads probe:PORT or the record's file",
        )
        choice = _Choice(step, table)
        if best is None or choice.gain(belief.probability) > best.gain(belief.probability):
            best = choice
    return [best] if best is not None else []


def _bin_text(edges: Sequence[float], place: int) -> str:
    if place == 0:
        return f"below {edges[0]:g}"
    if place == len(edges):
        return f"{edges[-1]:g} or more"
    return f"{edges[place - 1]:g} to {edges[place]:g}"
