"""Rules of power: what is fed from nobody knows where, circles of feeds, batteries in the cold."""

from __future__ import annotations

import pytest

from benchtool.install.power import share_at
from benchtool.install.record import Device, Lock
from tests.install.test_check_rules import Change, checked, found, more, put, unknown

SUMS = {"supply-enough", "battery-lasts", "network-power-enough", "terminals-enough"}
"""Rules that add up what something must give."""


@pytest.mark.parametrize(
    ("change", "who"),
    [
        (put(magnet_exit={"fed_by": None, "worst_ma": 15000}), "what feeds magnet-exit is not noted"),
        (put(head={"fed_by": None}), "what feeds head is not noted"),
        (put(rd_gate={"fed_by": None}), "what feeds rd-gate is not noted"),
        (put(magnet_exit={"fed_by": "mian"}), "nothing that is called mian, which feeds magnet-exit, is noted"),
        # A box has terminals, and no supply.
        (put(if_plant={"fed_by": "box-1"}), "if-plant is fed through the terminals of box-1: name what feeds it there"),
        (put(if_store={"fed_by": "rd-store"}), "if-store is fed from itself"),
        (
            put(rd_gate={"fed_by": None}, magnet_exit={"fed_by": None}),
            "what feeds rd-gate is not noted, and so at magnet-exit",
        ),
    ],
)
def test_what_may_hang_on_any_supply_leaves_no_sum_a_pass(change: Change, who: str) -> None:
    result = checked(change)
    told = {finding.rule.id: finding.said.sentence for finding in result.unchecked if finding.said.sentence == who}
    assert set(told) == SUMS
    assert not SUMS & {rule.id for rule in result.kept}


def test_what_draws_nothing_hangs_on_nothing() -> None:
    idle = Lock(id="gone", kind="bolt", worst_ma=0, idle_ma=0)
    assert not SUMS & unknown(checked(more("lock", idle)))


def test_a_sum_that_is_too_large_already_is_told_beside_what_is_not_known() -> None:
    result = checked(put(magnet_exit={"fed_by": None}, main={"amps": 1}))
    assert "supply-enough" in found(result)
    assert "supply-enough" in unknown(result)


def test_a_circle_is_told_once_with_its_chain_and_nobody_beside_it() -> None:
    result = checked(put(if_store={"fed_by": "if-ramp"}))
    (circle,) = [finding.said for finding in result.findings if finding.rule.id == "not-fed-in-circles"]
    assert circle.sentence == "Store door (if-store) is fed from itself: if-store -> if-ramp -> if-store"
    # What its reader draws is noted, so the terminals that feed it can be judged.
    assert not [
        finding for finding in result.unchecked if finding.rule.id == "terminals-enough" and "rd-store" in str(finding)
    ]


def test_a_long_circle_is_cut_short() -> None:
    ring = tuple(Device(id=f"z{n}", kind="other", fed_by=f"z{(n + 1) % 9}") for n in range(9))
    result = checked(lambda record: more("bus", type(record.bus[0])(id="z", device=ring))(record))
    (circle,) = [finding.said for finding in result.findings if finding.rule.id == "not-fed-in-circles"]
    assert circle.sentence.endswith(": z0 -> z1 -> z2 -> z3 -> z4 -> z5 -> … -> z0")


def test_share_in_the_cold() -> None:
    """From memory: sealed lead batteries' data sheets say 100 % at 25 °C, 85 % at 0 °C, 65 % at -15 °C."""
    assert [share_at(celsius) for celsius in (40, 25, 0, -15)] == pytest.approx([1, 1, 0.85, 0.65])
    assert share_at(-7.5) == pytest.approx(0.75)
    assert share_at(-40) == share_at(-15)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        # 1.15 A at rest for 4 h: 4.6 Ah. In the warm 0.8 of 7 Ah are enough, at -15 °C 0.65 of that are not.
        (put(main={"battery_ah": 7}, site={"coldest_c": 20}), "kept"),
        (put(main={"battery_ah": 7}, site={"coldest_c": -15}), "found"),
        (put(main={"battery_ah": 7}, site={"coldest_c": -40}), "found"),
        # Its battery stands in a heated room.
        (put(main={"battery_ah": 7, "coldest_c": 20}, site={"coldest_c": -40}), "kept"),
        (put(main={"battery_ah": 7, "coldest_c": -15}, site={"coldest_c": 20}), "found"),
        # Large enough at -15 °C: what is left below is not known.
        (put(site={"coldest_c": -40}), "unknown"),
        (put(site={"coldest_c": None}), "unknown"),
        # Too small in the warm already.
        (put(main={"battery_ah": 4}, site={"coldest_c": None}), "found"),
    ],
)
def test_a_battery_in_the_cold(changes: Change, says: str) -> None:
    result = checked(changes)
    where = {
        "found": found(result),
        "unknown": unknown(result),
        "kept": {rule.id for rule in result.kept},
    }
    assert [name for name, ids in where.items() if "battery-lasts" in ids] == [says]


def test_a_supply_without_battery_is_not_asked_how_cold_it_gets() -> None:
    result = checked(put(site={"coldest_c": None}, main={"battery_ah": 0, "backup_hours": 0}))
    assert "battery-lasts" not in unknown(result)
