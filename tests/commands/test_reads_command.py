"""`benchtool reads` as its user meets it: what is shown, hidden, written, and the exit codes."""

from __future__ import annotations

import json
import os
import stat
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main

FIXTURES = Path(__file__).parent.parent.parent / "fixtures" / "card-lines"
EDGES = str(FIXTURES / "edges.csv")
WORKED = "00110010100001111111111111"  # sheet 6.2: site 101, number 4095


def reads(*words: str, typed: str | None = None) -> Result:
    return CliRunner().invoke(main, ["reads", *words], input=typed)


def objects(*words: str) -> list[dict[str, Any]]:
    result = reads(*words, "--json")
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def of_kind(found: list[dict[str, Any]], kind: str) -> list[dict[str, Any]]:
    return [one for one in found if one["kind"] == kind]


def test_reads_pulses_and_diagnosis_without_the_card() -> None:
    result = reads(EDGES)
    assert result.exit_code == 0
    assert "3 reads, 3 sound; 1 different frame" in result.output
    assert "limit 20 to 100 us: PASS" in result.output
    assert "DIAGNOSIS" in result.output
    for secret in (WORKED, "4095", "101"):
        assert secret not in result.output


def test_card_is_shown_where_asked_for() -> None:
    output = reads(EDGES, "--show-cards").output
    assert f"{WORKED}  site 101 number 4095" in output
    assert "are hidden" not in output


def test_nothing_of_the_card_in_json_unless_asked_for() -> None:
    hidden, shown = objects(EDGES), objects(EDGES, "--show-cards")
    text = json.dumps(hidden)
    assert WORKED not in text
    assert "4095" not in text
    for read in of_kind(hidden, "read"):
        # Which line each pulse is on, and when, would give the card away.
        assert (read["bits"], read["lines"], read["starts_ns"]) == (None, None, None)
        # In any order they would tell how many ones there are, where the lines' widths differ.
        assert read["widths_ns"] is None
        assert 20_000 < read["width_least_ns"] <= read["width_greatest_ns"] < 100_000
    for read in of_kind(shown, "read"):
        assert read["bits"] == "".join(map(str, read["lines"])) == WORKED
        assert read["readings"][0]["card_number"] == 4095


def test_json_has_one_object_a_line_with_figures_and_findings() -> None:
    found = objects(EDGES)
    assert [one["kind"] for one in found] == ["source", "read", "read", "read", "summary", "diagnosis"]
    summary, diagnosis = found[-2:]
    assert [check["verdict"] for check in summary["pulses"]["checks"]] == ["pass"] * 5
    assert summary["end_of_frame_ns"] == 25_000_000
    assert abs(sum(finding["probability"] for finding in diagnosis["findings"]) - 1) < 0.05


def test_strict_tells_a_script() -> None:
    assert reads(EDGES, "--strict").exit_code == 0
    assert reads(str(FIXTURES / "short-pulses.csv"), "--strict").exit_code == 1
    assert reads("sim:card?fault=d0-open", "--expect", "26-bit", "--strict").exit_code == 1
    assert reads(EDGES, "--expect", "34-bit 32", "--strict").exit_code == 1
    assert reads(EDGES, "--printed", "101,4095", "--strict").exit_code == 0
    assert reads(EDGES, "--printed", "101,4096", "--strict").exit_code == 1


def test_nothing_read_is_wrong_for_strict(tmp_path: Path) -> None:
    path = tmp_path / "none.txt"
    path.write_text("hello\n")
    assert reads(str(path)).exit_code == 0
    assert reads(str(path), "--strict").exit_code == 1


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ([], 2, "give a source"),
        (["/no/such/file.csv"], 3, "no such file"),
        ([EDGES, "--expect", "99-bit"], 2, "no format is called"),
        ([EDGES, "--meter", "d0-idle=many"], 2, "a number is wanted"),
        ([EDGES, "--plot", "x.gif"], 2, "ends in .png or .svg"),
        ([EDGES, "--report", "x.pdf"], 2, "ends in .html"),
        ([EDGES, "--record", EDGES], 2, "is the file that is being read"),
        ([EDGES, "--record", "/no/such/folder/x.csv"], 5, "there is no folder"),
        ([EDGES, "--timeout", "soon"], 2, "is not a time"),
        (["sim:card?fault=nothing-like-it"], 2, "no fault"),
        ([str(FIXTURES / "scope.csv"), "--columns", "a,b,c"], 4, "no column 'a'"),
        ([str(FIXTURES / "scope.csv"), "--time-unit", "weeks"], 4, "is no time unit"),
    ],
)
def test_errors_are_one_line_with_a_code(words: list[str], code: int, said: str) -> None:
    result = reads(*words)
    assert result.exit_code == code, result.output
    assert said in result.output
    assert "Traceback" not in result.output


def test_printed_number_that_is_none_is_not_repeated() -> None:
    result = reads(EDGES, "--printed", "77x99")
    assert result.exit_code == 2
    assert "77" not in result.output


def test_recording_reads_the_same_and_is_its_owners(tmp_path: Path) -> None:
    path = tmp_path / "visit.csv"
    first = objects("sim:card?fault=noise&seed=4", "--record", str(path), "--show-cards")
    second = objects(str(path), "--show-cards")
    keys = ("bits", "widths_ns", "starts_ns", "odd")
    want = [[read[key] for key in keys] for read in of_kind(first, "read")]
    assert [[read[key] for key in keys] for read in of_kind(second, "read")] == want
    assert of_kind(first, "summary")[0]["pulses"] == of_kind(second, "summary")[0]["pulses"]
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert reads("sim:card", "--record", str(path)).exit_code == 5
    assert reads("sim:card", "--record", str(path), "--overwrite").exit_code == 0


def test_address_that_is_wrong_leaves_no_recording(tmp_path: Path) -> None:
    path = tmp_path / "visit.csv"
    assert reads("sim:card?fault=none-such", "--record", str(path)).exit_code == 2
    assert not path.exists()


def test_time_ends_the_run() -> None:
    assert len(of_kind(objects(EDGES, "--for", "0.5s"), "read")) <= 3
    assert len(of_kind(objects("sim:card?cards=9", "--for", "0.3s"), "read")) == 2


def test_same_card_is_compared() -> None:
    summary = of_kind(objects("sim:card?same=yes&fault=bits-lost&cards=12", "--same-card"), "summary")[0]
    same = summary["same_card"]
    assert same["bits"] is None
    assert same["length"] == 26
    assert len(same["agree"]) + len(same["differ"]) == summary["reads"]


def test_several_sources_one_after_the_other() -> None:
    found = objects(EDGES, str(FIXTURES / "converter.txt"), "--same-card")
    assert len(of_kind(found, "source")) == 2
    assert of_kind(found, "summary")[0]["same_card"]["agree"] == list(range(1, 9))


def test_lines_from_standard_input() -> None:
    result = reads("-", "--length", "26", "--show-cards", typed="0CA1FFF\n")
    assert f"{WORKED}  site 101 number 4095" in result.output


def test_users_formats_are_read(tmp_path: Path) -> None:
    from benchtool.frames.card.formats import CardField, CardFormat
    from benchtool.frames.card.table_file import dump

    table = tmp_path / "own.toml"
    table.write_text(dump(CardFormat("own 26", 26, (CardField("card_number", tuple(range(1, 27))),), (), "invented")))
    assert tomllib.loads(table.read_text())
    (read, *_) = of_kind(objects(EDGES, "--table", str(table), "--expect", "own 26", "--show-cards"), "read")
    assert [(one["format"], one["card_number"]) for one in read["readings"]] == [("own 26", int(WORKED, 2))]


def test_readings_by_hand_are_weighed_without_any_read() -> None:
    found = of_kind(objects("sim:card?fault=d0-open", "--meter", "d0-idle=0.02"), "diagnosis")
    assert found[0]["faulty"]
    alone = of_kind(objects("--meter", "ground-shift=1.2", "--meter", "d0-traffic=1.5"), "diagnosis")
    assert alone[0]["findings"][0]["cause"] == "ground-shift"
    assert reads("--meter", "d0-idle=4.9", "--plot", "x.png").exit_code == 2
    assert "d0-idle=VOLTS" in reads("--meter", "help").output


@pytest.mark.parametrize("show", [False, True])
def test_pictures_and_page(tmp_path: Path, show: bool) -> None:
    more = ["--show-cards"] if show else []
    scope, page, plot = str(FIXTURES / "scope.csv"), tmp_path / "r.html", tmp_path / "p.svg"
    assert reads(EDGES, scope, "--report", str(page), "--plot", str(plot), *more).exit_code == 0
    text = page.read_text(encoding="utf-8")
    assert (WORKED in text) == show
    assert ("4095" in text) == show
    assert (tmp_path / "p-lines.svg").exists() == show
    assert (tmp_path / "p-levels.svg").exists()
    assert text.count("<svg") == (3 if show else 2)
    assert "width of D0 pulses" in text
    drawn = [path for path in tmp_path.iterdir() if path.suffix == ".svg"]
    assert all("<svg" in path.read_text(encoding="utf-8") for path in drawn)
    if show and os.name == "posix":
        assert {stat.S_IMODE(path.stat().st_mode) for path in [*drawn, page]} == {0o600}


def test_noise_does_not_flood_the_screen(tmp_path: Path) -> None:
    path = tmp_path / "noise.csv"
    spikes = "".join(f"{at},D0,0\n{at + 3},D0,1\n" for at in range(0, 6_000_000, 60_000))
    path.write_text(f"time_us,line,level\n{spikes}")
    output = reads(str(path)).output
    assert output.count("no read: glitch") == 19
    assert "100 bursts without a bit" in output


def test_nothing_to_draw_is_said() -> None:
    result = reads(str(FIXTURES / "converter.txt"), "--plot", "unused.png")
    assert "nothing to draw" in result.output
    assert not Path("unused.png").exists()


def test_a_time_out_that_joins_all_cards_is_refused() -> None:
    result = reads(EDGES, "--timeout", "25")
    assert result.exit_code == 2
    assert result.output == (
        "benchtool: --timeout 25s would join all cards to one: a frame ends after milliseconds, as --timeout 25ms\n"
    )


def test_fewer_printed_numbers_than_reads_are_told() -> None:
    assert (
        "2 printed numbers were given for 3 reads" in reads(EDGES, "--printed", "101,4095", "--printed", "1,2").output
    )
    assert "printed numbers were given" not in reads(EDGES, "--printed", "101,4095").output


def test_columns_are_named_as_in_the_heading(tmp_path: Path) -> None:
    rows = ["Zeit [s];X;Y", "0;1;1"]
    for n, bit in enumerate(WORKED):
        at = 0.04 + n / 1000
        rows += [f"{at:.6f};{'0;1' if bit == '0' else '1;0'}", f"{at + 5e-5:.6f};1;1"]
    path = tmp_path / "t.csv"
    path.write_text("\n".join(rows))
    for name in ("Zeit [s]", "zeit", "1"):
        assert "1 reads, 1 sound" in reads(str(path), "--columns", f"{name},X,Y").output.replace("1 read,", "1 reads,")
