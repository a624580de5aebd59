"""Every rule, on the good site with one thing changed: what breaks it, and what leaves it unknown."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchtool.install.checks import RULES, Checked, check
from benchtool.install.load import Loaded, load
from benchtool.install.record import Bus, Controller, Device, Door, Record, Supply, Visit

SITE = Path(__file__).parent.parent.parent / "fixtures" / "sites" / "depot.toml"
GOOD = load(SITE.read_text(encoding="utf-8")).record
ALWAYS = {"escape-licensed"}
"""Doors on escape routes are told in the good site too."""
Change = Callable[[Record], Record]


def put(**changes: dict[str, Any]) -> Change:
    """Fields of entries, by the id with _ for -: `put(if_ramp={"address": 1})`."""

    def change(record: Record) -> Record:
        for name, fields in changes.items():
            record = _replaced(record, name.replace("_", "-"), fields)
        return record

    return change


def _with(record: Record, kind: str, entries: tuple[Any, ...]) -> Record:
    changes: dict[str, Any] = {kind: entries}
    return dataclasses.replace(record, **changes)


def _replaced(record: Record, name: str, fields: dict[str, Any]) -> Record:
    if name == "site":
        return dataclasses.replace(record, site=dataclasses.replace(record.site, **fields))
    for kind in ("door", "cable", "supply", "controller", "bus", "reader", "lock", "sensor"):
        entries = getattr(record, kind)
        new = [dataclasses.replace(one, **fields) if one.id == name else one for one in entries]
        if kind == "bus":
            new = [
                dataclasses.replace(
                    bus,
                    device=tuple(dataclasses.replace(at, **fields) if at.id == name else at for at in bus.device),
                )
                for bus in new
            ]
        if tuple(new) != entries:
            return _with(record, kind, tuple(new))
    raise AssertionError(f"nothing was changed at {name}")


def every(kind: str, **fields: Any) -> Change:
    """Fields of all entries of a kind, or of all devices."""

    def change(record: Record) -> Record:
        if kind == "device":
            buses = [
                dataclasses.replace(bus, device=tuple(dataclasses.replace(one, **fields) for one in bus.device))
                for bus in record.bus
            ]
            return dataclasses.replace(record, bus=tuple(buses))
        new = tuple(dataclasses.replace(one, **fields) for one in getattr(record, kind))
        return _with(record, kind, new)

    return change


def more(kind: str, *entries: Any) -> Change:
    """Entries put at the end."""
    return lambda record: _with(record, kind, (*getattr(record, kind), *entries))


def visit(**fields: Any) -> Change:
    """One more visit, the last."""
    return lambda record: more("visit", Visit(**({"date": "2026-04-01"} | fields)))(record)


def devices(change: Callable[[tuple[Device, ...]], tuple[Device, ...]]) -> Change:
    """The devices of the yard's bus changed."""

    def changed(record: Record) -> Record:
        yard, *others = record.bus
        return dataclasses.replace(record, bus=(dataclasses.replace(yard, device=change(yard.device)), *others))

    return changed


def interfaces(found: tuple[Device, ...]) -> tuple[Device, ...]:
    """32 interfaces between the first and the last, each as the second."""
    head, store, *_, far = found
    rest = [
        dataclasses.replace(store, id=f"if-{n}", serial=f"S{n}", address=n + 1, metres=5, idle_ma=0, worst_ma=0)
        for n in range(31)
    ]
    kept = [one for one in found if one.id in ("if-store", "if-ramp", "rd-gate")]
    kept = [dataclasses.replace(one, address=100 + n) for n, one in enumerate(kept)]
    return (head, *rest, *kept, dataclasses.replace(far, address=110))


def checked(*changes: Change) -> Checked:
    record = GOOD
    for change in changes:
        record = change(record)
    return check(Loaded(record, {}))


def found(result: Checked) -> set[str]:
    """Rules that find something, but for what was measured before the change and does not suit it any more."""
    return {finding.rule.id for finding in result.findings} - ALWAYS - {"readings-in-band"}


def unknown(result: Checked) -> set[str]:
    return {finding.rule.id for finding in result.unchecked}


BROKEN: dict[str, tuple[Change, set[str]]] = {
    # rule: (what breaks it, what else it breaks)
    "id-once": (more("supply", Supply(id="store", kind="network", volts=54, poe_class=3)), set()),
    "reference-known": (put(contact_exit={"door": "exot"}), set()),
    "serial-noted": (put(rd_exit={"serial": None}), set()),
    "serial-once": (put(rd_exit={"serial": "r1-50001 "}), set()),
    "network-address-right": (put(small={"network_address": "02-00-5e-00-53-11"}), set()),
    "address-noted": (put(if_ramp={"address": None}), set()),
    "address-in-range": (put(if_ramp={"address": 127}), set()),
    "address-once": (put(if_ramp={"address": 1}), set()),
    "settings-noted": (put(yard={"controller": None}), set()),
    "own-key": (put(if_ramp={"key": "none"}), set()),
    "interfaces-at-most": (devices(interfaces), set()),
    "tied": (put(rd_gate={"door": None}), {"door-used"}),
    "connector-once": (put(button_ramp={"connector": "in1"}), set()),
    "readers-at-most": (
        put(rd_ramp={"device": "if-store", "connector": "J2"}, rd_exit={"device": "if-store", "connector": "J3"}),
        {"doors-agree"},
    ),
    "doors-agree": (put(contact_ramp={"door": "store"}), set()),
    "pair-not-crossed": (put(rd_gate={"cores": {"a": "Blue", "b": "White"}}), set()),
    "controller-has-bus": (more("controller", Controller(id="new", serial="N", fed_by="port", feed_m=0)), set()),
    "door-used": (more("door", Door(id="new", name="New", escape=False, fire_release=False)), set()),
    "controller-placed": (devices(lambda all_of_it: all_of_it[1:]), {"bias-once", "screen-earthed-once"}),
    "one-controller": (put(if_ramp={"kind": "controller", "controller": "small"}), {"connector-once", "zero-common"}),
    "pair-joined": (put(if_exit={"after": "if-plant"}), set()),
    "ends-terminated": (put(if_exit={"terminator": False}), set()),
    "terminator-suits": (put(if_exit={"terminator_ohm": 60}), {"bias-enough"}),
    "no-ring": (put(yard={"loop": ("head-rs485", "if-exit")}), set()),
    "no-star": (put(if_exit={"after": "if-ramp"}), {"ends-terminated"}),
    "stub-short": (put(if_ramp={"stub_m": 10}), set()),
    "length-for-rate": (put(rd_gate={"metres": 1130}), {"bias-enough"}),
    "bias-once": (put(if_exit={"bias_ohm": 560}), set()),
    "bias-enough": (put(head_rs485={"bias_ohm": 800}), set()),
    "loads-at-most": (put(rd_gate={"unit_load": 8}, if_ramp={"unit_load": 8}, if_store={"unit_load": 6}), set()),
    "zero-common": (
        put(rd_gate={"fed_by": "port", "feed_m": 0, "most_volts": 57, "idle_ma": 10, "worst_ma": 10}),
        set(),
    ),
    "reader-zero-common": (put(rd_office={"fed_by": "main"}), set()),
    "format-for-protocol": (put(yard={"format": "8E1"}), set()),
    "rate-of-protocol": (put(yard={"baud": 4800}), set()),
    "cable-fit": (put(pair={"twisted": False}), set()),
    "cable-impedance": (put(pair={"impedance_ohm": 75}), set()),
    "cable-gauge": (put(pair={"awg": 28}), {"bias-enough"}),
    "gauge-agrees": (put(data={"area_mm2": 2.5}), set()),
    "screen-through": (put(if_ramp={"shield_through": False}), set()),
    "screen-earthed-once": (put(head_rs485={"shield_earthed": False}), set()),
    "card-line-length": (put(rd_plant={"metres": 62}), set()),
    "not-fed-in-circles": (put(if_store={"fed_by": "rd-store"}), {"fed-from-feeder"}),
    "feed-noted": (put(rd_gate={"fed_by": None}), set()),
    "voltage-enough": (put(rd_gate={"feed_m": 800}), set()),
    "voltage-not-above": (put(rd_plant={"most_volts": 6}), set()),
    "lowest-voltage-below": (put(main={"lowest_volts": 99}), set()),
    "terminals-enough": (put(small={"output_ma": 600}), set()),
    "supply-enough": (put(main={"amps": 1}), set()),
    "network-power-enough": (put(strike_office={"worst_ma": 1100}, small={"output_ma": 5000}), set()),
    "network-power-locks": (
        put(port={"poe_class": 3}, strike_office={"worst_ma": 50}, rd_office={"idle_ma": 50, "worst_ma": 50}),
        set(),
    ),
    "battery-lasts": (put(main={"battery_ah": 4}), set()),
    "mains-safe": (put(main={"earthed": False}), set()),
    "escape-free": (put(strike_office={"opens_by_hand": None}), set()),
    "escape-licensed": (put(store={"escape": True}), {"escape-free"}),
    "spark-taken-up": (put(strike_store={"suppression": "none", "inductive": None}), set()),
    "temperatures-in-order": (put(site={"coldest_c": 46}), set()),
    "rest-below-largest": (put(rd_gate={"idle_ma": 151}), set()),
    "magnet-likely": (put(magnet_exit={"inductive": False, "suppression": None}), set()),
    "wired-to-terminals": (put(contact_store={"device": "box-1"}), set()),
    "fed-from-feeder": (put(if_exit={"fed_by": "strike-store"}), set()),
    "first-place-at-0": (put(head_rs485={"metres": 2}), set()),
    "readings-in-band": (visit(measured={"ab-ohms yard": "118"}), set()),
    "visit-dated": (visit(date="14.03.2026"), set()),
}
LEFT_OUT: dict[str, Change] = {
    # rule: a figure left out, so that it cannot be checked
    "serial-once": put(rd_exit={"serial": None}),
    "network-address-right": put(small={"network_address": None}),
    "address-in-range": put(yard={"protocol": None}),
    "address-once": put(if_ramp={"address": None}),
    "own-key": put(if_ramp={"key": None}),
    "interfaces-at-most": put(yard={"controller": None}),
    "connector-once": put(button_ramp={"connector": None}),
    "readers-at-most": put(rd_ramp={"device": None}),
    "pair-not-crossed": put(rd_gate={"cores": None}),
    "one-controller": put(if_ramp={"kind": "controller"}),
    "ends-terminated": put(if_ramp={"terminator": None}),
    "terminator-suits": put(if_ramp={"terminator": None}),
    "no-ring": put(if_exit={"after": "if-plant"}),
    "no-star": put(if_exit={"after": "if-plant"}),
    "stub-short": put(if_store={"rise_ns": None}),
    "length-for-rate": put(rd_gate={"metres": None}),
    "bias-once": put(rd_gate={"bias_ohm": None}),
    "bias-enough": put(head_rs485={"bias_volts": None}),
    "loads-at-most": put(rd_gate={"unit_load": None}),
    "zero-common": put(rd_gate={"fed_by": None}),
    "reader-zero-common": put(rd_office={"fed_by": None}),
    "format-for-protocol": put(yard={"format": None}),
    "rate-of-protocol": put(yard={"baud": None}),
    "cable-fit": put(pair={"screened": None}),
    "cable-impedance": put(pair={"impedance_ohm": None}),
    "cable-gauge": put(pair={"awg": None}),
    "screen-through": put(if_ramp={"shield_through": None}),
    "screen-earthed-once": put(if_ramp={"shield_earthed": None}),
    "card-line-length": put(rd_plant={"cable": None}),
    "not-fed-in-circles": put(rd_gate={"fed_by": None}),
    "voltage-enough": put(rd_gate={"worst_ma": None}),
    "voltage-not-above": put(rd_gate={"most_volts": None}),
    "terminals-enough": put(if_ramp={"output_ma": None}),
    "supply-enough": put(main={"amps": None}),
    "network-power-enough": put(rd_office={"worst_ma": None}),
    "network-power-locks": put(strike_office={"fed_by": None}),
    "battery-lasts": put(main={"backup_hours": None}),
    "mains-safe": put(main={"covered": None}),
    "escape-free": put(magnet_exit={"without_power": None}),
    "escape-licensed": put(store={"fire_release": None}),
    "spark-taken-up": put(strike_store={"alternating": None}),
    "magnet-likely": put(magnet_exit={"idle_ma": None}),
    "readings-in-band": put(rd_gate={"metres": None}),
}
NEVER_UNKNOWN = {
    # these ask whether something is in the record at all, or hold names against names
    "id-once", "reference-known", "serial-noted", "address-noted", "settings-noted", "tied", "controller-has-bus",
    "door-used", "doors-agree", "controller-placed", "pair-joined", "feed-noted",
    # where one of both voltages is missing, voltage-enough and voltage-not-above say so
    "lowest-voltage-below",
    # of one figure there is nothing to agree with; rules that need one say so
    "gauge-agrees",
    # a visit has a date, a first place either has cable before it or not
    "visit-dated", "first-place-at-0",
    # figures and feeds that are not noted contradict nothing; the rules that need them say so
    "temperatures-in-order", "rest-below-largest", "wired-to-terminals", "fed-from-feeder",
}  # fmt: skip


def test_every_rule_is_tried() -> None:
    ids = {rule.id for rule in RULES}
    assert len(ids) == len(RULES)
    assert set(BROKEN) == ids
    assert set(LEFT_OUT) == ids - NEVER_UNKNOWN


@pytest.mark.parametrize("rule", BROKEN)
def test_a_rule_finds_what_breaks_it_and_no_other_is_troubled(rule: str) -> None:
    change, also = BROKEN[rule]
    result = checked(change)
    told = {finding.rule.id for finding in result.findings}
    assert rule in told
    assert found(result) - {rule} == also
    assert rule not in {kept.id for kept in result.kept}


@pytest.mark.parametrize("rule", LEFT_OUT)
def test_a_rule_says_what_it_would_have_to_know(rule: str) -> None:
    result = checked(LEFT_OUT[rule])
    assert rule in unknown(result)
    assert rule not in {kept.id for kept in result.kept}
    assert rule not in found(result)


def test_a_rule_says_nothing_of_what_is_not_there() -> None:
    result = checked(lambda record: dataclasses.replace(record, lock=(), reader=(), controller=(), bus=(), supply=()))
    idle = {rule.id for rule in result.idle}
    assert {"own-key", "ends-terminated", "card-line-length", "battery-lasts", "spark-taken-up", "zero-common"} <= idle


# --- what a specialist would ask of single rules


@pytest.mark.parametrize(
    ("changes", "findings"),
    [
        # The controller may stand in the middle of its pair: then it is no end.
        ([devices(lambda all_of_it: (*all_of_it[1:3], all_of_it[0], *all_of_it[3:])),
          put(head_rs485={"terminator": False, "metres": 5, "shield_through": True},
              if_store={"terminator": True, "shield_through": False, "metres": 0})], set()),
        # Receivers with a built-in offset need no bias.
        ([put(head_rs485={"bias_ohm": 0}), every("device", receiver_offset=True)], set()),
        ([put(head_rs485={"bias_ohm": 0})], {"bias-once"}),
        # 1 ohm is no pull-up but a load beyond all measure.
        ([put(head_rs485={"bias_ohm": 100})], {"loads-at-most"}),
        # A controller's place that does not say whose: nor is it known what feeds it, or that its connectors are taken.
        ([put(head_rs485={"controller": None})], {"controller-placed", "serial-noted", "feed-noted"}),
        # A controller of one door may have all at its own terminals, and no bus.
        ([more("controller", Controller(id="new", serial="N", fed_by="port", feed_m=0)),
          put(rd_office={"device": "new"})], set()),
        # A ring laid by the order of the cables, and a cable from a device to itself.
        ([put(head_rs485={"after": "if-exit", "shield_through": True})], {"no-ring"}),
        ([put(if_exit={"after": "if-exit"})], {"pair-joined"}),
        # A branch longer than the rest of the pair is the trunk: ends are by length.
        ([put(if_exit={"after": "if-ramp", "metres": 900})], {"no-star", "ends-terminated", "bias-enough"}),
        # 0.5 mm2 counts as 20 AWG, so that 91 m are allowed; one gauge between two takes the thinner one's length.
        ([put(data={"awg": None, "area_mm2": 0.5}, rd_plant={"metres": 90})], set()),
        ([put(data={"awg": 21}, rd_plant={"metres": 70})], {"card-line-length"}),
        # Thinner than any published gauge: no longer than the thinnest of them.
        ([put(data={"awg": 24}, rd_plant={"metres": 70})], {"card-line-length"}),
        # Gauge and area of one conductor, as it is sold; of two that differ the thinner counts.
        ([put(data={"area_mm2": 0.34})], set()),
        ([put(power={"awg": 16})], set()),
        ([put(data={"area_mm2": 2.5}, rd_plant={"metres": 70})], {"gauge-agrees", "card-line-length"}),
        ([put(power_thick={"awg": 24})], {"gauge-agrees", "voltage-enough"}),
        # The controller's place on the pair and the controller have the same connectors.
        ([put(contact_store={"device": "head-rs485", "connector": "IN1"})], {"connector-once"}),
        # Without power for the fire alarm's sake, by hand is not enough.
        ([put(magnet_exit={"kind": "bolt", "without_power": "locked", "opens_by_hand": True})], {"escape-free"}),
        # A diode across a coil that is fed with alternating voltage.
        ([put(strike_store={"alternating": True})], {"spark-taken-up"}),
        # The 0 V of both supplies joined, said at either.
        ([put(rd_office={"fed_by": "main"}, main={"zero_joined_to": ("port",)})], set()),
        ([put(rd_office={"fed_by": "main"}, port={"zero_joined_to": ("main",)})], set()),
        # Modbus RTU without parity is in use; 7 data bits are not possible.
        ([put(rooms={"format": "8N2"})], set()),
        ([put(rooms={"format": "7E1"})], {"format-for-protocol"}),
        ([put(rooms={"format": "words"})], {"format-for-protocol"}),
        # 20 m by the Modbus guide, whatever the edges are.
        ([put(if_ramp={"stub_m": 21}), every("device", rise_ns=5000)], {"stub-short"}),
        ([put(if_ramp={"stub_m": 19}), every("device", rise_ns=5000)], set()),
        # An unscreened pair has no screen to go on.
        ([put(pair={"screened": False}), every("device", shield_earthed=False, shield_through=False)], {"cable-fit"}),
    ],
)  # fmt: skip
def test_what_is_told_of(changes: list[Change], findings: set[str]) -> None:
    assert found(checked(*changes)) == findings


@pytest.mark.parametrize(
    ("changes", "rules"),
    [
        # Rules that depend on the ends cannot tell where the controller is not placed.
        ([devices(lambda all_of_it: all_of_it[1:])], {"ends-terminated"}),
        ([devices(lambda all_of_it: all_of_it[:1])], {"ends-terminated", "no-ring", "no-star", "length-for-rate"}),
        ([put(yard={"device": ()})], {"ends-terminated", "length-for-rate"}),
        # A branch, and not all lengths: which is the trunk?
        ([put(if_exit={"after": "if-ramp", "metres": None})], {"ends-terminated", "length-for-rate"}),
        # How warm cables get; how low a battery's supply falls; what a converter gives.
        ([put(site={"warmest_c": None})], {"voltage-enough"}),
        ([put(main={"lowest_volts": None})], {"voltage-enough"}),
        ([put(small={"output_volts": None})], {"voltage-enough", "voltage-not-above", "network-power-enough"}),
        # A lock without a door may be on an escape route.
        ([put(strike_store={"door": None})], {"escape-free"}),
        ([put(main={"battery_ah": None})], {"battery-lasts"}),
        ([put(port={"poe_class": None})], {"network-power-enough", "network-power-locks"}),
    ],
)
def test_what_cannot_be_told_of(changes: list[Change], rules: set[str]) -> None:
    result = checked(*changes)
    assert rules <= unknown(result)
    assert not rules & {rule.id for rule in result.kept}


def test_bias_loads_count_as_the_modbus_guide_counts_them() -> None:
    """Sheet 1.2, 3.4: a polarisation takes 4 of 32 unit loads at the most; two of 650 ohm each are 9.2."""
    twenty_eight = tuple(
        Device(id=f"d{n}", kind="interface", unit_load=1, bias_ohm=0 if n else 1500, metres=1) for n in range(29)
    )
    record = dataclasses.replace(GOOD, bus=(Bus(id="b", device=twenty_eight[:28]),))
    assert "loads-at-most" not in found(check(Loaded(record, {})))
    record = dataclasses.replace(GOOD, bus=(Bus(id="b", device=twenty_eight),))
    assert "loads-at-most" in found(check(Loaded(record, {})))


def test_a_converter_draws_by_power() -> None:
    """12 V and 0.9 A given at 85 % from 54 V: 0.235 A, with 0.12 A of its own."""
    from benchtool.install.feeds import solve

    small = solve(GOOD).of("small")
    given = 0.12 + 0.12 + 0.15 + 0.4
    assert small.through_a == pytest.approx(0.12 + given * 12 / 54 / 0.85)
    assert small.volts == 54
    assert solve(GOOD).of("rd-office").head_volts == 12


def test_a_feed_that_carries_nothing_shows_no_voltage_below_0() -> None:
    result = checked(put(rd_gate={"feed_m": 5000}))
    (one,) = (finding for finding in result.findings if finding.rule.id == "voltage-enough")
    assert one.said.figure is not None
    assert one.said.figure.value == 0
