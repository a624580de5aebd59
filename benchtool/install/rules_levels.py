"""Rules of what loads and biases an RS-485 pair, of its common 0 V, and of how its characters are set.

Sheet sections 1.2, 1.7, 3.4 and 5.2.
"""

from __future__ import annotations

from collections.abc import Iterable

from benchtool.capture.rates import MEASURED_RATES, OSDP_RATES, TRIED_RATES
from benchtool.capture.settings import CharFormat
from benchtool.install import pair_rules
from benchtool.install.closing_bands import Unknown
from benchtool.install.closing_pair import BIAS_VOLTS, weakest_at_rest
from benchtool.install.places import Path
from benchtool.install.record import Device, Reader, Supply
from benchtool.install.rule import KEPT, Rule, Said, Severity, some, unknown
from benchtool.install.rules_pair import terminator_ohm
from benchtool.install.view import Trunk, View
from benchtool.install.worked import Figure

_GUIDE_BAUDS = (56000,)
"""Named by the Modbus serial line guide (2.2) beside the usual ones."""
_USUAL_BAUDS = frozenset((*TRIED_RATES, *MEASURED_RATES, *_GUIDE_BAUDS))


def _without_offset(trunk: Trunk) -> list[Device]:
    """Devices whose receivers may need a bias."""
    return [device for _, device in trunk.talkers if not device.receiver_offset]


def _bias_places(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        fitted = [device.id for _, device in trunk.placed if device.bias_ohm]
        open_ones = [device.id for _, device in trunk.talkers if device.bias_ohm is None]
        wanted = Figure("wanted", 1)
        if len(fitted) > 1:
            sentence = f"{trunk.bus.id} is biased at {len(fitted)} places: {some(fitted)}"
            yield Said(trunk.path, sentence, Figure("places", len(fitted)), wanted)
        elif open_ones:
            yield unknown(trunk.path, f"whether there is a bias is not noted at {some(open_ones)} (0: none)")
        elif fitted or (trunk.talkers and not _without_offset(trunk)):
            yield KEPT
        elif trunk.talkers:
            need = some([device.id for device in _without_offset(trunk)])
            sentence = f"{trunk.bus.id} has no bias; that {need} can do without (receiver_offset) is not noted"
            yield Said(trunk.path, sentence, Figure("places", 0), wanted)


def _idle(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        fitted = [(path, device) for path, device in trunk.placed if device.bias_ohm]
        if not trunk.talkers or not _without_offset(trunk):
            continue
        if not fitted:
            if any(device.bias_ohm is None for _, device in trunk.talkers):
                yield unknown(trunk.path, f"the bias of {trunk.bus.id} is not noted")
            continue
        missing = [one.id for _, one in trunk.talkers if one.terminator is None or one.unit_load is None]
        if missing:
            yield unknown(trunk.path, f"end-of-line resistor or unit load is not noted at {some(missing)}")
            continue
        path, device = fitted[0]
        ends = [terminator_ohm(one) for _, one in trunk.placed if one.terminator]
        loads = sum(one.unit_load or 0.0 for _, one in trunk.placed)
        pull = pair_rules.parallel(*(one.bias_ohm or 0.0 for _, one in fitted))
        low, high = (device.bias_volts, device.bias_volts) if device.bias_volts else BIAS_VOLTS
        least, most = (pair_rules.idle_bias(volts, pull, ends, loads) for volts in (low, high))
        if not most.fits:
            sentence = f"the bias of {trunk.bus.id}, from {high:g} V, gives too little at rest"
            yield Said((*path, "bias_ohm"), sentence, most.result, most.limit)
            continue
        along = _along(view, trunk, (*path, "bias_ohm"), device)
        if not least.fits and along.unknown:
            sentence = (
                f"the voltage that feeds the bias at {device.id} is not noted: {high:g} V is enough, {low:g} V not"
            )
            yield unknown(path, sentence)
        else:
            yield along


def _along(view: View, trunk: Trunk, path: Path, device: Device) -> Said:
    """Whether a bias that is enough where it is fitted is enough behind the cable's resistance, too."""
    needing = [one.id for one in _without_offset(trunk)]
    # The higher of what may feed it first: what is too little then is too little anyway.
    for which in (1, 0):
        found = weakest_at_rest(view, trunk, needing, which)
        if isinstance(found, Unknown):
            return unknown(path, f"what the cable takes of the bias: {found.why}")
        name, idle = found
        if idle >= pair_rules.IDLE_V:
            continue
        where = f"the bias of {trunk.bus.id}, fitted at {device.id}, gives too little at rest at {view.called(name)}"
        if not which:
            return unknown(path, f"{where} if it is fed from {BIAS_VOLTS[0]:g} V; what feeds it is not noted")
        return Said(path, where, Figure("idle", idle, "V"), Figure("least", pair_rules.IDLE_V, "V"))
    return KEPT


def _loads(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        if not trunk.talkers:
            continue
        missing = [one.id for _, one in trunk.talkers if one.unit_load is None or one.bias_ohm is None]
        known = [one.unit_load for _, one in trunk.placed if one.unit_load is not None]
        worked = pair_rules.unit_loads(known, [one.bias_ohm for _, one in trunk.placed if one.bias_ohm])
        if not worked.fits:
            more = " already, some not noted" if missing else ""
            yield Said(trunk.path, f"{trunk.bus.id} is loaded too much{more}", worked.result, worked.limit)
        elif missing:
            yield unknown(trunk.path, f"unit load or bias is not noted at {some(missing)}")
        else:
            yield KEPT


def _common(view: View) -> Iterable[Said]:
    group = _joined_zeros(view)
    for trunk in view.trunks:
        sources: dict[str, str] = {}
        for path, device in trunk.talkers:
            source = _source(view, device.id)
            if source is None:
                yield unknown(path, f"which supply feeds {view.called(device.id)} is not known")
            else:
                sources.setdefault(source, device.id)
        first = next(iter(sources), None)
        for other in sources:
            if first is None or group[other] == group[first]:
                yield KEPT
            else:
                yield Said(
                    trunk.path,
                    f"{sources[first]} is fed by {first} and {sources[other]} by {other}: nothing says that the 0 V of"
                    " these supplies are joined",
                )


def _reader_common(view: View) -> Iterable[Said]:
    group = _joined_zeros(view)
    for named in view.of_kind("reader"):
        reader: Reader = named.entry
        if not reader.device or reader.wiring == "other":
            continue
        own, other = _source(view, reader.id), _source(view, reader.device)
        if own is None or other is None:
            which = reader.id if own is None else reader.device
            yield unknown(named.path, f"which supply feeds {view.called(which)} is not known")
        elif group[own] == group[other]:
            yield KEPT
        else:
            yield Said(
                (*named.path, "fed_by"),
                f"{view.called(reader.id)} is fed by {own} and {reader.device} by {other}: nothing says that the 0 V of"
                " these supplies are joined",
            )


def _source(view: View, name: str) -> str | None:
    fed = view.fed.get(view.owner(name))
    return None if fed is None else fed.source


def _joined_zeros(view: View) -> dict[str, str]:
    """For each supply the first of those whose 0 V is joined with its own."""
    supplies: dict[str, Supply] = {named.id: named.entry for named in view.of_kind("supply")}
    joined: dict[str, set[str]] = {name: set() for name in supplies}
    for name, supply in supplies.items():
        for other in supply.zero_joined_to:
            if other in joined:
                joined[name].add(other)
                joined[other].add(name)
    group: dict[str, str] = {}
    for first in joined:
        rest = [first]
        while rest:
            name = rest.pop()
            if name not in group:
                group[name] = first
                rest += joined[name]
    return group


def _formats(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        protocol, written = trunk.bus.protocol, trunk.bus.format
        if protocol == "other":
            continue
        if protocol is None or written is None:
            what = "protocol" if protocol is None else "character format"
            yield unknown(trunk.path, f"the {what} of {trunk.bus.id} is not noted")
            continue
        try:
            form = CharFormat.parse(written)
        except ValueError as error:
            yield Said((*trunk.path, "format"), str(error))
            continue
        wanted = {"osdp": "8N1", "modbus-rtu": "8 data bits", "modbus-ascii": "7 data bits"}[protocol]
        fits = str(form) == wanted or f"{form.data_bits} data bits" == wanted
        yield (
            KEPT if fits else Said((*trunk.path, "format"), f"{trunk.bus.id} is set to {form}; {protocol} has {wanted}")
        )


def _bauds(view: View) -> Iterable[Said]:
    for trunk in view.trunks:
        protocol, baud = trunk.bus.protocol, trunk.bus.baud
        if protocol == "other":
            continue
        if protocol is None or baud is None:
            what = "protocol" if protocol is None else "bit rate"
            yield unknown(trunk.path, f"the {what} of {trunk.bus.id} is not noted")
        elif baud in (OSDP_RATES if protocol == "osdp" else _USUAL_BAUDS):
            yield KEPT
        else:
            has = f"OSDP has {', '.join(map(str, OSDP_RATES))}" if protocol == "osdp" else _nearest(baud)
            sentence = f"{trunk.bus.id} is set to {baud} bit/s; {has}"
            yield Said((*trunk.path, "baud"), sentence, Figure("rate", baud, "bit/s"))


def _nearest(baud: int) -> str:
    """The usual rates below and above one that is not."""
    below = max((rate for rate in _USUAL_BAUDS if rate < baud), default=None)
    above = min((rate for rate in _USUAL_BAUDS if rate > baud), default=None)
    return f"usual are {' and '.join(str(rate) for rate in (below, above) if rate is not None)}"


RULES = (
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
        "reader-zero-common",
        Severity.ERROR,
        "A reader and the device that it is wired to have a common 0 V.",
        "data lines and pairs are read against 0 V; common practice",
        "Feed the reader from the device's terminals, or join the 0 V of both supplies and note it: zero_joined_to.",
        _reader_common,
    ),
    Rule(
        "format-for-protocol",
        Severity.WARNING,
        "The character format is one that the protocol has: OSDP 8N1, Modbus RTU 8 data bits, Modbus ASCII 7.",
        "OSDP; Modbus serial line guide",
        "Set it at the controller and at every device, and note it.",
        _formats,
    ),
    Rule(
        "rate-of-protocol",
        Severity.WARNING,
        "An OSDP bus has one of OSDP's bit rates, 9600 to 230400 bit/s, a Modbus bus a usual one.",
        "OSDP; Modbus serial line guide, 2.2; usual rates of the trade are common practice",
        "Set one of them at the controller and at every device, and note it.",
        _bauds,
    ),
)
"""In the order in which they are told."""
