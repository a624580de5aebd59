"""`benchtool diagnose` with readings, a scope's CSV, saved diagnoses and reports."""

from __future__ import annotations

import json
import re
from io import FileIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from benchtool.capture import private
from benchtool.capture.settings import LineSettings
from benchtool.commands.main import main
from benchtool.wire.pair import Bias, Cable, Node, Pair, Terminator
from benchtool.wire.uart import encode


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["diagnose", *words])


def diagnosis(*words: str) -> dict[str, Any]:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    made: dict[str, Any] = json.loads(result.stdout)
    return made


def leading(found: dict[str, Any]) -> str:
    return str(found["findings"][0]["cause"])


def test_readings_alone_are_diagnosed() -> None:
    found = diagnosis("--meter", "ab-ohms=open", "--meter", "ab-idle=2.9")
    assert leading(found) == "terminator-missing-both"
    assert found["measured"] == {"ab-ohms": 1e6, "ab-idle": 2.9}
    assert found["figures"] is None
    assert any("measured: ab-ohms open" in proof["text"] for proof in found["findings"][0]["evidence"])


def test_a_hidden_terminator_is_found_by_the_ohmmeter() -> None:
    bus = "sim:demo?fault=terminator-missing-both&for=10"
    heard = diagnosis(bus)
    assert leading(heard) == "healthy"
    assert "terminator-missing-both" in heard["group"]["causes"]
    assert heard["findings"][0]["probability"] <= 0.6 * heard["group"]["probability"] + 1e-3
    assert any("cannot be seen this way" in limit for limit in heard["limits"])
    measured = diagnosis(bus, "--meter", "ab-ohms=open", "--meter", "ab-idle=2.6")
    assert leading(measured) == "terminator-missing-both"
    assert measured["findings"][0]["probability"] > 0.8


def test_a_saved_diagnosis_goes_on(tmp_path: Path) -> None:
    state = str(tmp_path / "visit.json")
    first = run("sim:demo?fault=pair-reversed-at-device&at=3", "--for", "8s", "--save", state)
    assert first.exit_code == 0, first.output
    assert "device" in first.output
    text = Path(state).read_text()
    assert "20118" not in text, "no card numbers"
    second = diagnosis(state, "--meter", "ab-idle@3=-0.25", "--save", state)
    assert leading(second) == "pair-reversed-at-device"
    assert second["findings"][0]["place"] == "address 3"
    third = diagnosis(state, "--tried", "swap-wires@3=better")
    assert third["measured"] == {"ab-idle@3": -0.25}
    assert third["tried"] == {"swap-wires@3": "better"}
    assert third["findings"][0]["probability"] >= second["findings"][0]["probability"]


def test_next_measurements_say_what_they_are_worth() -> None:
    found = diagnosis("sim:demo?fault=device-silent&at=2", "--for", "8s")
    assert 1 <= len(found["next"]) <= 3
    for step in found["next"]:
        if step["name"]:
            assert step["gain_bits"] > 0
            assert step["minutes"] > 0
            assert len(step["expect"]) > 1
            assert step["caution"]
    output = run("sim:demo?fault=device-silent&at=2", "--for", "8s").output
    assert "of what is still possible" in " ".join(output.split())
    assert " bits" not in output.split("NEXT")[1].split("COULD")[0]
    assert "--meter" in output


def scope_csv(path: Path, *, reversed_pair: bool = False, terminated: bool = True) -> str:
    """Both wires against ground, as a scope writes them; from the line model with known physics."""
    settings = LineSettings(9600)
    ends = (Terminator(0.0), Terminator(100.0)) if terminated else ()
    pair = Pair(
        Cable(),
        100.0,
        (Node("controller", 0.0), Node("reader", 100.0), Node("tap", 50.0, reversed_pair=reversed_pair)),
        ends,
        (Bias(0.0, 560.0),),
    )
    signal = encode(bytes.fromhex("FF5305080004608A51"), settings)
    times = np.linspace(-0.004, signal.duration_s + 0.004, 20_000)
    volts = pair.volts("controller", "tap", signal, times)
    rows = [f"{t:.7e},{2.5 + v / 2:.4f},{2.5 - v / 2:.4f}" for t, v in zip(times, volts, strict=True)]
    path.write_text("time (s),A (V),B (V)\n" + "\n".join(rows) + "\n")
    return str(path)


def test_a_scopes_record_proves_a_reversed_clip(tmp_path: Path) -> None:
    found = diagnosis("--waveform", scope_csv(tmp_path / "scope.csv", reversed_pair=True))
    assert leading(found) == "pair-reversed-at-tap"
    assert found["waveform"]["scope-idle-v"] < -0.2


def test_a_scopes_record_of_a_sound_bus_speaks_for_it(tmp_path: Path) -> None:
    sound = diagnosis("--waveform", scope_csv(tmp_path / "sound.csv"))
    bare = diagnosis("--waveform", scope_csv(tmp_path / "bare.csv", terminated=False))
    chance = {row["cause"]: row["probability"] for row in sound["findings"]}
    worse = {row["cause"]: row["probability"] for row in bare["findings"]}
    assert chance.get("healthy", 0) > worse.get("healthy", 0)
    assert worse.get("terminator-missing-both", 0) > 0.3


def test_a_report_is_one_page_with_findings_first_and_no_secrets(tmp_path: Path) -> None:
    page = tmp_path / "visit.html"
    shot = scope_csv(tmp_path / "a.csv")
    result = run("sim:demo", "--for", "12s", "--report", str(page), "--waveform", shot, "--meter", "ab-ohms=61")
    assert result.exit_code == 0, result.output
    text = page.read_text(encoding="utf-8")
    assert text.lower().startswith("<!doctype html")
    assert "http://" not in text.replace("http://www.w3.org", "")
    assert "device-silent" in text
    assert "ab-ohms 61" in text
    assert "20118" not in text
    again = ("sim:demo", "--for", "2s", "--report", str(page))
    assert run(*again).exit_code == 5
    assert page.read_text(encoding="utf-8") == text
    assert run(*again, "--overwrite").exit_code == 0
    assert page.read_text(encoding="utf-8") != text


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        ((), 2, "Give a TAP"),
        (("--meter", "ab-ohms=x"), 2, "a number is wanted"),
        (("--tried", "swap-clip=maybe"), 2, "better or same"),
        (("sim:bench", "--order", "1,1"), 2, "once each"),
        (("sim:bench", "--save", "a.txt"), 2, "ends in .json"),
        (("sim:bench", "--report", "a.pdf"), 2, "ends in .html"),
        (("sim:bench", "--for", "1s", "--save", "/nowhere/a.json"), 5, "there is no folder /nowhere"),
        (("--waveform", "/nowhere/a.csv"), 4, "cannot be read"),
    ],
)
def test_errors_are_one_line_with_the_mend(words: tuple[str, ...], code: int, told: str) -> None:
    result = run(*words)
    assert result.exit_code == code, result.output
    assert told in result.stderr
    assert "Traceback" not in result.output


def test_other_files_are_not_replaced(tmp_path: Path) -> None:
    other = tmp_path / "notes.json"
    other.write_text('{"mine": 1}')
    assert run("sim:bench", "--for", "1s", "--save", str(other)).exit_code == 5
    page = tmp_path / "notes.html"
    page.write_text("my notes")
    assert run("sim:bench", "--for", "1s", "--report", str(page)).exit_code == 5
    assert page.read_text() == "my notes"


def test_a_damaged_saved_diagnosis_is_told(tmp_path: Path) -> None:
    state = tmp_path / "visit.json"
    state.write_text('{"benchtool-diagnosis": 1, "tap": ')
    result = run(str(state))
    assert result.exit_code == 4
    assert len(result.stderr.splitlines()) == 1


def test_readings_are_listed_with_how_to_take_them() -> None:
    output = run("--readings").output
    for words in ("ab-ohms=OHMS", "ab-idle@ADDRESS=VOLTS", "swap-clip", "unplug@ADDRESS", "power off", "escape routes"):
        assert words in output.replace("Escape", "escape"), words


def test_a_length_that_is_no_number_is_refused() -> None:
    result = run("--meter", "ab-ohms=61", "--length", "nan")
    assert result.exit_code == 2
    assert "metres" in result.output


def test_a_saved_diagnosis_of_odd_content_is_told_in_one_line(tmp_path: Path) -> None:
    state = tmp_path / "visit.json"
    assert run("--meter", "ab-ohms=61", "--save", str(state)).exit_code == 0
    state.write_text(state.read_text().replace('"ab-ohms"', '"weight"'))
    result = run(str(state))
    assert result.exit_code == 4
    assert len(result.stderr.splitlines()) == 1
    state.write_bytes(b'{"benchtool-diagnosis": 1, "tap": "\xff')
    result = run(str(state))
    assert result.exit_code == 4
    assert "saved diagnosis" in result.stderr


def test_what_only_listening_needs_is_refused_without_it(tmp_path: Path) -> None:
    state = str(tmp_path / "visit.json")
    assert run("--meter", "ab-ohms=61", "--save", state).exit_code == 0
    for words in (("--record", str(tmp_path / "a.log")), ("--for", "5s"), ("--format", "8E1")):
        result = run(state, *words)
        assert result.exit_code == 2, words
        assert words[0] in result.output


def test_a_full_disk_leaves_the_saved_diagnosis_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    state = tmp_path / "visit.json"
    assert run("--meter", "ab-ohms=61", "--save", str(state)).exit_code == 0
    before = state.read_text()

    class Full(FileIO):
        def write(self, data: Any) -> int:
            super().write(bytes(data)[: len(data) // 2])
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(private, "FileIO", Full)
    result = run(str(state), "--meter", "ab-idle=0.2", "--save", str(state))
    assert result.exit_code == 5
    assert "the disk is full" in result.stderr
    assert state.read_text() == before
    assert list(tmp_path.iterdir()) == [state]


def test_of_two_values_for_one_reading_the_last_counts_and_it_is_said() -> None:
    twice = ("--meter", "ab-ohms=61", "--meter", "ab-idle=0.24", "--meter", "ab-ohms=118")
    result = run(*twice, "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout)["measured"] == {"ab-ohms": 118, "ab-idle": 0.24}
    notes = result.stderr.splitlines()
    assert notes == ["note: --meter was given twice: ab-ohms 118 ohm counts, the last; left out: ab-ohms 61 ohm"]
    tried = ("sim:demo", "--for", "2s", "--tried", "unplug@3=better", "--tried", "unplug@3=same")
    assert "unplug@3=same counts, the last; left out: unplug@3=better" in run(*tried).stderr


def test_the_same_value_twice_is_no_matter() -> None:
    result = run(
        "--meter", "ab-ohms=61", "--meter", "ab-ohms=61.0", "--meter", "ab-idle@1=0.2", "--meter", "ab-idle@2=0.3"
    )
    assert result.exit_code == 0
    assert "twice" not in result.stderr


def test_a_waveform_at_another_rate_is_said_in_plain_words(tmp_path: Path) -> None:
    shot = scope_csv(tmp_path / "scope.csv")  # 9600 bit/s
    given = run("--waveform", shot, "--baud", "38400")
    assert given.exit_code == 0
    assert given.stdout.startswith("! The waveform runs at 9600 bit/s, but 38400 is set")
    object_ = diagnosis("--waveform", shot, "--baud", "38400")
    assert any("--baud 9600" in note for note in object_["waveform_notes"])
    assert diagnosis("--waveform", shot)["waveform_notes"] == []
    # A tap's own rate is what is set, too.
    page = tmp_path / "visit.html"
    tapped = run("sim:longline?for=2", "--waveform", shot, "--report", str(page))
    assert tapped.exit_code == 0, tapped.output
    assert "The waveform runs at 9600 bit/s, but 115200 is set" in " ".join(tapped.stdout.split())
    assert "The waveform runs at 9600 bit/s, but 115200 is set" in page.read_text(encoding="utf-8")


def test_no_figure_of_a_report_has_an_exponent(tmp_path: Path) -> None:
    page = tmp_path / "visit.html"
    shot = scope_csv(tmp_path / "a.csv", terminated=False)
    assert run("--waveform", shot, "--meter", "ab-ohms=61", "--report", str(page)).exit_code == 0
    text = re.sub(r"<svg.*?</svg>|<style.*?</style>", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    assert not re.findall(r"[0-9]e[+-][0-9]+", text)
    order = [text.index(f"<h2>{head}") for head in ("Findings", "Next", "Measured", "Waveform", "Raw figures")]
    assert order == sorted(order)


def test_without_a_tap_nobody_is_told_to_listen_again(tmp_path: Path) -> None:
    for words in (
        ("--meter", "ab-idle=-0.3"),
        ("--meter", "ab-ohms=61"),
        ("--waveform", scope_csv(tmp_path / "a.csv")),
    ):
        said = " ".join(run(*words).stdout.split())
        assert "listen again" not in said
        assert "we listened" not in said


def test_after_a_proof_no_idle_action_is_suggested() -> None:
    found = diagnosis("sim:demo?fault=pair-reversed-at-tap", "--for", "10s")
    assert found["findings"][0]["probability"] > 0.95
    assert [step["name"] for step in found["next"] if step["name"] in ("lower-baud", "unplug@1")] == []
    assert "swap-clip" in [step["name"] for step in found["next"]]
