"""`benchtool card` as a person or a script uses it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.commands.card import command
from benchtool.frames.card.entry import EntryError, Kind, parse_entry

FIXTURES = Path(__file__).parents[2] / "fixtures" / "card"
SWAPPED = "335E000/26"


def run(*arguments: str, stdin: str | bytes | None = None) -> Result:
    return CliRunner().invoke(command, list(arguments), input=stdin)


def answer(*arguments: str, stdin: str | None = None) -> dict[str, Any]:
    result = run(*arguments, "--json", stdin=stdin)
    assert result.exit_code == 0, result.output
    values: dict[str, Any] = json.loads(result.stdout)
    return values


def numbers(*arguments: str) -> list[tuple[str, int | None, int, bool]]:
    return [
        (read["format"], read["site_code"], read["card_number"], read["parity_ok"])
        for read in answer(*arguments)["reads"]
    ]


GOOD = [("26-bit", 101, 4095, True)]  # sheet 6.2 (READ)


@pytest.mark.parametrize(
    "arguments",
    [
        ("00110010100001111111111111",),
        ("0 01100101 0000111111111111 1",),
        ("0", "01100101", "0000111111111111", "1"),
        ("0_01100101_0000111111111111_1",),
        ("0b00110010100001111111111111",),
        ("00110010100001111111111111", "--length", "26"),
        ("00110010100001111111111111", "--as", "bits"),
        ("0CA1FFF", "--length", "26"),
        ("ca1fff", "--length", "26"),
        ("0CA1FFF/26",),
        ("0x0CA1FFF/26",),
        ("26:0CA1FFF",),
        ("00CA1FFF/26",),
        # sheet 5.7: the data of an OSDP RAW reply; sheet 0, trap 7: padding bits may be anything
        ("32", "87", "FF", "C0", "--length", "26"),
        ("32 87 FF D6/26",),
        ("32:87:FF:C0/26",),
        ("3287FFC0", "--length", "26", "--left-aligned"),
    ],
)
def test_one_frame_written_in_many_ways(arguments: tuple[str, ...]) -> None:
    assert numbers(*arguments) == GOOD


def test_json_contract() -> None:
    values = answer("0CA1FFF/26")
    read = values["reads"][0]
    assert (read["bits"], read["hex"], read["length"]) == ("00110010100001111111111111", "0CA1FFF", 26)
    assert (read["as"], read["octets"], read["data"]) == ("as given", "3287FFC0", 6623231)
    assert read["parity"] == [
        {"bit": 1, "sense": "even", "covers": list(range(2, 14)), "ones": 4, "ok": True},
        {"bit": 26, "sense": "odd", "covers": list(range(14, 26)), "ones": 13, "ok": True},
    ]
    assert values["hints"] == []


def test_formats_without_a_site_code_say_null() -> None:
    # sheet 6.3 (READ)
    assert numbers("313A83703/34") == [("34-bit 16+16", 35284, 7041, True), ("34-bit 32", None, 0x89D41B81, True)]


def test_printed_number_in_every_format_that_carries_it() -> None:
    # sheet 6.2 (READ): 0013961168 is site 213, number 2000
    for arguments in (
        ("0013961168",),
        ("--printed", "0013961168"),
        ("13961168",),
        ("--as", "decimal", "13961168"),
        ("--printed", "0x00D507D0"),
    ):
        reads = answer(*arguments)["reads"]
        assert [read["format"] for read in reads] == [
            "26-bit",
            "34-bit 16+16",
            "34-bit 32",
            "37-bit 16+19",
            "37-bit 35",
        ]
        assert (reads[0]["site_code"], reads[0]["card_number"], reads[0]["hex"]) == (213, 2000, "3AA0FA1")
        assert {read["as"] for read in reads} == {"built"}
        assert {read["data"] for read in reads} == {13961168}
    values = answer("4294967295")
    assert [read["format"] for read in values["reads"]] == [
        "34-bit 16+16",
        "34-bit 32",
        "37-bit 16+19",
        "37-bit 35",
    ]
    assert values["left_out"] == ["26-bit carries 0 to 16777215"]


@pytest.mark.parametrize("typed", ["213,02000", "213:2000", "213, 2000"])
def test_site_code_and_number_as_printed(typed: str) -> None:
    assert numbers(typed, "--format", "26-bit") == [("26-bit", 213, 2000, True)]


def test_build() -> None:
    values = answer("--site", "101", "--number", "4095")
    assert [(read["format"], read["hex"]) for read in values["reads"]] == [
        ("26-bit", "0CA1FFF"),
        ("34-bit 16+16", "000CA1FFF"),
        ("37-bit 16+19", "0006501FFF"),
    ]
    # sheet 6.4 (COMPUTED)
    values = answer("--number", "123456789", "--format", "37-bit 35")
    assert [read["hex"] for read in values["reads"]] == ["100EB79A2B"]


def test_swapped_lines_are_a_hint_and_not_a_reading() -> None:
    # sheet 6.7 (COMPUTED)
    values = answer(SWAPPED)
    assert numbers(SWAPPED) == [("26-bit", 154, 61440, False)]
    assert [check["ok"] for check in values["reads"][0]["parity"]] == [False, False]
    inverted, reversed_, undecided = values["hints"]
    assert inverted["what"] == "inverted"
    assert (inverted["reads"][0]["site_code"], inverted["reads"][0]["card_number"]) == (101, 4095)
    assert inverted["reads"][0]["as"] == "inverted"
    assert "bits 14-26 hold 13 ones (odd wanted)" in inverted["proof"]
    assert reversed_["what"] == "reversed"
    assert "parity alone cannot choose" in undecided["means"]


def test_reversed_bits_are_a_hint() -> None:
    # sheet 6.7 (COMPUTED): 0CA1FFF reversed is 3FFE14C
    hints = {hint["what"]: hint for hint in answer("3FFE14C/26")["hints"]}
    assert hints["reversed"]["reads"][0]["hex"] == "0CA1FFF"


def test_printed_number_decides_between_swapped_and_reversed() -> None:
    text = run(SWAPPED, "--printed", "101,04095").stdout
    assert "agrees with 26-bit inverted, as site code and card number" in text
    assert "D0 and D1 are swapped" in text
    assert "REVERSED" not in text
    assert "UNDECIDED" not in text
    text = run("3FFE14C/26", "--printed", "6623231").stdout
    assert "agrees with 26-bit reversed, as all data bits as one number" in text
    assert "INVERTED" not in text


@pytest.mark.parametrize(
    ("bits", "printed", "changed", "how"),
    [
        ("0CA1FFF/26", "4095", "as given", "the card number without the site code"),
        ("0CA1FFF/26", "0006623231", "as given", "all data bits as one number"),
        # common practice, no published source: 0x650FFF with its octets the other way round
        ("0CA1FFF/26", str(0xFF0F65), "as given", "all data bits as one number, octets in reversed order"),
        ("335E000/26", "101,4095", "inverted", "site code and card number"),
    ],
)
def test_how_the_printed_number_agrees(bits: str, printed: str, changed: str, how: str) -> None:
    agreed = answer(bits, "--printed", printed)["printed_agrees"]
    assert [(found["as"], found["how"]) for found in agreed] == [(changed, how)]


def test_printed_number_that_agrees_with_nothing() -> None:
    assert answer("0CA1FFF/26", "--printed", "12345")["printed_agrees"] == []
    result = run("0CA1FFF/26", "--printed", "12345", "--strict")
    assert result.exit_code == 1
    assert "agrees with no reading" in result.stdout
    assert run("0CA1FFF/26", "--printed", "4095", "--strict").exit_code == 0


def test_one_wrong_bit_is_damage_and_not_a_swap() -> None:
    values = answer("1CA1FFF/26")
    assert [hint["what"] for hint in values["hints"]] == ["damaged"]
    assert "in bits 1-13" in values["hints"][0]["means"]
    text = run("1CA1FFF/26").stdout
    assert "Parity bit 1 FAILS: bits 1-13 must hold an even number of ones and hold 5." in text


@pytest.mark.parametrize(
    ("typed", "what", "words"),
    [
        ("1" * 17, "D0 open", "D1 only"),  # sheet 6.7 (COMPUTED): what is left of 0CA1FFF
        ("0" * 9, "D1 open", "D0 only"),  # the same
        ("1000 0111", "key", "key 7"),  # sheet 6.6 (READ, verified)
        ("0111", "key", "key 7"),
        ("110111", "key", "key #"),
        ("1000 1111", "no key", "no key"),  # sheet 6.6 BAD PRINT
        ("20200002/30", "other layout", "parity passes"),  # sheet 6.5
        ("20200003/30", "other layout", "parity fails"),
        ("9FAAAB21/32", "other layout", "parity passes"),  # sheet 6.5 (READ, verified)
        ("0011001010000111111111111", "pulses lost", "1 fewer than 26"),
        ("001100101000011111111111110", "pulse too many", "one more than 26"),
        ("10110111011", "short", "fewer than any card format"),
        ("0011001010000111111111111100110010100001111111111111", "two frames", "two frames of 26"),
    ],
)
def test_lengths_that_no_format_has(typed: str, what: str, words: str) -> None:
    values = answer(typed)
    assert values["reads"] == []
    hints = {hint["what"]: hint["means"] for hint in values["hints"]}
    assert words in hints[what]
    text = run(typed).stdout
    assert "no format has this length (known: 26, 34, 37)" in text
    assert what.upper() in text


def test_32_bits_without_parity_are_named() -> None:
    hints = {hint["what"]: hint["means"] for hint in answer("89D41B81/32")["hints"]}
    assert str(0x89D41B81) in hints["no parity"]


def test_padding_that_holds_ones_is_noted_and_taken() -> None:
    # sheet 0, trap 7: padding may be anything; a digit too many looks the same (35B90441 for 35B9044)
    assert "padding is not all 0" in answer("35B90441/26")["notes"][0]
    assert answer("3287FFC0/26")["notes"] == []
    assert answer("3287FFD6/26", "--left-aligned")["notes"] == []


@pytest.mark.parametrize(
    ("typed", "length", "kind"),
    [
        ("1001", None, Kind.BITS),
        ("0000000001", None, Kind.DECIMAL),
        ("00101", None, Kind.DECIMAL),
        ("7", None, Kind.DECIMAL),
        ("1010001", 26, Kind.HEX),  # sheet 6.2 (COMPUTED): the hex of 128 / 32768
        ("2020002", 26, Kind.HEX),
        ("26:2020002", None, Kind.HEX),
        ("26:02000", None, Kind.DECIMAL),
        ("00110", 5, Kind.BITS),
    ],
)
def test_digits_that_could_be_several_things(typed: str, length: int | None, kind: Kind) -> None:
    assert parse_entry(typed, length=length).kind is kind


def test_the_answer_says_how_the_value_was_taken() -> None:
    assert "Taken as 4 bits" in run("1001").stdout
    assert "--printed 1001" in run("1001").stdout
    assert "Taken as decimal printed on a card" in run("0000000001").stdout
    assert "--as bits 0000000001" in run("0000000001").stdout
    assert "the last 6 bits (010110) are padding" in answer("3287FFD6/26")["taken_as"]
    # site 0 number 0 left-aligned also fits as it stands, and then fails its parity
    assert "--left-aligned" in run("00000040/26").stdout
    assert "--left-aligned" not in run("00CA1FFF/26").stdout


def test_strict() -> None:
    assert run("0CA1FFF/26", "--strict").exit_code == 0
    assert run(SWAPPED, "--strict").exit_code == 1
    assert run(SWAPPED).exit_code == 0
    assert run("1001", "--strict").exit_code == 1


BATCH = "0CA1FFF/26\n\n# a remark\n0102\n335E000/26\n313A83703/34\n111111111111111\n"


def test_batch_gives_one_line_a_value() -> None:
    result = run("-", stdin=BATCH)
    assert result.exit_code == 2
    assert result.stdout.splitlines() == [
        "0CA1FFF/26  26-bit: site 101 number 4095 PASS",
        "335E000/26  26-bit: site 154 number 61440 FAIL (bits 1, 26); hint: inverted; hint: reversed; hint: undecided",
        "313A83703/34  34-bit 16+16: site 35284 number 7041 PASS; 34-bit 32: number 2312379265 PASS",
        "111111111111111  no format fits; hint: D0 open",
    ]
    assert result.stderr.startswith("benchtool: line 4: this is not bits")


def test_batch_as_json_keeps_one_object_a_value() -> None:
    result = run("-", "--json", stdin=BATCH)
    objects = [json.loads(line) for line in result.stdout.splitlines()]
    assert [found["line"] for found in objects] == [1, 4, 5, 6, 7]
    assert [len(found["reads"]) for found in objects] == [1, 0, 1, 2, 0]
    assert "is not bits" in objects[1]["error"]


def test_batch_exit_codes() -> None:
    assert run("-", stdin="0CA1FFF/26\n").exit_code == 0
    assert run("-", "--strict", stdin="0CA1FFF/26\n335E000/26\n").exit_code == 1
    assert run("-", "--strict", stdin="335E000/26\n0102\n").exit_code == 2
    assert run("-", stdin=b"\xff\xfe\n0CA1FFF/26\n").exit_code == 2
    assert run("-", "--format", "26", stdin="256,1\n").exit_code == 2
    assert run("-", stdin="").exit_code == 0


def test_formats_are_listed() -> None:
    text = run("--formats").stdout
    for name in ("26-bit", "34-bit 16+16", "34-bit 32", "37-bit 16+19", "37-bit 35"):
        assert f"  {name} " in text
    assert "bit 1 even over 2-13, bit 26 odd over 14-25" in text
    assert "site code 0 to 255, card number 0 to 65535" in text


GOLDEN = {
    "pass-26": ("00110010100001111111111111",),
    "swapped-26": (SWAPPED,),
    "pass-34-ascii": ("313A83703/34", "--ascii"),
    "damaged-37": ("0303921264/37",),
    "printed": ("--printed", "0013961168"),
}


@pytest.mark.parametrize("name", GOLDEN)
def test_drawing_is_as_it_was_looked_at(name: str) -> None:
    assert run(*GOLDEN[name]).stdout == (FIXTURES / f"{name}.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "arguments",
    [
        *GOLDEN.values(),
        ("34359738367",),
        ("1000000000/37",),
        ("0000000000/34",),
        ("0" * 256,),
        ("1CA1FFF/26", "--printed", "5"),
        ("--formats",),
        ("--help",),
    ],
)
def test_text_fits_80_columns(arguments: tuple[str, ...]) -> None:
    assert max(len(line) for line in run(*arguments).stdout.splitlines()) <= 80


def test_ascii_drawing_is_ascii() -> None:
    assert run(SWAPPED, "--ascii").stdout.isascii()
    assert not run(SWAPPED).stdout.isascii()


@given(st.text(max_size=60) | st.text("01 _", max_size=300) | st.text("0123456789abcdefx,:/-", max_size=40))
def test_anything_typed_is_understood_or_refused_in_one_printable_line(typed: str) -> None:
    for kind in (None, *Kind):
        for length in (None, 26):
            try:
                entry = parse_entry(typed, kind=kind, length=length)
            except EntryError as error:
                refused = str(error)
            else:
                refused = "nothing"
                assert [entry.bits, entry.data, entry.pair].count(None) == 2
            assert refused.isprintable()


@settings(max_examples=30)
@given(st.text("01", min_size=1, max_size=128))
def test_any_bits_get_an_answer(bits: str) -> None:
    result = run("--as", "bits", "--", bits)
    assert result.exit_code == 0
    assert bits in result.stdout.replace(" ", "") or f"{len(bits)} bits" in result.stdout


def benchtool(*arguments: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    import os

    return subprocess.run(
        [sys.executable, "-m", "benchtool", "card", *arguments],
        capture_output=True,
        check=False,
        env={**os.environ, **environment},
    )


def test_as_a_program_with_a_terminal_that_cannot_draw_lines() -> None:
    done = benchtool("0CA1FFF/26", PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert done.returncode == 0
    assert b"P===============" in done.stdout
    assert done.stderr == b""


def test_as_a_program_bad_input_is_one_line() -> None:
    done = benchtool("0102")
    assert done.returncode == 2
    assert done.stdout == b""
    assert done.stderr.startswith(b"benchtool: this is not bits")
    assert done.stderr.count(b"\n") == 1


def test_no_heavy_library_is_imported() -> None:
    code = (
        "import sys, benchtool.commands.card; print([name for name in"
        " ('numpy', 'bitstring', 'construct', 'matplotlib') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)
    assert done.stdout.strip() == b"[]"


def test_two_numbers_are_site_code_and_card_number() -> None:
    result = CliRunner().invoke(command, ["101", "4095", "--json"])
    reads = json.loads(result.stdout)["reads"]
    assert (reads[0]["format"], reads[0]["site_code"], reads[0]["card_number"]) == ("26-bit", 101, 4095)
    bits = CliRunner().invoke(command, ["0", "01100101", "0000111111111111", "1", "--json"])
    assert json.loads(bits.stdout)["reads"][0]["card_number"] == 4095
