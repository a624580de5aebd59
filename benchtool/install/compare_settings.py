"""Protocol, bit rate, character format and check value: as recorded against as found."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from benchtool.capture.settings import CharFormat
from benchtool.install.compare_difference import Difference, Proposal, Sides, listed
from benchtool.install.compare_found import FoundDevice, Way
from benchtool.install.compare_who import Matched
from benchtool.install.rule import Severity

_CHECK_CAPABILITY = 8
_CHECKS = ("checksum", "crc")
_LEAST_FRAMES = 3


def differences(sides: Sides, matched: Matched) -> Iterator[Difference]:
    """All that the receiver's settings tell."""
    yield from _protocol(sides)
    yield from _baud(sides, matched)
    yield from _format(sides)
    if sides.found.protocol == "osdp":
        yield from _checks(sides, matched)


def _edit(sides: Sides, name: str, value: object) -> Proposal:
    return Proposal((*sides.trunk.path, name), value, getattr(sides.trunk.bus, name))


def _noted(sides: Sides, name: str, value: object, sentence: str, evidence: str) -> Difference:
    edits = (_edit(sides, name, value),)
    return Difference("not-noted", Severity.NOTE, sentence, evidence=(evidence,), edits=edits)


def _protocol(sides: Sides) -> Iterator[Difference]:
    bus, found = sides.trunk.bus, sides.found
    called = sides.view.called(bus.id)
    if found.protocol is None:
        return
    evidence = ", ".join(f"{count} sound {name} frames" for name, count in found.frames.items())
    if bus.protocol is None:
        yield _noted(
            sides, "protocol", found.protocol, f"{called} speaks {found.protocol}; the record has none.", evidence
        )
    elif bus.protocol != found.protocol:
        yield Difference(
            "protocol-differs",
            Severity.ERROR,
            f"{called} speaks {found.protocol}; the record says {bus.protocol}.",
            evidence=(evidence,),
            mend="Is the tap on the pair that is meant? Then set the record right.",
            edits=(_edit(sides, "protocol", found.protocol),),
        )


def _baud(sides: Sides, matched: Matched) -> Iterator[Difference]:
    bus, found = sides.trunk.bus, sides.found
    called = sides.view.called(bus.id)
    rates = {one.baud for one in found.devices if one.there and one.baud is not None}
    if found.baud is not None and bus.baud is None:
        yield _noted(
            sides, "baud", found.baud, f"{called} runs at {found.baud} bit/s; the record has no rate.", _proof(sides)
        )
    elif found.baud is not None and bus.baud != found.baud:
        yield Difference(
            "baud-differs",
            Severity.ERROR,
            f"{called} runs at {found.baud} bit/s; the record says {bus.baud}.",
            evidence=(_proof(sides),),
            mend="Set the record right, or controller and devices, all of them, to the rate that is meant.",
            edits=(_edit(sides, "baud", found.baud),),
        )
    elif len(rates) > 1 and bus.baud is not None:
        for pairing in matched.pairings:
            at = pairing.found
            if at is not None and at.baud is not None and at.baud != bus.baud and _only_at(at, found.devices):
                yield Difference(
                    "baud-differs",
                    Severity.ERROR,
                    f"{sides.with_address(pairing.device)} answers at {at.baud} bit/s; the bus is recorded with "
                    f"{bus.baud}.",
                    (pairing.device.id,),
                    (at.address,),
                    (f"{at.answered} sound answers at {at.baud} bit/s, none at {bus.baud}",),
                    "Set its rate to that of the others.",
                )


def _only_at(one: FoundDevice, devices: tuple[FoundDevice, ...]) -> bool:
    return not any(two.address == one.address and two.baud != one.baud and two.there for two in devices)


def _proof(sides: Sides) -> str:
    found = sides.found
    if found.way is Way.SURVEYED:
        return f"all answers came at {found.baud} bit/s"
    if found.sound:
        return f"{found.sound} sound frames at {found.baud} bit/s"
    return f"damaged octets, undone, prove {found.baud} bit/s"


def _format(sides: Sides) -> Iterator[Difference]:
    bus, found = sides.trunk.bus, sides.found
    called = sides.view.called(bus.id)
    if found.format is None or not found.parity_seen:
        return
    proof = f"{found.sound} sound frames with {found.format}, hardly a line error"
    if bus.format is None:
        if found.stops_seen:
            sentence = f"{called} is read with {found.format}; the record has no character format."
            yield _noted(sides, "format", str(found.format), sentence, proof)
        return
    try:
        noted = CharFormat.parse(bus.format)
    except ValueError:
        return  # a rule of the checks tells that
    same = (noted.data_bits, noted.parity) == (found.format.data_bits, found.format.parity)
    if same and (noted.stop_bits == found.format.stop_bits or not found.stops_seen):
        return
    yield Difference(
        "format-differs",
        Severity.ERROR,
        f"{called} is read with {found.format}; the record says {bus.format}.",
        evidence=(proof,),
        mend="Set the record right, or controller and devices.",
        edits=(_edit(sides, "format", str(found.format)),),
    )


def _checks(sides: Sides, matched: Matched) -> Iterator[Difference]:
    bus = sides.trunk.bus
    called = sides.view.called(bus.id)
    used = {id(one): kind for one in sides.found.devices if (kind := check_of(one)) is not None}
    kinds = Counter(used.values())
    if len(kinds) == 1:
        kind = next(iter(kinds))
        proof = f"all sound replies of {len(used)} device{'' if len(used) == 1 else 's'} end in a {_word(kind)}"
        if bus.check is None:
            yield _noted(sides, "check", kind, f"{called} uses the {_word(kind)}; the record does not say.", proof)
        elif bus.check != kind:
            yield Difference(
                "check-differs",
                Severity.WARNING,
                f"The frames of {called} end in a {_word(kind)}; the record says {_word(bus.check)}.",
                evidence=(proof,),
                mend="A CRC finds far more damage than a checksum: set it at the controller, where all devices know it."
                if kind == "checksum"
                else "Set the record right.",
                edits=(_edit(sides, "check", kind),),
            )
    for pairing in matched.pairings:
        found = pairing.found
        if found is None:
            continue
        kind = used.get(id(found))
        alone = len(kinds) > 1 and kind is not None and kind != (bus.check or kinds.most_common(1)[0][0])
        if alone and kind is not None:
            sentence = f"answers with a {_word(kind)}, other devices of {called} with a {_word(_other(kind))}"
            evidence = f"{found.with_crc} replies with a CRC, {found.with_checksum} with a checksum"
        elif bus.check == "crc" and knows_no_crc(found):
            sentence = "knows no CRC, it says; the record has CRC for the bus"
            evidence = "capabilities: check characters, checksum only"
        else:
            continue
        yield Difference(
            "check-differs",
            Severity.WARNING,
            f"{sides.with_address(pairing.device)} {sentence}.",
            (pairing.device.id,),
            (found.address,),
            (evidence,),
            "Set it, or the controller, so that all use the CRC; update or replace a device that does not know it.",
        )
    for found in sides.found.devices:
        asked = _most(found.asked_with_checksum, found.asked_with_crc)
        replied = check_of(found)
        if asked is not None and replied is not None and asked != replied:
            names = [sides.name(one.device) for one in matched.pairings if one.found is found]
            yield Difference(
                "check-mixed",
                Severity.WARNING,
                f"{listed(names) or f'Address {found.address}'} is asked with a {_word(asked)} and answers with a "
                f"{_word(replied)}.",
                tuple(one.device.id for one in matched.pairings if one.found is found),
                (found.address,),
                mend="A device answers as it is asked: look for its setting, or update it.",
            )


def check_of(found: FoundDevice) -> str | None:
    """Which check value a device's replies end in; None where too few came, or both."""
    return _most(found.with_checksum, found.with_crc)


def knows_no_crc(found: FoundDevice) -> bool:
    """Whether a device says so (sheet 5.5: function 8, level 0)."""
    return any(function == _CHECK_CAPABILITY and not level for function, level, _ in found.capabilities or ())


def _most(with_checksum: int, with_crc: int) -> str | None:
    for kind, mine, other in zip(_CHECKS, (with_checksum, with_crc), (with_crc, with_checksum), strict=True):
        if mine >= _LEAST_FRAMES and mine > 9 * other:
            return kind
    return None


def _other(kind: str) -> str:
    return _CHECKS[kind == "checksum"]


def _word(kind: str) -> str:
    return "CRC" if kind == "crc" else kind
