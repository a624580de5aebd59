"""A hunt in words: what each answer taught, how it ended, and the page that is kept of it."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from benchtool.diagnose import steps
from benchtool.diagnose.card_finding import CardCause, CardFinding
from benchtool.diagnose.card_readings import CARD_METER
from benchtool.diagnose.finding import Cause, Finding
from benchtool.diagnose.hunt import Hunt
from benchtool.diagnose.hunt_answers import FOUND, Conversation
from benchtool.diagnose.hunt_card import CardHunt
from benchtool.diagnose.hunt_do import (
    clock_last,
    mend_first,
    not_yet,
    nothing_known,
    own_setting,
    replace_last,
)
from benchtool.diagnose.hunt_end import (
    CONFIGURES,
    LEFT,
    Weighed,
    beyond,
    ending,
    harmless,
    learned,
    odd,
    weighed,
)
from benchtool.diagnose.hunt_question import Answer
from benchtool.diagnose.hunt_reader import contradicted, elsewhere, others_silent, seen_at
from benchtool.diagnose.hunt_retune import AGAIN, again_words, mended
from benchtool.diagnose.hunt_set_to import lives_todo, set_to_todo, set_to_words, unasked_todo
from benchtool.diagnose.hunt_silence import nobody_polls, silence_todo, silence_words
from benchtool.diagnose.places import PLACED, AtAddress
from benchtool.diagnose.readings import DOORS, HERE, METER, SUPPLY, action_of, kind_of
from benchtool.diagnose.sights_card import card_sight_of
from benchtool.diagnose.sights_known import sight_of
from benchtool.diagnose.supply import low_supply, supply_words
from benchtool.reports.diagnosis_text import proof_words, sure
from benchtool.reports.hunt_ask import WIDTH, wrap

_MOST_STANDING = 5
_MOST_PROOFS = 4
_MOST_GROUPED = 8
_MOST_OUT = 10
_ONLY_SEEN = "Nothing wrong was seen; nothing was measured, and nothing was listened to: it may not be sound."
_TELLING = 0.3
_LAST = ("RESULT", "DO")
_CALL = "WHOM TO CALL where you cannot mend it"
_READINGS = frozenset(kind.name for kind in (*METER, *CARD_METER))
_FITTER = "whoever fitted the reader's cable and controller"


def learned_lines(before: Mapping[str, float], after: Mapping[str, float], width: int = WIDTH) -> list[str]:
    """What an answer changed."""
    moves = learned(before, after)
    if not moves:
        return ["   That changes little."]
    told = ", ".join(f"{cause} {was:.0%} to {now:.0%}" for cause, was, now in moves)
    return wrap(f"Learned: {told}.", "   ", width=width)


def standing(hunt: Conversation) -> list[str]:
    """Where it stands: the likeliest causes."""
    ranked = sorted(hunt.shares().items(), key=lambda item: -item[1])[:_MOST_STANDING]
    return [f"   {share:4.0%}  {cause} ({sure(share)})" for cause, share in ranked]


class Section(NamedTuple):
    """A part of how a hunt ended."""

    title: str
    lines: list[str]


def result(hunt: Hunt | CardHunt, width: int = WIDTH) -> list[Section]:
    """How it ended: the causes found or what is left, why, the mend, what is ruled out, whom to call."""
    if nothing_known(hunt):
        return _unknown(hunt, width)
    if isinstance(hunt, Hunt) and nobody_polls(hunt.observed):
        return _silent(hunt, width)
    diagnosis = hunt.diagnosis()
    leader, shares = diagnosis.findings[0], hunt.shares()
    group = () if diagnosis.group is None else tuple(one.value for one in diagnosis.group.causes)
    found = [one for one in diagnosis.findings if one is leader or _also_found(one, shares, group)]
    about, likeliest = hunt.subject if isinstance(hunt, Hunt) else (), list[Finding]()
    if about and isinstance(hunt, Hunt):  # the reader that was named comes first, what is wrong beside it after that
        likeliest = _at_reader(hunt, about[0][0])
        found = [*(likeliest if about[0][1] >= FOUND else ()), *(one for one in found if one.cause is not about[0][0])]
        told = [
            _dead_reader(hunt, about),
            *(f"Beside it {_named(one)}." for one in found if one.cause is not about[0][0]),
        ]
    else:
        told = [_first(leader, group), *(f"At the same time {_named(one)}." for one in found[1:])]
    otherwise = set_to_words(hunt.observed, hunt.answers, hunt.address) if isinstance(hunt, Hunt) else ""
    if otherwise:  # that is why, whatever else is probable; what has nothing to do with one device is told beside it
        found = [one for one in found if one.cause not in PLACED and shares[one.cause.value] >= FOUND]
        found = [one for one in found if one.cause is not Cause.HEALTHY]
        told = [otherwise, *(f"Beside it {_named(one)}." for one in found)]
        likeliest = []
    apart = isinstance(hunt, Hunt) and (hunt.unexplained or hunt.unasked or hunt.confirmed)
    lives = beyond(hunt).removeprefix("But ") if isinstance(hunt, Hunt) and apart else ""
    if lives and leader.cause is Cause.HEALTHY and isinstance(hunt, Hunt) and not otherwise:
        told = [_all_well(hunt)]
    other = elsewhere(hunt.observed, hunt.address) if isinstance(hunt, Hunt) and hunt.confirmed else None
    if lives and other is not None:
        found, told = [], [_also_silent(other)]
    lines = [line for text in (f"{lives[:1].upper()}{lives[1:]}", *told) for line in wrap(text, width=width)]
    unmeasured = not hunt.settled and leader.cause in (Cause.HEALTHY, CardCause.HEALTHY)
    summaries = [_ONLY_SEEN] if unmeasured and not otherwise else [_here(one.summary, hunt) for one in found]
    if lives and (leader.cause is Cause.HEALTHY or other is not None):
        summaries = []
    lines += [line for text in summaries for line in wrap(text, width=width)]
    parts = [Section("RESULT", lines)]
    own = isinstance(hunt, Hunt) and own_setting(hunt)
    if isinstance(hunt, Hunt):
        low = low_supply(hunt.counted.by_hand.readings)
        said = (
            *(_also_silent(one) for one in others_silent(hunt.observed, hunt.reader) if not _shared(leader)),
            "" if low is None else supply_words(low)[0],
            not_yet(hunt) if own else "",
            harmless(hunt),
            "" if lives else beyond(hunt),
            mended(hunt.answers),
        )
        parts[0].lines.extend(line for one in said if one for line in wrap(one, width=width))
    # A cause at two devices has one evidence.
    causes = {one.cause.value: one for one in reversed(found)}
    for one in reversed(causes.values()):
        proofs = [proof for proof in one.evidence if proof.weight >= _TELLING][:_MOST_PROOFS]
        title = "WHY" if len(causes) == 1 else f"WHY {one.cause.value}"
        parts.append(Section(title, [line for proof in proofs for line in wrap(proof_words(proof), "- ", width=width)]))
    decided = weighed(hunt, [one.cause.value for one in found])
    rows_told = [_decided(one, cause, leader.cause.value) for cause, rows in decided.items() for one in rows]
    parts.append(Section("WHAT COUNTED MOST", [line for one in rows_told for line in wrap(one, "- ", width=width)]))
    if isinstance(hunt, Hunt):
        again = [line for text in doubts(hunt).values() for line in wrap(text, "- ", width=width)]
        parts.append(Section("MEASURE AGAIN", again))
    names = {one.cause.value for one in found}
    others = sorted(((share, name) for name, share in shares.items() if name not in names), reverse=True)
    named = group[:_MOST_GROUPED]
    left = [f"- {name}: {share:.0%} ({sure(share)})" for share, name in others if share >= LEFT or name in named]
    if own or other is not None or otherwise:  # what was heard is not of this reader, or says nothing of it
        left = []
    parts.append(Section("STILL POSSIBLE", left))
    if isinstance(hunt, Hunt):
        todo = _todo(hunt, found, _advised(hunt, (*likeliest, *found)))
    else:
        todo = list(dict.fromkeys(text for one in found for text in one.todo))
    parts.append(Section("DO", [line for text in todo for line in _do_lines(text, width)]))
    if isinstance(hunt, Hunt):
        end = ending(hunt)
        if otherwise:  # what was asked was how it is set, and nothing else was looked into
            end = replace(end, ruled_out=())
        parts.append(Section("RULED OUT", wrap(_out_words(end.ruled_out), width=width)))
        parts.append(Section(_CALL, [line for call in end.call for line in wrap(call, "- ", width=width)]))
    else:
        call = CONFIGURES if leader.cause is CardCause.HEALTHY else _FITTER
        parts.append(Section(_CALL, wrap(call, "- ", width=width)))
    return [part for part in parts if part.lines]


def _at_reader(hunt: Hunt, cause: Cause) -> list[Finding]:
    """The finding of a cause at the reader that was named, if it is probable enough to be told."""
    here = [one for one in hunt.diagnosis().findings if one.cause is cause]
    return [one for one in here if one.place == f"address {hunt.address}"] or here[:1]


def _dead_reader(hunt: Hunt, about: Sequence[tuple[Cause, float]]) -> str:
    """What keeps the named reader dead, as far as it is known."""
    cause, share = about[0]
    if share >= FOUND:
        return f"The reader at address {hunt.address}: {cause.value}, {share:.0%} ({sure(share)})."
    left = ", ".join(f"{one.value} {part:.0%}" for one, part in about[:_MOST_STANDING] if part >= LEFT)
    return f"What keeps the reader at address {hunt.address} dead is not settled. Left: {left}."


def _silent(hunt: Hunt, width: int) -> list[Section]:
    """The end of a hunt on a bus on which nobody polls."""
    again = f"benchtool hunt {shlex.quote(hunt.tap)}" if hunt.tap else "benchtool hunt TAP"
    todo = [f"Caution: {SUPPLY} {DOORS}", *silence_todo(hunt.observed, again)]
    return [
        Section("RESULT", wrap(silence_words(hunt.observed), width=width)),
        Section("DO", [line for one in todo for line in _do_lines(one, width)]),
        Section(_CALL, [line for call in ending(hunt).call for line in wrap(call, "- ", width=width)]),
    ]


def _do_lines(text: str, width: int) -> list[str]:
    """One thing to do; a command stands on a line of its own, whole, to be copied as it is."""
    words, command, rest = text.partition("benchtool hunt ")
    return [*wrap(words, "> ", width=width), *([command + rest] if command else [])]


def _todo(hunt: Hunt, found: Sequence[Finding | CardFinding], advised: list[str]) -> list[str]:
    """What to do: our own setting first, then a supply that is too low, then as is advised for the causes found."""
    if own_setting(hunt):
        return list(mend_first(hunt))
    otherwise = list(set_to_todo(hunt.observed, hunt.address))
    low = low_supply(hunt.counted.by_hand.readings)
    if otherwise and low is None:
        return [*otherwise, *advised]
    if low is None:
        if hunt.address is not None and (hunt.unasked or hunt.unexplained or hunt.confirmed) and beyond(hunt):
            first = unasked_todo(hunt.address) if hunt.unasked else lives_todo(hunt.address)
            wrong = [one for one in found if one.cause is not Cause.HEALTHY and one.probability >= FOUND]
            return [*first, *_advised(hunt, wrong)]
        return advised
    fed = (Cause.DEVICE_SILENT, Cause.DEVICE_RESETTING, Cause.HEALTHY)
    others = dict.fromkeys(text for one in found if one.cause not in fed for text in one.todo)
    return [f"Caution: {SUPPLY} {DOORS}", f"{supply_words(low)[1]} Then hunt again.", *others]


def _unknown(hunt: Hunt | CardHunt, width: int) -> list[Section]:
    """The end of a hunt in which nothing was answered: what to measure first."""
    told = "Nothing was answered, so nothing is known: neither that it is sound nor what is wrong."
    if isinstance(hunt, Hunt):
        first = (steps.OHMS, steps.POWER_AT_DEVICE)
        todo = [line for one in first for line in (f"Caution: {one.caution}", one.do)]
        todo.append("Or hunt with an adapter on the pair, which tells most (it only listens): benchtool hunt TAP")
    else:
        todo = [line for one in hunt.diagnosis().next for line in (f"Caution: {one.caution}", one.do)]
    lines = [line for one in dict.fromkeys(todo) for line in _do_lines(one, width)]
    return [
        Section("RESULT", wrap(told, width=width)),
        Section("DO", [*wrap("Measure first, and hunt again with what it shows:", width=width), *lines]),
    ]


def _also_found(one: Finding | CardFinding, shares: Mapping[str, float], group: Sequence[str]) -> bool:
    return shares[one.cause.value] >= FOUND and one.cause.value not in group and one.cause.value != "healthy"


def _named(one: Finding | CardFinding) -> str:
    """A cause, where it is, and how sure."""
    place = one.place if isinstance(one, Finding) else "bus"
    at = "" if place in ("bus", "tap") else f" on the {place}" if place.startswith("segment") else f" at {place}"
    return f"{one.cause.value}{at}: {one.probability:.0%} ({sure(one.probability)})"


def _first(leader: Finding | CardFinding, group: Sequence[str]) -> str:
    """The first sentence of a result."""
    named = _named(leader)
    listed = ", ".join(group[:_MOST_GROUPED])
    if len(group) > _MOST_GROUPED:
        listed += f", and {len(group) - _MOST_GROUPED} more"
    if leader.cause.value in group:
        return f"What was found cannot tell these apart: {listed}. First of them: {named}."
    said = f"{named}." if leader.probability >= FOUND else f"Not settled. The likeliest is {named}."
    beside = f" Beside it there may be one of these, which cannot be told apart: {listed}."
    return said + (beside if group else "")


def _decided(one: Weighed, cause: str, leader: str) -> str:
    """What one answer did to a cause that was found."""
    told = f"{answer_words(one.answer)}. Without it {cause} would be at {one.without:.0%}"
    if one.leader == leader or cause != leader:
        return told
    again = " Measure it once more before you act on it." if _is_reading(one.answer.name) else ""
    return f"{told}, and {one.leader} would lead.{again}"


def _is_reading(name: str) -> bool:
    base, at, _ = name.partition("@")
    return f"{base}{at}" in _READINGS


def _advised(hunt: Hunt, found: Sequence[Finding | CardFinding]) -> list[str]:
    """How to mend what was found; what was measured good is not told again."""
    todo: list[str] = []
    for one in found:
        place = one.place if isinstance(one, Finding) else ""
        if one.cause is Cause.DEVICE_SILENT:
            todo += replace_last(hunt, place)
        else:
            todo += clock_last(hunt, place, one.todo) if one.cause is Cause.CLOCK_OFF else one.todo
    return list(dict.fromkeys(todo))


def _shared(leader: Finding | CardFinding) -> bool:
    """Whether what is most probable is of the pair, and can silence other devices as well."""
    return isinstance(leader, Finding) and not leader.place.startswith("address ") and leader.probability >= FOUND


def _also_silent(one: AtAddress) -> str:
    """Of another device that never answers: nothing was looked at there."""
    return (
        f"Address {one.address} never answers either ({one.silent} of {one.requests} requests met by silence). Nothing "
        f"here is of it: hunt there as well, with address {one.address}."
    )


def _all_well(hunt: Hunt) -> str:
    """That the bus itself sounds well."""
    rows = hunt.observed.addresses
    answered, asked = sum(one.answered for one in rows), sum(one.requests for one in rows)
    share = hunt.shares()[Cause.HEALTHY.value]
    return f"The bus itself sounds well: {answered} of {asked} requests on it were answered (healthy, {share:.0%})."


def _here(summary: str, hunt: Hunt | CardHunt) -> str:
    """A cause's sentence, of the reader that one stands before where nobody knows an address.

    Of two devices at one address, the address at which that was seen.
    """
    if isinstance(hunt, Hunt) and seen_at(hunt.observed, "still-answers@", hunt.address) == "yes":
        return summary.replace("at one address", f"at address {hunt.address}")
    here = any(one.name.endswith(f"@{HERE}") and one.text for one in hunt.answers)
    return summary.replace("one of the devices", "the reader that you stand before") if here else summary


def heard_of(hunt: Hunt) -> str:
    """What was heard of the reader that was told, or which address is silent; empty where nothing of it is to tell."""
    if own_setting(hunt):
        return ""
    if hunt.unasked:
        return f"Nobody asks address {hunt.address}: it is not entered at the controller, or the reader has another."
    silent = [one for one in hunt.observed.addresses if one.never_answers and one.silent > one.damaged]
    names = ", ".join(str(one.address) for one in silent[:_MOST_GROUPED])
    more = ", …" if len(silent) > _MOST_GROUPED else ""
    return f"Never answered: address {names}{more}." if silent else ""


def _out_words(causes: Sequence[Cause]) -> str:
    """What is ruled out, the likeliest before first."""
    more = f", and {len(causes) - _MOST_OUT} more" if len(causes) > _MOST_OUT else ""
    return ", ".join(cause.value for cause in causes[:_MOST_OUT]) + more


def doubts(hunt: Hunt) -> dict[str, str]:
    """What is to be measured again, by name, each with why."""
    against = contradicted(hunt.observed)
    return {
        name: f"{name}: {against[name]}. It is not counted: measure it again" if name in against else doubted(name)
        for name in odd(hunt)
    }


def doubted(name: str) -> str:
    """That a reading fits nothing in play."""
    return f"{name}: no cause in play gives such a reading. Look at range, sign and probes, and measure it again"


def result_lines(hunt: Hunt | CardHunt, width: int = WIDTH) -> list[str]:
    """The same as lines; what it is and what to do come last, where a small screen still shows them."""
    parts = sorted(result(hunt, width), key=lambda part: _LAST.index(part.title) if part.title in _LAST else -1)
    return [line for part in parts for line in ("", *wrap(part.title, width=width), *part.lines)]


def answer_words(answer: Answer) -> str:
    """An answer as the record tells it."""
    base, at, _ = answer.name.partition("@")
    name = f"{base}{at}"
    if not answer.text:
        return f"{answer.name}: could not be told"
    if answer.name == "listen":
        return "listened"
    if answer.name in AGAIN:
        return again_words(answer)
    for known in (kind_of, action_of):
        try:
            known(name)
        except KeyError:
            continue
        unit = getattr(known(name), "unit", "")
        plain = answer.text == "open" or answer.text[-1:].isalpha() or not unit
        return f"{answer.name}: {answer.text}{'' if plain else f' {unit}'}"
    for sight in (sight_of, card_sight_of):
        try:
            return f"{answer.name}: {sight(name).says(answer.text)}"
        except KeyError:
            continue
    return f"{answer.name}: {answer.text}"
