"""`benchtool card` with formats of a table, keypads, lesson and exercise; `benchtool formats`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands import card_exercise
from benchtool.commands.main import main
from benchtool.frames.card.exercise import Kind
from benchtool.frames.card.formats import FORMATS
from benchtool.frames.card.table_file import dump, load
from benchtool.reports.card_draw import ASCII

TABLE = """kind = "benchtool card formats"
version = 1
[[format]]
name = "house 20"
length = 20
[[format.field]]
name = "site_code"
bits = "18-16"
[[format.field]]
name = "card_number"
bits = "2-13"
writing = "bcd"
offset = 1000
[[format.field]]
name = "issue"
bits = "14-15"
inverted = true
[[format.constant]]
bits = "19"
value = "1"
[[format.parity]]
bit = 1
sense = "odd"
covers = "2-10,20"
[[format.parity]]
bit = 20
sense = "even"
covers = "11-19"
"""
# By hand: number 1042 is 042 sent, 0000 0100 0010; issue 2 is 10, sent 01; site 6 is 110, sent last first 011; bit 19
# is 1. Bits 11-19 are 010 01 011 1: five ones, so bit 20 is 1; bits 2-10 hold 1 one and bit 20 one more, so bit 1 is 1.
FRAME = "10000010000100101111"


@pytest.fixture
def table(tmp_path: Path) -> str:
    path = tmp_path / "house.toml"
    path.write_text(TABLE, encoding="utf-8")
    return str(path)


def run(*arguments: str, stdin: str | bytes | None = None) -> Result:
    return CliRunner().invoke(main, list(arguments), input=stdin)


def test_a_card_is_built_and_read_in_a_format_of_a_table(table: str) -> None:
    built = run("card", "--table", table, "--site", "6", "--number", "1042", "--field", "issue=2", "--json")
    reads = json.loads(built.stdout)["reads"]
    assert [(read["format"], read["bits"]) for read in reads] == [("house 20", FRAME)]
    read = json.loads(run("card", FRAME, "--table", table, "--json", "--strict").stdout)["reads"][0]
    assert read["fields"] == {"site_code": 6, "card_number": 1042, "issue": 2}
    assert (read["ok"], read["constants"][0]["ok"]) == (True, True)
    text = run("card", FRAME, "--table", table).stdout
    assert "house 20" in text
    assert "site code 6" in text
    assert "issue 2" in text


def test_wrong_bits_of_a_format_of_a_table_are_told(table: str) -> None:
    # constant and bit 20 wrong: parity over 11-19 holds again, the constant does not
    wrong = FRAME[:18] + "00"
    result = run("card", wrong, "--table", table, "--strict")
    assert result.exit_code == 1
    assert "Constant FAILS: bit 19 must be 1 on every card of house 20 and is 0 here." in result.stdout
    swapped = FRAME.translate({48: "1", 49: "0"})
    assert "INVERTED: the bits are the other way round" in run("card", swapped, "--table", table).stdout
    digits = FRAME[:1] + "1111" + FRAME[5:]
    assert "card_number FAILS: it is written in BCD" in run("card", digits, "--table", table).stdout


def test_the_printed_number_is_compared_in_formats_of_a_table(table: str) -> None:
    text = run("card", FRAME, "--table", table, "--printed", "1042").stdout
    assert "agrees with house 20 as given" in text


def test_one_number_is_built_only_where_it_says_all(table: str) -> None:
    values = json.loads(run("card", "5042", "--table", table, "--json").stdout)
    assert "house 20 is made of fields that a single number does not say: give each" in values["left_out"]
    assert values["reads"][0]["format"] == "26-bit"


def test_a_format_that_demands_nothing_does_not_silence_the_hints(tmp_path: Path) -> None:
    path = tmp_path / "bare.toml"
    path.write_text(
        'kind = "benchtool card formats"\nversion = 1\n[[format]]\nname = "bare"\nlength = 26\n'
        '[[format.field]]\nname = "card_number"\nbits = "1-26"\n',
        encoding="utf-8",
    )
    hints = json.loads(run("card", "335E000/26", "--table", str(path), "--json").stdout)["hints"]
    assert [hint["what"] for hint in hints] == ["inverted", "reversed", "undecided"]


def test_tables_that_cannot_be_used_are_one_line(table: str, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(TABLE.replace('"11-19"', '"11-19,1"'), encoding="utf-8")
    for arguments in (("card", FRAME, "--table", str(wrong)), ("formats", "check", str(wrong))):
        result = run(*arguments)
        assert result.exit_code == 4
        assert "the parity bits cannot be worked out" in result.stderr
        assert result.stderr.count("\n") == 1
    absent = run("formats", "check", str(tmp_path / "absent.toml"))
    assert (absent.exit_code, "No such file" in absent.stderr) == (4, True)
    (tmp_path / "picture.toml").write_bytes(b"\xff\xfe\x00")
    assert "not a text file" in run("formats", "check", str(tmp_path / "picture.toml")).stderr
    twice = run("card", FRAME, "--table", table, "--table", table)
    assert (twice.exit_code, "has a format called 'house 20' already" in twice.stderr) == (4, True)
    field = run("card", "--table", table, "--site", "6", "--number", "1042", "--field", "issue")
    assert (field.exit_code, "as issue=3" in field.stderr) == (2, True)


def test_formats_are_listed_shown_and_checked(table: str) -> None:
    listed = run("formats", "list", "--table", table).stdout
    assert listed.startswith("Formats of your table:\n  house 20")
    assert max(map(len, listed.splitlines())) <= 79
    assert "number 2-13 in BCD plus 1000" in listed
    shown = run("formats", "show", "37-bit 16+19", "--toml")
    assert load(shown.stdout) == (FORMATS[3],)
    assert len(json.loads(run("formats", "show", "34", "--json").stdout)) == 2
    assert run("formats", "show", "99").exit_code == 2
    checked = run("formats", "check", table, "--strict")
    assert (checked.exit_code, "every card can be built and read back" in checked.stdout) == (0, True)
    assert json.loads(run("formats", "check", table, "--json").stdout)["notes"] == {"house 20": []}


def test_check_tells_what_belongs_to_nothing_and_what_hides_a_built_in_format(tmp_path: Path) -> None:
    path = tmp_path / "spare.toml"
    path.write_text(dump(FORMATS[0]).replace('"10-25"', '"10-24"'), encoding="utf-8")
    result = run("formats", "check", str(path), "--strict")
    assert result.exit_code == 1
    assert "bit 25 belongs to nothing" in result.stdout
    assert "a built-in format has this name" in result.stdout


def test_keys_are_read_and_built() -> None:
    # sheet 6.6 (READ)
    said = json.loads(run("card", "--as", "keys", "E1", "D2", "4B", "--json").stdout)
    assert said["entries"] == [{"keys": "12", "burst_bits": 8, "ended": "#", "begin_ns": None}]
    timed = run("card", "--as", "keys", "0001@0.5 0010@3", "--pause", "1s").stdout
    assert timed.count("ended by a pause") == 1
    assert run("card", "--as", "keys", "1111", "--strict").exit_code == 1
    built = json.loads(run("card", "--keys", "17#", "--site", "101", "--json").stdout)
    assert built["bursts"]["6"] == ["000010", "101111", "110111"]
    # number 17: bits 14-25 hold two ones, so bit 26 is 1; site 101 holds four, so bit 1 is 0
    assert built["buffered"]["bits"] == "00110010100000000000100011"
    for wrong in (("--as", "keys", "01x"), ("--keys", "12a"), ("--as", "keys", "E1@2", "C3@1"), ("--as", "keys")):
        result = run("card", *wrong)
        assert (result.exit_code, result.stderr.count("\n")) == (2, 1)
        assert "12a" not in result.stderr
        assert "C3" not in result.stderr


@pytest.mark.parametrize("bursts", [("10",), ("0001", "00"), ("E1@0.2", "11@0.4")])
def test_two_bits_are_never_an_octet(bursts: tuple[str, ...]) -> None:
    text = run("card", "--as", "keys", *bursts).stdout
    assert f"no key: {bursts[-1][:2]}, 2 bits: a key is a burst of 4, 6 or 8 bits" in text


def test_keys_that_fit_in_no_26_bit_frame_still_give_their_bursts() -> None:
    result = run("card", "--keys", "1234567890", "--site", "101")
    assert result.exit_code == 0
    assert "not as one 26-bit frame" in result.stdout
    assert "0 to 65535" in result.stdout
    values = json.loads(run("card", "--keys", "1234", "--site", "300", "--json").stdout)
    assert values["bursts"]["4"] == ["0001", "0010", "0011", "0100"]
    assert values["left_out"] == ["26-bit carries site codes 0 to 255"]
    assert "buffered" not in values


def test_a_further_field_may_stand_beside_site_and_number_in_one(table: str) -> None:
    built = run("card", "6,1042", "--table", table, "--field", "issue=2", "--format", "house 20", "--json")
    assert json.loads(built.stdout)["reads"][0]["bits"] == FRAME


def test_explain_is_a_lesson_also_for_a_table(table: str) -> None:
    text = run("card", "0CA1FFF/26", "--explain").stdout
    for head in ("1. 26 bits", "2. Fields", "3. Parity", "4. What one wrong bit does", "5. What a fault does"):
        assert head in text
    own = run("card", FRAME, "--table", table, "--explain", "--ascii").stdout
    assert own.isascii()
    assert "plus 1000 = 1042" in own
    assert "sent the other way round, so 10" in own
    assert "Among them: parity bit 20." in own
    swapped = " ".join(run("card", "335E000/26", "--explain", "--printed", "101,04095").stdout.split())
    assert "PRINTED NUMBER: agrees with 26-bit inverted" in swapped


def answers(kind: str, seed: int, count: int) -> list[str]:
    sheet = run("card", "--exercise", kind, "--seed", str(seed), "--count", str(count), "--json").stdout
    return [json.loads(line)["answer"] for line in sheet.splitlines()]


@pytest.mark.parametrize("kind", [*(kind.value for kind in Kind), "any"])
def test_right_answers_from_a_pipe_score_in_full(kind: str) -> None:
    given = "\n".join(answers(kind, 11, 4)) + "\n"
    result = run("card", "--exercise", kind, "--seed", "11", "--count", "4", "--strict", stdin=given)
    assert result.exit_code == 0, result.output
    assert "Score: 4 of 4 right." in result.stdout
    assert "NOT RIGHT" not in result.stdout
    assert max(map(len, result.stdout.splitlines())) <= 110  # the answer stands behind the prompt


def test_wrong_unreadable_missing_and_stopping_answers() -> None:
    right = answers("open", 4, 3)
    wrong = ["D1" if answer == "D0" else "D0" for answer in right]
    result = run("card", "--exercise", "open", "--seed", "4", "--count", "3", stdin=f"{right[0]}\nwhat?\n{wrong[2]}\n")
    assert result.exit_code == 0
    assert result.stdout.count("cannot be read as an answer") == 1
    assert result.stdout.count("NOT RIGHT. The answer is") == 2
    # One line a question: the unreadable second line is the second answer, and is explained.
    assert result.stdout.count("That cannot be read") == 1
    assert "Score: 1 of 3 right." in result.stdout
    slipped = run("card", "--exercise", "open", "--seed", "4", "--count", "3", stdin=f"what?\n{right[1]}\n{right[2]}\n")
    assert "Score: 2 of 3 right." in slipped.stdout
    stopped = run("card", "--exercise", "open", "--seed", "4", "--strict", stdin=f"{right[0]}\nq\n")
    assert (stopped.exit_code, "Score: 1 of 1 right. 4 of 5 not answered." in stopped.stdout) == (1, True)
    assert "No exercise was answered." in run("card", "--exercise", stdin="").stdout
    assert run("card", "--exercise", "open", "--count", "1", stdin=b"\xff\xfe\n\n").exit_code == 0


def test_ctrl_c_leaves_the_score(capsys: pytest.CaptureFixture[str]) -> None:
    given = iter(answers("flipped", 2, 1))

    def ask(prompt: str) -> str:
        for answer in given:
            return answer
        raise KeyboardInterrupt

    assert not card_exercise.run(Kind.FLIPPED, 2, 5, FORMATS, ASCII, ask, again=True)
    assert "Score: 1 of 1 right. 4 of 5 not answered." in capsys.readouterr().out


def test_a_person_is_asked_again(capsys: pytest.CaptureFixture[str]) -> None:
    given = iter(["what?", *answers("flipped", 2, 1)])
    assert card_exercise.run(Kind.FLIPPED, 2, 1, FORMATS, ASCII, lambda prompt: next(given), again=True)
    said = capsys.readouterr().out
    assert "That cannot be read" in said
    assert "Score: 1 of 1 right." in said


def test_exercises_may_use_formats_of_a_table(table: str) -> None:
    sheet = run("card", "--exercise", "decode", "--table", table, "--json", "--seed", "1").stdout
    rows = [json.loads(line) for line in sheet.splitlines()]
    assert {row["format"] for row in rows} == {"house 20"}
    assert all(len(row["answer"].split()) == 3 for row in rows)


@pytest.mark.parametrize(
    "arguments",
    [("--exercise", "dance"), ("--exercise", "open", "--number", "3"), ("--seed", "3"), ("--count", "2", "0CA1FFF/26")],
)
def test_misuse_of_exercises_is_one_line(arguments: tuple[str, ...]) -> None:
    result = run("card", *arguments)
    assert (result.exit_code, result.stderr.count("\n")) == (2, 1)
