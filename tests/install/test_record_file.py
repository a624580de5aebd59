"""The record's file: what is written is read again, what is wrong is told with line and field, comments stay."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.install.load import RecordError, load
from benchtool.install.record import SCHEMA, Bus, Device, Door, Lock, Record, Site
from benchtool.install.save import to_text, with_entry, with_value
from tests.record_values import instances

SMALL = """# How the depot is wired.
schema = 1

[site]
name = "Depot"  # the old one

[[door]]
id = "store"
name = "Store door"

[[bus]]
id = "yard"

[[bus.device]]
id = "if-1"
kind = "interface"
note = '''two
[[bus.device]]
lines'''

[[bus.device]]
id = "if-2"  # behind the boiler
kind = "reader"
address = 7
"""


@given(instances(Record))
def test_any_record_reads_as_it_was_written(record: Record) -> None:
    assert load(to_text(record)).record == record


@given(st.text(max_size=200))
def test_any_text_is_a_record_or_told_why_not(text: str) -> None:
    with pytest.raises(RecordError) as told:
        load(text)
    assert told.value.faults


@given(st.lists(instances(Bus), max_size=1), st.lists(instances(Device), min_size=1, max_size=2), instances(Site))
def test_a_wrong_value_is_told_with_its_own_line(more: list[Bus], devices: list[Device], site: Site) -> None:
    first = Bus(id="b", device=tuple(devices))
    text = to_text(Record(schema=SCHEMA, site=site, bus=(first, *more)))
    line = load(text).line("bus", 0, "device", 0, "kind")
    assert line is not None
    rows = text.split("\n")
    kept = rows[line - 1]
    rows[line - 1] = "kind = 'no such kind'"
    assert kept.startswith("kind = ")
    with pytest.raises(RecordError, match=rf"^line {line}: bus 1, device 1, kind: one of "):
        load("\n".join(rows))


def test_every_fault_is_told_in_the_order_of_the_text() -> None:
    text = SMALL.replace('name = "Store door"', 'nam = "Store door"').replace("address = 7", "address = '7'")
    with pytest.raises(RecordError) as told:
        load(text)
    assert [str(fault) for fault in told.value.faults] == [
        "line 7: door 1, name: missing: what people call it",
        "line 9: door 1, nam: nothing is called so here; did you mean 'name'?",
        "line 24: bus 1, device 2, address: a whole number is wanted, not '7'",
    ]


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("schema = 2", "line 1: schema: 1 is the version known here; this one says 2"),
        ("[site]", "schema: 1 is the version known here; it has none"),
        (
            "schema = 1\n[site]\nname = 'x'\nwarmest_c = 900",
            "line 4: site, warmest_c: -20 to 90 °C is possible, not 900",
        ),
        (
            "schema = 1\n[site]\nname = 'x'\nwarmest_c = nan",
            "line 4: site, warmest_c: a finite number is wanted, not nan",
        ),
        ("schema = 1\n[site]\nname = ' '", "line 3: site, name: it is empty"),
        ("schema = 1\nsite = 3", "line 2: site: a table is wanted, not 3"),
        ("schema = 1\ndoor = 3\n[site]\nname = 'x'", "line 2: door: a list is wanted: write [[door]]"),
        ("schema = 1\n[site]\nname = x", "line 3: not TOML: Invalid value"),
    ],
)
def test_what_is_wrong_is_told(said: str, told: str) -> None:
    with pytest.raises(RecordError) as error:
        load(said)
    assert str(error.value.faults[0]) == told


def test_a_change_leaves_all_the_rest_as_it_was() -> None:
    changed = with_value(SMALL, ("bus", 0, "device", 1, "address"), 12)
    assert changed == SMALL.replace("address = 7", "address = 12")
    assert with_value(changed, ("bus", 0, "device", 1, "address"), 7) == SMALL
    assert load(with_value(SMALL, ("bus", 0, "device", 1, "address"), None)).record.bus[0].device[1].address is None


def test_an_entry_is_added_where_it_belongs_and_comments_stay() -> None:
    text = with_entry(SMALL, ("bus", 0, "device"), Device(id="if-3", kind="keypad", metres=12.5))
    text = with_entry(text, ("lock",), Lock(id="strike-1", door="store"))
    read = load(text).record
    assert [device.id for device in read.bus[0].device] == ["if-1", "if-2", "if-3"]
    assert read.lock == (Lock(id="strike-1", door="store"),)
    assert "# behind the boiler" in text
    assert "# How the depot is wired." in text


def test_the_first_device_of_a_bus_can_be_added() -> None:
    record = Record(
        schema=SCHEMA, site=Site(name="Depot"), door=(Door(id="a", name="A"),), bus=(Bus(id="b"), Bus(id="c"))
    )
    text = with_entry(to_text(record), ("bus", 0, "device"), Device(id="d", kind="other"))
    wanted = dataclasses.replace(record.bus[0], device=(Device(id="d", kind="other"),))
    assert load(text).record.bus == (wanted, record.bus[1])
