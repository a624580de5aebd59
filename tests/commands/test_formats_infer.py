"""`benchtool formats infer`: text, JSON, the saved table, exit codes, and errors that repeat no card."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main
from benchtool.frames.card.build import build_bits
from benchtool.frames.card.table_file import load

UNKNOWN = str(Path(__file__).parent.parent.parent / "fixtures" / "card" / "unknown-35.txt")


def run(*words: str, given: str | None = None) -> Result:
    return CliRunner().invoke(main, ["formats", "infer", *words], input=given)


def test_an_invented_format_is_worked_out_and_saved(tmp_path: Path) -> None:
    # fixtures/card/unknown-35.txt: bit 2 even and bit 35 odd over two of three bits, bit 1 odd over the whole frame.
    saved = tmp_path / "door.toml"
    result = run(UNKNOWN, "--save", str(saved), "--name", "front door")
    assert result.exit_code == 0, result.output
    assert "card_number: bits 15-34, 20 bits" in result.output
    assert "line 20: it breaks parity" in result.output
    assert "line 48: 34 bits, 1 fewer" in result.output
    (row,) = load(saved.read_text(encoding="utf-8"))
    assert {group.bit for group in row.parity} == {1, 2, 35}
    assert row.number.places == tuple(range(15, 35))
    again = run(UNKNOWN, "--save", str(saved))
    assert again.exit_code == 5
    assert "--overwrite" in again.output


def test_no_card_is_printed_or_saved(tmp_path: Path) -> None:
    saved = tmp_path / "door.toml"
    told = run(UNKNOWN, "--save", str(saved)).output + run(UNKNOWN, "--json").output + saved.read_text("utf-8")
    for line in Path(UNKNOWN).read_text("utf-8").splitlines():
        if line[:1] in "01":
            bits, _, number = line.partition(" = ")
            assert bits not in told
            assert not number or number.lstrip("0") not in told


def test_json(tmp_path: Path) -> None:
    made = json.loads(run(UNKNOWN, "--json").output)
    assert made["kind"] == "inferred formats"
    (one,) = made["lengths"]
    assert one["length"] == 35
    assert one["verdict"] == "several layouts fit"
    assert len(one["layouts"][0]["parity"]) == len(one["parity_sure"]) == 3
    assert [odd["where"] for odd in one["odd_reads"]] == ["line 20", "line 48"]
    assert "another site or batch" in {card["kind"] for card in one["next"]}


def test_exit_codes() -> None:
    assert run(UNKNOWN).exit_code == 0
    assert run(UNKNOWN, "--strict").exit_code == 1
    assert run("-", given="0101\n").exit_code == 4
    assert run("-", given="# nothing\n").exit_code == 4
    assert run("no-such-file.txt").exit_code == 4
    assert run(UNKNOWN, "--save", "x.txt").exit_code == 2
    assert run(UNKNOWN, "--name", "").exit_code == 2
    assert run(UNKNOWN, "--save", "/no/such/folder/x.toml").exit_code == 5


@pytest.mark.parametrize("line", ["77665544", "0101 = 77665544x", "77665544/4"])
def test_errors_repeat_no_card(line: str) -> None:
    result = run("-", given=line + "\n")
    assert result.exit_code == 4
    assert "line 1: " in result.output
    assert "77665544" not in result.output
    assert len(result.output.strip().splitlines()) == 1


def site_list() -> str:
    """One site, a constant bit before it, no parity; invented."""
    chooser = random.Random(11)
    numbers = [chooser.getrandbits(20) for _ in range(40)]
    return "".join(f"0101101{number:020b}{f' = {number}' if at < 6 else ''}\n" for at, number in enumerate(numbers))


def test_all_sites_lets_strict_pass() -> None:
    assert run("-", "--strict", given=site_list()).exit_code == 1
    result = run("-", "--strict", "--all-sites", given=site_list())
    assert result.exit_code == 0, result.output
    assert "settled for the sites read" in result.output


def test_swapped_lines_are_told_before_a_table_is_saved(tmp_path: Path) -> None:
    chooser = random.Random(12)
    lines = []
    for at in range(40):
        number = chooser.getrandbits(16)
        bits = build_bits("26-bit", chooser.getrandbits(8), number).inverted().text
        lines.append(f"{bits} = {number}" if at < 6 else bits)
    result = run("-", "--save", str(tmp_path / "x.toml"), given="\n".join(lines))
    assert result.exit_code == 0
    assert "these are 26-bit with D0 and D1 swapped" in result.output
    assert "of no use once" in result.output
    assert run("-", "--strict", given="\n".join(lines)).exit_code == 1


def test_a_file_that_may_not_be_read_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "reads.txt"
    path.write_text("0CA1FFF/26\n")

    def refuse(self: Path, *_: object, **__: object) -> object:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", refuse)
    result = CliRunner().invoke(main, ["formats", "infer", str(path)])
    assert (result.exit_code, result.stderr) == (4, f"benchtool: {path}: Permission denied\n")
