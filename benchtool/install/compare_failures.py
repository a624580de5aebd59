"""Failing exchanges, device by device and segment by segment, with limits; and what was listened to too short to say.

Limits are those of `compare_limits.py` (Poisson, 95 %), which are on the safe side for shares.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from benchtool.install.compare_devices import TWO_OR_LINE
from benchtool.install.compare_difference import Difference, Sides, listed
from benchtool.install.compare_found import FoundDevice, Way
from benchtool.install.compare_limits import least_failed, most_failed
from benchtool.install.compare_segment import MOST_SURE, Counted, Pointed, point
from benchtool.install.compare_who import Matched
from benchtool.install.confidence import listen_for
from benchtool.install.rule import Severity

CLAIM = 0.01
"""The failing share that a look at a bus should be able to exclude (judgement)."""
_LEAST_SHARE = 0.01
"""From this share on, as lower limit, failures of a device are told (judgement)."""
_LEAST_FAILURES = 3


def most_failing(found: FoundDevice) -> float | None:
    """The failing share that is not exceeded, at 95 %; None where nothing was asked."""
    return None if not found.requests else min(1.0, most_failed(found.failed) / found.requests)


def counts(sides: Sides, matched: Matched) -> list[Counted]:
    """Exchanges with each recorded device, at the address where it answers, or ought to."""
    found = []
    for pairing in matched.pairings:
        rows = [pairing.found] if pairing.found is not None else []
        if not rows and pairing.device.address is not None:
            rows = [one for one in sides.found.at(pairing.device.address) if not one.there]
        if rows and not any(one.doubled for one in rows):
            requests, failed = sum(one.requests for one in rows), sum(one.failed for one in rows)
            found.append(Counted(pairing.device.id, requests, failed))
    return [one for one in found if one.requests]


def differences(sides: Sides, matched: Matched) -> Iterator[Difference]:
    """Devices that fail, and the segment that they point at; a second controller that disturbs them."""
    if sides.found.two_controllers:
        yield _two_controllers(sides)
    counted = counts(sides, matched)
    shared = len({one.device.address for one in matched.pairings}) < len(matched.pairings)
    pointed = None if shared else point(sides.trunk, counted)
    mute = {one.id for one in counted if one.failed == one.requests}
    told: frozenset[str] = frozenset()
    if pointed is not None and not (len(pointed.stretch.beyond) == 1 and pointed.stretch.beyond <= mute):
        # One device alone that never answers is told as missing, with the cable to it.
        told = pointed.stretch.beyond
        yield _segment(sides, pointed)
    failing = [one for one in counted if one.id not in mute | told and _fails(one)]
    if failing and sides.found.way is Way.LISTENED:
        yield _errors(sides, failing, len(counted))
    for pairing in matched.pairings if sides.found.way is Way.SURVEYED else ():
        found = pairing.found
        if found is not None and found.garbled:
            yield Difference(
                "damaged",
                Severity.WARNING,
                f"Damaged octets come with the answers of {sides.with_address(pairing.device)}.",
                (pairing.device.id,),
                (found.address,),
                (f"{found.damaged} of {found.requests} questions brought damage",),
                TWO_OR_LINE,
                numbers={"damaged": found.damaged, "asked": found.requests},
            )


def _two_controllers(sides: Sides) -> Difference:
    """More than one talks as a controller, where a pair has one (Modbus serial line guide, 2.1; OSDP alike)."""
    places = [sides.view.called(device.id) for _, device in sides.trunk.talkers if device.kind == "controller"]
    recorded = listed(places) if places else "no place of a controller"
    return Difference(
        "two-controllers",
        Severity.ERROR,
        f"Two controllers ask on {sides.view.called(sides.trunk.bus.id)}; the record has {recorded}.",
        evidence=sides.found.two_controllers,
        mend="Find the second one: a spare, a converter with its software running, a tool left clipped on. One alone "
        "may ask.",
    )


def _fails(one: Counted) -> bool:
    return one.failed >= _LEAST_FAILURES and least_failed(one.failed) / one.requests >= _LEAST_SHARE


def _errors(sides: Sides, failing: Sequence[Counted], of: int) -> Difference:
    """Devices that fail now and then, worst first, each with its limits."""
    devices = {device.id: device for _, device in sides.recorded}
    failing = sorted(failing, key=lambda one: -one.failed / one.requests)
    evidence = []
    for one in failing:
        least = least_failed(one.failed) / one.requests
        most = min(1.0, most_failed(one.failed) / one.requests)
        limits = f"{_share(least)} to {_share(most)}"
        evidence.append(f"{sides.with_address(devices[one.id])}: {one.failed} of {one.requests} exchanges, {limits}")
    evidence.append("each limit at 95 %")
    count = len(failing)
    if count == of and count > 1:
        sentence = f"All {count} devices fail in some exchanges, so that nothing points at one segment."
    else:
        names = listed([sides.view.called(one.id) for one in failing])
        sentence = f"{names} {'fails' if count == 1 else 'fail'} in some exchanges."
    addresses = [devices[one.id].address for one in failing]
    return Difference(
        "errors",
        Severity.WARNING,
        sentence,
        tuple(one.id for one in failing),
        tuple(one for one in addresses if one is not None),
        tuple(evidence),
        "benchtool diagnose says what looks like this, and what to measure.",
        numbers={"failed": sum(one.failed for one in failing), "asked": sum(one.requests for one in failing)},
    )


def _segment(sides: Sides, pointed: Pointed) -> Difference:
    stretch = pointed.stretch
    start, end = sides.view.called(stretch.start), sides.view.called(stretch.end)
    long = "" if stretch.metres is None else f" ({stretch.metres:g} m)"
    only = len(stretch.beyond) == 1
    names = [sides.view.called(device.id) for _, device in sides.recorded if device.id in stretch.beyond]
    if only:
        what = f"Failures point at {names[0]} or the cable to it, between {start} and {end}{long}"
    else:
        what = f"Failures point at the segment between {start} and {end}{long}"
    sure = "over 99 %" if pointed.probability >= MOST_SURE else f"{pointed.probability:.0%}"
    return Difference(
        "segment",
        Severity.ERROR,
        f"{what}: {listed(names)} beyond it {'fails' if only else 'fail'}, and nobody before it does.",
        tuple(device.id for _, device in sides.recorded if device.id in stretch.beyond),
        (),
        (
            f"before it {pointed.before[0]} of {pointed.before[1]} exchanges failed: at most "
            f"{_share(pointed.before_most)}",
            f"beyond it {pointed.beyond[0]} of {pointed.beyond[1]}: each device at least "
            f"{_share(pointed.beyond_least)} (limits at {pointed.confidence:.1%} each)",
            f"probability {sure}; as heard where the tap is, thought to be on the controller's side",
        ),
        f"Look at the terminals of {start} and {end} and the cable between them; measure its ohms, powered off.",
        numbers={
            "probability": pointed.probability,
            "before_failed": pointed.before[0],
            "before_asked": pointed.before[1],
            "before_most": pointed.before_most,
            "beyond_failed": pointed.beyond[0],
            "beyond_asked": pointed.beyond[1],
            "beyond_least": pointed.beyond_least,
        },
    )


def _share(share: float) -> str:
    return f"{100 * share:.2g} %" if share < 0.995 else "100 %"


def too_short(sides: Sides, matched: Matched) -> Iterator[str]:
    """What so little traffic does not say."""
    if sides.found.way is Way.SURVEYED:
        yield "a survey asks each device a few times: error rates are not judged; listen for that"
        return
    few = [
        (pairing, pairing.found)
        for pairing in matched.pairings
        if pairing.found is not None
        and pairing.found.requests
        and not pairing.found.failed
        and (most_failing(pairing.found) or 0.0) > CLAIM
    ]
    if not few or sides.found.seconds <= 0:
        return
    worst = min((found for _, found in few), key=lambda one: one.requests)
    wanted = listen_for(CLAIM, worst.requests / sides.found.seconds).result.value
    names = listed([sides.view.called(pairing.device.id) for pairing, _ in few], 3)
    yield (
        f"listened too short to say that fewer than 1 % fail: {names} did not fail, but were asked "
        f"{worst.requests} times or more, so up to {_share(most_failing(worst) or 1.0)} could; "
        f"{_time(wanted)} without a failure would show it (95 %)"
    )


def _time(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"


def never_asked(sides: Sides, told: Sequence[Difference], matched: Matched) -> list[str]:
    """Recorded devices of which nothing was heard and nothing is told."""
    of = {name for one in told for name in one.devices if one.id == "missing"}
    return [
        sides.with_address(pairing.device)
        for pairing in matched.pairings
        if pairing.found is None and pairing.device.address is not None and pairing.device.id not in of
    ]
