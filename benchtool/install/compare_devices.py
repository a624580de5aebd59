"""Devices that are missing, that nobody recorded, that answer at another address, whose serial is another one."""

from __future__ import annotations

from collections.abc import Iterator

from benchtool.install.compare_difference import Difference, Pairing, Proposal, Sides, listed, times
from benchtool.install.compare_found import FoundDevice, Way
from benchtool.install.compare_kind import likely_kind
from benchtool.install.compare_serial import serials_of
from benchtool.install.compare_who import Matched
from benchtool.install.record import Device
from benchtool.install.rule import Severity

ENOUGH_POLLS = 20
"""So often others are asked before an address that nobody asks is told as missing (judgement)."""
TWO_OR_LINE = (
    "Two devices at this address that talk at once, or a bad line: unplug the one meant; if answers still come, a "
    "second one has the address. If not: benchtool diagnose."
)
_LABELS = "none of the serials noted is what the devices say: the labels may bear another number"


def differences(sides: Sides, matched: Matched) -> Iterator[Difference]:
    """All about who is where."""
    yield from _missing(sides, matched)
    yield from _swapped(sides, matched)
    yield from _serials(sides, matched)
    yield from _strangers(sides, matched)
    yield from _doubles(sides)


def _missing(sides: Sides, matched: Matched) -> Iterator[Difference]:
    for pairing in matched.pairings:
        device = pairing.device
        if pairing.found is not None or device.address is None:
            continue
        name = sides.with_address(device)
        near = sides.neighbour(device)
        cable = f"its supply, its address and rate, its data wires, the cable{f' from {near}' if near else ''}"
        here = sides.found.at(device.address)
        other = next((one for one in here if one.there), None)
        if other is not None:
            who = _holder(matched, other)
            yield Difference(
                "missing",
                Severity.ERROR,
                f"{name} is not there: {who} answers at its address.",
                (device.id,),
                (device.address,),
                tuple(str(one) for one in other.identities),
                "Look for it on the pair; give it an address of its own.",
            )
        elif any(one.garbled for one in here):
            garbled = next(one for one in here if one.garbled)
            yield Difference(
                "damaged",
                Severity.ERROR,
                f"Nothing but damaged octets comes from {name}.",
                (device.id,),
                (device.address,),
                (f"{garbled.damaged} of {garbled.requests} requests brought damage, none a sound answer",),
                TWO_OR_LINE,
                numbers={"damaged": garbled.damaged, "asked": garbled.requests},
            )
        elif any(one.silent for one in here) or sides.found.way is Way.SURVEYED:
            asked = sum(one.requests for one in here)
            if sides.found.way is Way.SURVEYED and not was_asked(sides, device.address):
                continue
            told = f"asked {times(asked)}, no sound answer" if asked else "asked in the survey, no answer"
            yield Difference(
                "missing",
                Severity.ERROR,
                f"{name} does not answer.",
                (device.id,),
                (device.address,),
                (told,),
                f"Check {cable}.",
                numbers={"asked": asked},
            )
        elif not here and _enough(sides):
            yield Difference(
                "missing",
                Severity.WARNING,
                f"{name} is not asked by the controller, and does not answer.",
                (device.id,),
                (device.address,),
                (f"no request to address {device.address} in {sides.found.seconds:.0f} s",),
                "Enter it in the controller, or set the address right in the record"
                + ("; benchtool survey asks it itself." if sides.found.protocol == "osdp" else "."),
            )


def was_asked(sides: Sides, address: int) -> bool:
    """Whether a survey is known to have asked an address at the recorded rate, or at any where none is recorded."""
    asked = sides.found.asked
    if asked is None:
        return any(one.requests for one in sides.found.at(address))
    baud = sides.trunk.bus.baud
    rows = [asked[baud]] if baud is not None and baud in asked else list(asked.values())
    return any(address in addresses for addresses in rows)


def _enough(sides: Sides) -> bool:
    """Whether so much was heard that an address that is polled would have been asked."""
    asked = [one.requests for one in sides.found.devices if one.requests]
    return bool(asked) and sum(asked) >= ENOUGH_POLLS * len(asked)


def _holder(matched: Matched, found: FoundDevice) -> str:
    ids = [one.device.id for one in matched.pairings if one.found is found]
    return ids[0] if ids else "another device"


def _swapped(sides: Sides, matched: Matched) -> Iterator[Difference]:
    told: set[int] = set()
    for at, one in enumerate(matched.moved):
        if at in told:
            continue
        assert one.found is not None
        partner = next(
            (
                place
                for place, other in enumerate(matched.moved)
                if place not in told
                and place != at
                and other.found is not None
                and other.device.address == one.found.address
                and other.found.address == one.device.address
            ),
            None,
        )
        mend = "Set the addresses at the devices as recorded, or the record as found (the edit proposed)."
        if partner is not None:
            other = matched.moved[partner]
            told |= {at, partner}
            yield Difference(
                "address-swapped",
                Severity.ERROR,
                f"{sides.name(one.device)} and {sides.name(other.device)} have exchanged addresses: "
                f"{one.device.id} answers at {one.found.address} and {other.device.id} at {one.device.address}.",
                (one.device.id, other.device.id),
                (one.found.address, one.device.address or 0),
                (_heard(one), _heard(other)),
                mend + " Until then each acts for the other's door.",
                (_address_edit(one), _address_edit(other)),
            )
            continue
        told.add(at)
        holder = [
            other.device
            for other in matched.pairings
            if other.device.address == one.found.address and other.device.id != one.device.id
        ]
        also = f", which the record gives to {sides.name(holder[0])}" if holder else ""
        yield Difference(
            "address-differs",
            Severity.ERROR,
            f"{sides.name(one.device)} answers at address {one.found.address}{also}; "
            f"the record says {one.device.address}.",
            (one.device.id,),
            (one.found.address,),
            (_heard(one),),
            mend,
            (_address_edit(one),),
        )
    for one in matched.pairings:
        if one.by_serial and one.found is not None and one.device.address is None:
            yield Difference(
                "not-noted",
                Severity.NOTE,
                f"{sides.name(one.device)} has address {one.found.address}; the record has none.",
                (one.device.id,),
                (one.found.address,),
                (_heard(one),),
                edits=(_address_edit(one),),
            )


def _heard(pairing: Pairing) -> str:
    assert pairing.found is not None
    if not pairing.by_serial:
        return f"told to take address {pairing.found.address} while it was listened to"
    return f"its serial {pairing.device.serial} answers at address {pairing.found.address}"


def _address_edit(pairing: Pairing) -> Proposal:
    assert pairing.found is not None
    return Proposal((*pairing.path, "address"), pairing.found.address, pairing.device.address)


def _serials(sides: Sides, matched: Matched) -> Iterator[Difference]:
    unnoted: list[tuple[Pairing, Proposal]] = []
    for pairing in matched.pairings:
        found, device = pairing.found, pairing.device
        if found is None or pairing.by_serial or not found.identities:
            continue
        free = [one for one in found.identities if not _is_someones(one.serial, matched)]
        if len(free) != 1:
            continue  # two devices at the address: told as that
        edit = Proposal((*pairing.path, "serial"), str(free[0].serial), device.serial)
        if device.serial is None:
            unnoted.append((pairing, edit))
        elif serials_of(device.serial):
            yield Difference(
                "serial-differs",
                Severity.WARNING if matched.none_fits else Severity.ERROR,
                f"{sides.with_address(device)}: the record says serial {device.serial}, the device {free[0].serial}."
                + (f" As {_LABELS}, it need not be another device." if matched.none_fits else ""),
                (device.id,),
                (found.address,),
                (str(free[0]),),
                "Read its label. Another device: set it up as the old one, and note its serial (the edit proposed).",
                (Proposal(edit.path, edit.value, edit.was, _LABELS if matched.none_fits else ""),),
            )
    if unnoted:
        names = listed([sides.with_address(one.device) for one, _ in unnoted])
        says = "says its serial" if len(unnoted) == 1 else "say their serials"
        yield Difference(
            "not-noted",
            Severity.NOTE,
            f"{names} {says}; the record has none.",
            tuple(one.device.id for one, _ in unnoted),
            tuple(one.found.address for one, _ in unnoted if one.found is not None),
            edits=tuple(edit for _, edit in unnoted),
        )


def _is_someones(serial: int, matched: Matched) -> bool:
    return any(one.by_serial and serial in serials_of(one.device.serial or "") for one in matched.pairings)


def _strangers(sides: Sides, matched: Matched) -> Iterator[Difference]:
    unplaced = [
        one for one in matched.pairings if one.found is None and one.device.address is None and not one.device.serial
    ]
    for found in matched.strangers:
        elsewhere = _on_other_bus(sides, found)
        home = f" It is {elsewhere[0].id}, which the record has on {elsewhere[1]}." if elsewhere else ""
        edits: tuple[Proposal, ...] = ()
        if len(unplaced) == len(matched.strangers) == 1:
            one = unplaced[0]
            doubt = f"{one.device.id} is the only recorded device without an address; nothing else says that it is it"
            edits = (Proposal((*one.path, "address"), found.address, None, doubt),)
        elif not elsewhere:
            edits = (_entry(sides, found),)
        yield Difference(
            "unexpected",
            Severity.ERROR,
            f"A device answers at address {found.address}, and {sides.view.called(sides.trunk.bus.id)} "
            f"has none there in the record.{home}",
            () if not elsewhere else (elsewhere[0].id,),
            (found.address,),
            tuple(str(one) for one in found.identities) or (f"{found.answered + found.unasked} sound answers",),
            "Find it on the pair, and note it where it stands (the entry proposed goes to the end).",
            edits,
        )
    known = {device.address for _, device in sides.recorded}
    for found in sides.found.devices:
        if sides.found.way is Way.LISTENED and found.silent and found.address not in known:
            yield Difference(
                "asked-not-recorded",
                Severity.WARNING,
                f"The controller asks address {found.address}, where nobody answers and nobody is recorded.",
                (),
                (found.address,),
                (f"asked {times(found.requests)}",),
                "Take it out of the controller, or note and connect the device.",
                numbers={"asked": found.requests},
            )


def _entry(sides: Sides, found: FoundDevice) -> Proposal:
    """An entry with what the device told by itself; where it stands on the pair nobody can hear."""
    bus = sides.trunk.bus
    stem = f"{bus.id}-{found.address}"
    taken = sides.view.by_id
    name = next(one for one in (stem, *(f"{stem}-{n}" for n in range(2, len(taken) + 3))) if one not in taken)
    device = Device(
        id=name,
        kind=likely_kind(found) or "other",
        serial=str(found.identities[0].serial) if len(found.identities) == 1 else None,
        address=found.address,
        key=None if found.key is None else found.key.value,
        note="heard on the pair, not seen: move this entry to its place, and note its cable",
    )
    doubt = "where it stands on the pair, and what it is, was not seen"
    return Proposal((*sides.trunk.path, "device"), device, None, doubt)


def _on_other_bus(sides: Sides, found: FoundDevice) -> tuple[Device, str] | None:
    heard = {one.serial for one in found.identities}
    for bus in sides.view.record.bus:
        for device in bus.device:
            if bus is not sides.trunk.bus and heard & serials_of(device.serial or ""):
                return device, sides.view.called(bus.id)
    return None


def _doubles(sides: Sides) -> Iterator[Difference]:
    for found in sides.found.devices:
        if len(found.identities) < 2 and found.doubled < 2:
            continue
        names = [sides.name(device) for _, device in sides.recorded if device.address == found.address]
        evidence = [str(one) for one in found.identities]
        if found.doubled:
            evidence.append(f"two sound replies to one request, {times(found.doubled)}")
        yield Difference(
            "address-twice",
            Severity.ERROR,
            f"Two devices have address {found.address}"
            + (f", which the record gives to {listed(names)}." if names else ", which the record gives to nobody."),
            tuple(device.id for _, device in sides.recorded if device.address == found.address),
            (found.address,),
            tuple(evidence),
            "Unplug one; give it an address of its own; plug it in again.",
            numbers={"doubled": found.doubled},
        )
