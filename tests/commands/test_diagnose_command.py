"""`benchtool diagnose` and `benchtool demo`: the contract, the words, the exit codes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main
from benchtool.reports.diagnosis_text import sure


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def diagnosis(*words: str) -> dict[str, Any]:
    result = run("diagnose", *words, "--json")
    assert result.exit_code == 0, result.output
    made: dict[str, Any] = json.loads(result.stdout)
    return made


def test_json_contract() -> None:
    found = diagnosis("sim:demo")
    first = found["findings"][0]
    assert set(first) >= {"cause", "place", "probability", "evidence"}
    assert (first["cause"], first["place"]) == ("device-silent", "address 5")
    assert all(set(proof) == {"text", "weight", "numbers"} for proof in first["evidence"])
    assert found["next"][0]["do"]
    assert found["figures"]["addresses"][0]["requests"] > 10


def test_strict_says_by_exit_code_that_something_is_wrong() -> None:
    assert run("diagnose", "sim:demo", "--for", "5s").exit_code == 0
    assert run("diagnose", "sim:demo", "--for", "5s", "--strict").exit_code == 1
    assert run("diagnose", "sim:bench", "--for", "5s", "--strict").exit_code == 0


def test_text_fits_a_narrow_terminal_and_has_all_parts() -> None:
    output = run("diagnose", "sim:demo?fault=pair-reversed-at-tap", "--for", "4s").output
    for part in (
        "FINDINGS",
        "NEXT",
        "WHAT COULD NOT BE SEEN",
        "FIGURES",
        "pair-reversed-at-tap",
        "Could also be",
        "100%",
    ):
        assert part in output
    assert max(map(len, output.splitlines())) <= 100
    assert "practically certain" in output


def test_file_and_bus_give_the_same_findings(tmp_path: Path) -> None:
    name = str(tmp_path / "visit.pcapng")
    live = diagnosis("sim:demo?fault=noise", "--for", "4s", "--record", name)
    again = diagnosis(name)
    assert live["findings"] == again["findings"]


def test_length_is_believed() -> None:
    assert "shorter than" in " ".join(diagnosis("sim:bench", "--for", "2s")["limits"])
    assert "of 30 m" in " ".join(diagnosis("sim:bench", "--for", "2s", "--length", "30")["limits"])
    assert run("diagnose", "sim:bench", "--length", "0").exit_code == 2


def test_a_simulated_bus_heard_at_another_rate() -> None:
    first = diagnosis("sim:demo", "--baud", "38400", "--for", "4s")["findings"][0]
    assert first["cause"] == "baud-wrong"
    assert "9600" in first["summary"]


def test_errors_are_one_line() -> None:
    for words, code in ((["/dev/ttyUSB77"], 3), (["sim:nowhere"], 2), (["sim:demo", "--record", "/nowhere/a.log"], 5)):
        result = run("diagnose", *words)
        assert result.exit_code == code, result.output
        assert len(result.stderr.splitlines()) == 1


def test_demo_shows_traffic_a_fault_and_what_to_do() -> None:
    result = run("demo")
    assert result.exit_code == 0
    for words in ("RAW", "KEYPAD", "device-silent at address 5", "NEXT", "Caution"):
        assert words in result.output
    assert "20118" not in result.output
    assert run("demo", "--all").output.count("POLL") > 100


def test_demo_ends_soon_when_piped_into_nothing() -> None:
    assert run("demo", "--help").exit_code == 0


@pytest.mark.parametrize(
    ("probability", "words"),
    [(0.99, "practically certain"), (0.8, "very likely"), (0.6, "likely"), (0.3, "possible"), (0.02, "unlikely")],
)
def test_probabilities_in_words(probability: float, words: str) -> None:
    assert sure(probability) == words
