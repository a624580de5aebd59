"""`benchtool site walk`: asks in the order in which one walks along the bus; each answer is in the file at once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.site_ask import Asker, make_asker, say, say_keys
from benchtool.commands.site_file import read_site, read_text, write_text
from benchtool.install.load import RecordError, load
from benchtool.install.record import DEVICE_KINDS, Record
from benchtool.install.typed import TypedError, text_of, wanted_words
from benchtool.install.walk import WIRED, Answered, Ask, Question, at, next_question
from benchtool.install.walk_back import Step, gone_back, pass_over
from benchtool.install.walk_take import CLEAR, NEW, RENAME, Taken, entries_of, take
from benchtool.reports.hunt_ask import unrepeated

KEYS = ("Enter: not known", "?: explain", "<: back", ">: next device", ">>: end of the bus", ".: leave")
_LONGER = (
    f"Enter alone leaves it open, or takes what stands in [ ]; {CLEAR} takes that out; {NEW}name makes a new entry;",
    f"{RENAME}name puts right the name of one that was mistyped, wherever it stands.",
    "< goes back, also to what was noted another day; > on to the next device, >> to the end of the bus, . leaves.",
    "All answers are in the file already. The arrow up brings back what was typed before.",
)
_ASKED = {
    Ask.BUS: "Which bus is walked along: the short name of one that is recorded, or of a new one; Enter leaves.",
    Ask.DEVICE: "What comes next along the pair, by its kind; Enter: the bus ends here.",
    Ask.WIRED: "What hangs on the next connector of this device; Enter: nothing more.",
}


@click.command("walk", context_settings={"help_option_names": ["-h", "--help"]})
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--bus", "bus_id", metavar="ID", help="Walk along this bus, without asking which.")
@click.option("--from", "start", metavar="ID", help="Begin at this device.")
@click.option("--more", is_flag=True, help="Ask for what can wait too: currents, loads, edge times, notes.")
def command(file: Path, bus_id: str | None, start: str | None, more: bool) -> None:
    """Note what is mounted and wired, device by device along the bus, into FILE.

    Only what the record does not know yet is asked for; every answer is written at once, so stop when you like and
    call it again to go on. A barcode scanner that ends with Enter can type serial numbers.

    \b
      benchtool site walk depot.toml
      benchtool site walk depot.toml --bus yard
      benchtool site walk depot.toml --from if-7
    """
    record = read_site(file).record
    answered = _begin(record, Answered(start=start, more=more), bus_id)
    Walker(file, make_asker(), answered).run()


def _begin(record: Record, answered: Answered, bus_id: str | None) -> Answered:
    if answered.start is not None and bus_id is None:
        holds = [bus.id for bus in record.bus if any(one.id == answered.start for one in bus.device)]
        if not holds:
            raise CommandError(f"no device is called {answered.start!r}; see benchtool site show", Exit.USAGE)
        bus_id = holds[0]
    if bus_id is None:
        return answered
    for place, bus in enumerate(record.bus):
        if bus.id == bus_id:
            if answered.start is not None and all(one.id != answered.start for one in bus.device):
                raise CommandError(f"{answered.start!r} is not on {bus_id}", Exit.USAGE)
            return replace(answered, bus=place)
    known = ", ".join(bus.id for bus in record.bus) or "none yet"
    raise CommandError(f"no bus is called {bus_id!r}; there are: {known}", Exit.USAGE)


class Walker:
    """The talk with the person. Every answer is in the file before the next question."""

    def __init__(self, path: Path, asker: Asker, answered: Answered) -> None:
        self.path = path
        self.asker = asker
        self.answered = answered
        self.text = read_text(path)
        self.steps: list[Step] = []
        self._group: Any = None
        self._kept = ""

    def run(self) -> None:
        """Ask until the walk is over, or the person leaves."""
        say_keys(KEYS)
        try:
            while True:
                record = load(self.text).record
                question = next_question(record, self.answered)
                if question is None or not self._ask(record, question):
                    break
        except (EOFError, KeyboardInterrupt):
            click.echo()
        # Not folded, so that it can be copied.
        click.echo(f"All answers are in {self.path}. Go on with:\n  benchtool site walk {self.path}")

    def _ask(self, record: Record, question: Question) -> bool:
        """Ask one question; False where the walk is left."""
        self._head(record, question)
        offered = _offered(question)
        typed = self.asker.ask(_prompt(record, question, offered), _choices(record, question), self._kept).strip()
        self._kept = ""
        if typed == ".":
            return False
        if typed == "?":
            say("\n".join(f"  {line}" for line in _explained(record, question)))
        elif typed == "<":
            self._back(question)
        elif typed in (">", ">>"):
            self.answered = pass_over(record, self.answered, question, to_end=typed == ">>")
        else:
            return self._answer(question, typed or offered)
        return True

    def _answer(self, question: Question, typed: str) -> bool:
        if self._changed_outside(question, typed):
            return True
        try:
            taken = take(self.text, self.answered, question, typed)
        except TypedError as error:
            return self._refused(typed, str(error))
        except RecordError as error:
            return self._refused(typed, f"the file would not be a record any more: {error.faults[0]}")
        self._keep(taken)
        self.steps.append(Step(question.ask, question.key, taken.made))
        return not (question.ask is Ask.BUS and self.answered.bus is None)

    def _refused(self, typed: str, why: str) -> bool:
        """The question comes again, empty: what comes next, from a scanner too, is an answer of its own."""
        told = why if typed in why else f"{why}, not {typed!r}"
        say(f"  not taken: {unrepeated(told, typed)}")
        return True

    def _keep(self, taken: Taken) -> None:
        if taken.text != self.text:
            write_text(self.path, taken.text)
        by_name = taken.answered.made - self.answered.made
        self.text, self.answered = taken.text, taken.answered
        for line in taken.told:
            say(f"  note: {line}")
        if by_name:
            say(f"  (mistyped? < and another name, or {CLEAR}, take it out again; < and {RENAME}name renames it)")
        elif taken.made is not None and len(taken.made) == 2 and taken.made[0] == "bus":
            say("  (mistyped? < takes it out again)")

    def _back(self, question: Question) -> None:
        text, answered, told, self.steps = gone_back(self.text, self.answered, question, self.steps)
        if told is None:
            say("  there is nothing before this")
            return
        self._keep(Taken(text, answered, (told,) if told else ()))
        self._group = None

    def _changed_outside(self, question: Question, typed: str) -> bool:
        """Whether somebody else changed the file in the meantime: then it is read again before anything is written."""
        now = read_text(self.path)
        if now == self.text:
            return False
        try:
            after = load(now).record
        except RecordError as error:
            say(f"  the file was changed meanwhile and is no record now: {error.faults[0]}")
            say("  mend that, then press Enter once more: your answer is kept here")
            self._kept = typed
            return True
        before = load(self.text).record
        self.text = now
        if _names_on_the_way(before, question.key) != _names_on_the_way(after, question.key):
            told = f"; not taken: {typed}" if typed else ""
            say(f"  the file was changed meanwhile and was read again{told}")
            self.answered = Answered(self.answered.bus, more=self.answered.more)
            self.steps.clear()
            return True
        return False

    def _head(self, record: Record, question: Question) -> None:
        if question.group == self._group or question.ask in (Ask.BUS, Ask.DEVICE):
            return
        self._group = question.group
        entry = at(record, question.group)
        if len(question.group) == 4:
            bus = record.bus[int(question.group[1])]
            words = f"{bus.id}, device {int(question.group[3]) + 1}: {_called(entry)}"
        else:
            words = f"bus {_called(entry)}"
        click.echo(f"\n{words}")


def _names_on_the_way(record: Record, key: Any) -> list[str | None]:
    found = [getattr(at(record, key[:end]), "id", None) for end in range(2, len(key) + 1) if key[end - 1] != "wired"]
    return [*found, str(len(record.bus))] if key[:2] == ("bus", "which") else found


def _called(entry: Any) -> str:
    name = getattr(entry, "name", None)
    return f"{entry.id} ({name})" if name else str(entry.id)


def _offered(question: Question) -> str:
    if question.slot is None:
        return question.offered or ""
    return text_of(question.slot, question.offered)


def _choices(record: Record, question: Question) -> list[str]:
    if question.ask is Ask.BUS:
        return [bus.id for bus in record.bus]
    if question.ask is Ask.DEVICE:
        return list(DEVICE_KINDS)
    if question.ask is Ask.WIRED:
        return list(WIRED)
    slot = question.slot
    assert slot is not None
    if slot.meaning.names:
        return [word for pair in entries_of(record, *slot.meaning.names) for word in pair if word]
    return list(slot.meaning.choices) or (["yes", "no"] if slot.kind is bool else [])


def _prompt(record: Record, question: Question, offered: str) -> str:
    brackets = f" [{offered}]" if offered else ""
    if question.ask is Ask.BUS:
        known = ", ".join(bus.id for bus in record.bus)
        new = f"{known}, or a new name" if known else "a short name for it"
        over = "" if offered else "; Enter: leave"
        return f"\nWhich bus ({new}{over}){brackets}: "
    if question.ask is Ask.DEVICE:
        last = record.bus[int(question.key[1])].device
        after = f"after {last[-1].id}" if last else "first on the bus"
        return f"\nNext device, {after} ({' | '.join(DEVICE_KINDS)}; Enter: end of the bus): "
    device = f"{at(record, question.group).id}, " if question.ask is Ask.WIRED else ""
    if question.ask is Ask.WIRED:
        return f"  {device}next connector serves ({' | '.join(WIRED)}; Enter: nothing more): "
    slot = question.slot
    assert slot is not None
    entry = at(record, question.key[:-1])
    beside = "" if question.key[:-1] == question.group else f"{_kind_of(question)} {entry.id}, "
    wanted = wanted_words(slot)
    note = f" ({wanted})" if wanted and (slot.meaning.choices or slot.kind is not str) else ""
    return f"  {beside}{slot.name.replace('_', ' ')}: {slot.meaning.text}{note}{brackets}: "


def _kind_of(question: Question) -> str:
    return str(question.key[-3])


def _explained(record: Record, question: Question) -> list[str]:
    if question.slot is None:
        lines = [_ASKED[question.ask]]
    else:
        slot = question.slot
        lines = [f"{slot.name}: {slot.meaning.text}"]
        if wanted_words(slot):
            lines.append(f"wanted: {wanted_words(slot)}")
        if slot.meaning.names:
            lines.append(f"names a {' or '.join(slot.meaning.names)}")
    choices = _choices(record, question)
    if choices:
        lines.append(f"there are: {', '.join(choices[:20])}{' …' if len(choices) > 20 else ''}")
    return [*lines, *_LONGER]
