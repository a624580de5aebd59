"""Where a cause is: which address the counts point to, and between which devices a wire is open."""

from __future__ import annotations

import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.places import AtAddress, place_text, places, segment


def at(address: int, *, answered: int = 50, silent: int = 0, damaged: int = 0, **more: int) -> AtAddress:
    return AtAddress("osdp", address, answered + silent + damaged, answered, silent, damaged, 0, 3.0, 3.5, **more)


SOUND = (at(1), at(2), at(3))


def leader(cause: Cause, rows: tuple[AtAddress, ...]) -> int:
    where = places(rows)[cause]
    return max(where, key=lambda one: where[one])


def test_every_device_that_never_answers_is_at_fault_for_itself() -> None:
    rows = (at(1), at(2, answered=0, silent=50), at(3, answered=0, silent=50))
    where = places(rows)[Cause.DEVICE_SILENT]
    assert set(where) == {2, 3}
    assert min(where.values()) > 0.9


@pytest.mark.parametrize(
    ("cause", "odd"),
    [
        (Cause.CLOCK_OFF, at(2, answered=20, damaged=30)),
        (Cause.ADDRESS_DUPLICATE, at(2, answered=40, damaged=10, collisions=10)),
        (Cause.DEVICE_RESETTING, at(2, answered=30, silent=20, outages=4)),
        (Cause.SEQUENCE_FAULTS, at(2, sequence_faults=20)),
        (Cause.DRIVER_HELD_LATE, at(2, collisions=40)),
        (Cause.GROUND_OFFSET, at(2, answered=0, silent=50)),
    ],
)
def test_the_address_that_stands_out_is_named(cause: Cause, odd: AtAddress) -> None:
    rows = (at(1), odd, at(3))
    assert leader(cause, rows) == 2
    assert place_text(cause, places(rows)[cause], rows, ()) == "address 2"


def test_a_slow_device_is_the_slowest() -> None:
    slow = AtAddress("osdp", 2, 50, 50, 0, 0, 0, 180.0, 190.0)
    assert leader(Cause.DEVICE_SLOW, (at(1), slow, at(3))) == 2


def test_octets_that_are_sound_once_inverted_prove_the_place() -> None:
    rows = (at(1, answered=0, silent=50), at(2, answered=0, damaged=50, inverted=50))
    assert set(places(rows)[Cause.REVERSED_AT_DEVICE]) == {2}
    assert set(places(rows)[Cause.DEVICE_SILENT]) == {1, 2}


def test_where_nobody_stands_out_no_address_is_named() -> None:
    assert place_text(Cause.CLOCK_OFF, places(SOUND)[Cause.CLOCK_OFF], SOUND, ()) == "bus"
    assert place_text(Cause.DEVICE_SLOW, {}, (), ()) == "bus"


def test_bus_wide_causes_and_the_tap_have_their_place() -> None:
    assert place_text(Cause.NOISE_MAINS, {}, SOUND, ()) == "bus"
    assert place_text(Cause.BAUD_WRONG, {}, SOUND, ()) == "tap"


def test_an_open_wire_lies_before_the_first_that_fails_in_the_order_along_the_pair() -> None:
    rows = (at(1), at(2, answered=0, silent=50), at(3), at(4, answered=0, silent=50))
    assert segment(rows, (1, 3, 2, 4)) == "segment between address 3 and address 2"
    assert segment(rows, (2, 4)) == "segment before address 2"
    # In this order no single break explains it; without an order only the devices can be named.
    assert segment(rows, (1, 2, 3, 4)) == "segment to address 2, 4"
    assert segment(rows, ()) == "segment to address 2, 4"
    assert segment((rows[1], rows[3]), ()) == "segment at the controller"
    assert segment(SOUND, ()) == "bus"


def test_an_address_asked_once_or_twice_is_not_called_silent() -> None:
    assert not at(5, answered=0, silent=2).never_answers
    assert at(5, answered=0, silent=3).never_answers
    assert at(5, answered=0).share(3) == 0


def test_an_order_that_leaves_dead_devices_out_places_nothing_between_them() -> None:
    row = [AtAddress("osdp", 1, 100, 100, 0, 0, 0, 2.0, 3.0), AtAddress("osdp", 5, 100, 0, 100, 0, 0, 2.0, 3.0)]
    assert segment(row, (1, 2)) == "segment to address 5"
    assert segment(row, (7, 8)) == "segment to address 5"
    assert segment(row, (1, 5)) == "segment between address 1 and address 5"
