"""`benchtool explore`, and the table it saves in `listen --protocol` and `diagnose --protocol`."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.capture.chunk import Chunk
from benchtool.commands.errors import Exit
from benchtool.commands.main import main
from benchtool.explore.invented import draw, traffic
from benchtool.frames.protocol_file import from_toml

SEED = 3
"""An invented bus of eight devices with a sum of octets; the seed is fixed, the bus is drawn."""


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


def write_log(path: Path, chunks: tuple[Chunk, ...]) -> str:
    lines = [f"{chunk.t_ns / 1e9:.6f} {chunk.octets.hex(' ')}" for chunk in chunks]
    path.write_text("\n".join(lines) + "\n")
    return str(path)


@pytest.fixture
def bus(tmp_path: Path) -> str:
    made = draw(SEED)
    heard = traffic(made, SEED, frames=160, damage=0.002)
    return write_log(tmp_path / "bus.log", heard.chunks)


def settings(seed: int = SEED) -> list[str]:
    made = draw(seed)
    return ["--baud", str(made.settings.baud), "--format", str(made.settings.format)]


def test_explore_save_listen_diagnose(bus: str, tmp_path: Path) -> None:
    table = str(tmp_path / "bus.toml")
    done = run("explore", bus, *settings(), "--save", table, "--name", "gate")
    assert done.exit_code == 0, done.output
    assert "check value" in done.stdout
    assert "sure" in done.stdout
    learned = from_toml(Path(table).read_text())
    assert learned.name == "gate"
    assert learned.check is not None

    plain = json.loads(run("listen", bus, *settings(), "--json").stdout.splitlines()[-1])
    read = run("listen", bus, *settings(), "--protocol", table, "--json")
    lines = [json.loads(line) for line in read.stdout.splitlines()]
    summary = lines[-1]
    assert plain["frames"] == {}
    assert summary["frames"]["table"] > 140
    assert 0 < summary["damaged"]["check-failed"] <= 10
    assert sum(row["answered"] for row in summary["addresses"]) > 60
    frame = next(line for line in lines if line["kind"] == "frame" and line["ok"])
    assert frame["protocol"] == "table"
    assert set(frame["fields"]) >= {"length", "check"}

    shown = run("listen", bus, *settings(), "--protocol", table)
    assert shown.exit_code == 0
    assert "gate" in shown.stdout

    found = run("diagnose", bus, *settings(), "--protocol", table, "--json")
    assert found.exit_code == 0, found.output
    object_ = json.loads(found.stdout)
    assert object_["findings"]


def test_json_holds_no_payload(bus: str) -> None:
    done = run("explore", bus, *settings(), "--json")
    made = json.loads(done.stdout)
    assert made["kind"] == "explored"
    assert made["sound"] > 140
    assert made["check"]["proof_right"] > 0
    whats = [claim["what"] for claim in made["claims"]]
    assert "check" in whats
    assert "address" in whats
    assert all(0 < claim["confidence"] < 1 for claim in made["claims"])
    assert "octets" not in made["claims"][0]
    assert made["saved"] is None


def test_a_known_protocol_is_said_to_be_known() -> None:
    done = run("explore", "sim:demo?for=8", "--strict")
    assert done.exit_code == 0
    assert "this bus speaks osdp" in done.stdout
    assert "CRC-16/AUG-CCITT" in done.stdout


def test_errors_in_one_line(tmp_path: Path, bus: str) -> None:
    there = tmp_path / "there.toml"
    there.write_text("x")
    quiet = tmp_path / "quiet.log"
    quiet.write_text("0.0 01 02\n")
    for words, code, told in (
        (["explore", bus, "--save", "a.txt"], Exit.USAGE, "ends in .toml"),
        (["explore", bus, "--save", str(there)], Exit.OUTPUT, "--overwrite"),
        (["explore", bus, "--save", str(tmp_path / "no" / "a.toml")], Exit.OUTPUT, "no folder"),
        (["explore", bus, "--name", "a\nb"], Exit.USAGE, "--name"),
        (["explore", str(quiet), "--save", str(tmp_path / "b.toml")], Exit.INPUT, "nothing was learned"),
        (["listen", bus, "--protocol", str(tmp_path / "none.toml")], Exit.INPUT, "none.toml"),
        (["listen", bus, "--protocol", str(there)], Exit.INPUT, "not TOML"),
        (["diagnose", bus, "--protocol", str(tmp_path)], Exit.INPUT, "directory"),
    ):
        done = run(*words)
        assert done.exit_code == code, (words, done.output)
        assert told in done.stderr
        assert len(done.stderr.strip().splitlines()) == 1
    binary = tmp_path / "x.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    assert "not a text file" in run("listen", bus, "--protocol", str(binary)).stderr


def test_strict_without_a_check_value(tmp_path: Path) -> None:
    name = tmp_path / "n.log"
    name.write_text("\n".join(f"{n}.0 {n:02x} {n * n % 256:02x} {n * 7 % 256:02x} 55" for n in range(20)))
    done = run("explore", str(name), "--strict")
    assert done.exit_code in (0, Exit.FAULT)
    few = tmp_path / "few.log"
    few.write_text("0.0 01 02 03\n")
    assert run("explore", str(few), "--strict").exit_code == Exit.FAULT


def test_a_file_is_heard_no_longer_than_asked(tmp_path: Path) -> None:
    name = tmp_path / "long.log"
    name.write_text("0.0 53 01 08 00 05 60 8B 33\n6.0 53 81 08 00 05 40 39 35\n")
    done = run("listen", str(name), "--for", "1s")
    assert "heard 8 octets in 1.0 s" in done.stdout


def test_only_takes_plain_digits() -> None:
    done = run("listen", "sim:bench?for=1", "--only", "²")
    assert done.exit_code == Exit.USAGE
    assert "--only" in done.stderr


def test_a_table_without_a_check_value_proves_no_frame_sound(tmp_path: Path) -> None:
    log = tmp_path / "plain.log"
    lines = []
    for turn in range(40):
        lines += [f"{turn / 10:.3f} 7E 01 10 0D", f"{turn / 10 + 0.02:.3f} 7E 81 {turn % 7:02X} 0D"]
    log.write_text("\n".join(lines) + "\n")
    table = tmp_path / "plain.toml"
    assert run("explore", str(log), "--save", str(table)).exit_code == 0
    found = run("diagnose", str(log), "--protocol", str(table))
    assert "no check value is known of this bus" in " ".join(found.output.split())
    assert "check values are right" not in found.output


def plain_log(path: Path, turns: int = 40) -> str:
    """Frames without a check value; replies follow within 20 ms."""
    lines = []
    for turn in range(turns):
        lines += [f"{turn / 10:.3f} 7E 01 10 0D", f"{turn / 10 + 0.02:.3f} 7E 81 {turn % 7:02X} 0D"]
    path.write_text("\n".join(lines) + "\n")
    return str(path)


def test_frames_without_a_check_value_are_unproved(tmp_path: Path) -> None:
    log, table = plain_log(tmp_path / "plain.log"), str(tmp_path / "plain.toml")
    learned = run("explore", log, "--save", table)
    assert "80 frames that nothing proves sound" in learned.stdout
    assert json.loads(run("explore", log, "--json").stdout)["sound"] == 0
    heard = run("listen", log, "--protocol", table)
    verdicts = {line[26:35].strip() for line in heard.stdout.splitlines() if " unnamed " in line}
    assert verdicts == {"unproved"}
    assert "sound frames: none; damaged frames and spans: none" in heard.stdout
    assert "unproved: 80 table; no check value is known" in heard.stdout
    lines = [json.loads(line) for line in run("listen", log, "--protocol", table, "--json").stdout.splitlines()]
    frames = [line for line in lines if line["kind"] == "frame"]
    assert {(line["ok"], line["reason"]) for line in frames} == {(None, "unproved")}
    assert (lines[-1]["frames"], lines[-1]["unproved"]) == ({}, 80)
    figures = json.loads(run("diagnose", log, "--protocol", table, "--json").stdout)["figures"]
    assert (figures["frames"], figures["unproved"]) == ({}, 80)


def test_who_speaks_by_silences_is_carried_into_the_table(tmp_path: Path) -> None:
    chooser = random.Random(3)
    lines, now = [], 0.1
    for _ in range(60):
        address = chooser.choice((3, 7, 9))
        for wait in (0.08, 0.008):
            body = bytes((address, chooser.choice((0x30, 0x31)))) + chooser.randbytes(2)
            now += wait + 5 * 10 / 9600
            lines.append(f"{now:.6f} {body.hex(' ')} {sum(body) & 0xFF:02x}")
    log, table = tmp_path / "quiet.log", str(tmp_path / "quiet.toml")
    log.write_text("\n".join(lines) + "\n")
    learned = run("explore", str(log), "--save", table)
    assert "no octet tells" in learned.stdout
    assert "reply_within_ms = " in Path(table).read_text()
    told = [json.loads(line) for line in run("listen", str(log), "--protocol", table, "--json").stdout.splitlines()]
    roles = [line["role"] for line in told if line["kind"] == "frame"]
    # Before the first frame nothing is known of the silence.
    assert roles == ["unknown", "unknown", *("request", "reply") * 59]
    assert sum(row["answered"] for row in told[-1]["addresses"]) == 59
    # The same bus through a tap whose times are too coarse for that.
    coarse = tmp_path / "coarse.log"
    head = '#! tap baud=9600 format=8N1 line_errors=unavailable resolution_ns=60000000 anchor_ns=0 name="x"\n'
    coarse.write_text(head + log.read_text())
    done = run("listen", str(coarse), "--protocol", table)
    assert "who asks and who answers is not told" in done.stderr
