"""Voltages along the tree of feeds, against a nodal matrix written here and solved by numpy.linalg."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.install.copper import gauge_mm2, ohm_per_km
from benchtool.install.feeds import solve, supply_limit_a
from benchtool.install.record import SCHEMA, Bus, CableKind, Controller, Device, Lock, Reader, Record, Site, Supply

CABLE = CableKind(id="pair", awg=22)


def record(*devices: Device, supply: Supply | None = None, **more: object) -> Record:
    return Record(
        schema=SCHEMA,
        site=Site(name="Depot", warmest_c=50.0),
        cable=(CABLE,),
        supply=(supply or Supply(id="psu", volts=12.0, lowest_volts=10.5),),
        bus=(Bus(id="bus", device=devices),),
        **more,  # type: ignore[arg-type]
    )


def device(name: str, fed_by: str | None, metres: float | None = 30.0, milliamps: float | None = 200.0) -> Device:
    return Device(id=name, kind="interface", fed_by=fed_by, feed_cable="pair", feed_m=metres, worst_ma=milliamps)


@st.composite
def trees(draw: st.DrawFn) -> list[Device]:
    """Devices, each fed from the supply or from an earlier one."""
    count = draw(st.integers(1, 12))
    return [
        device(
            f"d{n}",
            "psu" if n == 0 else draw(st.sampled_from(["psu", *(f"d{m}" for m in range(n))])),
            draw(st.floats(0.5, 200)),
            draw(st.floats(0, 500)),
        )
        for n in range(count)
    ]


@given(trees())
def test_voltages_are_those_of_the_nodal_matrix(devices: list[Device]) -> None:
    """Conductances of the whole circuit: one node a device, the supply's voltage fixed, a current drawn at each."""
    place = {one.id: n for n, one in enumerate(devices)}
    size = len(devices)
    matrix, injected = np.zeros((size, size)), np.zeros(size)
    for one in devices:
        assert one.feed_m is not None
        assert one.worst_ma is not None
        siemens = 1 / (2 * one.feed_m / 1000 * 17.241 / gauge_mm2(22) * (1 + 0.00393 * 30))
        here = place[one.id]
        injected[here] -= one.worst_ma / 1000
        matrix[here, here] += siemens
        if one.fed_by == "psu":
            injected[here] += siemens * 10.5
        else:
            there = place[one.fed_by or ""]
            matrix[there, there] += siemens
            matrix[here, there] -= siemens
            matrix[there, here] -= siemens
    expected = np.linalg.solve(matrix, injected)
    found = solve(record(*devices))
    assert [found.of(one.id).volts for one in devices] == pytest.approx(list(expected), abs=1e-9)


@given(trees())
def test_no_current_is_lost(devices: list[Device]) -> None:
    found = solve(record(*devices))
    total = sum((one.worst_ma or 0) / 1000 for one in devices)
    assert found.supplies[0].amps == pytest.approx(total)
    at_supply = [fed.through_a for fed in found.consumers if fed.consumer.fed_by == "psu"]
    assert sum(amps for amps in at_supply if amps is not None) == pytest.approx(total)
    for fed in found.consumers:
        below = [other.through_a for other in found.consumers if other.consumer.fed_by == fed.id]
        assert fed.through_a == pytest.approx((fed.own_a or 0) + sum(amps for amps in below if amps is not None))


def test_a_known_drop() -> None:
    """Sheet 1.6, computed: 22 AWG, 100 m, 250 mA at 20 °C: 2.648 V."""
    found = solve(record(device("far", "psu", 100, 250), supply=Supply(id="psu", volts=12)), celsius=20)
    assert found.of("far").volts == pytest.approx(12 - 2.648, abs=1e-3)


def test_idle_takes_the_rated_voltage_and_the_current_at_rest() -> None:
    one = Device(id="d", kind="interface", fed_by="psu", feed_cable="pair", feed_m=100, idle_ma=50, worst_ma=300)
    volts = solve(record(one), worst=False).of("d").volts
    assert volts == pytest.approx(12 - 0.2 * ohm_per_km(gauge_mm2(22), 50) * 0.05)


def test_a_chain_of_thousands_is_no_trouble() -> None:
    devices = [device(f"d{n}", f"d{n - 1}" if n else "psu", 0.01, 0.1) for n in range(3000)]
    assert solve(record(*reversed(devices))).of("d2999").volts == pytest.approx(
        10.5 - sum((3000 - n) * 1e-4 for n in range(3000)) * 2e-5 * ohm_per_km(gauge_mm2(22), 50)
    )


@pytest.mark.parametrize(
    ("devices", "told"),
    [
        ((device("d", None),), "what feeds d is not noted"),
        ((device("d", "psu", None),), "the length of the feed of d is not recorded"),
        ((device("d", "psu", 10, None),), "the largest current of d is not recorded"),
        ((device("d", "psv"),), "nothing that is called psv, which feeds d, is noted"),
        ((device("d", "e"), device("e", "d")), "d is fed from itself"),
        ((device("d", "e"), device("e", None)), "what feeds e is not noted"),
    ],
)
def test_what_is_not_known_is_said_and_no_voltage_told(devices: tuple[Device, ...], told: str) -> None:
    fed = solve(record(*devices)).of("d")
    assert fed.volts is None
    assert told in fed.unknown


def test_a_current_not_known_hides_only_what_it_reaches() -> None:
    found = solve(
        record(device("a", "psu"), device("b", "a", 10, None), device("c", "psu", 0, None), device("e", "psu"))
    )
    assert found.of("a").volts is None
    assert found.of("a").unknown == ("the largest current of b is not recorded",)
    assert found.of("c").volts == 10.5
    assert found.of("e").volts is not None
    assert found.supplies[0].amps is None


def test_a_circle_of_feeds_is_found_and_what_hangs_on_it_too() -> None:
    found = solve(record(device("a", "b"), device("b", "a"), device("c", "a"), device("d", "psu")))
    assert found.rings == (("a", "b"),)
    assert found.of("c").unknown == ("a is fed from itself",)
    assert found.of("c").through_a == found.of("c").own_a
    assert found.of("d").volts is not None


def test_readers_and_locks_take_their_own_cable_and_a_controllers_place_is_fed_once() -> None:
    site = record(
        Device(id="head", kind="controller", controller="c"),
        controller=(Controller(id="c", fed_by="psu", feed_cable="pair", feed_m=0, worst_ma=100),),
        reader=(Reader(id="r", fed_by="head", cable="pair", metres=20, worst_ma=80),),
        lock=(Lock(id="l", fed_by="c", cable="pair", metres=40, worst_ma=500),),
    )
    found = solve(site)
    assert [fed.id for fed in found.consumers] == ["c", "r", "l"]
    assert found.supplies[0].amps == pytest.approx(0.68)
    each = ohm_per_km(gauge_mm2(22), 50) / 1000
    assert found.of("r").volts == pytest.approx(10.5 - 2 * 20 * each * 0.08)
    assert found.of("l").volts == pytest.approx(10.5 - 2 * 40 * each * 0.5)
    assert found.of("r").source == "psu"


@pytest.mark.parametrize(
    ("supply", "amps"),
    [
        (Supply(id="p", volts=12, amps=3), 3),
        (Supply(id="p", volts=12, poe_class=4), 25.5 / 12),
        (Supply(id="p", poe_class=4), None),
        (Supply(id="p"), None),
    ],
)
def test_what_a_supply_can_give(supply: Supply, amps: float | None) -> None:
    assert supply_limit_a(supply) == amps


def test_a_lowest_voltage_above_the_rated_one_raises_nothing() -> None:
    slip = Supply(id="psu", volts=12, lowest_volts=21.6)
    assert solve(record(device("d", "psu", 0, 100), supply=slip)).of("d").volts == 12
