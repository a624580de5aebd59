"""A diagnosis in the names of an installation's record: `Slipway reader (rd-5)` where it says `address 5`."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from benchtool.diagnose.finding import Cause, Diagnosis, Finding, Step
from benchtool.install.view import Trunk, View

_AT = re.compile(
    r"(?P<beyond>segment to address )(?P<several>\d{1,3}(?:, \d{1,3})*)\b"
    r"|(?P<device>[Tt]he device at )?\baddress (?P<one>\d{1,3})\b"
)
"""An address in a sentence; of a segment's place also a list of them."""


def names_of(view: View, trunk: Trunk) -> dict[int, str]:
    """What the devices of a bus are called, by address; both where two have one."""
    found: dict[int, str] = {}
    for _, device in trunk.answerers:
        if device.address is not None:
            name = view.called(device.id)
            found[device.address] = f"{found[device.address]} / {name}" if device.address in found else name
    return found


def addresses_in(text: str) -> tuple[int, ...]:
    """The addresses that a sentence or a place names."""
    return tuple(dict.fromkeys(one for match in _AT.finditer(text) for one in _numbers(match)))


def named_text(text: str, names: Mapping[int, str], *, keep: bool = False) -> str:
    """A sentence with names for addresses; `keep`: the address itself matters, and stays beside its name."""

    def put(match: re.Match[str]) -> str:
        if match["beyond"]:
            return f"segment to {', '.join(_name(one, names, False) for one in _numbers(match))}"
        said = _name(int(match["one"]), names, keep)
        return (match["device"] or "") + said if said.startswith("address") else said

    return _AT.sub(put, text)


def _numbers(match: re.Match[str]) -> list[int]:
    return [int(part) for part in (match["several"] or match["one"]).split(", ")]


def _name(address: int, names: Mapping[int, str], keep: bool) -> str:
    name = names.get(address)
    if name is None:
        return f"address {address} (not in the record)"
    return f"address {address}, that of {name}," if keep else name


def named(diagnosis: Diagnosis, names: Mapping[int, str]) -> Diagnosis:
    """The same diagnosis with names for addresses in all that people read."""
    return replace(
        diagnosis,
        findings=tuple(_finding(one, names) for one in diagnosis.findings),
        next=tuple(_step(one, names) for one in diagnosis.next),
        limits=tuple(named_text(one, names) for one in diagnosis.limits),
    )


def _finding(finding: Finding, names: Mapping[int, str]) -> Finding:
    keep = finding.cause is Cause.ADDRESS_DUPLICATE
    place = named_text(finding.place, names)
    if finding.place.startswith("address") and place != finding.place and not place.endswith("(not in the record)"):
        place += f", {finding.place}"
    return replace(
        finding,
        place=place,
        summary=_tidy(named_text(finding.summary, names, keep=keep)),
        evidence=tuple(replace(proof, text=named_text(proof.text, names)) for proof in finding.evidence),
        could_also_be=tuple(named_text(one, names) for one in finding.could_also_be),
        todo=tuple(named_text(one, names) for one in finding.todo),
    )


def _tidy(text: str) -> str:
    return text.replace(",.", ".")


def _step(step: Step, names: Mapping[int, str]) -> Step:
    return replace(
        step,
        do=named_text(step.do, names),
        expect=tuple(named_text(one, names) for one in step.expect),
        caution=named_text(step.caution, names),
    )
