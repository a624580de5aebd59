"""The list before closing: what is on it, what keeps a point from being ticked, what a tick says later on."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtool.install.closing import BATTERY, ESCAPE, MAINS, Point, State, last_ticks, points_of, state_of
from benchtool.install.closing_bands import Band
from benchtool.install.load import load
from benchtool.install.record import Tick
from benchtool.install.save import with_entry, with_value
from benchtool.install.view import view_of

TEXT = """schema = 1
[site]
name = "Depot"
coldest_c = 0
warmest_c = 40
[[door]]
id = "exit"
name = "Yard exit"
escape = true
fire_release = false
[[cable]]
id = "pair"
awg = 24
screened = true
[[supply]]
id = "psu"
kind = "mains"
volts = 13.8
battery_ah = 7
[[controller]]
id = "head"
serial = "C1"
fed_by = "psu"
feed_m = 0
worst_ma = 200
[[bus]]
id = "yard"
cable = "pair"
[[bus.device]]
id = "head-place"
kind = "controller"
controller = "head"
terminator = true
bias_ohm = 560
bias_volts = 5
shield_through = true
shield_earthed = true
[[bus.device]]
id = "if-1"
kind = "interface"
serial = "S1"
metres = 80
terminator = true
bias_ohm = 0
fed_by = "psu"
feed_cable = "pair"
feed_m = 80
worst_ma = 50
[[lock]]
id = "magnet"
door = "exit"
device = "if-1"
connector = "K1"
without_power = "free"
"""


def points(text: str = TEXT) -> dict[str, Point]:
    return {point.item: point for point in points_of(view_of(load(text)))}


def test_the_list_goes_supply_by_supply_and_device_by_device() -> None:
    assert list(points()) == [
        *("mains:psu", "earth:psu", "battery:psu", "output:psu"),
        *("serial:head-place", "connectors:head-place", "screen:head-place", "strain:head-place"),
        *("end-of-line:head-place", "ohms:head-place", "idle:head-place", "supply:head", "lights:head-place"),
        *("serial:if-1", "connectors:if-1", "lock:magnet", "screen:if-1", "strain:if-1"),
        *("end-of-line:if-1", "ohms:if-1", "idle:if-1", "supply:if-1", "lights:if-1", "escape:exit"),
    ]


def test_cautions_stand_where_work_can_hurt() -> None:
    found = points()
    assert {found[item].caution for item in ("mains:psu", "earth:psu")} == {MAINS}
    assert found["battery:psu"].caution == BATTERY
    assert {found[item].caution for item in ("lock:magnet", "escape:exit")} == {ESCAPE}


@pytest.mark.parametrize(
    ("path", "item", "missing"),
    [
        (("bus", 0, "device", 1, "serial"), "serial:if-1", "serial number"),
        (("controller", 0, "serial"), "serial:head-place", "serial number"),
        (("lock", 0, "connector"), "connectors:if-1", "connector of magnet"),
        (("lock", 0, "without_power"), "lock:magnet", "without power"),
        (("bus", 0, "device", 1, "terminator"), "end-of-line:if-1", "whether it is on"),
        (("bus", 0, "device", 0, "shield_earthed"), "screen:head-place", "screen"),
        (("supply", 0, "battery_ah"), "battery:psu", "battery"),
        (("door", 0, "escape"), "noted:exit", "escape"),
    ],
)
def test_what_is_not_recorded_cannot_be_ticked(path: tuple[str | int, ...], item: str, missing: str) -> None:
    point = points(with_value(TEXT, path, None))[item]
    assert missing in point.missing
    assert state_of(point, {item: Tick(item=item, at="2026-03-14 10:00")}) is State.MISSING


@pytest.mark.parametrize("written", ["?", "n/a", "unknown", " "])
def test_a_serial_number_that_is_none_is_not_noted(written: str) -> None:
    text = with_value(TEXT, ("bus", 0, "device", 1, "serial"), written)
    assert points(text)["serial:if-1"].missing == "its serial number"
    assert written.strip() == "" or written not in points(text)["serial:if-1"].words


def test_a_tick_is_held_against_the_band_of_the_record_as_it_is_now() -> None:
    text = with_entry(TEXT, ("tick",), Tick(item="ohms:if-1", at="2026-03-14 10:00", reading="62 ohm"))
    point = points(text)["ohms:if-1"]
    assert isinstance(point.band, Band)
    ticks = last_ticks(load(text).record)
    assert state_of(point, ticks) is State.DONE
    changed = with_value(text, ("bus", 0, "device", 0, "terminator"), False)
    assert state_of(points(changed)["ohms:if-1"], ticks) is State.OUTSIDE
    assert state_of(points()["ohms:if-1"], {}) is State.OPEN


def test_the_last_tick_counts() -> None:
    text = TEXT
    for reading in ("120 ohm", "62 ohm"):
        text = with_entry(text, ("tick",), Tick(item="ohms:if-1", at="2026-03-14 10:00", reading=reading))
    assert state_of(points(text)["ohms:if-1"], last_ticks(load(text).record)) is State.DONE


def test_a_tick_without_the_reading_that_is_wanted_does_not_count() -> None:
    ticks = {"ohms:if-1": Tick(item="ohms:if-1", at="2026-03-14 10:00")}
    assert state_of(points()["ohms:if-1"], ticks) is State.OPEN


def test_an_unscreened_cable_has_no_screen_to_clamp() -> None:
    assert "screen:if-1" not in points(TEXT.replace("screened = true", "screened = false"))


def test_the_example_site_lacks_nothing() -> None:
    text = (Path(__file__).parents[2] / "fixtures" / "sites" / "depot.toml").read_text(encoding="utf-8")
    found = points(text)
    assert not [point.item for point in found.values() if point.missing]
    assert all(isinstance(found[item].band, Band) for item in found if item.startswith("ohms:"))
