"""What was measured at visits, held against bands of the record: which reading is of what, and which is told."""

from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.install.closing_bands import Band, Unknown
from benchtool.install.load import Loaded
from benchtool.install.record import Record
from benchtool.install.view import view_of
from benchtool.install.visit_readings import VisitReading, last_readings, visit_readings
from benchtool.reports.site_check_text import check_text, check_values
from tests.install.test_check_rules import GOOD, Change, checked, put, visit
from tests.record_values import instances

RULE = "readings-in-band"


def readings(*changes: Change) -> tuple[VisitReading, ...]:
    record = GOOD
    for change in changes:
        record = change(record)
    return visit_readings(view_of(Loaded(record, {})))


def reading(name: str, text: str) -> VisitReading:
    return readings(visit(measured={name: text}))[-1]


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("A to B, yard off", "ohms yard"),
        ("ab-ohms yard", "ohms yard"),
        ("AB-OHMS Yard bus", "ohms yard"),
        ("ab-ohms-far yard", "ohms yard far"),
        ("resistance between the two wires, plant bus", "ohms rooms"),
        ("ohms:if-ramp", "ohms yard if-ramp"),
        ("A-B if-plant, bus without power", "ohms rooms if-plant"),
        ("A to B, yard at rest", "idle yard"),
        ("ab-idle@17", "idle rooms if-plant"),
        ("ab-idle yard @4", "idle yard if-exit"),
        ("idle:rd-gate", "idle yard rd-gate"),
        ("supply:if-store", "supply if-store"),
        ("supply@3", "supply rd-gate"),
        ("supply head-rs485", "supply head"),
        ("supply at the lock magnet-exit", "supply magnet-exit"),
        ("output main", "output main"),
        # Not between the wires of the pair, or nothing that a band is computed for.
        ("a-ground-ohms yard", ""),
        ("A to B and to the screen, yard off", ""),
        ("A to B, yard", ""),
        ("a-idle yard", ""),
        ("supply in the loft", ""),
        ("temperature yard", ""),
    ],
)
def test_a_reading_is_known_by_its_name(name: str, what: str) -> None:
    assert reading(name, "1").what == what


@pytest.mark.parametrize(
    "reads",
    ["120 ohm", "40 ohm", "30", "open"],  # sheet 1.8: with 1, 3, 4 and no end-of-line resistors, ideal
)
def test_a_wrong_number_of_resistors_is_told(reads: str) -> None:
    assert reading("ab-ohms yard", reads).outside
    change = visit(measured={"ab-ohms yard": reads})
    result, record = checked(change), change(GOOD)
    (told,) = [finding.said for finding in result.findings if finding.rule.id == RULE]
    assert told.sentence.startswith(f"{reads} on 2026-04-01 for ab-ohms yard: by the record it is ")
    assert json.dumps(check_values(record, result), allow_nan=False)
    assert check_text(record, result, in_full=True)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("ab-ohms yard", "60"),  # sheet 1.8: two terminators
        ("ab-ohms yard", "0,062 kohm"),
        # Sheet 1.2: 5 V, 560 ohm up and down, 60 ohm: 254 mV.
        ("ab-idle yard", "254 mV"),
        ("ab-idle yard", "0.254"),
        ("supply if-store", "12.9 V"),
        ("output main", "13.7"),
    ],
)
def test_what_is_right_is_not_told(name: str, text: str) -> None:
    one = reading(name, text)
    assert isinstance(one.band, Band)
    assert one.value is not None
    assert not one.outside


@pytest.mark.parametrize(
    ("name", "text"),
    [("ab-ohms yard", "fine"), ("ab-ohms yard", "0.25 V"), ("ab-idle yard", "254"), ("ab-idle yard", "61 ohm")],
)
def test_what_is_no_reading_is_no_pass(name: str, text: str) -> None:
    assert reading(name, text).value is None
    result = checked(visit(measured={name: text}))
    assert RULE in {finding.rule.id for finding in result.unchecked}


def test_a_pair_that_is_not_said_is_asked_for() -> None:
    assert reading("ab-ohms", "61").band == Unknown("which pair it was read at is not said")
    alone = readings(lambda record: type(record)(schema=1, site=record.site, bus=record.bus[:1], cable=record.cable),
                     visit(measured={"ab-ohms": "61"}))  # fmt: skip
    assert alone[-1].what == "ohms yard"


def test_of_each_thing_the_last_reading_counts_by_day() -> None:
    earlier = visit(date="2026-01-01", measured={"ab-ohms yard": "118"})
    assert RULE in {rule.id for rule in checked(earlier).kept}
    later = visit(date="2026-05-01", measured={"ab-ohms yard": "118"})
    assert RULE in {finding.rule.id for finding in checked(later, earlier).findings}
    # Days that cannot be put in order stand as they are written.
    odd = visit(date="1.1.2026", measured={"ab-ohms yard": "118"})
    assert RULE in {finding.rule.id for finding in checked(odd).findings}


def test_a_band_that_cannot_be_computed_says_why() -> None:
    (one,) = [one for one in readings(put(if_ramp={"terminator": None})) if one.what == "ohms yard"]
    assert isinstance(one.band, Unknown)
    assert "if-ramp" in one.band.why
    assert not one.outside


def test_at_one_device_the_band_is_its_own() -> None:
    whole, near, far = (reading(name, "61").band for name in ("ab-ohms yard", "ohms:head-rs485", "ohms:if-exit"))
    assert isinstance(whole, Band)
    assert isinstance(near, Band)
    assert isinstance(far, Band)
    assert whole.low <= min(near.low, far.low)
    assert whole.high >= max(near.high, far.high)
    assert math.isfinite(whole.high)


@given(instances(Record, ("a", "b", "c")), st.sampled_from(["ab-ohms a", "idle:b", "supply c", "A to B, a, at rest"]))
def test_any_record_has_bands_or_says_why(record: Record, name: str) -> None:
    view = view_of(Loaded(visit(measured={name: "61 ohm"})(record), {}))
    for one in visit_readings(view):
        assert (one.band is None) == (not one.what) == (not one.unit)
    assert {one.what for one in last_readings(view)} == {one.what for one in visit_readings(view) if one.what}
