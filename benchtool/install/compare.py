"""The record held against what was found on a pair: every difference, and all that could not be compared."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchtool.capture.settings import CharFormat
from benchtool.install import (
    compare_devices,
    compare_failures,
    compare_keys,
    compare_kind,
    compare_settings,
)
from benchtool.install.compare_difference import Difference, Sides, listed
from benchtool.install.compare_found import AsFound, Way
from benchtool.install.compare_serial import serials_of
from benchtool.install.compare_who import Matched, match
from benchtool.install.rule import Severity
from benchtool.install.view import Trunk, View

_SURVEY = "benchtool survey asks each device"


@dataclass(frozen=True, slots=True)
class Compared:
    """What a comparison says."""

    sides: Sides
    matched: Matched
    differences: tuple[Difference, ...]
    """The most severe first."""
    not_compared: tuple[str, ...]
    """Sentences: what the tap could not show, and what would."""

    @property
    def wrong(self) -> bool:
        """Whether anything is not as recorded, rather than only not noted."""
        return any(one.severity is not Severity.NOTE for one in self.differences)


def compare(view: View, trunk: Trunk, found: AsFound) -> Compared:
    """Hold a bus of the record against what was found. Never raises for what is in either."""
    sides = Sides(view, trunk, found)
    matched = match(sides)
    told = list(_differences(sides, matched))
    order = list(Severity)
    told.sort(key=lambda one: order.index(one.severity))
    return Compared(sides, matched, tuple(told), tuple(_not_compared(sides, matched, told)))


def _differences(sides: Sides, matched: Matched) -> Iterator[Difference]:
    found = sides.found
    if sides.found.sound:
        yield from compare_settings.differences(sides, matched)
        yield from compare_devices.differences(sides, matched)
        yield from compare_kind.differences(sides, matched)
        yield from compare_keys.differences(sides, matched)
        yield from compare_failures.differences(sides, matched)
        return
    called = sides.view.called(sides.trunk.bus.id)
    surveyed = found.way is Way.SURVEYED
    if surveyed and found.octets == 0 and not found.complete:
        return  # stopped before anybody could answer
    if found.octets == 0:
        who = "Nobody answers" if surveyed else "Nothing was heard"
        yield Difference(
            "nothing-heard",
            Severity.ERROR,
            f"{who} on {called}, where the record has {len(sides.recorded)} devices.",
            mend="Is the supply on, the controller there, the clip on this pair? benchtool diagnose helps.",
        )
        return
    yield Difference(
        "nothing-sound",
        Severity.ERROR,
        f"Octets were heard on {called}, but not one sound frame at {found.set_to or sides.trunk.bus.baud} bit/s.",
        evidence=(f"{found.octets} octets",),
        mend="Find the rate: --baud auto. Or benchtool diagnose: a reversed clip looks like this too.",
        numbers={"octets": found.octets},
    )
    if found.baud is not None:
        yield from compare_settings.differences(sides, matched)


def _not_compared(sides: Sides, matched: Matched, told: list[Difference]) -> Iterator[str]:
    found, bus = sides.found, sides.trunk.bus
    if not found.complete:
        yield "the survey was stopped early: addresses that were not asked are not compared"
    if not found.sound:
        yield "nothing else could be compared: no sound frame was heard"
        return
    called = sides.view.called
    there = [one for one in matched.pairings if one.found is not None]
    if found.protocol == "osdp":
        mute = [
            called(one.device.id)
            for one in there
            if one.found is not None and not one.found.identities and not one.by_serial
        ]
        if mute:
            yield f"serials of {listed(mute)}: no ID reply was heard (controllers ask it as they start); {_SURVEY}"
        blank = [
            called(one.device.id)
            for one in there
            if one.found is not None and one.found.capabilities is None and one.device.kind != "other"
        ]
        if blank:
            yield f"kinds of {listed(blank)}: no capabilities were heard; {_SURVEY}"
        keys = [called(one.device.id) for one in there if one.found is not None and one.found.key is None]
        if keys:
            yield f"secure channels of {listed(keys)}: {_why_no_key(sides)}"
        if any(one.device.kind == "keypad" for one in there):
            yield "whether a keypad is one: capabilities do not say"
    elif found.protocol is not None:
        yield f"serials, kinds and keys: {found.protocol} does not carry them"
    odd = [
        f"{called(one.device.id)} ({one.device.serial})"
        for one in there
        if one.device.serial and not serials_of(one.device.serial)
    ]
    if odd and found.protocol == "osdp":
        yield f"noted serials that are no 32-bit number, as a device says it: {listed(odd)}"
    lacking = [called(one.device.id) for one in matched.pairings if one.found is None and one.device.address is None]
    if lacking:
        yield f"{listed(lacking)}: no address is noted, and no serial of theirs was heard"
    quiet = compare_failures.never_asked(sides, told, matched)
    if quiet:
        because = "not asked by the survey" if found.way is Way.SURVEYED else "not asked often enough in this time"
        yield f"{listed(quiet)}: {because}, so nothing is said of them"
    yield from _settings(sides)
    yield from compare_failures.too_short(sides, matched)
    if found.way is Way.LISTENED and sides.trunk.unclear and len(sides.recorded) > 2:
        yield f"failures segment by segment: {sides.trunk.unclear}"
    if bus.protocol is None and found.protocol is None:
        yield "the protocol: none is recorded, none was recognised"


def _why_no_key(sides: Sides) -> str:
    if sides.found.way is Way.SURVEYED:
        return "a survey opens no session; it asks for the default key alone"
    return "neither a session nor enough replies in the clear were heard"


def _settings(sides: Sides) -> Iterator[str]:
    found, bus = sides.found, sides.trunk.bus
    if found.way is Way.SURVEYED:
        if bus.format is not None:
            yield (
                f"the character format, {bus.format} in the record: what a survey saves does not tell in which format "
                "the devices answered; listen for that"
            )
        if bus.check is not None:
            yield "which check value the controller uses: a survey asks in its own; listen for that"
        return
    if found.baud is None and bus.baud is not None:
        yield "the bit rate: this tap does not show it (a device server sets it, or a log does not say it)"
    if bus.format is None:
        return
    try:
        noted = CharFormat.parse(bus.format)
    except ValueError:
        yield f"the character format: the record's {bus.format!r} is none"
        return
    if not found.parity_seen:
        yield "the parity: a wrong one would not show at this tap"
    elif found.format is not None and noted.stop_bits != found.format.stop_bits and not found.stops_seen:
        yield "the stop bits: --baud auto measures them where the tap can show them"
