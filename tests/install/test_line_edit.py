"""Changes line by line: comments and order stay, what comes out says what was wanted, and nothing else has changed."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.install.line_edit import Add, Put, by_lines
from benchtool.install.load import load
from benchtool.install.record import Bus, Device, Door, Reader, Record
from benchtool.install.save import to_text, with_edits, with_entry, with_value, without_entry
from tests.record_values import instances

TEXT = """schema = 1
[site]
name = "Depot"
# the pair in the yard
[[bus]]
id = "yard" # short
[[bus.device]]
id = "if-1"
kind = "interface"

# behind the boiler
[[bus.device]]
id = "if-2"
kind = "interface"

[[bus]]
id = "hall"

# readers follow
[[reader]]
id = "r-1"
"""


def test_a_new_field_stands_with_its_entry_and_not_with_the_next_ones_comment() -> None:
    changed = with_value(TEXT, ("bus", 0, "device", 0, "serial"), "A17")
    assert changed == TEXT.replace('kind = "interface"\n\n#', 'kind = "interface"\nserial = "A17"\n\n#')
    assert with_value(TEXT, ("bus", 0, "baud"), 9600) == TEXT.replace("# short\n", "# short\nbaud = 9600\n")


def test_a_new_entry_stands_at_the_end_of_its_list() -> None:
    changed = with_entry(TEXT, ("bus", 0, "device"), Device(id="if-3", kind="reader"))
    assert changed == TEXT.replace(
        'id = "if-2"\nkind = "interface"\n',
        'id = "if-2"\nkind = "interface"\n\n[[bus.device]]\nid = "if-3"\nkind = "reader"\n',
    )
    changed = with_entry(TEXT, ("bus",), Bus(id="roof"))
    assert changed == TEXT.replace('id = "hall"\n', 'id = "hall"\n\n[[bus]]\nid = "roof"\n')
    assert with_entry(TEXT, ("door",), Door(id="a", name="A")).endswith('"r-1"\n\n[[door]]\nid = "a"\nname = "A"\n')


def test_an_entry_after_one_that_holds_others_comes_after_these() -> None:
    text = TEXT[: TEXT.index('[[bus]]\nid = "hall"')]
    changed = with_entry(text, ("bus",), Bus(id="hall"))
    assert changed.index('[[bus]]\nid = "hall"') > changed.index("if-2")


def test_an_entry_is_taken_out() -> None:
    assert load(without_entry(TEXT, ("reader", 0))).record.reader == ()
    assert without_entry(TEXT, ("bus", 0, "device", 0)) == TEXT.replace(
        '[[bus.device]]\nid = "if-1"\nkind = "interface"\n', ""
    )


def test_what_cannot_be_done_by_lines_is_done_otherwise() -> None:
    text = 'schema = 1\nsite = { name = "x" }\nbus = [{ id = "b", device = [{ id = "d", kind = "other" }] }]\n'
    assert by_lines(text, (Put(("bus", 0, "device", 0, "serial"), "q"),)) is None
    assert load(with_value(text, ("bus", 0, "device", 0, "serial"), "q")).record.bus[0].device[0].serial == "q"


@pytest.mark.parametrize("path", [("bus", 7, "baud"), ("bus", 0, "device", 9, "serial")])
def test_what_is_not_there_cannot_be_changed(path: Any) -> None:
    with pytest.raises(IndexError):
        with_value(TEXT, path, 3)


@given(instances(Record), st.data())
def test_any_change_of_any_record_is_the_change_that_was_wanted(record: Record, data: st.DataObject) -> None:
    text = to_text(record)
    edits: list[Put | Add] = []
    wanted = record
    if record.bus:
        place = data.draw(st.integers(0, len(record.bus) - 1))
        value = data.draw(st.integers(50, 20_000_000))
        edits.append(Put(("bus", place, "baud"), value))
        changed = dataclasses.replace(record.bus[place], baud=value)
        device = data.draw(instances(Device))
        edits.append(Add(("bus", place, "device"), device))
        changed = dataclasses.replace(changed, device=(*changed.device, device))
        wanted = dataclasses.replace(wanted, bus=(*record.bus[:place], changed, *record.bus[place + 1 :]))
    reader = data.draw(instances(Reader))
    edits.append(Add(("reader",), reader))
    wanted = dataclasses.replace(wanted, reader=(*record.reader, reader))
    assert load(with_edits(text, edits)).record == wanted


@given(instances(Record), st.data())
def test_what_was_added_can_be_taken_out_again(record: Record, data: st.DataObject) -> None:
    text = to_text(record)
    added = with_entry(text, ("reader",), data.draw(instances(Reader)))
    assert load(without_entry(added, ("reader", len(record.reader)))).record == record
