"""`benchtool listen`: what it prints, what it hides, how it ends."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["listen", *words])


def objects(result: Result) -> list[dict[str, Any]]:
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def log(path: Path, *lines: str) -> str:
    path.write_text("\n".join(lines) + "\n")
    return str(path)


def test_json_contract(tmp_path: Path) -> None:
    # Frames from the sheet: OSDP gallery 5.7 (COMPUTED), Modbus 3.3 (READ).
    name = log(
        tmp_path / "a.log",
        "0.5 53 01 08 00 05 60 8B 33",
        "0.52 53 81 08 00 05 40 39 35",
        "1.0 11 03 00 6B 00 03 76 87",
        "2.0 53 01 08 00 05 60 8B 34",
        "3.0 AA BB CC",
    )
    lines = objects(run(name, "--json"))
    assert lines[0]["kind"] == "tap"
    assert lines[-1]["kind"] == "summary"
    frames = [line for line in lines if line["kind"] == "frame"]
    assert [(f["t"], f["protocol"], f["address"], f["name"], f["ok"]) for f in frames[:3]] == [
        (0.5, "osdp", 1, "POLL", True),
        (0.52, "osdp", 1, "ACK", True),
        (1.0, "modbus-rtu", 17, "Read Holding Registers", True),
    ]
    assert [(f["ok"], f["reason"]) for f in frames[3:]] == [(False, "check-failed"), (False, "not-recognised")]
    assert frames[0]["octets"] == "530108000560" + "8b33"
    assert frames[0]["reason"] is None
    assert frames[4]["protocol"] == "unknown"
    assert "".join(f["lead"] + f["octets"] for f in frames) == (
        "5301080005608b3353810800054039351103006b000376875301080005608b34aabbcc"
    )
    assert frames[3]["protocol"] == "osdp"
    assert frames[1]["silence"] == pytest.approx(0.02 - 8 * 10 / 9600, abs=1e-6)


def test_a_damaged_modbus_frame_is_named(tmp_path: Path) -> None:
    # Sheet 3.3, BAD PRINT: the printed check value FA C8 is wrong (computed 57 5F).
    lines = objects(run(log(tmp_path / "a.log", "2.0 01 10 30 0C 00 01 02 00 01 FA C8"), "--json"))
    assert (lines[1]["protocol"], lines[1]["ok"], lines[1]["reason"]) == ("modbus-rtu", False, "check-failed")


def test_text_has_time_silence_address_verdict(tmp_path: Path) -> None:
    name = log(tmp_path / "a.log", "0.5 53 01 08 00 05 60 8B 33", "1.0 53 81 08 00 05 40 39 34")
    result = run(name)
    assert result.exit_code == 0
    poll, reply = result.output.splitlines()[2:4]
    assert poll.split()[:5] == ["0.5000", "->", "1", "ok", "POLL"]
    assert reply.split()[:7] == ["1.0000", "491.7", "<-", "1", "BAD", "check", "ACK"]
    assert "sound frames: 1 osdp; damaged frames and spans: 1 check-failed" in result.output


def test_secrets_are_hidden_unless_asked_for() -> None:
    # demo.toml: a 26-bit card, site code 57, number 20118; digits 2580 typed.
    hidden = run("sim:demo", "--for", "9s", "--json")
    cards = [line for line in objects(hidden) if line.get("cards")]
    assert cards[0]["cards"][0]["card_number"] is None
    assert cards[0]["fields"]["bits"] is None
    assert "20118" not in hidden.output
    text = run("sim:demo", "--for", "9s").output
    assert "20118" not in text
    assert "2580" not in text
    assert "RAW" in text
    shown = run("sim:demo", "--for", "9s", "--json", "--show-cards")
    reads = [line["cards"][0] for line in objects(shown) if line.get("cards")]
    assert {"format": "26-bit", "site_code": 57, "card_number": 20118, "parity_ok": True} in reads
    assert "20118" in run("sim:demo", "--for", "9s", "--show-cards").output


def test_only_errors_and_addresses() -> None:
    noisy = "sim:demo?fault=noise-broadband&level=0.4"
    frames = [line for line in objects(run(noisy, "--for", "4s", "--json", "--only", "errors")) if "ok" in line]
    assert frames
    assert all(not frame["ok"] or frame["line_errors"] for frame in frames)
    of_two = [line for line in objects(run("sim:demo", "--for", "2s", "--json", "--only", "2")) if "ok" in line]
    assert {frame["address"] for frame in of_two} == {2}
    both = [line for line in objects(run("sim:demo", "--for", "2s", "--json", "--only", "1,3")) if "ok" in line]
    assert {frame["address"] for frame in both} == {1, 3}
    assert run("sim:demo", "--only", "everything").exit_code == 2
    assert run("sim:demo", "--only", "256").exit_code == 2


@pytest.mark.parametrize("suffix", ["pcapng", "log"])
def test_what_was_recorded_comes_again(tmp_path: Path, suffix: str) -> None:
    name = str(tmp_path / f"visit.{suffix}")
    first = objects(run("sim:demo?fault=noise-broadband&level=0.3", "--for", "3s", "--json", "--record", name))
    again = objects(run(name, "--json"))
    assert [line for line in first if line["kind"] == "frame"] == [line for line in again if line["kind"] == "frame"]
    assert run("sim:demo", "--for", "1s", "--record", name).exit_code == 5
    assert run("sim:demo", "--for", "1s", "--record", name, "--overwrite").exit_code == 0


def test_for_takes_times_as_people_write_them() -> None:
    for text, seconds in (("1500ms", 1.5), ("2s", 2), ("0.05m", 3), ("1", 1)):
        summary = objects(run("sim:demo", "--for", text, "--json"))[-1]
        assert summary["elapsed"] == pytest.approx(seconds, abs=0.1)
    assert "is not a time" in run("sim:demo", "--for", "soon").output
    assert run("sim:demo", "--for", "-1s").exit_code == 2


def test_for_cuts_a_file(tmp_path: Path) -> None:
    name = log(tmp_path / "a.log", *(f"{t}.0 53 01 08 00 05 60 8B 33" for t in range(10)))
    assert objects(run(name, "--for", "4.5s", "--json"))[-1]["frames"] == {"osdp": 5}


def test_settings_from_the_command_line() -> None:
    tap = objects(run("sim:modbus", "--for", "1s", "--json", "--baud", "9600"))[0]
    assert (tap["baud"], tap["format"]) == (9600, "8E1")
    tap = objects(run("sim:modbus", "--for", "1s", "--json", "--format", "8N1"))[0]
    assert (tap["baud"], tap["format"]) == (19200, "8N1")
    result = run("sim:demo", "--format", "9N1")
    assert result.exit_code == 2
    assert "8N1" in result.output


def test_a_blind_tap_shows_no_zero() -> None:
    summary = objects(run("sim:demo?adapter=blind", "--for", "1s", "--json"))[-1]
    assert summary["line_errors"] is None
    assert "proves nothing" in run("sim:demo?adapter=blind", "--for", "1s").output
    counted = objects(run("sim:demo?adapter=counted&fault=noise-broadband", "--for", "2s", "--json"))
    assert any(line["kind"] == "line-errors" and line["framing"] for line in counted)


def test_octets_under_each_frame(tmp_path: Path) -> None:
    name = log(tmp_path / "a.log", "0 FF 53 01 08 00 05 60 8B 33")
    assert "53 01 08 00 05 60 8B 33" in run(name, "--octets").output


def test_gaps_are_visible(tmp_path: Path) -> None:
    name = log(tmp_path / "a.log", "0 53 01 08 00 05 60 8B 33", "#! gap 1.0 2.5 adapter pulled out", "3 AA")
    assert "NOT HEARD" in run(name).output
    gaps = [line for line in objects(run(name, "--json")) if line["kind"] == "gap"]
    assert [(gap["t"], gap["end"], gap["why"]) for gap in gaps] == [(1.0, 2.5, "adapter pulled out")]


BAD_INPUT = [
    ("/dev/ttyUSB77", 3, "ttyUSB77"),
    ("no-such-file.pcapng", 3, "no-such-file"),
    ("sim:nowhere", 2, "demo"),
    ("sim:demo?fault=gremlins", 2, "noise"),
    ("sim:demo?colour=red", 2, "colour"),
    ("wat://x", 2, "wat"),
    (".", 3, "folder"),
]


@pytest.mark.parametrize(("address", "code", "word"), BAD_INPUT)
def test_bad_addresses_are_one_line(address: str, code: int, word: str) -> None:
    result = run(address)
    assert (result.exit_code, len(result.stderr.splitlines())) == (code, 1), result.output
    assert word in result.stderr


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"hello world\n",
        b"\xd4\xc3\xb2\xa1" + bytes(40),
        bytes(range(256)) * 8,
        b"\x0a\x0d\x0d\x0a\xff\xff\xff\xff",
    ],
    ids=["empty", "prose", "classic-capture", "binary", "hostile"],
)
def test_foreign_and_hostile_files_are_one_line(tmp_path: Path, content: bytes) -> None:
    name = tmp_path / "thing.pcapng"
    name.write_bytes(content)
    result = run(str(name))
    assert result.exit_code in (3, 4), result.output
    assert len(result.stderr.splitlines()) == 1
    assert "Traceback" not in result.output


def test_a_truncated_capture_gives_all_that_is_whole(tmp_path: Path) -> None:
    name = tmp_path / "visit.pcapng"
    whole = objects(run("sim:bench", "--for", "2s", "--json", "--record", str(name)))
    name.write_bytes(name.read_bytes()[:-37])
    lines = objects(run(str(name), "--json"))
    frames = [line for line in lines if line["kind"] == "frame"]
    assert frames == [line for line in whole if line["kind"] == "frame"][: len(frames)]
    assert any("incomplete" in line["text"] for line in lines if line["kind"] == "notice")


def test_a_full_disk_is_one_line_and_the_summary_stands() -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    result = run("sim:demo", "--for", "3s", "--record", "/dev/full", "--overwrite")
    assert result.exit_code == 5
    assert result.stderr.count("\n") == 1


def test_a_full_disk_behind_standard_output_is_one_line() -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "benchtool", "listen", "sim:demo"], stdout=full, stderr=subprocess.PIPE, text=True
        )
    assert done.returncode == 5
    assert "Traceback" not in done.stderr
    assert "cannot be written" in done.stderr


def test_a_closed_pipe_ends_quietly() -> None:
    done = subprocess.run(
        f"{sys.executable} -m benchtool listen sim:demo | head -n 3", shell=True, capture_output=True, text=True
    )
    assert len(done.stdout.splitlines()) == 3
    assert done.stderr == ""


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_ctrl_c_leaves_a_summary_and_a_readable_recording(tmp_path: Path, how: signal.Signals) -> None:
    name = tmp_path / "visit.pcapng"
    words = ["listen", "sim:demo?pace=real&for=600", "--record", str(name), "--json"]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        [sys.executable, "-m", "benchtool", *words], stdout=subprocess.PIPE, text=True, env=environment
    ) as listening:
        assert listening.stdout is not None
        lines = [json.loads(listening.stdout.readline()) for _ in range(6)]
        listening.send_signal(how)
        lines += [json.loads(line) for line in listening.stdout]
        assert listening.wait() == 0
    assert lines[-1]["kind"] == "summary"
    assert lines[-1]["stopped_by_user"] is True
    again = objects(run(str(name), "--json"))
    assert sum(line["kind"] == "frame" for line in again) == sum(line["kind"] == "frame" for line in lines) >= 5


SECRETS = (
    "0.0 53 82 10 00 05 50 00 01 1A 00 9C A7 4B 00 57 6D",  # a card read whose check value is wrong
    "0.1 53 81 0D 00 05 53 00 03 31 32 0D 9C 88",  # sheet 5.7, computed: KEYPAD 12#
    "0.2 52 82 10 00 05 50 00 01 1A 00 9C A7 4B 00 57 6D",  # the same card read, its start octet damaged
    # Sheet 5.7 (READ in unit tests): KEYSET, address 0.
    "0.3 53 00 1A 00 06 75 01 10 00 01 02 03 04 05 06 07 00 01 02 03 04 05 06 07 CF A3",
)


def test_octets_of_secrets_are_dots_unless_asked_for(tmp_path: Path) -> None:
    name = log(tmp_path / "a.log", *SECRETS)
    assert "9C A7" not in run(name).output
    hidden = run(name, "--octets", "--only", "0,1,2").output
    for octets in ("9C A7", "31 32", "06 07"):
        assert octets not in hidden
    assert "53 81 0D 00 05 53 00" in hidden
    assert "••" in hidden
    shown = run(name, "--octets", "--show-cards").output
    for octets in ("9C A7", "31 32", "06 07"):
        assert octets in shown


def test_a_recording_never_replaces_what_is_being_read(tmp_path: Path) -> None:
    name = log(tmp_path / "a.log", "0.0 53 01 08 00 05 60 8B 33")
    before = Path(name).read_text()
    link = tmp_path / "same.log"
    link.symlink_to(name)
    for record in (name, str(link)):
        result = run(name, "--record", record, "--overwrite")
        assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
    assert Path(name).read_text() == before


def test_a_recording_has_a_name_that_says_what_it_is(tmp_path: Path) -> None:
    result = run("sim:demo", "--record", str(tmp_path / "a.txt.gz"))
    assert result.exit_code == 2
    assert ".pcapng" in result.stderr


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["listen"], "TAP"),
        (["listen", "sim:demo", "--baud", "10"], "50 to 20 000 000"),
        (["listen", "sim:demo", "--wrong"], "--wrong"),
        (["lisen"], "listen"),
        (["listen", "sim:demo", "more"], "more"),
    ],
)
def test_wrong_command_lines_are_one_line(words: list[str], part: str) -> None:
    result = CliRunner().invoke(main, words)
    assert (result.exit_code, len(result.stderr.splitlines())) == (2, 1)
    assert part in result.stderr
    assert "--help" in result.stderr


def test_silence_and_addresses_never_heard_are_said() -> None:
    assert "is the controller on" in run("sim:demo?for=0").output
    assert "never heard of: address 99" in run("sim:demo", "--for", "1s", "--only", "99").output


def test_time_counts_from_when_listening_began() -> None:
    # The longline bus is quiet at the end of its time; a log counts from its first octets.
    assert objects(run("sim:demo", "--for", "2s", "--json"))[-1]["elapsed"] == pytest.approx(2, abs=1e-6)


def test_a_hostile_log_header_is_no_traceback(tmp_path: Path) -> None:
    name = log(tmp_path / "deep.log", "#! tap name=" + "[" * 100_000, "0.0 53 01 08 00 05 60 8B 33")
    assert run(name).exit_code == 0


def test_a_reader_that_has_seen_enough_is_no_failure() -> None:
    words = f"{sys.executable} -m benchtool listen sim:demo --json"
    done = subprocess.run(
        ["bash", "-c", f"{words} | head -n 1 >/dev/null; echo ${{PIPESTATUS[0]}}"], capture_output=True, text=True
    )
    assert (done.stdout.strip(), done.stderr) == ("0", "")


def test_the_table_of_addresses_fits_a_narrow_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    tables = {}
    for columns in (80, 60):
        monkeypatch.setattr("benchtool.commands.session.terminal_width", lambda columns=columns: columns)
        lines = run("sim:demo", "--for", "3", "--only", "99").output.splitlines()
        head = next(place for place, line in enumerate(lines) if line.startswith("address"))
        tables[columns] = [line.split() for line in lines[head : head + 6]]
        assert all(len(line) <= columns for line in lines[head : head + 6])
    assert len(tables[80][1]) == 9
    # The median is the eighth of nine.
    assert [row[:6] + row[7:8] for row in tables[80][1:]] == [row[:6] + row[6:] for row in tables[60][1:]]


def test_json_octets_of_secrets_are_points_unless_asked_for(tmp_path: Path) -> None:
    name = log(tmp_path / "a.log", *SECRETS)
    frames = [line for line in objects(run(name, "--json")) if line["kind"] == "frame"]
    assert frames[1]["octets"] == "53810d0005530003" + ".." * 5
    assert [len(frame["octets"]) for frame in frames] == [2 * 16, 2 * 13, 2 * 16, 2 * 26]
    assert "9ca7" not in "".join(frame["octets"] for frame in frames)
    shown = [line for line in objects(run(name, "--json", "--show-cards")) if line["kind"] == "frame"]
    assert "".join(frame["octets"] for frame in shown) == "".join(
        line.split("#")[0].partition(" ")[2].replace(" ", "").lower() for line in SECRETS
    )


@pytest.mark.parametrize("command", ["listen", "diagnose"])
def test_no_control_of_a_file_reaches_the_terminal(tmp_path: Path, command: str) -> None:
    heard = log(
        tmp_path / "foreign.txt",
        r'#! tap baud=9600 format=8N1 name="x\u001b]0;mine\u0007\u001b[31mred"',
        r'#! gap 1.0 2.0 "lost \u001b[2J"',
        "3.0 53",
    )
    shown = CliRunner().invoke(main, [command, heard]).output
    assert "red" in shown
    assert all(line.isprintable() for line in shown.splitlines())
