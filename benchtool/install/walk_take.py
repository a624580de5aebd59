"""What was typed at a question of the walk, made into the record's new text. No input or output here.

Nothing that was taken is ever lost: the new text is read before it is given back, and holds what was said.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, replace
from typing import Any

from benchtool.install.compare_serial import plain
from benchtool.install.line_edit import Edit, Put
from benchtool.install.load import load
from benchtool.install.naming import named_at, naming, ticks_of
from benchtool.install.places import Path
from benchtool.install.record import Bus, CableKind, Controller, Device, Door, Lock, Reader, Record, Sensor, Supply
from benchtool.install.rules_list import HARDWARE_ADDRESS, RANGES
from benchtool.install.save import with_edits, with_entry, with_value, without_entry
from benchtool.install.schema import Slot, slots_of
from benchtool.install.typed import TypedError, value_of
from benchtool.install.walk import LISTS, WIRED, Answered, Ask, Question, at

CLEAR = "-"
"""Typed where a value stands: it is taken out."""
NEW = "+"
"""Typed before the name of something that is not recorded yet."""
RENAME = "="
"""Typed before the right name of something whose name was mistyped."""
_MAKES = {"door": Door, "cable": CableKind, "controller": Controller, "supply": Supply}


@dataclass(frozen=True, slots=True)
class Taken:
    """An answer that was taken."""

    text: str
    """The record's new text."""
    answered: Answered
    told: tuple[str, ...] = ()
    """What the person should know at once: what was made beside, what stands there twice."""
    made: Path | None = None
    """The entry that was added, if one was."""


def take(text: str, answered: Answered, question: Question, typed: str) -> Taken:
    """The record with the answer in it. TypedError says why it cannot be taken; then nothing has changed.

    Empty text passes the question; where a value stands, it is taken out, as `-` does.
    """
    record = load(text).record
    typed = typed.strip()
    if question.ask is Ask.BUS:
        return _bus(text, record, answered, question, typed)
    if question.ask is Ask.DEVICE:
        return _device(text, record, answered, question, typed)
    if question.ask is Ask.WIRED:
        return _wired(text, record, answered, question, typed)
    return _value(text, record, answered, question, typed)


def _value(text: str, record: Record, answered: Answered, question: Question, typed: str) -> Taken:
    slot = question.slot
    assert slot is not None
    there = at(record, question.key)
    told: list[str] = []
    if typed in ("", CLEAR) and slot.required:
        raise TypedError(f"it must stay: {slot.meaning.text}")
    if slot.meaning.names and there in answered.made and not typed.startswith(RENAME):
        text, answered = _without_made(text, record, answered, question.key, typed, told)
        record = load(text).record
        there = at(record, question.key)
    if typed in ("", CLEAR):
        if there is not None and there != slot.default:
            text = with_value(text, question.key, None)
        return Taken(text, answered.passing(question.key), tuple(told))
    if slot.meaning.names and slot.kind is str:
        known = _ids(record)
        value, text = _name(text, record, slot, typed, told)
        if value not in known and not typed.startswith(RENAME):
            answered = replace(answered, made=answered.made | {value})
    else:
        value = value_of(slot, typed)
    rename = slot.name == "id"
    text = _renamed(text, record, question.key, value) if rename else with_value(text, question.key, value)
    after = load(text).record
    assert at(after, question.key) == value
    return Taken(text, answered.passing(question.key), (*told, *twice(after, question.key), *odd(after, question.key)))


def _name(text: str, record: Record, slot: Slot, typed: str, told: list[str]) -> tuple[str, str]:
    """The id of the entry that is meant, and the text with it made where it is new."""
    kinds = slot.meaning.names
    if typed.startswith(RENAME):
        return _put_right(text, record, kinds, typed.removeprefix(RENAME).strip(), told)
    known = entries_of(record, *kinds)
    wanted = typed.removeprefix(NEW).strip()
    if not typed.startswith(NEW):
        if any(typed == name for name, _ in known):
            return typed, text
        same = [name for name, words in known if typed.lower() in (name.lower(), (words or "").lower())]
        if len(same) == 1:
            return same[0], text
        both = [word for pair in known for word in pair if word]
        near = difflib.get_close_matches(typed, both, 1, 0.75)
        if len(same) > 1 or near:
            hint = f"did you mean {near[0]!r}? " if near else "several are called so; "
            right = f", {RENAME}{typed} to rename {near[0]}" if near and _nearest(record, kinds, typed) else ""
            raise TypedError(f"{hint}Write {NEW}{typed} for a new one{right}")
    make = next((kind for kind in kinds if kind in _MAKES), None)
    if make is None or not wanted:
        raise TypedError(f"nothing is called {wanted!r}; known: {', '.join(name for name, _ in known) or 'none yet'}")
    value_of(slot, wanted)
    made = _free_id(record, _short(wanted))
    entry = Door(id=made, name=wanted) if make == "door" else _MAKES[make](id=made, name=wanted)
    called = f"{made} ({wanted})" if made != wanted else made
    told.append(f"a new {make}: {called}")
    return made, with_entry(text, (make,), entry)


def _nearest(record: Record, kinds: tuple[str, ...], wanted: str) -> Path | None:
    """The entry, of those that the walk makes, whose id or name is nearest to what was typed."""
    paths = {
        word: (kind, place)
        for kind in kinds
        if kind in _MAKES
        for place, one in enumerate(getattr(record, kind))
        for word in (one.id, getattr(one, "name", None))
        if word
    }
    near = difflib.get_close_matches(wanted, paths, 1, 0.75)
    return paths[near[0]] if near else None


def _put_right(text: str, record: Record, kinds: tuple[str, ...], wanted: str, told: list[str]) -> tuple[str, str]:
    """An entry that was made with a mistyped name gets the right one, in all that names it too."""
    path = _nearest(record, kinds, wanted)
    if path is None:
        raise TypedError(f"nothing is called nearly {wanted!r}, to be renamed; write {NEW}{wanted} for a new one")
    entry = at(record, path)
    short = _short(wanted)
    made = entry.id if short == entry.id else _free_id(record, short)
    if getattr(entry, "name", None) is not None:
        text = with_value(text, (*path, "name"), wanted)
    text = _renamed(text, load(text).record, (*path, "id"), made)
    told.append(f"{entry.id} is {made} now")
    return made, text


def _without_made(
    text: str, record: Record, answered: Answered, key: Path, typed: str, told: list[str]
) -> tuple[str, Answered]:
    """The record without an entry that this walk made for a field and that another answer takes the place of.

    It goes only where nothing else names it and nothing was said of it; and only as the last of its list, for the
    walk knows entries by their places.
    """
    old = at(record, key)
    kind = next(kind for kind in _MAKES if any(one.id == old for one in getattr(record, kind)))
    entries = getattr(record, kind)
    place = next(place for place, one in enumerate(entries) if one.id == old)
    name = getattr(entries[place], "name", None)
    if typed.lower() in (old.lower(), (name or "").lower()) and typed:
        return text, answered
    if named_at(record, kind, old) != [key]:
        return text, answered
    said = [
        slot.name
        for slot in slots_of(_MAKES[kind])
        if slot.name not in ("id", "name") and getattr(entries[place], slot.name) != slot.default
    ]
    if said or place != len(entries) - 1:
        told.append(f"{old} stays, though nothing names it now: benchtool site remove takes it out")
        return text, answered
    text = without_entry(with_value(text, key, None), (kind, place))
    told.append(f"{old} is taken out again: nothing names it")
    mine = {one for one in answered.passed | answered.again if one[:2] == (kind, place)}
    return text, replace(
        answered, passed=answered.passed - mine, again=answered.again - mine, made=answered.made - {old}
    )


def entries_of(record: Record, *kinds: str) -> list[tuple[str, str | None]]:
    """Ids and names of the entries of some kinds."""
    found: list[tuple[str, str | None]] = []
    for kind in kinds:
        entries = [one for bus in record.bus for one in bus.device] if kind == "device" else getattr(record, kind)
        found += [(one.id, getattr(one, "name", None)) for one in entries]
    return found


def _ids(record: Record) -> set[str]:
    kinds = [slot.name for slot in slots_of(Record) if slot.is_list and hasattr(slot.kind, "id")]
    return {name for name, _ in entries_of(record, *kinds, "device")}


def _short(words: str) -> str:
    return re.sub(r"[^\w.]+", "-", words.lower()).strip("-_.") or "new"


def _free_id(record: Record, wanted: str) -> str:
    taken = _ids(record)
    if wanted not in taken:
        return wanted
    return next(f"{wanted}-{n}" for n in range(2, len(taken) + 3) if f"{wanted}-{n}" not in taken)


def _numbered_id(record: Record, stem: str) -> str:
    taken = _ids(record)
    return next(f"{stem}-{n}" for n in range(1, len(taken) + 2) if f"{stem}-{n}" not in taken)


def _renamed(text: str, record: Record, key: Path, value: str) -> str:
    """An entry's new id, in all that names it too, ticks of the list before closing as well."""
    old = at(record, key)
    if value == old:
        return text
    if value in _ids(record):
        raise TypedError(f"{value} is used already")
    edits: list[Edit] = [Put(key, value)]
    kind = key[-3] if len(key) >= 3 else ""
    for path, slot, named in naming(record):
        if kind not in slot.meaning.names:
            continue
        if named == old:
            edits.append(Put(path, value))
        elif isinstance(named, tuple) and old in named:
            edits.append(Put(path, tuple(value if one == old else one for one in named)))
    edits += [Put((*path, "item"), f"{word}:{value}") for path, word in ticks_of(record, old)]
    return with_edits(text, edits)


def _bus(text: str, record: Record, answered: Answered, question: Question, typed: str) -> Taken:
    if typed in ("", CLEAR):
        return Taken(text, answered.passing(question.key))
    for place, bus in enumerate(record.bus):
        if typed == bus.id or typed.lower() == (bus.name or "").lower():
            return Taken(text, replace(answered, bus=place).passing(question.key))
    wanted = typed.removeprefix(NEW).strip()
    near = difflib.get_close_matches(typed, [bus.id for bus in record.bus], 1, 0.75)
    if near and not typed.startswith(NEW):
        raise TypedError(f"did you mean {near[0]!r}? Write {NEW}{typed} for a new one")
    value_of(slots_of(Bus)[0], wanted)
    if wanted in _ids(record):
        raise TypedError(f"{wanted} is used already")
    made = with_entry(text, ("bus",), Bus(id=wanted))
    path: Path = ("bus", len(record.bus))
    return Taken(made, replace(answered, bus=len(record.bus)).passing(question.key), (f"a new bus: {wanted}",), path)


def _device(text: str, record: Record, answered: Answered, question: Question, typed: str) -> Taken:
    _, place, _, count = question.key
    assert isinstance(place, int)
    bus = record.bus[place]
    if typed in ("", CLEAR):
        left = replace(answered, bus=None, walked=answered.walked | {place})
        return Taken(text, left.passing(question.key))
    kind = next(slot for slot in slots_of(Device) if slot.name == "kind")
    value = value_of(kind, typed)
    made = Device(id=_numbered_id(record, f"{bus.id}-{_short(value)}"), kind=value)
    text = with_entry(text, ("bus", place, "device"), made)
    path = ("bus", place, "device", count)
    return Taken(text, answered.asking_again((*path, "id")), made=path)


def _wired(text: str, record: Record, answered: Answered, question: Question, typed: str) -> Taken:
    key = question.key
    device = at(record, key[:-2])
    if typed in ("", CLEAR):
        return Taken(text, answered.passing(key))
    low = typed.lower()
    begins = [word for word in WIRED if word.startswith(low)]
    if len(begins) != 1 and low not in WIRED:
        raise TypedError(f"one of {', '.join(WIRED)} is wanted, not {typed!r}")
    word = low if low in WIRED else begins[0]
    made_id = _numbered_id(record, f"{device.id}-{word}")
    entry: Any
    if word in ("reader", "keypad"):
        entry = Reader(id=made_id, kind=word, device=device.id, door=device.door)
        kind = "reader"
    elif word == "lock":
        entry, kind = Lock(id=made_id, device=device.id, door=device.door), "lock"
    else:
        spare = word == "spare"
        entry = Sensor(
            id=made_id, kind="spare" if spare else None, device=device.id, door=None if spare else device.door
        )
        kind = "sensor"
    place = len(getattr(record, kind))
    again: list[Path] = [(kind, place, "id")]
    if entry.door is not None:
        again.append((kind, place, "door"))
    text = with_entry(text, (kind,), entry)
    return Taken(text, answered.passing(key).asking_again(*again), made=(kind, place))


def twice(record: Record, key: Path) -> tuple[str, ...]:
    """What a value that was just noted has in common with another entry, and must not."""
    value, name = at(record, key), key[-1]
    others: list[str] = []
    if name == "serial":
        for kind in ("controller", "reader", "device"):
            for path, one in _with_paths(record, kind):
                if one.serial is not None and plain(one.serial) == plain(value) and (*path, "serial") != key:
                    others.append(one.id)
        return tuple(f"the serial number {value} stands at {other} too" for other in others)
    if name == "address":
        bus = record.bus[int(key[1])]
        others = [one.id for place, one in enumerate(bus.device) if one.address == value and place != key[3]]
        return tuple(f"the address {value} is that of {other} too, on {bus.id}" for other in others)
    if name == "connector":
        device = at(record, key[:-1]).device
        for kind in LISTS:
            for path, one in _with_paths(record, kind):
                same = one.device == device and one.connector is not None
                if same and one.connector.lower() == value.lower() and (*path, "connector") != key:
                    others.append(one.id)
        return tuple(f"the connector {value} serves {other} too" for other in others)
    return ()


def odd(record: Record, key: Path) -> tuple[str, ...]:
    """What a value that was just noted can hardly be, though the record can hold it."""
    value, name = at(record, key), key[-1]
    if name == "network_address" and not HARDWARE_ADDRESS.match(value):
        return (f"{value} is no hardware address: six pairs of hex digits, as 02:00:5E:10:00:01",)
    if name == "address" and key[0] == "bus":
        bus = record.bus[int(key[1])]
        low, high = RANGES.get(bus.protocol or "", (value, value))
        if not low <= value <= high:
            return (f"{bus.protocol} has the addresses {low} to {high}, not {value}",)
    return ()


def _with_paths(record: Record, kind: str) -> list[tuple[Path, Any]]:
    if kind == "device":
        return [
            (("bus", place, "device", at_place), one)
            for place, bus in enumerate(record.bus)
            for at_place, one in enumerate(bus.device)
        ]
    return [((kind, place), one) for place, one in enumerate(getattr(record, kind))]
