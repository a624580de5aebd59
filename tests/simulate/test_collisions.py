"""Two talkers at once: late drivers, two devices with one address, two controllers, late replies.

Contention is the line model's (`wire`); here it is tested who meets whom, and what stays whole.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Role
from benchtool.simulate.build import build_bus, tap_settings
from benchtool.simulate.faults import apply
from benchtool.simulate.scenario import Scenario, load
from tests.simulate.lockstep import S

DEMO = load("demo")
QUICK = replace(
    DEMO, fault=None, controller=replace(DEMO.controller, poll_gap_ms=5.0), tap=replace(DEMO.tap, position_m=34.0)
)
"""Our clip is at device 2: who is nearer to it is louder there, so at the controller little would be seen."""


def frames(scenario: Scenario, seconds: float = 5.0, seed: int = 7) -> list[Frame]:
    decoder = BusDecoder(tap_settings(scenario))
    found = [frame for chunk in build_bus(scenario, seed).run(round(seconds * S)) for frame in decoder.feed(chunk)]
    return found + decoder.close()


def whole(found: list[Frame], role: Role) -> Counter[int | None]:
    """Sound frames by address."""
    return Counter(frame.address for frame in found if frame.ok and frame.role is role)


def test_two_devices_with_one_address_spoil_each_others_replies_and_nothing_else() -> None:
    sound, spoilt = frames(QUICK), frames(apply(QUICK, "address-duplicate", {"at": "2", "metres": "36"}))
    assert whole(spoilt, Role.REPLY)[2] < whole(sound, Role.REPLY)[2] / 2
    assert any(not frame.ok for frame in spoilt)
    assert {1, 3, 4, 5} <= set(whole(spoilt, Role.REPLY))
    # After each damaged reply the controller waits its 200 ms and asks the same again.
    assert whole(spoilt, Role.REQUEST)[2] > 2 * whole(spoilt, Role.REPLY)[2]


def test_two_replies_that_do_not_overlap_are_both_whole() -> None:
    # 40 ms later than the first, whose longest reply lasts 27 ms; the controller must not ask again before.
    calm = replace(QUICK, controller=replace(QUICK.controller, poll_gap_ms=90.0))
    told = frames(apply(calm, "address-duplicate", {"at": "2", "ms": "40"}))
    asked, answered = whole(told, Role.REQUEST), whole(told, Role.REPLY)
    assert all(frame.ok for frame in told)
    assert answered[2] == pytest.approx(2 * asked[2], abs=2)
    assert answered[1] == pytest.approx(asked[1], abs=1)


def test_a_late_driver_spoils_what_comes_next() -> None:
    told = apply(QUICK, "driver-held-late", {"at": "2"})
    found = frames(told)
    order = [(frame.ok, frame.address, frame.role) for frame in found]
    after = [order[place + 1] for place, one in enumerate(order[:-1]) if one == (True, 2, Role.REPLY)]
    assert len(after) > 3
    # The command to 3 begins while 2 still drives.
    assert all(not ok or address != 3 for ok, address, _ in after)
    assert whole(found, Role.REPLY)[1] > 3


def test_a_driver_held_less_than_the_pause_spoils_nothing() -> None:
    sound = frames(QUICK)
    held = frames(apply(QUICK, "driver-held-late", {"at": "2", "ms": "3"}))
    assert [frame.octets for frame in held] == [frame.octets for frame in sound]


def test_a_controller_that_holds_its_driver_spoils_the_replies() -> None:
    # Heard where the controller is: there it is louder than any device.
    near = replace(QUICK, tap=DEMO.tap)
    found = frames(apply(near, "driver-held-late", {"which": "controller"}))
    assert sum(whole(found, Role.REQUEST).values()) > 10
    assert sum(whole(found, Role.REPLY).values()) == 0
    assert any(not frame.ok for frame in found)


def test_two_controllers_meet_now_and_then() -> None:
    found = frames(apply(QUICK, "two-controllers", {"ms": "7"}), 8.0)
    assert any(not frame.ok for frame in found)
    assert sum(whole(found, Role.REQUEST).values()) > 20


def test_late_replies_come_unasked_and_meet_others() -> None:
    found = frames(apply(DEMO, "device-slow", {}), 10.0)
    assert whole(found, Role.REPLY)[5] > 5
    assert any(not frame.ok for frame in found)
    sound = frames(replace(DEMO, fault=None), 10.0)
    assert sum(whole(found, Role.REQUEST).values()) < 0.8 * sum(whole(sound, Role.REQUEST).values())
