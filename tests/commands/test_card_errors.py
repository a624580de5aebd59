"""What `benchtool card` refuses: one line with the mend, and never the card that was typed."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.card import command
from benchtool.commands.main import main


def run(*arguments: str) -> Result:
    return CliRunner().invoke(command, list(arguments))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "nothing to do"),
        (("",), "nothing to read"),
        (("0102",), "this is not bits: character 4 of 4"),
        (("00110010100001111111111112",), "character 26 of 26"),
        (("01x1",), "character 3 of 4 (blanks not counted) is no hex digit"),
        (("0x01 x1/26",), "character 5 of 6 (blanks not counted) is no hex digit"),
        (("--as", "bits", "01x1"), "character 3 of 4"),
        (("0CA1FFF/",), "the length behind the / is missing"),
        (("0CA1FFF/2x",), "the length behind the / is no number of bits"),
        (("/26",), "nothing stands before the /"),
        (("0011001010000111111111111", "--length", "26"), "25 bits were given and the length says 26"),
        (("--as", "bits", "0" * 257), "257 bits are too many"),
        (("0" * 513,), "too many for one card"),
        (("0CA1FFF",), "add --length 26"),
        (("FCA1FFF/26",), "needs 28 bits, and the length is 26"),
        (("0CA1FFF/26", "--length", "34"), "give one of them"),
        (("0CA1FFF/999",), "1 to 256"),
        (("0CA1FFF/0",), "1 to 256"),
        (("0x/26",), "no digits"),
        (("0CA1FFF", "--length", "26", "--left-aligned"), "8 hex digits, not 7"),
        (("0CA1FFF", "--as", "decimal"), "not a number as printed"),
        (("123", "--as", "decimal", "--length", "26"), "has no length"),
        (("213,2000", "--length", "26"), "have no length"),
        (("34359738368", "--as", "decimal"), "0 to 34359738367"),
        (("--printed", "34359738368"), "0 to 34359738367"),
        (("--printed", "12x"), "--printed: this is not a number"),
        (("16777216", "--format", "26-bit"), "the number does not fit: 26-bit carries 0 to 16777215"),
        (("256,1", "--format", "26-bit"), "site codes 0 to 255"),
        (("--site", "256", "--number", "1", "--format", "26-bit"), "site codes 0 to 255"),
        (("--site", "1", "--number", "65536", "--format", "26-bit"), "card numbers 0 to 65535"),
        (("0CA1FFF/26", "--field", "issue=1"), "--field builds frames"),
        (("13961168", "--field", "issue=1"), "--field builds frames"),
        (("--printed", "13961168", "--field", "issue=1"), "--field builds frames"),
        (("--exercise", "--field", "issue=1"), "makes its own cards"),
        (("--keys", "12", "--field", "issue=1"), "--keys builds bursts"),
        (("--as", "keys", "0001", "--field", "issue=1"), "not for them"),
        (("--site", "1", "--number", "1", "--length", "26"), "say how a VALUE is taken"),
        (("--site", "1"), "add --number"),
        (("--number", "5", "--format", "26-bit"), "needs a site code, 0 to 255"),
        (("0CA1FFF/26", "--site", "1", "--number", "1"), "not both"),
        (("0CA1FFF/26", "--format", "27-bit"), "no format is called '27-bit'"),
        (("0CA1FFF/26", "--format", "34-bit"), "26 bits were given, and 34-bit 16+16 has 34"),
        (("213,2000", "--printed", "5"), "compares with bits"),
    ],
)
def test_what_cannot_be_read_is_one_line_with_the_mend(arguments: tuple[str, ...], words: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert words in result.stderr
    assert result.stderr.count("\n") == 1
    assert result.stdout == ""


@pytest.mark.parametrize(
    "arguments",
    [
        ("8675309x",),
        ("8675G09/26",),
        ("8675309/20",),
        ("8675309/",),
        ("8675309/x",),
        ("8675309F",),
        ("86753092/34", "--as", "bits"),
        ("8675309F", "--as", "decimal"),
        ("8675309867530986", "--as", "decimal"),
        ("8675309x", "--left-aligned"),
        ("8675309,1",),
        ("--printed", "8675309x"),
        ("--printed", "8675309867530"),
        ("8675309", "--format", "26-bit", "--as", "bits"),
        ("86753098", "--format", "26-bit"),
        ("--site", "8675309", "--number", "1"),
        ("--site", "1", "--number", "8675309x"),
        ("--site", "8675309x", "--number", "1"),
        ("--site", "1", "--number", "8675309867530"),
        ("--keys", "8675309x"),
        ("--as", "keys", "8675309"),
        ("--site", "1", "--number", "1", "--field", "issue=8675309x"),
    ],
)
def test_an_error_never_repeats_what_was_typed_as_card(arguments: tuple[str, ...]) -> None:
    result = CliRunner().invoke(main, ["card", *arguments])
    assert result.exit_code == 2
    assert "8675" not in result.stderr
    if len(arguments) > 1:
        return
    batch = CliRunner().invoke(main, ["card", "-", "--json"], input=f"{arguments[0]}\n")
    assert "8675" not in batch.stderr
    assert "8675" not in json.loads(batch.stdout).get("error", "")


def test_length_must_be_a_number() -> None:
    assert run("0CA1FFF", "--length", "many").exit_code == 2
    assert run("0CA1FFF", "--length", "0").exit_code == 2
