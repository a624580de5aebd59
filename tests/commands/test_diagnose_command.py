"""`benchtool diagnose` and `benchtool demo`: the contract, the words, the exit codes."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.errors import Exit
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
    live = diagnosis("sim:demo?fault=noise-broadband", "--for", "4s", "--record", name)
    again = diagnosis(name)
    # A capture does not hold how long was listened after its last octet: shares of time differ by a little.
    chances = [{row["cause"]: row["probability"] for row in found["findings"]} for found in (live, again)]
    assert chances[0] == pytest.approx(chances[1], abs=0.01)
    assert live["figures"]["octets"] == again["figures"]["octets"]


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


@pytest.mark.parametrize(
    ("probability", "words"),
    [(0.99, "practically certain"), (0.8, "very likely"), (0.6, "likely"), (0.3, "possible"), (0.02, "unlikely")],
)
def test_probabilities_in_words(probability: float, words: str) -> None:
    assert sure(probability) == words


def test_the_last_lines_are_the_result_and_the_first_step() -> None:
    lines = run("diagnose", "sim:demo?fault=device-silent&at=2").output.splitlines()
    assert any(line.startswith("RESULT  device-silent at address 2") for line in lines[-5:])
    assert any(line.startswith("FIRST   ") for line in lines[-4:])


def test_a_sound_bus_gets_steps_that_warn_of_what_they_disturb() -> None:
    found = diagnosis("sim:bench", "--for", "5s")
    assert 1 <= len(found["next"]) <= 3
    assert all(step["caution"] for step in found["next"])


def test_the_rate_found_is_the_next_step() -> None:
    assert "--baud 9600" in diagnosis("sim:demo?fault=baud-wrong", "--for", "4s")["next"][0]["do"]


def test_little_heard_is_said() -> None:
    assert any("too little" in limit for limit in diagnosis("sim:demo", "--for", "300ms")["limits"])
    assert not any("too little" in limit for limit in diagnosis("sim:demo", "--for", "8s")["limits"])


def test_time_not_heard_is_said(tmp_path: Path) -> None:
    name = tmp_path / "a.log"
    name.write_text("0 53 01 08 00 05 60 8B 33\n#! gap 2.5 20 adapter pulled out\n")
    limits = diagnosis(str(name))["limits"]
    assert any("For 17.5 s of 20.0 s nothing could be heard" in limit for limit in limits)


def test_nothing_heard_asks_for_the_controller_first() -> None:
    found = diagnosis("sim:demo?for=0")
    assert found["findings"][0]["cause"] == "none-of-these"
    assert "controller" in found["next"][0]["do"]


@pytest.mark.skipif(os.name != "posix", reason="rights are the folder's on Windows")
def test_only_its_owner_may_read_what_is_saved(tmp_path: Path) -> None:
    saved, page = tmp_path / "a.json", tmp_path / "a.html"
    words = ("diagnose", "sim:bench", "--for", "2s", "--save", str(saved), "--report", str(page))
    for more in ((), ("--overwrite",)):
        assert run(*words, *more).exit_code == 0
        assert [path.stat().st_mode & 0o777 for path in (saved, page)] == [0o600, 0o600]
        saved.chmod(0o644)
        page.chmod(0o644)


SECURED = "fixtures/osdp/peer-secure-set-key.log"


def test_secured_traffic_is_read_with_the_keys_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    blind = diagnosis(SECURED)["osdp"]
    keyed = diagnosis(SECURED, "--osdp-key", "fixtures/osdp/peer-secure.keys")["osdp"]
    assert sum(channel["unreadable"] for channel in keyed["secure_channels"]) < sum(
        channel["unreadable"] for channel in blind["secure_channels"]
    )
    assert "session-key-unknown" in {event["event"] for event in blind["events"]}
    assert "session-key-unknown" not in {event["event"] for event in keyed["events"]}
    monkeypatch.setenv("BENCHTOOL_OSDP_KEY", Path("fixtures/osdp/peer-secure.keys").read_text())
    assert diagnosis(SECURED)["osdp"] == keyed


def test_what_broke_the_rules_stands_before_the_result() -> None:
    lines = run("diagnose", SECURED).stdout.splitlines()
    told = lines.index("noticed in the OSDP traffic:")
    assert lines.index("FIGURES") < told < next(at for at, line in enumerate(lines) if line.startswith("RESULT"))


def test_a_key_file_is_refused_in_one_line(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.keys"
    wrong.write_text("0123 not a key\n")
    done = run("diagnose", SECURED, "--osdp-key", str(wrong))
    assert done.exit_code == Exit.INPUT
    assert len(done.stderr.strip().splitlines()) == 1
    assert "0123" not in done.stderr
    assert run("diagnose", "--meter", "ab-ohms=60", "--osdp-key", str(wrong)).exit_code == Exit.USAGE


def test_modbus_in_ascii_mode_is_diagnosed_by_name() -> None:
    found = diagnosis("fixtures/modbus/ascii-session.log", "--protocol", "modbus-ascii")
    assert found["figures"]["frames"] == {"modbus-ascii": 44}
    assert [row["answered"] for row in found["figures"]["addresses"]] == [11, 11]
    assert any("ASCII mode" in limit for limit in found["limits"])


@pytest.mark.parametrize(("word", "mend"), [("osdp", "found without it"), ("nix.toml", "or modbus-ascii")])
@pytest.mark.parametrize("command", ["listen", "diagnose"])
def test_an_unknown_protocol_is_told_alike(command: str, word: str, mend: str) -> None:
    done = run(command, "sim:demo", "--protocol", word)
    assert (done.exit_code, mend in done.stderr) == (Exit.INPUT, True)
