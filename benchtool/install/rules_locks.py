"""Rules of locks and of the doors that people flee by: sparks of coils, release, licensed practice."""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.install.record import Door, Lock
from benchtool.install.rule import COMMON_PRACTICE, KEPT, Rule, Said, Severity, unknown
from benchtool.install.view import View

_WITH_COIL = ("strike", "magnet")
"""Kinds of locks that have a coil, where it is not noted."""
_MARKS = (
    ("escape", "on an escape route", "an escape route"),
    ("fire_release", "released by the fire alarm", "release by the fire alarm"),
)


def _spark(view: View) -> Iterable[Said]:
    for named in view.of_kind("lock"):
        lock: Lock = named.entry
        called = view.called(lock.id)
        coil = lock.kind in _WITH_COIL if lock.inductive is None else lock.inductive
        path = (*named.path, "suppression")
        if not coil and lock.inductive is None:
            yield unknown(named.path, f"whether {called} has a coil is not noted")
        elif not coil:
            continue
        elif lock.suppression is None:
            yield unknown(named.path, f"what takes up the spark of {called} is not noted")
        elif lock.suppression == "none":
            yield Said(path, f"nothing takes up the spark of {called}")
        elif lock.suppression != "diode" or lock.alternating is False:
            yield KEPT
        elif lock.alternating:
            yield Said(path, f"{called} is fed with alternating voltage, which a diode shorts")
        else:
            yield unknown(named.path, f"{called} has a diode, and whether its voltage alternates is not noted")


def _licensed(view: View) -> Iterable[Said]:
    for named in view.of_kind("door"):
        door: Door = named.entry
        marks = [words for field, _, words in _MARKS if getattr(door, field)]
        if marks:
            yield Said(named.path, f"{view.called(door.id)}: {' and '.join(marks)}")
        for field, words, _ in _MARKS:
            if getattr(door, field) is None:
                yield unknown(named.path, f"whether {view.called(door.id)} is {words} is not noted")
        if door.escape is False and door.fire_release is False:
            yield KEPT


def _free(view: View) -> Iterable[Said]:
    for named in view.of_kind("lock"):
        lock: Lock = named.entry
        called, door = view.called(lock.id), view.find(lock.door, "door")
        if door is None:
            yield unknown(named.path, f"the door of {called} is not noted")
        elif door.escape is False and door.fire_release is False:
            continue
        elif lock.without_power == "free":
            yield KEPT
        elif not door.escape and not door.fire_release:
            yield unknown(named.path, f"whether people flee through {view.called(door.id)} is not noted")
        elif lock.without_power is None:
            yield unknown(named.path, f"whether {called} is free without power is not noted")
        elif not door.fire_release and lock.opens_by_hand:
            yield KEPT
        else:
            path = (*named.path, "without_power")
            yield Said(path, f"{called} stays locked without power, on {view.called(door.id)}")


_LICENSED = (
    "Work on escape routes and fire releases, and their tests, are for those licensed for it; local codes decide."
    " Never take an escape function out of order, not for a test either."
)
RULES = (
    Rule(
        "escape-free",
        Severity.ERROR,
        "A lock on an escape route opens without power or by hand; with fire release, it is free without power.",
        "building and fire codes, which differ by place",
        "Ask whoever answers for the building's fire safety before anybody uses the door. " + _LICENSED,
        _free,
    ),
    Rule(
        "escape-licensed",
        Severity.NOTE,
        "Doors on escape routes and with fire release are marked for licensed practice.",
        "building and fire codes, which differ by place",
        _LICENSED,
        _licensed,
    ),
    Rule(
        "spark-taken-up",
        Severity.WARNING,
        "The coil of every lock has something that takes up its spark.",
        COMMON_PRACTICE,
        "At the lock: a diode across a DC coil, cathode to plus, or a varistor; a varistor for AC.",
        _spark,
    ),
)
"""In the order in which they are told."""
