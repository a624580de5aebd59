"""Rules of what belongs to what: readers, locks and sensors at doors, devices and connectors; what is used."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable

from benchtool.install.record import Controller, Lock, Reader, Sensor
from benchtool.install.rule import COMMON_PRACTICE, KEPT, Rule, Said, Severity, unknown
from benchtool.install.rules_colours import colours
from benchtool.install.view import Named, View
from benchtool.install.worked import Figure

_MOST_INTERFACES = 31
_MOST_READERS = 2
_AT_NO_DOOR = ("spare", "tamper")


def _interfaces(view: View) -> Iterable[Said]:
    counts: dict[str, int] = defaultdict(int)
    for trunk in view.trunks:
        if trunk.bus.controller is None and trunk.bus.device:
            yield unknown(trunk.path, f"the controller of {trunk.bus.id} is not noted")
        elif trunk.bus.controller is not None:
            counts[trunk.bus.controller] += sum(device.kind == "interface" for device in trunk.bus.device)
    for named in view.of_kind("controller"):
        count = counts[named.id]
        if count > _MOST_INTERFACES:
            sentence = f"{view.called(named.id)} has {count} interfaces"
            yield Said(named.path, sentence, Figure("interfaces", count), Figure("most", _MOST_INTERFACES))
        elif count:
            yield KEPT


def _tied(view: View) -> Iterable[Said]:
    for named in view.of_kind("reader", "lock", "sensor"):
        entry: Reader | Lock | Sensor = named.entry
        wanted = [("the device it is wired to", entry.device), ("its connector", entry.connector)]
        if not (isinstance(entry, Sensor) and entry.kind in _AT_NO_DOOR):
            wanted.insert(0, ("its door", entry.door))
        missing = [words for words, value in wanted if not value]
        if missing:
            yield Said(named.path, f"{named.kind} {view.called(named.id)}: not noted: {', '.join(missing)}")
        else:
            yield KEPT
    for trunk in view.trunks:
        for path, device in trunk.answerers:
            if device.kind in ("reader", "keypad"):
                no_door = f"{device.kind} {view.called(device.id)}: not noted: its door"
                yield KEPT if device.door else Said(path, no_door)


def _connector(view: View) -> Iterable[Said]:
    seen: dict[tuple[str, str], Named] = {}
    for named in view.of_kind("reader", "lock", "sensor"):
        entry: Reader | Lock | Sensor = named.entry
        if not entry.device or not entry.connector:
            yield unknown(named.path, f"the connector of {view.called(named.id)}, or its device, is not noted")
            continue
        # `P1` and `p 1` are one; between two digits what parts them counts.
        connector = re.sub(r"(?<![0-9])\s+|\s+(?![0-9])", "", entry.connector).upper()
        first = seen.setdefault((view.owner(entry.device), connector), named)
        if first is named:
            yield KEPT
        else:
            path = (*named.path, "connector")
            yield Said(path, f"connector {entry.connector.strip()} of {entry.device} serves {first.id} and {named.id}")


def _readers(view: View) -> Iterable[Said]:
    served: dict[str, list[str]] = defaultdict(list)
    for named in view.of_kind("reader"):
        entry: Reader = named.entry
        if entry.device:
            served[view.owner(entry.device)].append(named.id)
        else:
            yield unknown(named.path, f"the device that {view.called(named.id)} is wired to is not noted")
    for device, readers in served.items():
        if len(readers) <= _MOST_READERS:
            yield KEPT
        elif device in view.by_id:
            yield Said(
                view.by_id[device].path,
                f"{view.called(device)} has {len(readers)} readers: {', '.join(readers)}",
                Figure("readers", len(readers)),
                Figure("most", _MOST_READERS),
            )


def _controllers(view: View) -> Iterable[Said]:
    asking = {trunk.bus.controller for trunk in view.trunks}
    # A controller of a door or two may have its readers, locks and sensors on its own terminals, and no bus at all.
    wired = {named.entry.device for named in view.of_kind("reader", "lock", "sensor")}
    for named in view.of_kind("controller"):
        entry: Controller = named.entry
        no_bus = f"no bus of {view.called(named.id)} is recorded, and nothing that is wired to it"
        yield KEPT if entry.id in asking or entry.id in wired else Said(named.path, no_bus)


def _doors(view: View) -> Iterable[Said]:
    used = {named.entry.door for named in view.of_kind("device", "reader", "lock", "sensor")}
    for named in view.of_kind("door"):
        yield KEPT if named.id in used else Said(named.path, f"nothing is recorded at {view.called(named.id)}")


def _doors_agree(view: View) -> Iterable[Said]:
    for named in view.of_kind("reader", "lock", "sensor"):
        entry: Reader | Lock | Sensor = named.entry
        device = view.find(entry.device, "device")
        if device is None or not device.door or not entry.door or view.find(entry.door, "door") is None:
            continue
        if device.door == entry.door:
            yield KEPT
        else:
            doors = f"{view.called(device.door)}, and {view.called(entry.door)}"
            yield Said((*named.path, "door"), f"{named.kind} {named.id} hangs on {device.id} of {doors} is noted here")


RULES = (
    Rule(
        "interfaces-at-most",
        Severity.WARNING,
        f"A controller has at most {_MOST_INTERFACES} interfaces.",
        COMMON_PRACTICE,
        "Look in the controller's manual; a second bus or controller takes the rest.",
        _interfaces,
    ),
    Rule(
        "tied",
        Severity.WARNING,
        "Every reader, lock and sensor belongs to a door, a device and a connector.",
        COMMON_PRACTICE,
        "Follow the cable and note where it ends.",
        _tied,
    ),
    Rule(
        "connector-once",
        Severity.ERROR,
        "No connector serves two things.",
        COMMON_PRACTICE,
        "Follow both cables: one of the two ends elsewhere, or is in parallel where it should not be.",
        _connector,
    ),
    Rule(
        "readers-at-most",
        Severity.WARNING,
        f"A device serves at most {_MOST_READERS} readers.",
        COMMON_PRACTICE,
        "Look in the device's manual; move a reader to another device.",
        _readers,
    ),
    Rule(
        "doors-agree",
        Severity.NOTE,
        "A reader, lock or sensor belongs to the door that its device is noted at.",
        COMMON_PRACTICE,
        "Look whether two were swapped; leave the door out at a device that serves several.",
        _doors_agree,
    ),
    Rule(
        "pair-not-crossed",
        Severity.WARNING,
        "A pair has the same colour on the same terminal at every device.",
        "conductor colours as noted; A and B are lettered differently by makers",
        "Look whether the maker letters A and B the other way round; else swap the two conductors there. The wire that"
        " is more positive at rest is the same everywhere. Other colours: look for a core of another pair; where"
        " another cable is laid, add it to the record and name it (cable) at the place that it leads to.",
        colours,
    ),
    Rule(
        "controller-has-bus",
        Severity.NOTE,
        "Every controller asks on a bus that is recorded, or has readers, locks or sensors at its own terminals.",
        "this file's own rule",
        "Add the bus, or name the controller at it.",
        _controllers,
    ),
    Rule(
        "door-used",
        Severity.NOTE,
        "At every door something is mounted.",
        "this file's own rule",
        "Name the door at its reader, lock and sensors, or take it out of the list.",
        _doors,
    ),
)
"""In the order in which they are told."""
