"""From a record, and from how the wire differs from it, to what speaks for or against causes in a diagnosis."""

from __future__ import annotations

import math
from collections.abc import Iterator

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.lean import Lean
from benchtool.install.checks import RULES, check
from benchtool.install.compare import Compared
from benchtool.install.view import Trunk, View

_BROKEN, _KEPT = math.log(10), -math.log(3)
"""A rule that the record itself breaks is likely the fault; one that it keeps may be recorded wrong (judgement)."""
_BEYOND = math.log(10)
"""All devices beyond one segment fail and none before it: not one device by itself (judgement)."""
_BY_RULE: dict[str, tuple[Cause, ...]] = {
    "bias-enough": (Cause.BIAS_WEAK,),
    "stub-short": (Cause.STUB_TOO_LONG,),
    "loads-at-most": (Cause.BUS_OVERLOADED,),
}
_ONE_DEVICE = (
    Cause.DEVICE_SILENT,
    Cause.REVERSED_AT_DEVICE,
    Cause.CLOCK_OFF,
    Cause.DEVICE_RESETTING,
    Cause.DEVICE_SLOW,
)


def leans_of(view: View, trunk: Trunk) -> tuple[Lean, ...]:
    """What the record of a pair says for or against causes; nothing of what is not noted."""
    return (*_terminators(trunk), *_bias(trunk), *_rules(view, trunk))


def leans_found(compared: Compared) -> tuple[Lean, ...]:
    """What a comparison with the wire adds: failures of all devices beyond one segment."""
    for one in compared.differences:
        if one.id == "segment" and len(one.devices) > 1:
            because = "every device beyond one segment fails and none before it"
            return (
                Lean(Cause.CONDUCTOR_OPEN, _BEYOND / 2, because),
                *(Lean(cause, -_BEYOND, because) for cause in _ONE_DEVICE),
            )
    return ()


def _terminators(trunk: Trunk) -> Iterator[Lean]:
    devices = trunk.bus.device
    if not devices or trunk.unclear is not None or any(device.terminator is None for device in devices):
        return
    on = {device.id for device in devices if device.terminator}
    ends = set(trunk.ends)
    missing, elsewhere = ends - on, on - ends
    yield _lean(Cause.TERMINATOR_MISSING_BOTH, not on, f"{len(on)} end-of-line resistors on")
    yield _lean(Cause.TERMINATOR_MISSING_ONE, bool(missing) and len(on) == 1, f"{len(missing)} ends without resistor")
    yield _lean(Cause.TERMINATOR_EXCESS, len(on) > 2, f"{len(on)} end-of-line resistors on")
    yield _lean(Cause.TERMINATOR_MISPLACED, bool(missing and elsewhere), f"{len(elsewhere)} resistors not at an end")


def _bias(trunk: Trunk) -> Iterator[Lean]:
    devices = trunk.bus.device
    if devices and all(device.bias_ohm is not None for device in devices):
        places = sum(bool(device.bias_ohm) for device in devices)
        yield _lean(Cause.BIAS_MISSING, not places, f"{places} places with a bias" if places else "no bias anywhere")


def _rules(view: View, trunk: Trunk) -> Iterator[Lean]:
    rules = [rule for rule in RULES if rule.id in _BY_RULE]
    for rule in rules:
        told = check(view.loaded, [rule])
        here = len(trunk.path)
        if any(one.said.path[:here] == trunk.path for one in told.unchecked):
            continue
        broken = [one for one in told.findings if one.said.path[:here] == trunk.path]
        if broken or rule in told.kept:
            for cause in _BY_RULE[rule.id]:
                yield _lean(cause, bool(broken), broken[0].said.sentence if broken else rule.title.rstrip("."))


def _lean(cause: Cause, broken: bool, because: str) -> Lean:
    return Lean(cause, _BROKEN if broken else _KEPT, because)
