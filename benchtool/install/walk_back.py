"""Steps of the walk other than an answer: back to the question before, on to the next device, to the bus's end."""

from __future__ import annotations

from dataclasses import dataclass, replace

from benchtool.install.load import load
from benchtool.install.places import Path
from benchtool.install.record import Bus, Record
from benchtool.install.save import without_entry
from benchtool.install.schema import slots_of
from benchtool.install.walk import LISTS, Answered, Ask, Question, all_questions, at, next_question


@dataclass(frozen=True, slots=True)
class Step:
    """A question that was answered in this walk."""

    ask: Ask
    key: Path
    made: Path | None = None
    """The entry that the answer added."""


def back(text: str, answered: Answered, step: Step) -> tuple[str, Answered, str]:
    """The record's text and the walk with this step's question open again, and what to tell, if anything.

    What hangs on a connector is taken out again only where nothing was said of it yet; nothing else is taken out.
    """
    if step.ask is Ask.BUS:
        left = replace(answered, bus=None, passed=answered.passed - {step.key})
        return _without_bus(text, left, step.made) if step.made is not None else (text, left, "")
    if step.ask is Ask.DEVICE and step.made is not None:
        return text, answered.asking_again((*step.made, "kind")), ""
    if step.ask is Ask.DEVICE:
        bus = int(step.key[1])
        left = replace(answered, bus=bus, walked=answered.walked - {bus}, passed=answered.passed - {step.key})
        return text, left, ""
    if step.ask is Ask.WIRED and step.made is not None:
        return _without(text, answered, step.key, step.made)
    return text, answered.asking_again(step.key), ""


def _without_bus(text: str, answered: Answered, path: Path) -> tuple[str, Answered, str]:
    """A bus that the walk began goes out again while it is empty, and the last of the file."""
    buses = load(text).record.bus
    place = int(path[1])
    if place != len(buses) - 1 or buses[place] != Bus(id=buses[place].id):
        return text, answered, ""
    mine = {one for one in answered.passed | answered.again if one[:2] == path}
    left = replace(answered, passed=answered.passed - mine, again=answered.again - mine)
    return without_entry(text, path), left, f"{buses[place].id} is taken out again"


def gone_back(
    text: str, answered: Answered, question: Question, steps: list[Step]
) -> tuple[str, Answered, str | None, list[Step]]:
    """One question back: to the field before, known or not, or to what was added last.

    The record's text, the walk, what to tell ("": nothing; None: nothing comes before this), and the steps left.
    """
    earlier = _before(load(text).record, answered, question)
    last = steps[-1] if steps else None
    if last is None and earlier is None:
        return text, answered, None, steps
    if earlier is not None and (last is None or _lies_between(earlier, last)):
        return text, answered.asking_again(earlier), "", steps
    assert last is not None
    if earlier is not None and last.ask is Ask.DEVICE and last.made and question.key == (*last.made, "kind"):
        # What the step asks stands here already.
        return text, answered.asking_again(earlier), "", steps[:-1]
    return (*back(text, answered, last), steps[:-1])


def _lies_between(earlier: Path, last: Step) -> bool:
    """Whether a field was passed after the last step, as it was known already."""
    if last.ask is Ask.VALUE:
        return earlier != last.key
    if last.ask is Ask.BUS:
        return True
    return last.made is not None and earlier[: len(last.made)] == last.made


def _before(record: Record, answered: Answered, question: Question) -> Path | None:
    """The field that comes before a question on the way, known or not; None at the beginning."""
    found: Path | None = None
    for one in all_questions(record, answered):
        if one.key == question.key:
            return found
        if one.ask is Ask.VALUE:
            found = one.key
    return None


def _without(text: str, answered: Answered, key: Path, path: Path) -> tuple[str, Answered, str]:
    record = load(text).record
    kind, place = str(path[0]), int(path[1])
    entry = at(record, path)
    said = [
        slot.name
        for slot in slots_of(LISTS[kind])
        if slot.name not in ("id", "kind", "device", "door") and getattr(entry, slot.name) != slot.default
    ]
    if said or place != len(getattr(record, kind)) - 1:
        return text, answered, f"{entry.id} stays: more is noted of it"
    mine = {one for one in answered.passed | answered.again if one[:2] == path}
    kept = replace(answered, passed=answered.passed - mine, again=answered.again - mine)
    return without_entry(text, path), kept.asking_again(key), f"{entry.id} is taken out again"


def pass_over(record: Record, answered: Answered, question: Question, *, to_end: bool = False) -> Answered:
    """The walk after all that is open of this device, or of all devices on this bus with `to_end`."""
    here: Question | None = question
    while here is not None and here.ask in (Ask.VALUE, Ask.WIRED) and (to_end or here.group == question.group):
        answered = answered.passing(here.key)
        here = next_question(record, answered)
    return answered
