"""What is not likely: contradictions in one entry, wrong things to hang on, numbers that are none, odd bit rates."""

from __future__ import annotations

import pytest

from benchtool.install.feeds import solve
from tests.install.test_check_rules import GOOD, Change, checked, found, put, unknown


@pytest.mark.parametrize(
    ("change", "findings"),
    [
        # A magnet as magnets are, whatever takes up its spark; one that holds without power is of another kind.
        (put(magnet_exit={"inductive": False, "suppression": "built in"}), set()),
        (put(magnet_exit={"inductive": None}), set()),
        (put(magnet_exit={"inductive": False, "suppression": "none"}), {"magnet-likely"}),
        (put(magnet_exit={"idle_ma": 0}), {"magnet-likely"}),
        (put(magnet_exit={"without_power": "locked"}), {"magnet-likely", "escape-free"}),
        (put(strike_store={"kind": "magnet", "idle_ma": 400}), {"magnet-likely"}),
        # A strike may draw nothing at rest, a bolt may stay locked.
        (put(strike_store={"idle_ma": 0, "note": "as on its data sheet"}), set()),
        # Temperatures that are the same, or not both noted.
        (put(site={"coldest_c": 45}), set()),
        (put(site={"coldest_c": 46}), {"temperatures-in-order"}),
        (put(rd_gate={"idle_ma": 150}), set()),
        (put(rd_gate={"idle_ma": 15000}), {"rest-below-largest", "battery-lasts"}),
        # A reader on the bus may have inputs and a relay, but no terminals for another reader.
        (put(contact_store={"device": "rd-gate"}), {"doors-agree"}),
        (put(rd_store={"device": "rd-gate", "door": "gate"}), {"wired-to-terminals"}),
        (put(strike_store={"device": "box-1", "connector": "9"}), {"wired-to-terminals"}),
        (put(rd_office={"device": "small-rs485"}), set()),
        # Cables go on from reader to reader and from lock to lock.
        (put(bolt_ramp={"fed_by": "strike-store", "worst_ma": 20}), set()),
        (put(rd_ramp={"fed_by": "rd-store", "metres": 5}), set()),
        (put(strike_store={"fed_by": "rd-store", "worst_ma": 10, "least_volts": 9}), {"fed-from-feeder"}),
        (put(rd_ramp={"fed_by": "strike-store", "metres": 5}), {"fed-from-feeder"}),
        (put(head={"fed_by": "strike-store"}), {"fed-from-feeder"}),
        # What stands for a serial number that nobody could read.
        *((put(rd_exit={"serial": text}), {"serial-noted"})
          for text in ("?", "n/a", "N/A", " - ", "xxx", "unknown", "TBD", "not readable", "…")),
        (put(rd_exit={"serial": "NA-1"}), set()),
        (put(rd_exit={"serial": "?"}, rd_plant={"serial": "?"}), {"serial-noted"}),
        # IEEE 802: the lowest bit of the first octet marks an address of a group.
        *((put(small={"network_address": text}), {"network-address-right"})
          for text in ("FF:FF:FF:FF:FF:FF", "000000000000", "01-00-5e-00-53-12", "33:33:00:00:53:12")),
        (put(small={"network_address": "0200.5e00.5312"}), set()),
        # Modbus serial line guide, 2.2: 9600 and 19200, 1200 to 115 k besides; others are in use.
        *((put(rooms={"baud": rate}), set()) for rate in (1200, 2400, 4800, 9600, 38400, 56000, 57600, 115200)),
        *((put(rooms={"baud": rate}), {"rate-of-protocol"}) for rate in (1920, 9601, 96000)),
        (put(rooms={"baud": 1920, "protocol": "other"}), set()),
        # Spaces in a connector's name.
        (put(button_ramp={"connector": " in 1"}), {"connector-once"}),
        (put(button_ramp={"connector": "IN 1 1"}, contact_ramp={"connector": "IN 11"}), set()),
    ],
)  # fmt: skip
def test_what_is_told_of(change: Change, findings: set[str]) -> None:
    assert found(checked(change)) == findings


def test_a_rate_that_is_not_noted_is_no_pass() -> None:
    assert "rate-of-protocol" in unknown(checked(put(rooms={"baud": None})))


def test_an_unusual_rate_is_told_with_the_usual_ones_beside_it() -> None:
    (told,) = [one.said for one in checked(put(rooms={"baud": 1920})).findings if one.rule.id == "rate-of-protocol"]
    assert told.sentence == "rooms is set to 1920 bit/s; usual are 1200 and 2400"


def test_a_serial_that_is_none_is_told_with_what_stands_there() -> None:
    (told,) = [one.said for one in checked(put(rd_exit={"serial": "n/a"})).findings if one.rule.id == "serial-noted"]
    assert told.sentence == "the serial number of Yard exit (rd-exit) is not noted: 'n/a' is none"


def test_of_two_temperatures_that_were_swapped_the_higher_counts() -> None:
    warm, swapped = (put(site={"coldest_c": cold, "warmest_c": warm})(GOOD) for cold, warm in ((-10, 45), (45, -10)))
    assert solve(warm).of("rd-gate").volts == solve(swapped).of("rd-gate").volts


def test_cable_before_the_first_place_counts_where_the_controller_is_elsewhere() -> None:
    first = checked(put(head_rs485={"metres": 1130}))
    assert {"first-place-at-0", "length-for-rate"} <= found(first)
