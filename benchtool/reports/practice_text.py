"""Practice in words: what can be typed, what listening and a scope show, the explanation."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import PLACED
from benchtool.diagnose.summaries import SUMMARIES
from benchtool.measure.waveform_limits import quantity

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
_SOUND = re.compile(r"0 of (\d+) frames and spans are damaged$")
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

_IN_TABLE = (
    "load",
    "damage",
    "failed-exchanges",
    "addresses-asked",
    "silent-worst",
    "silent-rest",
    "damaged-worst",
    "damaged-rest",
    "dead-share",
    "dead-count",
    "unasked",
    "latency",
)
"""Symptoms that the first lines and the columns of the listening show."""
_MEANING = {
    "spans": "octets that make no whole frame",
    "stray octets": "octets between frames, in what should be silence",
    "framing error": "a character that does not end where it should",
    "parity error": "a character whose check bit is wrong",
}

UNTOLD = ("scope-contention-share", "scope-talkers")
"""Figures of a scope's record that one question and its answer do not show: no evidence of a learner's."""

SCOPE_HELP = (
    "Its words:",
    "- talker: whoever drives the pair, here the controller, and then the device that answers",
    "- idle: A-B while nobody drives; mark and space: A-B while a talker sends a 1, or a 0; swing: from the one to the "
    "other. A sound driver makes 1.5 V and more of each, on a full bus too",
    "- edge: the way from space to mark, or back; overshoot: how far it goes beyond where it comes to rest",
    "- second step within an edge: it halts on its way, as where a reflection comes back from a branch or an open end",
    "- common mode: the mean of both wires against our 0 V; receivers work from -7 to +12 V",
    "- impulses: short jumps that are no bits",
    "- rate, in bit/s: by how wide the bits are",
    "- driver held: how long a talker keeps driving behind its last character, one bit or so where all is well",
)
"""What the words of a scope's figures mean (levels: TIA-485-A, sheet 1.1)."""
HELP = (
    "listen               what listening shows: counts by address, what is odd",
    "measure KIND[@ADDR]  the meter: ab-ohms, ab-idle, supply@4",
    "scope [ADDR]         the oscilloscope: one question and its answer, drawn",
    "look WHAT[@ADDR]     your eyes: terminators, reader@4, controllers",
    "try ACTION[@ADDR]    swap-clip, swap-wires@4, unplug@4, lower-baud",
    "kinds                all that can be measured, looked at and tried, with its minutes",
    "hint                 where to go on (10 points; the same one again is free)",
    "name CAUSE[@ADDR]    your answer, with the device where it is at one",
    "causes               all that can be named, each with what it is",
    "help NAME            what one of them asks for, and how it is done: help ab-idle",
    "explain              give up: told what it was, score 0",
    "replay               benchtool's own hunt on it (when it is over)",
    "quit                 leave; left unnamed it is not counted, and goes on where you left it",
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
    told = observed.told
    if "damage" in told:
        sound = _SOUND.match(told["damage"][0])
        lines.append(f"- {told['damage'][0]}" if sound is None else f"- all {sound[1]} frames are sound")
    if observed.addresses:
        lines.append("address  asked  answered  silent  damaged  unasked  latency")
    for row in observed.addresses:
        late = "" if row.latency_ms is None else f"{row.latency_ms:.1f} ms"
        counts = f"{row.requests:5}  {row.answered:8}  {row.silent:6}  {row.damaged:7}  {row.unasked:7}"
        lines.append(f"{row.address:7}  {counts}  {late}".rstrip())
    lines += [f"- {told[name][0]}" for name in odd_signs(observed)]
    lines += _words_for(lines)
    if not observed.octets:
        lines.append("- nothing at all was heard")
    return lines


def heard_shortly(observed: Observed) -> str:
    """A listening in a few words, to be held against another: what is sound, and who answers."""
    if not observed.octets:
        return "nothing was heard"
    damage = observed.told.get("damage", ("",))[0]
    sound = _SOUND.match(damage)
    said = f"all {sound[1]} frames are sound" if sound is not None else damage
    rows = [one for one in observed.addresses if one.requests]
    answered = sum(one.answered for one in rows)
    requests = sum(one.requests for one in rows)
    asked = f"{answered} of {requests} requests are answered" if rows else "no request is heard"
    return f"{said}, {asked}" if said else asked


def odd_signs(observed: Observed) -> list[str]:
    """Names of the symptoms that listening tells in a sentence, because they are more than nothing."""
    symptoms = observed.symptoms or {}
    values = {name: symptoms.get(name) for name in _WORTH if name in observed.told}
    return [name for name, value in values.items() if value is not None and value > _WORTH[name]]


def shown_signs(observed: Observed) -> frozenset[str]:
    """Names of all symptoms that a learner sees when listening: in a sentence, or in the table's columns."""
    return frozenset({*odd_signs(observed), *_IN_TABLE})


def _words_for(lines: Sequence[str]) -> list[str]:
    """What words of the listening mean that nobody knows at first sight."""
    text = " ".join(lines)
    found = [f"{word}: {meaning}" for word, meaning in _MEANING.items() if f" {word}" in text]
    return [f"  ({'; '.join(found)})"] if found else []


def scope_lines(figures: Mapping[str, float]) -> list[str]:
    """What a scope's record shows, the figures that a person reads off it.

    How many talk, and whether two do at once, is not told (`UNTOLD`): one question and its answer do not show it, as
    two devices with like levels count as one, and a reflection can look like a second.
    """

    def volts(name: str) -> str:
        value = figures.get(f"scope-{name}-v")
        return "" if value is None else quantity(value, "V")

    def share(name: str) -> str:
        value = figures.get(f"scope-{name}")
        return "" if value is None else f"{round(100 * abs(value), 1):g} %"

    def if_more(said: str, name: str, least: float) -> str:
        """Only where it is more than nothing."""
        return said if abs(figures.get(f"scope-{name}", 0.0)) >= least else ""

    def plain(name: str, digits: int = 1) -> str:
        value = figures.get(f"scope-{name}")
        return "" if value is None else f"{round(value, digits):g}"

    def rate() -> str:
        value = figures.get("scope-baud")
        return "" if value is None else quantity(value, "bit/s")

    rows = (
        (("idle ", volts("idle")), ("mark (1) ", volts("mark")), ("space (0) ", volts("space"))),
        (("smallest swing of a talker ", volts("swing-least")), ("greatest ", volts("swing-most"))),
        (("talkers whose 1 and 0 are the wrong way round ", share("reversed")),),
        (("one wire swings less than the other by ", if_more(share("wire-balance"), "wire-balance", 0.02)),),
        (("an edge takes, of a bit, ", share("edge-share-of-bit")), ("overshoot ", share("overshoot"))),
        (("second step within an edge ", share("step-share")),),
        (("common mode from ", volts("common-low")), ("to ", volts("common-high"))),
        (("one talker's common mode above another's ", if_more(volts("common-spread"), "common-spread-v", 0.1)),),
        (("noise while idle ", volts("noise")), ("impulses a second ", plain("impulses-per-s"))),
        (("impulses in step with the mains ", if_more(share("mains-locked"), "impulses-per-s", 1.0)),),
        (("rate ", rate()), ("talkers' rates apart by ", share("baud-spread"))),
        (("driver held, in bits, after its last character ", plain("hold-bits")),),
    )
    found = [", ".join(f"{words}{value}" for words, value in row if value) for row in rows]
    return [f"- {line}" for line in found if line]


def cause_words(cause: Cause) -> str:
    """What a cause is, in a sentence, wherever it is."""
    return _NAMED.get(cause, SUMMARIES[cause]).format(place="one address")


def cause_lines(names: Sequence[str]) -> list[str]:
    """All causes, each with what it is; the `@` says that it is at a device."""
    found = [Cause(name) for name in names]
    return [f"{one.value + ('@' if one in PLACED else ''):24} {cause_words(one)}" for one in found]
