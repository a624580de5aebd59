"""Lists for spreadsheets: found as they are written in the world, safe to open, and the same after a round trip."""

from __future__ import annotations

import csv
import dataclasses
import io
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.install.csv_export import export_table
from benchtool.install.csv_import import Import, plan_import, problem_lines
from benchtool.install.csv_map import KINDS, MapError, columns_for, fields_of, map_columns
from benchtool.install.csv_table import TableError, plain, read_table, safe, write_table
from benchtool.install.csv_units import other_unit
from benchtool.install.load import load
from benchtool.install.record import Record
from benchtool.install.save import to_text
from tests.record_values import instances

TEXT = """schema = 1
[site]
name = "Depot"

[[door]]
id = "store"
name = "Store door"

[[bus]]
id = "yard"
[[bus.device]]
id = "if-1"  # behind the boiler
kind = "interface"
serial = "A1"
"""


def planned(kind: str, octets: bytes, said: dict[str, str] | None = None, fill: dict[str, str] | None = None) -> Import:
    table = read_table(octets)
    return plan_import(load(TEXT).record, kind, table, map_columns(kind, table.headings, said or {}), fill)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_separator_and_encoding_are_found(separator: str, encoding: str) -> None:
    text = separator.join(("Tag", "Länge (m)")) + "\r\n" + separator.join(("if-1", '"80,5"')) + "\r\n"
    table = read_table(text.encode(encoding))
    assert table.headings == ("Tag", "Länge (m)")
    assert table.rows[0].cells == ("if-1", "80,5")
    assert (table.separator, table.encoding) == (separator, encoding.removesuffix("-sig"))


def test_the_line_that_says_the_separator_is_no_heading() -> None:
    table = read_table(b"sep=;\r\nid;name, and more\r\na;b\r\n")
    assert table.headings == ("id", "name, and more")
    assert table.rows[0].number == 3


@pytest.mark.parametrize(
    ("octets", "why"),
    [
        (b"", "empty"),
        (b"\n\n", "empty"),
        (b"\x00\x01\x81", "no text"),
        (b"\xff\xfeabc", "utf-16"),
        (b"id,name\n1,2,3\n", "3 cells under 2 headings"),
        (b'id,name\n"1,2\n', "row 2"),
    ],
)
def test_what_is_no_list_is_told(octets: bytes, why: str) -> None:
    with pytest.raises(TableError, match=why):
        read_table(octets)


@given(st.binary(max_size=60))
def test_any_octets_are_a_list_or_told_why_not(octets: bytes) -> None:
    try:
        table = read_table(octets)
    except TableError:
        return
    assert table.headings


@given(st.text(max_size=12))
def test_no_cell_is_run_and_every_cell_comes_back(cell: str) -> None:
    # The characters: the formula triggers that security guides for web lists name; from memory.
    assert not safe(cell).startswith(("=", "+", "-", "@", "\t", "\r"))
    assert plain(safe(cell)) == cell
    octets = write_table(["a", "b"], [[cell, "x"]])
    ((back, _),) = list(csv.reader(io.StringIO(octets.decode("utf-8-sig"), newline="")))[1:]
    assert plain(back) == cell


def test_columns_are_guessed_from_their_headings() -> None:
    headings = ("Tag", "Type", "Serial No.", "Length (m)", "Addr", "End of line", "Door", "Line", "Colour of box")
    assert [column.field for column in map_columns("device", headings, {})] == [
        *("id", "kind", "serial", "metres", "address", "terminator", "door", "bus"),
        None,
    ]
    assert map_columns("device", ("id", "length (ft)"), {})[1].field is None


@pytest.mark.parametrize(
    ("headings", "said", "why"),
    [
        (("Number",), {}, 'say which with --map "HEADING=id"'),
        (("id", "x"), {"y": "serial"}, "no column is headed 'y'"),
        (("id", "x"), {"x": "serail"}, "no field 'serail'"),
        (("id", "x", "y"), {"x": "serial", "y": "serial"}, "both mapped to serial"),
        (("id", "x", "x"), {"x": "serial"}, "several columns"),
        (("id", "Run [ft]"), {"Run [ft]": "metres"}, r"'Run \[ft\]' says ft, and metres is in m: nothing is converted"),
        (("id", "Run ft"), {"Run ft": "metres"}, "says ft"),
        (("id", "run_feet"), {"run_feet": "metres"}, "says feet"),
        (("id", "Run (')"), {"Run (')": "stub_m"}, "says ft, and stub_m is in m"),
        (("id", "Current (A)"), {"Current (A)": "worst_ma"}, "says A, and worst_ma is in mA"),
        (("id", "Bias (kΩ)"), {"Bias (kohm)": "bias_ohm"}, "no column is headed"),
        (("id", "Bias (kohm)"), {"Bias (kohm)": "bias_ohm"}, "says kohm"),
    ],
)
def test_columns_that_cannot_be_used_are_told(headings: tuple[str, ...], said: dict[str, str], why: str) -> None:
    with pytest.raises(MapError, match=why):
        map_columns("device", headings, said)


def test_headings_in_the_units_of_the_record_are_taken() -> None:
    for kind in KINDS:
        for name, slot in fields_of(kind).items():
            assert other_unit(name, slot) is None
            assert other_unit(f"{name} ({slot.meaning.unit})", slot) is None
    said = {"Run [m]": "metres", "Stub (about)": "stub_m", "Bias (Ω)": "bias_ohm"}
    fields = [column.field for column in map_columns("device", ("id", *said), said)]
    assert fields == ["id", "metres", "stub_m", "bias_ohm"]
    assert map_columns("supply", ("id", "Amps (mA)"), {})[1].field is None


def test_rows_change_entries_with_their_id_and_add_the_others() -> None:
    made = planned("device", b"id;kind;metres;door\nif-1;;80,5;Store door\nif-2;reader;0;store\n")
    assert not made.problems
    text = made.text(TEXT)
    first, second = load(text).record.bus[0].device
    assert (first.metres, first.door, first.serial) == (80.5, "store", "A1")
    assert (second.id, second.kind, second.metres) == ("if-2", "reader", 0.0)
    assert "# behind the boiler" in text


def test_what_is_wrong_is_told_by_row_and_column() -> None:
    made = planned(
        "device",
        b"id;kind;metres;bus\nif-2;reader;far;yard\nif-3;;1;yard\n;reader;1;yard\nif-4;reader;1;roof\n"
        b"if-1;;2;yard\nif-1;;3;yard\n",
    )
    assert [str(problem) for problem in made.problems] == [
        "row 2, metres: a number is wanted, in m, not 'far'",
        'row 3: new, and has no kind: add a column, or --fill "kind=…"',
        "row 4: it has no id",
        "row 5, bus: no bus is called 'roof'; there are: yard",
        "row 7: the id if-1 stands in row 6 already",
    ]


def test_headings_as_people_write_them_are_guessed() -> None:
    said = {
        "Bus Addr": "address",
        "Fed from": "fed_by",
        "Distance from previous [m]": "metres",
        "Abschluss": "terminator",
        "Seriennummer": "serial",
        "Tür": "door",
        "Kennung": "id",
        "Bemerkung": "note",
    }
    assert [column.field for column in map_columns("device", tuple(said), {})] == list(said.values())
    assert map_columns("device", ("id", "Länge (m)"), {})[1].field == "metres"
    assert map_columns("device", ("id", "Länge (ft)"), {})[1].field is None


@pytest.mark.parametrize(
    ("cell", "wanted"),
    [
        *((word, True) for word in ("ja", "WAHR", "TRUE", "x", "1", "yes")),
        *((word, False) for word in ("nein", "FALSCH", "FALSE", "0", "no")),
    ],
)
def test_yes_and_no_as_spreadsheets_write_them(cell: str, wanted: bool) -> None:
    (change,) = planned("device", f"id;terminator\nif-1;{cell}\n".encode()).changes
    assert change.values[0][2] is wanted


def test_what_is_wrong_in_many_rows_is_told_once() -> None:
    rows = "".join(f"n{number},reader\n" for number in range(40))
    table = read_table(f"id,kind\n{rows}".encode())
    empty = load('schema = 1\n[site]\nname = "x"\n').record
    made = plan_import(empty, "device", table, map_columns("device", table.headings, {}))
    (line,) = problem_lines(made.problems)
    assert line.startswith("rows 2, 3, 4, 5 and 36 more: new, and no bus is said: the record has none yet")


def test_thousands_are_not_taken_for_decimals_where_the_list_writes_commas() -> None:
    made = planned("device", b"id;metres;stub_m\nif-1;1.234;0,5\n")
    assert [str(one) for one in made.problems] == [
        "row 2, metres: 1.234 can be read in two ways, as this list writes commas: write 1234, or 1,2340"
    ]
    (change,) = planned("device", b"id;metres;stub_m\nif-1;1.234;0.5\n").changes
    assert change.values[0][2] == 1.234
    assert planned("device", b"id;metres;stub_m\nif-1;1,2340;0,5\n").changes[0].values[0][2] == 1.234


def test_an_empty_cell_says_nothing_and_fill_says_it_for_all() -> None:
    made = planned("device", b"id,serial\nif-1,\nif-9,\n", fill={"kind": "keypad"})
    assert not made.problems
    first, second = load(made.text(TEXT)).record.bus[0].device
    assert (first.serial, second.kind) == ("A1", "keypad")


def one_of_each(record: Record) -> Record:
    """The record with every id once in each list: rows are known by it."""
    seen: set[tuple[str, str]] = set()

    def first(kind: str, entries: Any) -> Any:
        kept = []
        for entry in entries:
            if (kind, entry.id) not in seen:
                seen.add((kind, entry.id))
                kept.append(entry)
        return tuple(kept)

    kept = {kind: first(kind, getattr(record, kind)) for kind in KINDS if kind != "device"}
    kept["bus"] = tuple(dataclasses.replace(bus, device=first("device", bus.device)) for bus in kept["bus"])
    return dataclasses.replace(record, **kept)


@given(instances(Record).map(one_of_each), st.sampled_from(KINDS), st.sampled_from([",", ";", "\t"]))
def test_export_and_import_change_nothing(record: Record, kind: str, separator: str) -> None:
    table = read_table(export_table(record, kind, separator))
    assert table.headings == columns_for(kind)
    made = plan_import(record, kind, table, map_columns(kind, table.headings, {}))
    assert not made.problems
    assert not made.changes
    text = to_text(record)
    assert made.text(text) == text


@given(instances(Record).map(one_of_each), st.sampled_from([kind for kind in KINDS if kind not in ("bus", "device")]))
def test_entries_that_are_exported_and_imported_into_an_empty_record_are_the_same(record: Record, kind: str) -> None:
    table = read_table(export_table(record, kind))
    empty = Record(schema=1, site=record.site)
    made = plan_import(empty, kind, table, map_columns(kind, table.headings, {}))
    if made.problems:
        # Only what a person must look at: a serial number that looks rounded by a spreadsheet.
        assert all("rounded" in problem.text for problem in made.problems)
        return
    after = load(made.text(to_text(empty))).record
    for before, now in zip(getattr(record, kind), getattr(after, kind), strict=True):
        changed = {
            field.name
            for field in dataclasses.fields(before)
            if getattr(before, field.name) != getattr(now, field.name)
            # Empty text is an empty cell, which says nothing.
            and getattr(before, field.name) not in ("", (), {})
        }
        assert not changed
