"""Who is where: which recorded device answers, at which address, and who answers that nobody recorded."""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.install.compare_difference import Pairing, Sides
from benchtool.install.compare_found import FoundDevice, Identity
from benchtool.install.compare_serial import serials_of
from benchtool.install.record import Device


@dataclass(frozen=True, slots=True)
class Matched:
    """Recorded devices beside what was found."""

    pairings: tuple[Pairing, ...]
    """One a recorded device that ought to answer, in the order of the record."""
    moved: tuple[Pairing, ...]
    """Of these, the ones that answer at another address than noted: their serial does, or they were told to."""
    strangers: tuple[FoundDevice, ...]
    """Who answers and is none of them."""
    none_fits: bool
    """Whether serials could be compared of two devices or more, and not one was right anywhere."""


def match(sides: Sides) -> Matched:
    """Pair them: a serial that was heard decides, else the address."""
    there = [one for one in sides.found.devices if one.there and one.moved_to is None]
    speakers = [(identity, one) for one in there for identity in one.identities]
    pairings: list[Pairing] = []
    taken: set[int] = set()
    """Places in `speakers` of identities that are a recorded device's."""
    for path, device in sides.recorded:
        place = _speaker(device, speakers, taken)
        if place is not None:
            taken.add(place)
            pairings.append(Pairing(path, device, speakers[place][1], by_serial=True))
        else:
            pairings.append(Pairing(path, device, None))
    known = {id(speakers[place][1]) for place in taken}
    for at, pairing in enumerate(pairings):
        if pairing.found is None and pairing.device.address is not None:
            found = _at_address(pairing.device, sides, speakers, taken)
            if found is not None:
                known.add(id(found))
                pairings[at] = Pairing(pairing.path, pairing.device, found)
    moved = tuple(
        one
        for one in pairings
        if one.found is not None and one.device.address is not None and one.found.address != one.device.address
    )
    comparable = sum(
        one.found is not None and bool(one.found.identities) and bool(serials_of(one.device.serial or ""))
        for one in pairings
    )
    strangers = tuple(one for one in there if id(one) not in known)
    none_fits = comparable >= 2 and not any(one.by_serial for one in pairings)
    return Matched(tuple(pairings), moved, strangers, none_fits)


def _speaker(device: Device, speakers: list[tuple[Identity, FoundDevice]], taken: set[int]) -> int | None:
    """Who has the device's serial, at its own address rather than at another."""
    serials = serials_of(device.serial or "")
    places = [at for at, (identity, _) in enumerate(speakers) if identity.serial in serials and at not in taken]
    return min(places, key=lambda at: speakers[at][1].address != device.address, default=None)


def _at_address(
    device: Device, sides: Sides, speakers: list[tuple[Identity, FoundDevice]], taken: set[int]
) -> FoundDevice | None:
    """Who answers at the device's address, or at the one that it was told to take, and is no other recorded device."""
    assert device.address is not None
    for found in sides.found.at(device.address):
        if found.moved_to is not None:
            return next((one for one in sides.found.at(found.moved_to) if one.moved_to is None), None)
        mine = [place for place, (_, one) in enumerate(speakers) if one is found]
        if found.there and (not mine or any(place not in taken for place in mine)):
            return found
    return None
