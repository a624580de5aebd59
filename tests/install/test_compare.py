"""Record against wire: whom a serial means, which segment failures point at, and that nothing makes it raise."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats  # type: ignore[import-untyped]

from benchtool.capture.settings import CharFormat, Parity
from benchtool.install.compare import compare
from benchtool.install.compare_found import AsFound, FoundDevice, Identity, KeyUse, Way
from benchtool.install.compare_limits import least_failed, most_failed
from benchtool.install.compare_segment import Counted, point, stretches
from benchtool.install.compare_serial import serials_of
from benchtool.install.compare_survey import SurveyError, read_survey
from benchtool.install.load import Loaded, load
from benchtool.install.record import DEVICE_KINDS, SCHEMA, Bus, Controller, Device, Door, Record, Site
from benchtool.install.save import to_text, with_value
from benchtool.install.view import Trunk, View, view_of
from benchtool.reports.site_compare_text import compare_object, compare_text


@pytest.mark.parametrize(
    ("noted", "meant"),
    [
        ("10551297", {10551297, 0x10551297}),  # eight decimal digits can be either
        ("SN 00A10001", {0x00A10001}),
        ("s/n: 0010551297", {10551297}),
        ("0xA10001", {0x00A10001}),
        ("A1-00-01", {0x00A10001}),
        ("4294967296", set()),  # more than 32 bits
        ("KX-2207-Z", set()),
        ("", set()),
        ("№ 12", set()),
    ],
)
def test_what_a_noted_serial_can_mean(noted: str, meant: set[int]) -> None:
    assert serials_of(noted) == meant


def view_with(*devices: Device, **bus: Any) -> tuple[View, Trunk]:
    """A record of one bus, as it is read from its text."""
    record = Record(
        schema=SCHEMA,
        site=Site(name="Depot"),
        door=(Door(id="a", name="Store door"),),
        controller=(Controller(id="ctl"),),
        bus=(Bus(**{"id": "b", "protocol": "osdp", **bus}, device=devices),),
    )
    view = view_of(load(to_text(record)))
    return view, view.trunks[0]


def row(count: int, *, head: bool = True) -> list[Device]:
    """A controller and devices after it, 10 m apart."""
    found = [Device(id="head", kind="controller", metres=0)] if head else []
    return found + [Device(id=f"d{n}", kind="reader", address=n, metres=10) for n in range(1, count + 1)]


def counted(*pairs: tuple[int, int]) -> list[Counted]:
    return [Counted(f"d{n}", requests, failed) for n, (failed, requests) in enumerate(pairs, 1)]


def test_failures_beyond_one_place_name_its_segment() -> None:
    _, trunk = view_with(*row(6))
    pointed = point(trunk, counted((0, 400), (1, 400), (0, 400), (40, 400), (33, 390), (60, 410)))
    assert pointed is not None
    assert (pointed.stretch.start, pointed.stretch.end) == ("d3", "d4")
    assert pointed.stretch.metres == 10
    assert pointed.probability > 0.95
    # Poisson limits by scipy's chi-squared quantiles, an independent implementation.
    level = 1 - 0.05 / 6
    assert pointed.before_most == pytest.approx(stats.chi2.ppf(level, 2 * 1 + 2) / 2 / 1200, rel=1e-6)
    assert pointed.beyond_least == pytest.approx(stats.chi2.ppf(1 - level, 2 * 33) / 2 / 390, rel=1e-6)


@pytest.mark.parametrize("failed", [0, 1, 7, 100, 101, 350, 40_000])
@pytest.mark.parametrize("level", [0.95, 0.99, 0.9985])
def test_limits_against_chi_squared(failed: int, level: float) -> None:
    assert most_failed(failed, level) == pytest.approx(stats.chi2.ppf(level, 2 * failed + 2) / 2, rel=1e-9)
    least = stats.chi2.ppf(1 - level, 2 * failed) / 2 if failed else 0
    assert least_failed(failed, level) == pytest.approx(least, rel=1e-9)


@pytest.mark.parametrize(
    "pairs",
    [
        ((0, 400),) * 6,
        ((20, 400), (25, 400), (18, 400), (22, 400), (24, 400), (19, 400)),  # all alike
        ((0, 400), (40, 400), (0, 400), (45, 400), (0, 400), (39, 400)),  # every other one
        ((0, 400), (0, 400), (40, 400), (0, 400), (0, 400), (0, 400)),  # one in the midst
        ((0, 10), (0, 10), (0, 10), (1, 10), (1, 10), (1, 10)),  # too little
        ((40, 400), (40, 400), (40, 400), (0, 400), (0, 400), (0, 400)),  # the near ones: no cut does that
    ],
)
def test_failures_that_point_nowhere(pairs: tuple[tuple[int, int], ...]) -> None:
    _, trunk = view_with(*row(6))
    assert point(trunk, counted(*pairs)) is None


def test_the_last_device_cannot_be_told_from_its_cable() -> None:
    _, trunk = view_with(*row(4))
    pointed = point(trunk, counted((0, 400), (0, 400), (1, 400), (60, 400)))
    assert pointed is not None
    assert pointed.stretch.beyond == {"d4"}


def test_a_box_between_belongs_to_the_stretch_and_branches_are_followed() -> None:
    devices = row(3)
    devices.insert(3, Device(id="box", kind="junction", metres=5))
    devices.append(Device(id="d4", kind="reader", address=4, metres=7, after="box"))
    _, trunk = view_with(*devices)
    cuts = {(one.start, one.end): one for one in stretches(trunk, counted(*((0, 9),) * 4))}
    assert cuts["d2", "box"].beyond == {"d3", "d4"}
    assert cuts["box", "d4"].beyond == {"d4"}
    both = row(3)
    both.insert(3, Device(id="box", kind="junction", metres=5))
    _, trunk = view_with(*both)
    cuts = {(one.start, one.end): one for one in stretches(trunk, counted(*((0, 9),) * 3))}
    assert cuts["d2", "d3"].metres == 15


def test_the_controller_in_the_midst_looks_both_ways() -> None:
    devices = [
        Device(id="d1", kind="reader", address=1, metres=0),
        Device(id="d2", kind="reader", address=2, metres=10),
        Device(id="head", kind="controller", metres=10),
        Device(id="d3", kind="reader", address=3, metres=10),
    ]
    _, trunk = view_with(*devices)
    pointed = point(trunk, counted((50, 400), (44, 400), (0, 400)))
    assert pointed is not None
    assert (pointed.stretch.start, pointed.stretch.end) == ("head", "d2")


def test_a_ring_or_loose_ends_name_no_segment() -> None:
    devices = row(4)
    devices.append(Device(id="d9", kind="reader", address=9, metres=5, after="nowhere"))
    _, trunk = view_with(*devices)
    assert point(trunk, counted((0, 400), (0, 400), (50, 400), (60, 400))) is None


def test_a_sound_bus_is_hardly_ever_accused() -> None:
    """1000 buses of equal devices, 0 to 10 % failures: the segment named wrongly stays far below 1 in 100."""
    draw = np.random.default_rng(6)
    _, trunk = view_with(*row(8))
    wrong = 0
    for _ in range(1000):
        rate = draw.choice((0, 0.002, 0.01, 0.03, 0.1))
        requests = int(draw.integers(30, 500))
        pairs = [(int(failed), requests) for failed in draw.binomial(requests, rate, 8)]
        wrong += point(trunk, counted(*pairs)) is not None
    assert wrong <= 3


def test_a_bad_segment_is_mostly_found_and_never_another() -> None:
    draw = np.random.default_rng(7)
    _, trunk = view_with(*row(8))
    right = wrong = 0
    for _ in range(200):
        cut = int(draw.integers(1, 7))
        rates = [0.002] * cut + [draw.uniform(0.1, 0.5) for _ in range(8 - cut)]
        pairs = [(int(draw.binomial(200, rate)), 200) for rate in rates]
        pointed = point(trunk, counted(*pairs))
        if pointed is not None:
            right += pointed.stretch.end == f"d{cut + 1}"
            wrong += pointed.stretch.end != f"d{cut + 1}"
    assert wrong <= 2
    assert right >= 180


def listened(*devices: FoundDevice, **more: Any) -> AsFound:
    """What was heard of OSDP for 20 s."""
    sound = sum(one.answered for one in devices)
    return AsFound(
        **{
            "tap": "t",
            "way": Way.LISTENED,
            "protocol": "osdp",
            "frames": {"osdp": sound},
            "baud": 9600,
            "set_to": 9600,
            "seconds": 20.0,
            "octets": 9 * sound,
            "devices": devices,
            **more,
        }
    )


def there(address: int, serial: int | None = None, **more: Any) -> FoundDevice:
    identities = () if serial is None else (Identity("020B7E", 1, 1, serial),)
    return FoundDevice(**{"address": address, "requests": 50, "answered": 50, "identities": identities, **more})


def ids(view: View, trunk: Trunk, found: AsFound) -> list[str]:
    return [one.id for one in compare(view, trunk, found).differences]


def test_serials_that_turn_in_a_ring_are_each_told() -> None:
    devices = [Device(id=f"d{n}", kind="reader", address=n, serial=str(1000 + n), metres=5) for n in (1, 2, 3)]
    view, trunk = view_with(*devices, baud=9600, check="crc")
    made = compare(view, trunk, listened(there(1, 1003), there(2, 1001), there(3, 1002)))
    assert [one.id for one in made.differences] == ["address-differs"] * 3
    text = to_text(view.record)
    for one in made.differences:
        for edit in one.edits:
            text = with_value(text, edit.path, edit.value)
    assert [one.address for one in load(text).record.bus[0].device] == [2, 3, 1]


def test_labels_of_another_kind_are_no_wrong_devices() -> None:
    devices = [Device(id=f"d{n}", kind="reader", address=n, serial=str(9000 + n), metres=5) for n in (1, 2, 3)]
    view, trunk = view_with(*devices, baud=9600)
    made = compare(view, trunk, listened(there(1, 51), there(2, 52), there(3, 53)))
    told = [one for one in made.differences if one.id == "serial-differs"]
    assert len(told) == 3
    assert {one.severity.value for one in told} == {"warning"}
    assert [len(one.edits) for one in told] == [1, 1, 1]
    assert all(edit.doubt for one in told for edit in one.edits)


def test_a_device_told_to_move_is_followed() -> None:
    view, trunk = view_with(Device(id="d1", kind="reader", address=0), Device(id="d2", kind="reader", address=2))
    found = listened(there(0, moved_to=7), there(7, 44), there(2))
    made = [one for one in compare(view, trunk, found).differences if one.id == "address-differs"]
    assert [one.devices for one in made] == [("d1",)]
    assert "missing" not in ids(view, trunk, found)


@pytest.mark.parametrize(
    ("noted", "state", "accepts", "wanted"),
    [
        ("own", KeyUse.OWN, False, set()),
        ("own", KeyUse.NONE, None, {("key-differs", "error")}),
        ("own", KeyUse.DEFAULT, True, {("key-differs", "error"), ("key-unsafe", "error")}),
        ("own", KeyUse.OWN, True, {("key-unsafe", "error")}),
        ("default", KeyUse.DEFAULT, True, {("key-unsafe", "warning")}),
        ("default", KeyUse.OWN, False, {("key-differs", "warning")}),
        ("none", KeyUse.NONE, None, set()),
        (None, KeyUse.DEFAULT, True, {("not-noted", "note"), ("key-unsafe", "warning")}),
        (None, None, None, set()),
    ],
)
def test_keys(noted: str | None, state: KeyUse | None, accepts: bool | None, wanted: set[tuple[str, str]]) -> None:
    view, trunk = view_with(Device(id="d1", kind="reader", address=1, serial="5", key=noted), baud=9600)
    found = listened(there(1, 5, key=state, takes_default=accepts))
    assert {(one.id, one.severity.value) for one in compare(view, trunk, found).differences} == wanted


def test_check_kinds() -> None:
    devices = [Device(id=f"d{n}", kind="reader", address=n, serial=str(n)) for n in (1, 2, 3)]
    view, trunk = view_with(*devices, baud=9600, check="crc")
    crc = {"with_crc": 50, "asked_with_crc": 50}
    odd = {"with_checksum": 50, "asked_with_crc": 50}
    found = listened(there(1, 1, **crc), there(2, 2, **crc), there(3, 3, **odd))
    made = compare(view, trunk, found).differences
    assert [(one.id, one.devices) for one in made] == [("check-differs", ("d3",)), ("check-mixed", ("d3",))]
    found = listened(there(1, 1, **crc), there(2, 2, capabilities=((8, 0, 0),)), there(3, 3))
    assert [(one.id, one.devices) for one in compare(view, trunk, found).differences] == [("check-differs", ("d2",))]


def test_what_was_not_heard_is_not_compared() -> None:
    view, trunk = view_with(Device(id="d1", kind="keypad", address=1, serial="KX-Z", key="own"), format="8E1")
    said = " ".join(compare(view, trunk, listened(there(1), format=CharFormat())).not_compared)
    for words in ("no ID reply", "no capabilities", "secure channels", "parity", "no 32-bit number", "too short"):
        assert words in said


WORDS = st.sampled_from(["", "d1", "d2", "x", "12", "A1", "00000012"])
SMALL = st.one_of(st.none(), st.integers(0, 6))
DEVICES = st.builds(
    Device,
    id=st.sampled_from(["d1", "d2", "d3", "head", "box"]),
    kind=st.sampled_from(DEVICE_KINDS),
    door=st.one_of(st.none(), WORDS),
    controller=st.one_of(st.none(), st.just("ctl")),
    maker_type=st.one_of(st.none(), WORDS),
    serial=st.one_of(st.none(), WORDS),
    address=SMALL,
    metres=st.one_of(st.none(), st.floats(0, 50)),
    after=st.one_of(st.none(), WORDS),
    key=st.sampled_from([None, "none", "default", "own"]),
)
BUSES = st.builds(
    Bus,
    id=st.just("b"),
    protocol=st.sampled_from([None, "osdp", "modbus-rtu", "other"]),
    baud=st.sampled_from([None, 9600, 19200]),
    format=st.sampled_from([None, "8N1", "8E2", "nonsense"]),
    check=st.sampled_from([None, "crc", "checksum"]),
    device=st.lists(DEVICES, max_size=6).map(tuple),
)
COUNTS = st.integers(0, 60)
IDENTITIES = st.builds(Identity, st.just("020B7E"), st.integers(0, 2), st.just(1), st.sampled_from([1, 12, 18, 0xA1]))
OCTET = st.integers(0, 16)
FOUND = st.builds(
    FoundDevice,
    address=st.integers(0, 6),
    baud=st.sampled_from([None, 9600, 19200]),
    requests=COUNTS,
    answered=COUNTS,
    failed=COUNTS,
    damaged=COUNTS,
    unasked=st.integers(0, 3),
    identities=st.lists(IDENTITIES, max_size=3).map(tuple),
    capabilities=st.one_of(st.none(), st.lists(st.tuples(OCTET, OCTET, OCTET), max_size=4).map(tuple)),
    with_crc=COUNTS,
    with_checksum=COUNTS,
    asked_with_crc=COUNTS,
    asked_with_checksum=COUNTS,
    key=st.sampled_from([None, *KeyUse]),
    takes_default=st.sampled_from([None, True, False]),
    unsafe=st.lists(st.just("secret"), max_size=1).map(tuple),
    doubled=st.integers(0, 3),
    moved_to=SMALL,
)
AS_FOUND = st.builds(
    AsFound,
    tap=st.just("t"),
    way=st.sampled_from(Way),
    protocol=st.sampled_from([None, "osdp", "modbus-rtu"]),
    frames=st.dictionaries(st.sampled_from(["osdp", "modbus-rtu"]), COUNTS, max_size=2),
    baud=st.sampled_from([None, 9600, 19200]),
    set_to=st.sampled_from([None, 9600]),
    format=st.sampled_from([None, CharFormat(), CharFormat(8, Parity.EVEN, 2.0)]),
    parity_seen=st.booleans(),
    stops_seen=st.booleans(),
    seconds=st.floats(0, 1e6),
    octets=COUNTS,
    devices=st.lists(FOUND, max_size=6).map(tuple),
    asked=st.one_of(st.none(), st.just({9600: frozenset(range(4))})),
    complete=st.booleans(),
)


@settings(max_examples=200)
@given(BUSES, AS_FOUND)
def test_no_record_and_no_tally_make_it_raise(bus: Bus, found: AsFound) -> None:
    record = Record(schema=SCHEMA, site=Site(name="Depot"), controller=(Controller(id="ctl"),), bus=(bus,))
    view = view_of(Loaded(record, {}))
    made = compare(view, view.trunks[0], found)
    assert compare_text(made)
    json.dumps(compare_object(made), allow_nan=False)
    for one in made.differences:
        assert one.sentence.endswith(".")
        for edit in one.edits:
            here: Any = record
            for part in edit.path[:-1]:
                here = here[part] if isinstance(part, int) else getattr(here, part)
            there = getattr(here, str(edit.path[-1]))
            if isinstance(edit.value, Device):
                assert edit.doubt
                assert edit.value.id not in view.by_id
                assert load(to_text(replace(record, bus=(replace(bus, device=(*there, edit.value)),))))
            else:
                assert there == edit.was != edit.value
    if not found.sound and (found.octets or found.complete or found.way is Way.LISTENED):
        assert made.wrong  # hearing nothing sound is never a pass


@settings(max_examples=200)
@given(st.lists(st.tuples(st.integers(0, 80), st.integers(1, 80)), min_size=1, max_size=8))
def test_a_pointed_segment_holds_its_sides_apart(pairs: list[tuple[int, int]]) -> None:
    _, trunk = view_with(*row(len(pairs)))
    pairs = [(min(failed, requests), requests) for failed, requests in pairs]
    pointed = point(trunk, counted(*pairs))
    if pointed is not None:
        assert 0.8 <= pointed.probability <= 0.99
        assert pointed.before_most < pointed.beyond_least <= 1
        assert math.isfinite(pointed.before_most)


JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-3, 2**40), st.floats(allow_nan=False), st.text(max_size=4)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(["address", "devices", "rates"]), inner)
    ),
    max_leaves=8,
)


@given(st.one_of(st.text(max_size=60), JSON.map(json.dumps)))
def test_what_is_no_survey_is_told_in_one_line(text: str) -> None:
    with pytest.raises(SurveyError) as caught:
        read_survey(text, "f")
    assert len(str(caught.value).splitlines()) == 1


SURVEY: dict[str, Any] = {
    "kind": "survey",
    "asked": 2,
    "complete": True,
    "rates": [{"baud": 9600, "addresses": [1, 2]}],
    "devices": [
        {
            "address": 1,
            "baud": 9600,
            "asked": 8,
            "sound": 8,
            "garbled": 0,
            "doubled": 0,
            "identities": [{"oui": "020B7E", "model": 1, "version": 1, "serial": 7}],
            "capabilities": [{"function": 8, "compliance": 1, "number": 0}],
            "default_key": None,
        }
    ],
}


@given(st.sampled_from([*SURVEY, "address", "baud", "sound", "identities", "capabilities", "default_key"]), JSON)
def test_a_survey_with_one_thing_wrong_is_read_or_told(name: str, value: Any) -> None:
    made = json.loads(json.dumps(SURVEY))
    (made if name in made else made["devices"][0])[name] = value
    try:
        found = read_survey(json.dumps(made), "f")
    except SurveyError:
        return
    view, trunk = view_with(*row(2))
    assert compare_text(compare(view, trunk, found))
