"""Secure channels: as recorded against as found, and what is unsafe whatever the record says. No key is ever shown."""

from __future__ import annotations

from collections.abc import Iterator

from benchtool.install.compare_difference import Difference, Pairing, Proposal, Sides, listed
from benchtool.install.compare_found import KeyUse
from benchtool.install.compare_who import Matched
from benchtool.install.rule import Severity

_WORDS = {
    "none": "in the clear, without a secure channel",
    "default": "with the default key, which everybody knows",
    "own": "with a key of its own",
}
_NOTED = {"none": "no secure channel", "default": "the default key", "own": "a key of its own"}
_MEND = (
    "Set a key of its own in controller and device, on a bench with nothing else on the pair, where nobody can listen."
)
_UNSAFE = {"own": Severity.ERROR, "none": Severity.NOTE}
"""By what is noted: that a device without a channel can be read is known where it is recorded; else a warning."""


def differences(sides: Sides, matched: Matched) -> Iterator[Difference]:
    """A device whose channel is otherwise than noted; and together those of which one thing is to be said."""
    unnoted: dict[KeyUse, list[Pairing]] = {}
    unsafe: dict[tuple[Severity, tuple[str, ...]], list[Pairing]] = {}
    for pairing in matched.pairings:
        if pairing.found is None:
            continue
        found, noted = pairing.found, pairing.device.key
        state = found.key
        if state is not None and noted is None:
            unnoted.setdefault(state, []).append(pairing)
        elif state is not None and noted is not None and noted != state.value:
            yield Difference(
                "key-differs",
                Severity.ERROR if noted == "own" else Severity.WARNING,
                f"{sides.with_address(pairing.device)} talks {_WORDS[state.value]}; the record says {_NOTED[noted]}.",
                (pairing.device.id,),
                (found.address,),
                mend="Set the record right." if state is KeyUse.OWN else _MEND,
                edits=(_edit(pairing, state),),
            )
        words = list(found.unsafe)
        if found.takes_default and not any("default key" in one for one in words):
            words.append("takes the default key, which everybody knows")
        if words:
            severity = _UNSAFE.get(noted or "", Severity.WARNING)
            unsafe.setdefault((severity, tuple(words)), []).append(pairing)
    for state, group in unnoted.items():
        yield Difference(
            "not-noted",
            Severity.NOTE,
            f"{_names(sides, group)} {'talks' if len(group) == 1 else 'talk'} {_WORDS[state.value]}; "
            "the record does not say.",
            *_of(group),
            edits=tuple(_edit(one, state) for one in group),
        )
    for (severity, told), group in unsafe.items():
        yield Difference(
            "key-unsafe",
            severity,
            f"{_names(sides, group)}: who can touch the pair can read it, or take it over.",
            *_of(group),
            evidence=told,
            mend=_MEND,
        )


def _names(sides: Sides, group: list[Pairing]) -> str:
    return listed([sides.with_address(one.device) for one in group])


def _of(group: list[Pairing]) -> tuple[tuple[str, ...], tuple[int, ...]]:
    addresses = tuple(one.found.address for one in group if one.found is not None)
    return tuple(one.device.id for one in group), addresses


def _edit(pairing: Pairing, state: KeyUse) -> Proposal:
    return Proposal((*pairing.path, "key"), state.value, pairing.device.key)
