"""Rules of the RS-485 pair: ends, bias, shape, lengths, loads, common 0 V."""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.install import pair_rules
from benchtool.install.record import Device, Supply
from benchtool.install.rule import Rule, Said, Severity, some, unknown
from benchtool.install.view import Trunk, View
from benchtool.install.worked import Figure

BIAS_VOLTS = 5.0
"""Supply of a bias, where the record does not say (common practice)."""
TERMINATOR_OHM = 120.0


def terminator_ohm(device: Device) -> float:
    """What a device's end-of-line resistor has when it is on."""
    return TERMINATOR_OHM if device.terminator_ohm is None else device.terminator_ohm


def _ends(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        ends = trunk.ends
        for device in trunk.bus.device:
            path = trunk.device_path(device)
            if device.terminator is None:
                yield unknown(path, f"whether the end-of-line resistor of {view.called(device.id)} is on is not noted")
            elif device.id in ends and not device.terminator:
                yield Said((*path, "terminator"), f"{view.called(device.id)} is an end of {trunk.bus.id}: resistor off")
            elif device.id not in ends and device.terminator:
                where = "on a branch" if device in trunk.off_trunk else "in the middle"
                yield Said((*path, "terminator"), f"{view.called(device.id)} is {where} of {trunk.bus.id}: resistor on")


def _bias_places(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        fitted = [device for device in trunk.bus.device if device.bias_ohm]
        open_ones = [device.id for device in trunk.bus.device if device.bias_ohm is None]
        if len(fitted) > 1:
            yield Said(
                trunk.path,
                f"{trunk.bus.id} is biased at {len(fitted)} places: {', '.join(one.id for one in fitted)}",
                Figure("places", len(fitted)),
                Figure("wanted", 1),
            )
        elif open_ones:
            yield unknown(trunk.path, f"whether there is a bias is not noted at {some(open_ones)}")
        elif not fitted and trunk.bus.device:
            yield Said(trunk.path, f"{trunk.bus.id} has no bias", Figure("places", 0), Figure("wanted", 1))


def _idle(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        fitted = [device for device in trunk.bus.device if device.bias_ohm]
        if len(fitted) != 1:
            continue
        (device,) = fitted
        missing = [one.id for one in trunk.bus.device if one.terminator is None or one.unit_load is None]
        if missing:
            yield unknown(trunk.path, f"resistor or unit load is not noted at {some(missing)}")
            continue
        ends = [terminator_ohm(one) for one in trunk.bus.device if one.terminator]
        loads = sum(one.unit_load or 0.0 for one in trunk.bus.device)
        worked = pair_rules.idle_bias(BIAS_VOLTS, device.bias_ohm or 0.0, ends, loads)
        if not worked.fits:
            path = (*trunk.device_path(device), "bias_ohm")
            yield Said(
                path,
                f"the bias of {trunk.bus.id}, from {BIAS_VOLTS:g} V, gives too little at rest",
                worked.result,
                worked.limit,
            )


def _loop(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if trunk.bus.loop:
            yield Said((*trunk.path, "loop"), f"{trunk.bus.id} is closed to a ring at {' and '.join(trunk.bus.loop)}")


def _branches(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        for name, others in trunk.joined.items():
            if len(others) > 2:
                device = next(one for one in trunk.bus.device if one.id == name)
                yield Said(
                    trunk.device_path(device),
                    f"{len(others)} cables of {trunk.bus.id} meet at {view.called(name)}",
                    Figure("cables", len(others)),
                    Figure("most", 2),
                )
        for segment in trunk.segments:
            if segment.start == segment.device.id or segment.start not in trunk.joined:
                yield unknown(segment.path, f"{segment.device.id} hangs on {segment.start}, not a place of this bus")


def _stubs(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        rises = [device.rise_ns for device in trunk.bus.device]
        for device in trunk.bus.device:
            path = trunk.device_path(device)
            if device.stub_m == 0:
                continue
            if device.stub_m is None:
                yield unknown(path, f"the stub of {view.called(device.id)} is not noted (0: none)")
                continue
            known = [rise for rise in rises if rise is not None]
            cable = view.cable(trunk.bus.cable)
            if not known or cable is None or cable.velocity is None:
                yield unknown(
                    path, f"no edge time of a driver, or no velocity of the cable, is noted for {trunk.bus.id}"
                )
                continue
            worked = pair_rules.longest_stub(min(known), cable.velocity)
            if device.stub_m > worked.result.value:
                yield Said(
                    (*path, "stub_m"),
                    f"the stub of {view.called(device.id)} is longer than the edges of {trunk.bus.id} allow",
                    Figure("stub", device.stub_m, "m"),
                    worked.result,
                )


def _length(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if len(trunk.bus.device) < 2:
            continue
        metres = trunk.metres
        if metres is None or trunk.bus.baud is None:
            what = "a length of cable" if metres is None else "the bit rate"
            yield unknown(trunk.path, f"{what} of {trunk.bus.id} is not noted")
            continue
        worked = pair_rules.longest_at(trunk.bus.baud)
        if metres > worked.result.value:
            yield Said(
                trunk.path,
                f"{trunk.bus.id} is longer than {trunk.bus.baud} bit/s allows",
                Figure("length", metres, "m"),
                worked.result,
            )


def _loads(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        missing = [device.id for device in trunk.bus.device if device.unit_load is None]
        known = [device.unit_load for device in trunk.bus.device if device.unit_load is not None]
        worked = pair_rules.unit_loads(known, [device.bias_ohm for device in trunk.bus.device if device.bias_ohm])
        if not worked.fits:
            more = " already, some not noted" if missing else ""
            yield Said(trunk.path, f"{trunk.bus.id} is loaded too much{more}", worked.result, worked.limit)
        elif missing:
            yield unknown(trunk.path, f"the unit load is not noted at {some(missing)}")


def _common(view: View) -> Iterable[Said]:
    joined: dict[str, set[str]] = {named.id: set() for named in view.of_kind("supply")}
    for named in view.of_kind("supply"):
        supply: Supply = named.entry
        for other in supply.zero_joined_to:
            if other in joined:
                joined[supply.id].add(other)
                joined[other].add(supply.id)
    for trunk in view.trunks:
        sources: dict[str, str] = {}
        for device in trunk.bus.device:
            name = device.controller or device.id
            if name not in view.by_id or view.by_id[name].kind not in ("device", "controller"):
                continue
            source = view.worst.of(name).source
            if source is None:
                yield unknown(trunk.device_path(device), f"what feeds {view.called(device.id)} is not known")
            else:
                sources.setdefault(source, device.id)
        if not sources:
            continue
        first, *others = sources
        reached = _reach(joined, first)
        for other in others:
            if other not in reached:
                yield Said(
                    trunk.path,
                    f"{sources[first]} is fed by {first} and {sources[other]} by {other}:"
                    f" nothing says that the 0 V of these supplies are joined",
                )


def _reach(joined: dict[str, set[str]], start: str) -> set[str]:
    seen, rest = {start}, [start]
    while rest:
        new = joined[rest.pop()] - seen
        seen |= new
        rest += new
    return seen


def _formats(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if trunk.bus.protocol == "osdp" and trunk.bus.format not in (None, "8N1"):
            yield Said((*trunk.path, "format"), f"{trunk.bus.id} is set to {trunk.bus.format}; OSDP talks 8N1")


def describe_trunk(trunk: Trunk) -> str:
    """The trunk in a few words: from where to where, how long."""
    if not trunk.way:
        return "no device is recorded"
    metres = trunk.metres
    long = "length not known" if metres is None else f"{metres:g} m"
    return f"{trunk.way[0]} to {trunk.way[-1]}, {len(trunk.way)} places, {long}"


RULES = (
    Rule(
        "ends-terminated",
        Severity.ERROR,
        "The end-of-line resistor is on at both ends of the trunk and nowhere else.",
        "TIA-485 and its application notes: one at each end, never more than two, none on a branch",
        "Switch it as the rule says, then measure between the wires, bus without power: about 60 ohm.",
        _ends,
    ),
    Rule(
        "bias-once",
        Severity.WARNING,
        "A pair is biased at one place.",
        "Modbus serial line guide: polarisation at one place",
        "Switch on one bias, best at the controller, and all others off. Receivers with a built-in offset need none.",
        _bias_places,
    ),
    Rule(
        "bias-enough",
        Severity.WARNING,
        "The bias gives at least 200 mV at rest.",
        "receivers of ±200 mV by TIA-485; series circuit",
        "Fit smaller bias resistors (benchtool calculate bias), or take away what loads the pair too much.",
        _idle,
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
        "No stub is longer than a tenth of the way that an edge goes in its rise time.",
        "transceiver data sheets: 0.1 · rise time · velocity",
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
    Rule(
        "loads-at-most",
        Severity.ERROR,
        "Receivers and biases load the pair with at most 32 unit loads.",
        "TIA-485; bias counted by the Modbus serial line guide",
        "Take devices with a smaller load, fewer biases, or divide the pair.",
        _loads,
    ),
    Rule(
        "zero-common",
        Severity.ERROR,
        "The 0 V of all supplies that feed a bus are joined.",
        "common mode of -7 to +12 V by TIA-485; a third conductor by the Modbus serial line guide",
        "Join the 0 V of the supplies with a conductor, and note it at the supply: zero_joined_to.",
        _common,
    ),
    Rule(
        "osdp-format",
        Severity.WARNING,
        "OSDP talks with 8 data bits, no parity, 1 stop bit.",
        "OSDP",
        "Set 8N1.",
        _formats,
    ),
)
"""In the order in which they are told."""
