"""Whether a device is what the record says, by its capabilities (PDCAP, sheet 5.5) and by its fellows of one type.

Capabilities hint only: a reader may have an output of its own, a keypad shows in none of them (judgement).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator

from benchtool.frames.osdp.words import capability_text
from benchtool.install.compare_difference import Difference, Pairing, Proposal, Sides
from benchtool.install.compare_found import FoundDevice
from benchtool.install.compare_who import Matched
from benchtool.install.rule import Severity

_CONTACTS, _OUTPUTS = 1, 2
_READS_CARDS = (3, 12, 13, 14)
"""Card data format, smart cards, readers, biometrics."""


def differences(sides: Sides, matched: Matched) -> Iterator[Difference]:
    """Kinds and types that do not fit."""
    for pairing in matched.pairings:
        said = _kind(pairing)
        if said is not None:
            kind, why = said
            device = pairing.device
            assert pairing.found is not None
            assert pairing.found.capabilities is not None
            yield Difference(
                "kind-differs",
                Severity.WARNING,
                f"{sides.with_address(device)} is recorded as {device.kind}; {why}.",
                (device.id,),
                (pairing.found.address,),
                tuple(capability_text(*one) for one in pairing.found.capabilities[:3]),
                "Look at the device: is it the one meant, and is the address set at the right one?",
                (Proposal((*pairing.path, "kind"), kind, device.kind, "capabilities only hint at what a device is"),),
            )
    yield from _types(sides, matched)


def _kind(pairing: Pairing) -> tuple[str, str] | None:
    """The kind that its capabilities speak for where that is another one, and why."""
    found = pairing.found
    likely = None if found is None else likely_kind(found)
    if found is None or likely is None:
        return None
    if pairing.device.kind == "interface" and likely == "reader":
        return "reader", "the device says that it has neither contact inputs nor outputs, as a reader"
    if pairing.device.kind in ("reader", "keypad") and likely == "interface":
        have = _have(found)
        inputs = have[_CONTACTS]
        return "interface", (
            f"the device says that it watches {inputs} contact input{'' if inputs == 1 else 's'} and switches "
            f"{have[_OUTPUTS]} output{'' if have[_OUTPUTS] == 1 else 's'}, as door interfaces do, and few readers"
        )
    return None


def likely_kind(found: FoundDevice) -> str | None:
    """What its capabilities hint at, `reader` or `interface`; None where they do not, or were not heard."""
    have = _have(found)
    contacts, outputs = _CONTACTS in have, _OUTPUTS in have
    if contacts and outputs:
        return "interface"
    return "reader" if not contacts and not outputs and any(one in have for one in _READS_CARDS) else None


def _have(found: FoundDevice) -> dict[int, int]:
    """Numbers by function of what it says that it has."""
    said = found.capabilities or ()
    return {function: number for function, level, number in said if level or function in _READS_CARDS}


def _types(sides: Sides, matched: Matched) -> Iterator[Difference]:
    """Devices of one recorded type, of which some say that they are another model."""
    groups: dict[str, list[Pairing]] = defaultdict(list)
    for pairing in matched.pairings:
        if pairing.device.maker_type and pairing.found is not None and len(pairing.found.identities) == 1:
            groups[pairing.device.maker_type.strip().lower()].append(pairing)
    for group in groups.values():
        models = Counter(_model(one) for one in group)
        (most, count), *others = models.most_common()
        if not others:
            continue
        undecided = others[0][1] == count
        for pairing in group:
            model = _model(pairing)
            if model == most and not undecided:
                continue
            assert pairing.found is not None
            if undecided:
                sentence = f"the record gives one type to devices that say they are several; this is {_words(model)}"
            else:
                sentence = f"the device is {_words(model)}, its {count} fellows of that type are {_words(most)}"
            yield Difference(
                "type-differs",
                Severity.WARNING,
                f"{sides.with_address(pairing.device)} is recorded as type {pairing.device.maker_type}; {sentence}.",
                (pairing.device.id,),
                (pairing.found.address,),
                (str(pairing.found.identities[0]),),
                "Read the type on its label, and note it: benchtool site set.",
            )


def _model(pairing: Pairing) -> tuple[str, int]:
    assert pairing.found is not None
    one = pairing.found.identities[0]
    return one.oui, one.model


def _words(model: tuple[str, int]) -> str:
    return f"maker {model[0]}, model {model[1]}"
