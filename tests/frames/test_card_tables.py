"""Formats of a table file: every one is written, read, built and decoded back; parity agrees with two other ways."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from benchtool.frames.card.bits import Bits
from benchtool.frames.card.build import build_data, build_values
from benchtool.frames.card.bulk import decode_bulk
from benchtool.frames.card.decode import decode_as, decode_in
from benchtool.frames.card.format_rules import check_format, notes_on
from benchtool.frames.card.formats import FORMATS, SEEN, CardField, CardFormat, ParityGroup, Sense, Writing
from benchtool.frames.card.places import places_of, places_text
from benchtool.frames.card.table_file import TableFileError, dump, load
from tests.card_strategies import card_formats, carried

HEAD = 'kind = "benchtool card formats"\nversion = 1\n'
SMALL = HEAD + '[[format]]\nname = "small"\nlength = 8\n'


def by_counting(row: CardFormat, text: str) -> list[bool]:
    """Whether each group is right: the ones among its characters, counted."""
    found = []
    for group in row.parity:
        ones = [text[place - 1] for place in (group.bit, *group.covers)].count("1")
        found.append(ones % 2 == {"even": 0, "odd": 1}[group.sense.value])
    return found


def by_matrix(row: CardFormat, text: str) -> str:
    """The frame with its parity bits replaced by those that solve the groups, with a numpy matrix over GF(2)."""
    count = len(row.parity)
    frame = np.array([int(letter) for letter in text], dtype=np.int64)
    unknown = [group.bit - 1 for group in row.parity]
    frame[unknown] = 0
    whole = np.zeros((count, row.length), dtype=np.int64)
    wanted = np.zeros(count, dtype=np.int64)
    for index, group in enumerate(row.parity):
        whole[index, [place - 1 for place in (group.bit, *group.covers)]] = 1
        wanted[index] = group.sense is Sense.ODD
    matrix = np.column_stack([whole[:, unknown], (wanted + whole @ frame) % 2])
    for column in range(count):
        pivot = column + int(np.argmax(matrix[column:, column]))
        matrix[[column, pivot]] = matrix[[pivot, column]]
        for line in range(count):
            if line != column and matrix[line, column]:
                matrix[line] = (matrix[line] + matrix[column]) % 2
    frame[unknown] = matrix[:, -1]
    return "".join(map(str, frame))


@given(card_formats())
def test_every_format_is_written_and_read_back(row: CardFormat) -> None:
    check_format(row)
    assert load(dump(row)) == (row,)
    assert load(dump(row, *FORMATS, notes=("inferred\nfrom \x07 reads",))) == (row, *FORMATS)
    notes_on(row)


@given(carried())
def test_every_number_is_built_and_read_back(frame: tuple[CardFormat, dict[str, int]]) -> None:
    row, values = frame
    bits = build_values(row, values)
    read = decode_as(row, bits)
    assert {field.name: number for field, number in read.values} == values
    assert read.ok
    assert read.parity_ok
    assert (read.site_code, read.card_number) == (values.get("site_code"), values["card_number"])
    assert build_data(row, read.data) == bits
    assert decode_in((*FORMATS, row), bits)[-1] == read


@given(carried())
def test_three_ways_to_work_out_parity_agree(frame: tuple[CardFormat, dict[str, int]]) -> None:
    row, values = frame
    assume(not row.checks)
    text = build_values(row, values).text
    assert all(by_counting(row, text))
    assert by_matrix(row, text) == text


@given(card_formats(), st.data())
def test_any_bits_are_judged_as_counting_judges_them(row: CardFormat, data: st.DataObject) -> None:
    bits = Bits(data.draw(st.integers(0, (1 << row.length) - 1)), row.length)
    read = decode_as(row, bits)
    assert [check.ok for check in read.parity] == by_counting(row, bits.text)
    assert read.parity_ok == all(by_counting(row, bits.text))
    for field, number in read.values:
        sent = "".join(bits.text[place - 1] for place in field.places)
        if field.inverted:
            sent = sent.translate({48: "1", 49: "0"})
        if field.writing is Writing.BINARY:
            assert number == int(sent, 2) + field.offset
        else:
            digits = [int(sent[start : start + 4], 2) for start in range(0, len(sent), 4)]
            decimal = "".join(map(str, digits))
            assert number == (int(decimal) + field.offset if max(digits) < 10 else None)
    assert read.ok <= read.parity_ok


@given(card_formats(64), st.lists(st.integers(0, (1 << 64) - 1), max_size=20))
def test_bulk_equals_one_by_one_for_every_format(row: CardFormat, values: list[int]) -> None:
    values = [value >> (64 - row.length) for value in values]
    found = decode_bulk(np.array(values, np.uint64), row)
    reads = [decode_as(row, (value, row.length)) for value in values]
    assert found.parity_ok.tolist() == [read.parity_ok for read in reads]
    for index, read in enumerate(reads):
        if read.card_number is not None:
            assert found.number[index] == read.card_number
        if read.site_code is not None:
            assert found.site is not None
            assert found.site[index] == read.site_code
        digits = all(value.number is not None for value in read.values if value.field in (row.site, row.number))
        assert (found.digits_ok is None or bool(found.digits_ok[index])) == digits
        assert (found.constants_ok is None or bool(found.constants_ok[index])) == all(c.ok for c in read.constants)


def test_bulk_refuses_what_does_not_fit_in_64_bits() -> None:
    row = CardFormat("65", 65, (CardField("card_number", tuple(range(1, 66))),), (), "")
    with pytest.raises(ValueError, match="64 are the most"):
        decode_bulk(np.zeros(1, np.uint64), row)


@given(st.lists(st.integers(1, 256), max_size=40))
def test_places_are_written_and_read_back(places: list[int]) -> None:
    assert places_of(places) == tuple(places)
    if places:
        assert places_of(places_text(places)) == tuple(places) == places_of(places_text(places, ", "))


def test_places_as_people_write_them() -> None:
    assert places_of("2-9, 14, 20-17") == (2, 3, 4, 5, 6, 7, 8, 9, 14, 20, 19, 18, 17)
    assert places_of(["2-4", 7, "9,8"]) == (2, 3, 4, 7, 9, 8)
    assert places_text((2, 3, 4, 14, 20, 19, 18)) == "2-4,14,20-18"
    assert places_text((2, 3, 2, 1)) == "2-3,2-1"


def test_the_built_in_formats_keep_the_rules_and_go_through_a_file() -> None:
    rows = (*FORMATS, *SEEN)
    for row in rows:
        check_format(row)
    assert {row.name for row in rows if notes_on(row)} == {"32-bit 30"}
    assert notes_on(rows[-1]) == ("every parity group has an even number of bits: swapped D0 and D1 pass every parity",)
    assert load(dump(*rows)) == rows


def test_a_table_by_hand() -> None:
    text = (
        SMALL.replace("8\n", "12\n")
        + """
    order = "last bit first"
    [[format.field]]
    name = "card_number"
    bits = "9-2"
    writing = "bcd"
    offset = 1000
    [[format.constant]]
    bits = [11, 10]
    value = "10"
    [[format.parity]]
    bit = 12
    sense = "odd"
    covers = "11-2"
    [[format.parity]]
    bit = 1
    sense = "even"
    covers = "2-12"
    """
    )
    (row,) = load(text)
    assert row.fields[0].places == (4, 5, 6, 7, 8, 9, 10, 11)
    # By hand: 1042 is 42 sent, 0100 0010; constant 10 in bits 2 and 3; bits 2-11 hold three ones, so bit 1 is 0 (odd);
    # bits 1-11 hold three ones, so bit 12 is 1 (even).
    assert build_values(row, {"card_number": 1042}).text == "010010000101"
    assert decode_as(row, Bits.of("010010000101")).ok
    wrong = decode_as(row, Bits.of("001010000101"))
    assert wrong.parity_ok
    assert not wrong.ok
    assert [check.found for check in wrong.constants] == [0b01]
    assert decode_as(row, Bits.of("010111000101")).card_number is None


PARITY = '[[format.field]]\nname = "card_number"\nbits = "2-7"\n[[format.parity]]\nbit = 1\nsense = "even"\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "kind = "),
        ("kind = ", "not TOML"),
        ('kind = "benchtool card formats"\nversion = 2', "version 2 of the table"),
        (HEAD, r"no \[\[format\]\]"),
        (HEAD + "format = 3", r"\[\[format\]\] is wanted"),
        (HEAD + "[[format]]\nlength = 8", "format 1: a format needs a name"),
        (HEAD + '[[format]]\nname = "x"', "x: length is missing: a whole number"),
        (HEAD + '[[format]]\nname = "x"\nlength = 300', "1 to 256 bits"),
        (SMALL, "small: a format needs at least one field"),
        (SMALL + "colour = 1", "needs at least one|colour is not known"),
        (SMALL + 'order = "backwards"', 'order: "first bit first" or "last bit first" is wanted'),
        (SMALL + '[[format.field]]\nname = "n"', "small: field 1: bits is missing"),
        (SMALL + '[[format.field]]\nname = "n"\nbits = "2-x"', "field 1: bits: places of bits are wanted"),
        (SMALL + '[[format.field]]\nname = "n"\nbits = "2-9"', "n: bit 9 is not among the 8 bits"),
        (SMALL + '[[format.field]]\nname = "n"\nbits = "2,2"', "bit 2 belongs twice"),
        (SMALL + '[[format.field]]\nbits = "2-3"', "a field has no name"),
        (SMALL + '[[format.field]]\nname = "n"\nbits = "1-5"\nwriting = "bcd"', "no whole digits"),
        (SMALL + '[[format.field]]\nname = "n"\nbits = "1-5"\nwriting = "gray"', "one of binary, bcd is wanted"),
        (SMALL + '[[format.field]]\nname = "n"\nbits = "1-5"\nsize = 3', "field 1: size is not known"),
        (
            SMALL + PARITY + 'covers = "2-7"\n[[format.field]]\nname = "b"\nbits = "7-8"',
            "bit 7 belongs to card_number and to b",
        ),
        (SMALL + PARITY + 'covers = "1-7"', "is among the bits it covers"),
        (SMALL + PARITY + 'covers = "2-9"', "covers bit 9, and the frame has 8"),
        (SMALL + PARITY + 'covers = "2,2"', "covers bit 2 twice"),
        (SMALL + PARITY.replace("even", "both"), "sense: one of even, odd is wanted, not 'both'"),
        (SMALL + PARITY.replace("= 1\nsense", '= "1-2"\nsense'), "bit: one bit is wanted"),
        (
            SMALL + PARITY + 'covers = "2-8"\n[[format.parity]]\nbit = 8\nsense = "even"\ncovers = "1-7"',
            "the parity bits cannot be worked out: in the groups of bits 1, 8, taken together",
        ),
        (SMALL + PARITY + '[[format.constant]]\nbits = "8"\nvalue = "12"', "constant 1: value: 1 bits"),
        (SMALL + PARITY + '[[format.constant]]\nbits = "8"\nvalue = 2', "2 does not fit in its 1 bits"),
        (SMALL + PARITY + '[[format.check]]\nbits = "8"\nmethod = "xor"', "say which it covers"),
        (SMALL + PARITY + '[[format.check]]\nbits = "8"\nmethod = "luhn"', "name the fields"),
        (
            SMALL + PARITY + '[[format.check]]\nbits = "8"\nmethod = "luhn"\nfields = "card_number"',
            "a decimal check digit needs four bits",
        ),
        (SMALL + PARITY + '[[format.check]]\nbits = "8"\nmethod = "xor"\ncovers = "1-3"', "worked out after it"),
        (SMALL + PARITY + '[[format.check]]\nbits = "8"\nmethod = "crc"', "method: one of luhn, mod10"),
        (SMALL.replace("length = 8\n", ""), "small: length is missing: a whole number is wanted$"),
        (SMALL.replace("length = 8", "lenght = 8"), "length is missing: a whole number is wanted .is lenght meant"),
        (SMALL.replace("version = 1\n", ""), "version is missing: version = 1 is wanted"),
        (SMALL + PARITY.replace("format.field]", "format.fields]"), "fields is not known in .*: did you mean field"),
        (SMALL.replace("format]", "formats]") + PARITY, r"in double brackets .is formats meant for it"),
        (SMALL.replace("[[format", "[[formats"), "formats is not known in .*: did you mean format"),
        (SMALL.replace("[[format]]", "[format]"), "in double brackets"),
        (SMALL + PARITY + SMALL.split("version = 1\n")[1] + PARITY, "two formats are called 'small'"),
    ],
)
def test_what_is_wrong_with_a_table_is_told_in_one_line(text: str, words: str) -> None:
    with pytest.raises(TableFileError, match=words) as caught:
        load(text)
    assert "\n" not in str(caught.value)


@given(st.recursive(st.one_of(st.integers(), st.booleans(), st.text(max_size=5)), st.lists, max_leaves=4), st.data())
def test_no_value_of_a_key_makes_the_reader_stumble(value: Any, data: st.DataObject) -> None:
    def toml(one: Any) -> str:
        if isinstance(one, bool):
            return str(one).lower()
        if isinstance(one, int):
            return str(one)
        if isinstance(one, str):
            return '"' + "".join(f"\\u{ord(letter):04x}" for letter in one if ord(letter) < 0xD800) + '"'
        return "[" + ", ".join(map(toml, one)) + "]"

    lines = dump(FORMATS[0]).splitlines()
    index = data.draw(st.sampled_from([i for i, line in enumerate(lines) if "=" in line]))
    lines[index] = f"{lines[index].split('=')[0]}= {toml(value)}"
    try:
        rows = load("\n".join(lines))
    except TableFileError:
        return
    assert load(dump(*rows)) == rows


def test_notes_tell_what_belongs_to_nothing_and_what_goes_unseen() -> None:
    row = CardFormat("x", 8, (CardField("serial", (2, 3, 4)),), (ParityGroup(1, Sense.ODD, (2, 3, 5)),), "")
    notes = " / ".join(notes_on(row))
    assert "bits 5-8 belong to nothing" in notes
    assert "bit 4: no parity" in notes
    assert "swapped D0 and D1 pass every parity" in notes
    assert "serial is taken for it" in notes


def test_the_table_in_the_documentation_is_the_one_in_the_fixtures() -> None:
    root = Path(__file__).parents[2]
    page = (root / "docs" / "format-tables.md").read_text(encoding="utf-8")
    shown = page.split("```toml\n")[1].split("```")[0]
    kept = (root / "fixtures" / "card" / "house-40.toml").read_text(encoding="utf-8")
    assert shown == kept
    (row,) = load(kept)
    assert load(dump(row)) == (row,)
    # The page's own example, by hand: site 12 and number 05042 give the digits 1205042 for the check digit; from the
    # right: 2*2 + 4 + 2*0 + 5 + 2*0 + 2 + 2*1 = 17, and 3 are missing to 20.
    bits = build_values(row, {"site_code": 12, "card_number": 5042, "issue": 1})
    assert bits.hex == "11204124C0"
    assert decode_as(row, bits).checks[0].wanted == 3
