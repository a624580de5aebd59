"""`benchtool site check`: what is printed, exit codes, files that are no record."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main
from benchtool.install.checks import RULES

SITES = Path(__file__).parent.parent.parent / "fixtures" / "sites"
GOOD, BAD = str(SITES / "depot.toml"), str(SITES / "depot-mistakes.toml")


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["site", "check", *words])


@pytest.mark.parametrize("site", [GOOD, BAD])
def test_everything_fits_80_columns(site: str) -> None:
    result = run(site, "--all")
    assert result.exit_code == 0
    assert max(map(len, result.output.split("\n"))) < 80


def test_a_finding_is_told_with_place_figure_limit_mend_and_source() -> None:
    output = " ".join(run(BAD, "--only", "stub-short").output.split())
    assert "1 warning, no notes; nothing was left unchecked." in output
    assert "WARNING stub-short: No stub is longer than" in output
    assert "line 185, device if-ramp, stub_m: the stub of Ramp door (if-ramp)" in output
    assert "(stub = 25 m; most = 9.893 m)" in output
    assert "Mend: Lead the trunk through" in output
    assert "Source: transceiver data sheets" in output


def test_what_cannot_be_checked_is_told_apart_and_not_kept() -> None:
    output = run(BAD).output
    head, rest = output.split("CANNOT BE CHECKED")
    assert "serial-once: No serial number is noted twice." in rest.split("Kept (")[0]
    assert "serial-once" not in rest.split("Kept (")[1]
    assert head.index("ERROR") < head.index("WARNING") < head.index("NOTE")


def test_values_for_a_script() -> None:
    said = json.loads(run(BAD, "--json").output)
    assert (said["errors"], said["warnings"], said["notes"]) == (13, 13, 2)
    stub = next(one for one in said["findings"] if one["rule"] == "stub-short")
    assert stub["path"] == ["bus", 0, "device", 2, "stub_m"]
    assert stub["figure"] == {"name": "stub", "value": 25, "unit": "m"}
    assert (stub["severity"], stub["line"], stub["where"]) == ("warning", 185, "device if-ramp, stub_m")
    assert {one["rule"] for one in said["unchecked"]} == {"serial-once", "escape-free", "escape-licensed"}
    assert "no-ring" in said["kept"]
    assert said["nothing_to_check"] == ["gauge-agrees"]


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ((GOOD, "--strict"), 0),
        ((BAD, "--strict"), 1),
        ((BAD,), 0),
        ((GOOD, "--strict-from", "warning"), 0),
        ((GOOD, "--strict-from", "note"), 1),
        ((BAD, "--only", "stub-short", "--strict"), 0),
        ((BAD, "--only", "stub-short", "--strict-from", "warning"), 1),
        ((BAD, "--only", "serial-once", "--only", "no-ring", "--strict-from", "unchecked"), 1),
        ((BAD, "--only", "no-ring", "--strict-from", "unchecked"), 0),
    ],
)
def test_exit_codes(words: tuple[str, ...], code: int) -> None:
    assert run(*words).exit_code == code


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("no-such.toml",), 4, "no-such.toml cannot be read"),
        ((GOOD, "--only", "stub-shrt"), 2, "did you mean stub-short?"),
        ((GOOD, "--only", "xyz"), 2, "there are: id-once, "),
        ((".",), 4, "cannot be read"),
    ],
)
def test_what_cannot_be_done_is_one_line(words: tuple[str, ...], code: int, told: str) -> None:
    result = run(*words)
    assert result.exit_code == code
    assert told in result.output
    assert "Traceback" not in result.output


def test_a_broken_record_is_told_with_line_and_field(tmp_path: Path) -> None:
    broken = tmp_path / "broken.toml"
    text = (SITES / "depot.toml").read_text(encoding="utf-8").replace("address = 3\n", "address = 300\n")
    line = text[: text.index("address = 300")].count("\n") + 1
    broken.write_text(text)
    result = run(str(broken))
    assert result.exit_code == 4
    assert f"line {line}: bus 1, device 4, address: 0 to 255 is possible, not 300" in result.output


def test_many_places_of_a_rule_are_counted_unless_all_are_wanted(tmp_path: Path) -> None:
    doors = "".join(f'[[door]]\nid = "d{n}"\nname = "D{n}"\n' for n in range(15))
    site = tmp_path / "doors.toml"
    site.write_text(f'schema = 1\n[site]\nname = "Doors"\n{doors}')
    assert "and 5 more: --only door-used" in run(str(site)).output
    assert "and 27 more: --only escape-licensed" in run(str(site)).output
    assert " more: " not in run(str(site), "--all").output
    assert "door d14" in run(str(site), "--only", "door-used").output


def test_an_empty_record_says_that_there_was_nothing(tmp_path: Path) -> None:
    empty = tmp_path / "empty.toml"
    empty.write_text('schema = 1\n[site]\nname = "Empty"\n')
    output = run(str(empty)).output
    assert f"Nothing in the record for ({len(RULES)} rules)" in " ".join(output.split())
    assert "Kept" not in output
