"""The record's file: what is written is read again, what is wrong is told with line and field, comments stay."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.install.load import RecordError, load
from benchtool.install.places import places_of
from benchtool.install.record import SCHEMA, Bus, Device, Door, Lock, Record, Site
from benchtool.install.save import to_text, with_entry, with_value
from benchtool.install.schema import slots_of
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
        ("schema = 1\n[site]\nname = x\n", 'line 3: site, name: text stands in quotation marks: name = "x"'),
        (
            "schema = 1\n[site]\nname = 'x'\nwarmest_c = 40,5  # hot\n",
            "line 4: site, warmest_c: write 40.5, not 40,5",
        ),
        (
            "[[bus]]\nid = 'b'\n[[bus.device]]\nid = 'd'\nterminator = True\n",
            "line 5: bus 1, device 1, terminator: write true, in small letters and without quotes, not True",
        ),
        ("[[bus]]\nstub_m = 007\n", "line 2: bus 1, stub_m: write 7, not 007"),
        ("[[bus]]\nstub_m = .5\n", "line 2: bus 1, stub_m: write 0.5, with a digit on both sides of the point, not .5"),
        (
            "[[bus]]\nmetres = 60,5 m\n",
            "line 2: bus 1, metres: write 60.5 alone, without the unit: each field has its own",
        ),
        ("[[bus]]\nid = “b”\n", 'line 2: bus 1, id: write straight quotation marks: id = "b"'),
        ("[[bus]]\nid = 'b\nname = 'c'", "line 2: bus 1, id: the closing ' is missing at the end of the text"),
        (
            '[[bus]]\nid = "b',
            'line 2: bus 1, id: the closing " is missing at the end of the text; the file ends here: is it cut off?',
        ),
        ("[[bus]]\nid = ['b',\n'c'", "line 3: the file ends too early: is it cut off after \"'c'\"? (Unclosed array)"),
        ("[[bus]]\nid =\n", "line 2: bus 1, id: no value after the =: take the line out if it is not known"),
        (
            "[[bus]]\nid = 'b'\nbaud = 9600\nid = 'c'",
            "line 4: bus 1, id: it stands on line 2 too: take one out, or put the "
            "missing head, as [[bus]], between them",
        ),
        (
            "[site]\nname = 'x'\n[site]",
            "line 3: [site] stands on line 1 too; one of several entries has double brackets in each head",
        ),
        ("[[bus.device]]\nid = 'd'\n[[bus]]", "line 3: bus comes too late: line 1 needs its head above it"),
        (
            "schema = 1\n[site]\nname = 'Depot",
            'line 3: site, name: the file ends too early: is it cut off after "name = \'Depot"? (Expected "\'")',
        ),
        (
            "schema = 1\n[site]\nname = 'x'\n\n[[bus.device]]\nid = 'd'",
            "line 5: bus: a list is wanted: write [[bus]] above this line",
        ),
        (
            "schema = 1\n[site]\nname = 'x'\nserial = 'A1'",
            "line 4: site, serial: nothing is called so here; known are: "
            + ", ".join(slot.name for slot in slots_of(Site))
            + "; or the head of its own entry, as [[bus]], is missing above it",
        ),
        # What stands in no entry that is known has the line of its first head.
        (
            "schema = 1\n[site]\nname = 'x'\n[[locks]]\nid = 'a'\n[[locks]]\nid = 'b'",
            "line 4: locks: nothing is called so here; did you mean 'lock'?",
        ),
        ("[[bus]]\nid = 'b'\nbaud 9600", "line 3: bus 1, baud: the = is missing: write baud = 9600"),
        ("[[bus]]\nid: 'b'\nbaud = 9600", "line 2: bus 1, id: the = is missing: write id = 'b'"),
        # Whole numbers of any length.
        (
            f"schema = 1\n[site]\nname = 'x'\nwarmest_c = {'9' * 400}",
            "line 4: site, warmest_c: -20 to 90 °C is possible, not a number of about 400 digits",
        ),
        (
            f"schema = 1\n[site]\nname = 'x'\nwarmest_c = 0x{'f' * 5000}",
            "line 4: site, warmest_c: -20 to 90 °C is possible, not a number of about 6021 digits",
        ),
        (
            f"schema = 1\n[site]\nname = 'x'\nwarmest_c = {'9' * 5000}",
            "line 4: site, warmest_c: a number with thousands of digits is none of a record: write the one meant",
        ),
        (
            f"schema = {'9' * 400}",
            "line 1: schema: 1 is the version known here; this one says a number of about 400 digits",
        ),
        (
            "schema = 1\n[site]\nname = [0x" + "f" * 5000 + "]",
            "line 3: site, name: text in quotes is wanted, not a list of a number of about 6021 digits",
        ),
        # Lists in lists, and tables in tables.
        (
            f"schema = 1\n[site]\nname = {'[' * 5000}{']' * 5000}",
            "line 3: site, name: lists or tables stand in each other too deep: a record has none so deep",
        ),
        (
            f"schema = 1\n[site]\nname = 'x'\ncoldest_c.{'.a' * 5000} = 1".replace("..", "."),
            "line 4: site, coldest_c: a number is wanted, not the table { a }",
        ),
        # As a person calls it.
        (
            "schema = 1\n[site]\nname = 2026-03-14",
            "line 3: site, name: text in quotes is wanted, not the date 2026-03-14",
        ),
        ("schema = 1\n[site]\nname = 07:30:00", "line 3: site, name: text in quotes is wanted, not the time 07:30:00"),
        ("schema = 1\n[site]\nname = true", "line 3: site, name: text in quotes is wanted, not true"),
        (
            f"schema = 1\n[site]\nname = 'x'\nwarmest_c = '{'x' * 5000}'",
            f"line 4: site, warmest_c: a number is wanted, not '{'x' * 60}' and more",
        ),
        # Nothing that a terminal would not show.
        (
            "schema = 1\n[site]\nname = 'x'\n[[door]]\nid = \"a\\u001b[2J\"\nname = 'x'",
            "line 5: door 1, id: an id holds no control characters: take out the character 1B hex",
        ),
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


@pytest.mark.parametrize(
    ("lines", "after"),
    [
        ('x = "a # b"', 2), ("x = 1 # [", 2), ('x = ""', 2), ('x = "[{"', 2),
        ('x = """\ny = 1\n"""', 4), ("x = '''\ny = 1\n'''", 4), ("x = [\n1,\n]", 4), ('x = "a" # """', 2),
    ],
)  # fmt: skip
def test_lines_are_right_after_what_goes_on_and_what_does_not(lines: str, after: int) -> None:
    found = places_of(f"{lines}\nlast = 1\n")
    assert found[("x",)] == 1
    assert found[("last",)] == after
    assert ("y",) not in found
