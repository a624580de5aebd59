"""Practice in words: what can be typed, what listening and a scope show, the explanation."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from benchtool.diagnose import model
from benchtool.diagnose.advice import ADVICE
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.finding import REST, Cause, Proof
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import PLACED
from benchtool.diagnose.summaries import SUMMARIES
from benchtool.measure.waveform_limits import quantity
from benchtool.reports.diagnosis_text import weight_words
from benchtool.reports.practice_tells import TELLS

_MOST_PROOFS = 5
_TELLING = 0.1
_SPLITS, _SURELY, _MOST_SPLITS = 0.25, 3.0, 3
"""Weights (log10) from which a sign tells two faults apart, and from which it settles it."""
_MAINS = "tested against the mains"
_TOGETHER = "all other signs together, each of them small"
_NAMED = {
    Cause.CONDUCTOR_OPEN: "One data wire, or both, is open before the device.",
    Cause.BAUD_WRONG: "We listen with another rate than the bus has.",
    Cause.FORMAT_WRONG: "We listen with another character format than the bus has (parity or stop bits).",
    Cause.STUB_TOO_LONG: "A branch off the pair, to the device, is too long for this rate and these drivers.",
}
HELD_BY_CONTROLLER = (
    "Here it is the controller's own driver: it holds the pair beyond its question, and spoils the beginning of every "
    "device's answer."
)
_WORTH: dict[str, float] = {
    "marks-framing": 0,
    "marks-parity": 0,
    "marks-break": 0,
    "sound-with-framing": 0,
    "sound-with-parity": 0,
    "strays": 0,
    "strays-after-reply": 0.3,
    "strays-after-request": 0.3,
    "strays-before": 0.3,
    "strays-high": 0.5,
    "outages": 0,
    "latency-apart": 1.5,
    "latency-spread": 1.5,
    "late": 0,
    "second-replies": 0,
    "cut-in": 0,
    "odd-steps": 0.1,
    "sequence-wrong": 0,
    "sequence-jumps": 0,
    "sequence-repeats": 0,
    "sequence-restarts": 0,
    "sequence-mismatches": 0,
    "refusals": 0,
    "numbers-refused": 0,
    "dead-with-octets": 0,
    "in-slot": 0.5,
    "after-reply": 0.5,
    "first-wrong": 0,
    "cut-short": 0,
    "end-sound": 0,
    "same-spans": 0.2,
    "zeros-and-ones": 0.2,
    "mended-by-bit": 0,
    "first-octet-lost": 0,
    "first-octet-wrong": 0,
    "octets-before": 0.3,
    "octets-after": 0.3,
    "bits-per-frame": 0,
    "bits-rose": 0.6,
    "bits-late": 0.4,
    "bits-turned": 2.0,
    "bits-after-run": 2.0,
    "reply-shorter": 0.3,
    "reply-longer": 0.3,
    "dispersion": 2.0,
    "mains": 200.0,
}
"""Of the figures that the inference uses, those that a person would notice, from what value on (judgements); never
what tells a reversed pair or a wrong rate outright, which is the learner's to find. Even polling alone brings damage to
a score near a hundred against the mains, noise of the mains to many hundreds."""

HELP = (
    "listen               what listening shows: counts by address, what is odd",
    "measure KIND[@ADDR]  the meter: ab-ohms, ab-idle, supply@4",
    "scope [ADDR]         the oscilloscope: one question and its answer, in figures",
    "look WHAT[@ADDR]     your eyes: terminators, reader@4, controllers",
    "try ACTION[@ADDR]    swap-clip, swap-wires@4, unplug@4, lower-baud",
    "kinds                all that can be measured, looked at and tried, with its minutes",
    "hint                 where to go on (10 points; the same one again is free)",
    "name CAUSE[@ADDR]    your answer, with the device where it is at one",
    "causes               all that can be named, each with what it is",
    "help NAME            what one of them asks for, and how it is done: help ab-idle",
    "explain              give up: told what it was, score 0",
    "replay               benchtool's own hunt on it (when it is over)",
    "quit                 leave; left unnamed it is not counted, and can be gone on with",
)
POINTS = (
    "Points: 30 for the cause, 10 for the device it is at, 60 for the proof: how probable what you gathered makes it, "
    "beside what benchtool's own hunt finds out. Fewer for more work than that hunt (half a point a minute beyond its "
    "minutes, or beyond ten), for hints (10) and wrong names (15; the third ends it)."
)


def heard_lines(observed: Observed, seconds: float) -> list[str]:
    """What listening shows, without a diagnosis: that is the learner's."""
    busy = (observed.symptoms or {}).get("load") or 0.0
    lines = [
        f"{seconds:.0f} s at {observed.baud} {observed.format}: {observed.octets} octets, "
        f"the line busy {busy:.0%} of the time"
    ]
    told, symptoms = observed.told, observed.symptoms or {}
    lines += [f"- {told[name][0]}" for name in ("damage",) if name in told]
    if observed.addresses:
        lines.append("address  asked  answered  silent  damaged  unasked  latency")
    for row in observed.addresses:
        late = "" if row.latency_ms is None else f"{row.latency_ms:.1f} ms"
        counts = f"{row.requests:5}  {row.answered:8}  {row.silent:6}  {row.damaged:7}  {row.unasked:7}"
        lines.append(f"{row.address:7}  {counts}  {late}".rstrip())
    for name, least in _WORTH.items():
        value = symptoms.get(name)
        if name in told and value is not None and value > least:
            lines.append(f"- {told[name][0]}")
    if not observed.octets:
        lines.append("- nothing at all was heard")
    return lines


def scope_lines(figures: Mapping[str, float]) -> list[str]:
    """What a scope's record shows, the figures that a person reads off it.

    How many talk, and whether two do at once, is not told: one question and its answer do not show it, as two devices
    with like levels count as one, and a reflection can look like a second.
    """

    def volts(name: str) -> str:
        value = figures.get(f"scope-{name}-v")
        return "" if value is None else quantity(value, "V")

    def share(name: str) -> str:
        value = figures.get(f"scope-{name}")
        return "" if value is None else f"{round(100 * value, 1):g} %"

    def plain(name: str, digits: int = 1) -> str:
        value = figures.get(f"scope-{name}")
        return "" if value is None else f"{round(value, digits):g}"

    rows = (
        (("idle ", volts("idle")), ("mark (1) ", volts("mark")), ("space (0) ", volts("space"))),
        (("smallest swing of a talker ", volts("swing-least")), ("greatest ", volts("swing-most"))),
        (("of those who talk, the wrong way round ", share("reversed")),),
        (("an edge takes, of a bit, ", share("edge-share-of-bit")), ("overshoot ", share("overshoot"))),
        (("second step within an edge ", share("step-share")),),
        (("common mode from ", volts("common-low")), ("to ", volts("common-high"))),
        (("noise while idle ", volts("noise")), ("impulses a second ", plain("impulses-per-s"))),
        (("rate ", plain("baud", 0)), ("talkers' rates apart by ", share("baud-spread"))),
        (("driver held, in bits, after its last character ", plain("hold-bits")),),
    )
    found = [", ".join(f"{words}{value}" for words, value in row if value) for row in rows]
    return [f"- {line}" for line in found if line]


def cause_lines(names: Sequence[str]) -> list[str]:
    """All causes, each with what it is; the `@` says that it is at a device."""
    lines = []
    for name in names:
        said = SUMMARIES[Cause(name)]
        said = _NAMED.get(Cause(name), said)
        at = "@" if Cause(name) in PLACED else ""
        lines.append(f"{name + at:24} {said.format(place='one address')}")
    return lines


def explained(truth: Cause, tap: str, observed: Observed, said: str = "") -> list[str]:
    """What it was, what of the learner's evidence told it, and how it is mended.

    `said`: what it is at this installation, where the usual sentence would say something else.
    """
    found = conclude(observed)
    lines = [f"It was {truth.value}: {tap}"]
    mine = next((one for one in found.findings if one.cause is truth), None)
    if mine is None:
        lines.append(f"What you gathered hardly speaks for it. How it mostly shows: {TELLS[truth]}.")
    else:
        lines.append(f"With what you gathered benchtool gives it {mine.probability:.0%}. {said or mine.summary}")
        # Score against the mains is a figure for a machine, unless it is the mains.
        proofs = [one for one in mine.evidence if truth is Cause.NOISE_MAINS or _MAINS not in one.text]
        lines.append(f"How it mostly shows: {TELLS[truth]}. By what you gathered:")
        lines += proof_lines([_of_all(one, observed) for one in proofs], healthy=truth is Cause.HEALTHY)
        lines += _splitting(truth, observed)
    first = found.findings[0]
    if first.cause is not truth:
        lines.append(f"By that it looks more like {first.cause.value}: {first.probability:.0%}.")
    lines += [f"> {todo}" for todo in ADVICE[truth].todo]
    lines.append(f"Read on: docs/faults/{truth.value}.md")
    return lines


def proof_lines(proofs: Sequence[Proof], *, healthy: bool = False) -> list[str]:
    """What speaks for it, the weightiest first; what speaks most against it; and all small signs as one."""
    told = sorted((one for one in proofs if abs(one.weight) >= _TELLING), key=lambda one: -abs(one.weight))
    speaking = [one for one in told if one.weight > 0 and one.text != REST][:_MOST_PROOFS]
    speaking += [one for one in told if one.weight < 0 and one.text != REST][:1]
    speaking += [one for one in told if one.text == REST]
    words = ((_TOGETHER if one.text == REST else one.text, one.weight) for one in speaking)
    return [f"- {text} ({weight_words(weight, healthy=healthy)})" for text, weight in words]


def _of_all(proof: Proof, observed: Observed) -> Proof:
    """Where every address is damaged, the damage is not that of the one that is named first."""
    rows = [one for one in observed.addresses if one.requests]
    if not proof.text.endswith("replies are damaged") or any(2 * one.damaged < one.requests for one in rows):
        return proof
    asked, damaged = sum(one.requests for one in rows), sum(one.damaged for one in rows)
    return Proof(f"all {len(rows)} addresses: {damaged} of {asked} replies are damaged", proof.weight, {})


def _splitting(truth: Cause, observed: Observed) -> list[str]:
    """What of the heard tells it from the fault that comes next: weights against a sound bus do not show that."""
    if observed.symptoms is None or truth is Cause.HEALTHY:
        return []
    known = model.load()
    shares = {one.cause: one.probability for one in conclude(observed).findings}
    faults = [one for one in model.CAUSES if one not in (truth, Cause.HEALTHY, Cause.NONE_OF_THESE)]
    sums = {one: sum(known.weights(observed.symptoms, one).values()) for one in faults}
    rival = max(faults, key=lambda one: (shares.get(one, 0.0), sums[one]))
    mine, other = known.weights(observed.symptoms, truth), known.weights(observed.symptoms, rival)
    apart = {name: (mine[name] - other.get(name, 0.0)) / math.log(10) for name in mine if name in observed.told}
    best = sorted((name for name in apart if apart[name] >= _SPLITS), key=lambda name: -apart[name])[:_MOST_SPLITS]
    lines = [
        f"- {observed.told[name][0]} ({10 ** apart[name]:,.2g} times likelier with it than with {rival.value})"
        if apart[name] < _SURELY
        else f"- {observed.told[name][0]} (far likelier with it than with {rival.value})"
        for name in best
    ]
    return [f"What splits it from {rival.value}:", *lines] if lines else []
