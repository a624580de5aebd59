"""Rules of how an RS-485 pair lies: its ends, its shape, its stubs and its length. Sheet sections 1.3 to 1.5."""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.install import pair_rules
from benchtool.install.places import Path
from benchtool.install.record import Device
from benchtool.install.rule import KEPT, Rule, Said, Severity, unknown
from benchtool.install.view import View
from benchtool.install.worked import Figure

TERMINATOR_OHM = 120.0
_TERMINATOR_LEAST = 90.0
_TERMINATOR_MOST = 150.0
_STUB_MOST_M = 20.0


def terminator_ohm(device: Device) -> float:
    """What a device's end-of-line resistor has when it is on."""
    return TERMINATOR_OHM if device.terminator_ohm is None else device.terminator_ohm


def _controller_placed(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        where = f'no device of {trunk.bus.id} is the controller: kind = "controller", at its place along the pair'
        nameless = [
            (path, device) for path, device in trunk.placed if device.kind == "controller" and not device.controller
        ]
        for path, device in nameless:
            yield Said(path, f"{view.called(device.id)} is a controller's place; which one's (controller) is not noted")
        if not trunk.controller_placed:
            yield Said(trunk.path, where)
        elif not nameless:
            yield KEPT


def _one_controller(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        asking = trunk.bus.controller
        first = "" if asking is None else f"{view.called(asking)}, which {trunk.bus.id} names as its own"
        nameless: list[tuple[Path, Device]] = []
        for path, device in trunk.placed:
            here = device.controller
            if here is None and device.kind == "controller":
                nameless.append((path, device))
            if here is None:
                continue
            if asking is None:
                asking, first = here, f"{view.called(here)}, which stands on {trunk.bus.id} as well"
            if here == asking:
                yield KEPT
            else:
                yield Said(path, f"{device.id} is the place of {view.called(here)}, beside {first}")
        named = any(device.controller is not None for _, device in trunk.placed)
        for path, device in nameless[0 if named else 1 :]:
            yield unknown(path, f"{device.id} is a controller's place beside another; which one's is not noted")


def _joined(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        astray = trunk.astray
        for segment in astray:
            what = (
                "itself" if segment.start == segment.device.id else f"{segment.start}, which is no place of this pair"
            )
            named = view.called(segment.device.id)
            yield Said((*segment.path, "after"), f"the cable of {named} begins at {what}")
        if not astray and trunk.bus.device:
            apart = [device for device in trunk.bus.device if device.id not in trunk.reached]
            for device in apart[:1]:
                sentence = f"{view.called(device.id)} is not joined with {view.called(trunk.bus.device[0].id)}"
                yield Said((*trunk.device_path(device), "after"), sentence)
            if not apart and len(trunk.joined) > 1:
                yield KEPT


def _ends(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if trunk.unclear is not None:
            yield unknown(trunk.path, trunk.unclear)
            continue
        ends, branches = trunk.ends, {device.id for device in trunk.off_trunk}
        for path, device in trunk.placed:
            named = view.called(device.id)
            if device.id == trunk.bus.device[0].id and not trunk.controller_placed:
                # The controller may lie beyond it.
                yield unknown(path, f"where the controller lies on {trunk.bus.id} is not recorded: is {named} an end?")
            elif device.terminator is None and device.kind != "junction":
                yield unknown(path, f"whether the end-of-line resistor of {named} is on is not noted")
            elif device.id in ends and not device.terminator:
                yield Said((*path, "terminator"), f"{named} is an end of {trunk.bus.id}, and its resistor is off")
            elif device.id not in ends and device.terminator:
                where = "on a branch" if device.id in branches else "in the middle"
                yield Said((*path, "terminator"), f"{named} is {where} of {trunk.bus.id}, and its resistor is on")
            else:
                yield KEPT


def _terminator(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        for path, device in trunk.placed:
            if device.terminator is None and device.kind != "junction":
                yield unknown(path, f"whether the end-of-line resistor of {view.called(device.id)} is on is not noted")
            if not device.terminator:
                continue
            ohm = terminator_ohm(device)
            if _TERMINATOR_LEAST <= ohm <= _TERMINATOR_MOST:
                yield KEPT
            else:
                low = ohm < _TERMINATOR_LEAST
                yield Said(
                    (*path, "terminator_ohm"),
                    f"the end-of-line resistor of {view.called(device.id)} does not suit a pair",
                    Figure("resistor", ohm, "ohm"),
                    Figure("least", _TERMINATOR_LEAST, "ohm") if low else Figure("most", _TERMINATOR_MOST, "ohm"),
                )


def _loop(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if trunk.bus.loop:
            yield Said((*trunk.path, "loop"), f"{trunk.bus.id} is closed to a ring at {' and '.join(trunk.bus.loop)}")
        for segment in trunk.closing:
            yield Said(
                (*segment.path, "after"),
                f"the cable from {view.called(segment.start)} to {view.called(segment.device.id)} closes"
                f" {trunk.bus.id} to a ring",
            )
        if trunk.unclear is not None and not trunk.closing:
            yield unknown(trunk.path, trunk.unclear)
        elif not trunk.bus.loop:
            yield KEPT


def _branches(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if len(trunk.joined) < 2 or trunk.astray:
            yield unknown(trunk.path, trunk.unclear or f"how the places of {trunk.bus.id} are joined is not clear")
        for path, device in trunk.placed:
            count = len(trunk.joined[device.id])
            if count > 2:
                sentence = f"{count} cables of {trunk.bus.id} meet at {view.called(device.id)}"
                yield Said(path, sentence, Figure("cables", count), Figure("most", 2))
            elif count:
                yield KEPT


def _stubs(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        rises = [device.rise_ns for _, device in trunk.talkers]
        cable = view.cable(trunk.bus.cable)
        known = [rise for rise in rises if rise is not None]
        velocity = None if cable is None else cable.velocity
        most = Figure("stub", _STUB_MOST_M, "m")
        if known and velocity is not None:
            worked = pair_rules.longest_stub(min(known), velocity)
            most = worked.result if worked.result.value < _STUB_MOST_M else most
        for path, device in trunk.talkers:
            named = view.called(device.id)
            if device.stub_m is None:
                yield unknown(path, f"the stub of {named} is not noted (0: none)")
            elif device.stub_m > most.value:
                yield Said(
                    (*path, "stub_m"),
                    f"the stub of {named} is longer than the edges on {trunk.bus.id} allow",
                    Figure("stub", device.stub_m, "m"),
                    Figure("most", most.value, "m"),
                )
            elif device.stub_m and (len(known) < len(rises) or velocity is None):
                what = "the velocity of the cable" if velocity is None else "the edge time of every driver"
                yield unknown(path, f"{named} has a stub, and {what} of {trunk.bus.id} is not noted")
            else:
                yield KEPT


def _length(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        most = None if trunk.bus.baud is None else pair_rules.longest_at(trunk.bus.baud).result
        known = trunk.known_m
        if most is None:
            yield unknown(trunk.path, f"the bit rate of {trunk.bus.id} is not noted")
        elif known > most.value:
            already = "" if trunk.metres is not None else " already, not all of it noted,"
            yield Said(
                trunk.path,
                f"{trunk.bus.id} is{already} longer than {trunk.bus.baud} bit/s allows",
                Figure("length", known, "m"),
                Figure("most", most.value, "m"),
            )
        elif trunk.unclear is not None or trunk.metres is None:
            yield unknown(trunk.path, trunk.unclear or f"a length of cable of {trunk.bus.id} is not noted")
        else:
            yield KEPT


RULES = (
    Rule(
        "controller-placed",
        Severity.WARNING,
        "The controller stands among the devices of its pair, at its place, by its id.",
        "this file's own rule: the ends of a pair are known by it",
        "Add it as a device of the bus where the cable passes it, with controller = its id.",
        _controller_placed,
    ),
    Rule(
        "one-controller",
        Severity.ERROR,
        "A pair has one controller.",
        "Modbus serial line guide, 2.1: one master; OSDP alike",
        "Look which of the two asks here; divide the pair, or take the other controller off it.",
        _one_controller,
    ),
    Rule(
        "pair-joined",
        Severity.ERROR,
        "Every place of a pair is joined with the others by cable.",
        "this file's own rule",
        "Name in `after` the place of the same pair at which the cable begins, or leave it out.",
        _joined,
    ),
    Rule(
        "ends-terminated",
        Severity.ERROR,
        "The end-of-line resistor is on at both ends of the trunk and nowhere else.",
        "TIA-485 and its application notes: one at each end, never more than two, none on a branch",
        "Switch it as the rule says, then measure between the wires without power: 60 ohm, more on a long pair.",
        _ends,
    ),
    Rule(
        "terminator-suits",
        Severity.WARNING,
        "An end-of-line resistor has 90 to 150 ohm.",
        "not below 90 ohm: a converter maker's text; 120 ohm nominal; 150 ohm in the Modbus serial line guide",
        "Fit 120 ohm, or what the cable's characteristic impedance is.",
        _terminator,
    ),
    Rule(
        "no-ring",
        Severity.ERROR,
        "A pair is not closed to a ring.",
        "TIA-485 application notes: a daisy chain",
        "Open the ring at one place and end the pair there at both sides.",
        _loop,
    ),
    Rule(
        "no-star",
        Severity.ERROR,
        "A pair has no branches: at most two cables meet at a device.",
        "TIA-485 application notes: a daisy chain, no star",
        "Lead the cable to the next device and back, or fit a repeater that is made for it.",
        _branches,
    ),
    Rule(
        "stub-short",
        Severity.WARNING,
        "No stub is longer than a tenth of the way that an edge goes in its rise time, and none than 20 m.",
        "transceiver data sheets: 0.1 · rise time · velocity; 20 m by the Modbus serial line guide",
        "Lead the trunk through the device's terminals, or shorten the branch.",
        _stubs,
    ),
    Rule(
        "length-for-rate",
        Severity.WARNING,
        "The pair is no longer than its bit rate allows.",
        "product rule of equipment manuals, 100 000 000 / rate; 1200 m by TIA-422-B's guide",
        "Set a lower bit rate, or divide the pair.",
        _length,
    ),
)
"""In the order in which they are told."""
