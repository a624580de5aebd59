"""Supplies and voltages on the hand-over page: loads against limits, batteries, what everything that is fed gets."""

from __future__ import annotations

from benchtool.install.feeds import Fed, SupplyLoad, supply_limit_a
from benchtool.install.power import CLASSES, battery
from benchtool.install.record import Lock, Reader, Supply
from benchtool.install.view import View
from benchtool.reports.site_tables import Cell, Part, Table, note_lines
from benchtool.reports.site_words import NOT_NOTED, amount, metres, yes_no


def supplies_table(view: View) -> Table:
    """What gives power, its load, its battery."""
    idle = {load.supply.id: load for load in view.idle.supplies}
    rows: list[tuple[Cell, ...]] = [
        (
            (load.supply.name or load.supply.id, load.supply.id, *note_lines(load.supply.note)),
            _output(load.supply),
            _load(load),
            _load(idle[load.supply.id]),
            _battery(load.supply, idle[load.supply.id], view.record.site.coldest_c),
            _safety(load.supply),
        )
        for load in view.worst.supplies
    ]
    heads = ("Supply", "Output", "Worst load", "Load at rest", "Battery", "Earth, cover, 0 V")
    return Table(heads, (Part(tuple(rows)),), (18, 17, 15, 15, 17, 18))


def _output(supply: Supply) -> Cell:
    kind = "network port" if supply.kind == "network" else supply.kind or f"kind {NOT_NOTED}"
    lines = [kind, amount(supply.volts, "V")]
    lines += [f"at the lowest {supply.lowest_volts:g} V"] if supply.lowest_volts is not None else []
    if supply.poe_class is not None:
        lines.append(f"class {supply.poe_class}: {CLASSES[supply.poe_class].device_w:g} W at the device")
    limit = supply_limit_a(supply)
    return (*lines, f"most: {amount(limit, 'A', places=3)}")


def _load(load: SupplyLoad) -> Cell:
    if load.amps is None:
        return (f"not known: {_first(load.unknown)}",)
    most = supply_limit_a(load.supply)
    verdict = "" if most is None else "TOO MUCH" if load.amps > most else "enough"
    return (f"{load.amps:.3g} A", *([verdict] if verdict else []))


def _battery(supply: Supply, idle: SupplyLoad, coldest_c: float | None) -> Cell:
    if supply.battery_ah is None:
        return NOT_NOTED if supply.kind != "network" else "-"
    lines = [f"{supply.battery_ah:g} Ah" if supply.battery_ah else "none"]
    if supply.backup_hours:
        lines.append(f"wanted: {supply.backup_hours:g} h")
    if supply.battery_ah and idle.amps is None:
        lines.append("how long it lasts is not known: a load is not noted")
    elif supply.battery_ah and idle.amps:
        cold = coldest_c if supply.coldest_c is None else supply.coldest_c
        wanted = supply.backup_hours
        if cold is None:
            worked = battery(supply.battery_ah, idle.amps, wanted_h=wanted)
        else:
            worked = battery(supply.battery_ah, idle.amps, wanted_h=wanted, celsius=cold)
        at = "in the warm" if cold is None else f"at {cold:g} °C"
        lines.append(f"reckoned {at}: {worked.result.value:.3g} h{' TOO SHORT' if worked.fits is False else ''}")
    return tuple(lines)


def _safety(supply: Supply) -> Cell:
    lines = []
    if supply.kind in ("mains", None):
        lines += [f"protective earth: {yes_no(supply.earthed)}", f"mains covered: {yes_no(supply.covered)}"]
    joined = ", ".join(supply.zero_joined_to)
    return (*lines, f"0 V joined to: {joined or 'none noted'}")


def voltages_table(view: View) -> Table:
    """Voltage at everything that is fed, at the worst load."""
    rows: list[tuple[Cell, ...]] = [
        (
            view.called(fed.id),
            fed.consumer.fed_by or NOT_NOTED,
            _feed(fed),
            "not known" if fed.through_a is None else f"{fed.through_a:.3g} A",
            "not known" if fed.volts is None else f"{fed.volts:.2f} V",
            amount(fed.consumer.least_volts, "V"),
            _enough(fed),
        )
        for fed in view.worst.consumers
    ]
    heads = ("At", "Fed by", "Feed", "Current", "Voltage", "Needs", "Verdict")
    return Table(heads, (Part(tuple(rows)),), (24, 11, 17, 9, 12, 9, 18), numbers=frozenset({3, 4, 5}))


def _feed(fed: Fed) -> Cell:
    one = fed.consumer
    long, kind = one.feed_m, one.feed_cable
    if isinstance(one, Reader | Lock):
        long, kind = (one.metres if long is None else long), (one.cable if kind is None else kind)
    if long == 0:
        return "at its terminals"
    ohm = "" if fed.feed_ohm is None else f"{fed.feed_ohm:.3g} Ω, both ways"
    return (f"{metres(long)}, {kind or f'kind {NOT_NOTED}'}", *([ohm] if ohm else []))


def _enough(fed: Fed) -> str:
    if fed.volts is None:
        return f"cannot be told: {_first(fed.unknown)}"
    if fed.consumer.least_volts is None:
        return "cannot be told: what it needs is not noted"
    return "enough" if fed.volts >= fed.consumer.least_volts else "TOO LITTLE"


def _first(reasons: tuple[str, ...]) -> str:
    more = f" (and {len(reasons) - 1} more)" if len(reasons) > 1 else ""
    return f"{reasons[0]}{more}" if reasons else "not noted"
