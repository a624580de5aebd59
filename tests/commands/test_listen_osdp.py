"""`benchtool listen` on secured and faulty OSDP: keys, events, findings, and that no secret shows unasked."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main
from tests.osdp_talk import FIXTURES

SET_KEY = str(FIXTURES / "peer-secure-set-key.log")
KEY_CHANGE = str(FIXTURES / "peer-secure-key-change.log")
KEYS = str(FIXTURES / "peer-secure.keys")
KEY = "7A1F33C8540E96D2B187E04C6A2B9F15"


def run(*words: str, env: dict[str, str] | None = None) -> Result:
    settings: dict[str, str | None] = {"BENCHTOOL_OSDP_KEY": None, **(env or {})}
    return CliRunner().invoke(main, ["listen", *words], env=settings)


def objects(*words: str) -> list[dict[str, Any]]:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_a_key_file_opens_the_session() -> None:
    text = run(SET_KEY, "--osdp-key", KEYS).output
    assert "TEXT show text [MAC ok]: reader 0" in text
    assert "RAW card read [MAC ok]: 26-bit site ••• number •••" in text
    assert "address 5: open, with a key that was given; 1 start(s), 38 frames verified" in text
    shown = run(SET_KEY, "--osdp-key", KEYS, "--show-cards").output
    assert "26-bit site 101 number 4095 parity ok" in shown


def test_the_environment_opens_it_too() -> None:
    for text in (KEY, f"7 {'0' * 32}; 5 {KEY}"):
        assert "[MAC ok]" in run(SET_KEY, env={"BENCHTOOL_OSDP_KEY": text}).output


def test_without_a_key_it_says_what_is_known_and_what_to_do() -> None:
    text = run(SET_KEY).output
    assert "RAW card read [no key]" in text
    assert "codes, lengths and times are known, contents are not" in text
    assert "to do: give the key with --osdp-key FILE or BENCHTOOL_OSDP_KEY" in text


def test_a_key_change_from_the_default_key_on_is_shown_without_the_key() -> None:
    text = run(KEY_CHANGE, "--octets").output
    assert "SECURITY  a key was sent in a session with the default key: whoever listened has it" in text
    assert (
        "KEYSET set the secure channel key [MAC ok]: key type secure channel base key, length 16 octets, key •••"
        in text
    )
    assert KEY not in text.upper()
    # Under the default key anybody can decrypt the octets of the key: they are hidden, too.
    line = next(line for line in text.splitlines() if "53 05 2E" in line)
    assert line.endswith("75 •• ×38")
    assert KEY in run(KEY_CHANGE, "--show-cards").output.upper()


def test_json_says_what_the_text_says() -> None:
    lines = objects(KEY_CHANGE)
    events = [line for line in lines if line["kind"] == "event"]
    assert [event["event"] for event in events if event["level"] == "security"] == [
        "default-key-in-use",
        "key-sent-under-default-key",
    ]
    assert all(event["mend"] for event in events if event["level"] != "note")
    assert all({"t", "address", "title", "detail", "clause", "numbers"} <= set(event) for event in events)
    keyset = next(line for line in lines if line.get("name") == "KEYSET")
    assert keyset["security"] == {"standing": "verified", "key": "default", "fault": None}
    assert keyset["fields"]["key"] is None
    summary = lines[-1]["osdp"]
    assert summary["secure_channels"][0]["key"] == "learned"
    assert {"event": "session-open", "level": "note", "address": 5}.items() <= next(
        one for one in summary["events"] if one["event"] == "session-open"
    ).items()
    clear = objects("sim:demo", "--for", "2s")
    assert all("security" not in line for line in clear if line["kind"] == "frame")


def test_events_follow_the_filter() -> None:
    only_errors = run(KEY_CHANGE, "--only", "errors").output
    assert "SECURITY  secure session with the default key" in only_errors
    assert "note      secure session open" not in only_errors.split("secure channels:")[0]
    other = run(KEY_CHANGE, "--only", "4").output
    assert "SECURITY" not in other.split("secure channels:")[0]


def test_many_events_of_a_kind_are_counted_rather_than_shown() -> None:
    text = run("sim:demo?fault=sequence-faults", "--for", "40s", "--only", "errors").output
    shown, summary = text.split("noticed in the OSDP traffic:")
    assert shown.count("reply with another sequence number than its command") == 3
    assert "(more of these are only counted)" in shown
    assert "reply with another sequence number than its command; address 5 (×" in summary


def test_a_command_to_every_device_says_so(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    # sheet 5.6: COMSET to address 7F
    path.write_text("0.5 53 7F 0D 00 04 6E 00 80 25 00 00 6E 38\n")
    assert "-> all ok        COMSET" in run(str(path)).output


def test_sound_simulated_traffic_has_no_fault_but_the_dead_reader() -> None:
    lines = objects("sim:demo", "--for", "60s")
    found = [(line["event"], line["address"]) for line in lines if line["kind"] == "event" and line["level"] == "fault"]
    assert found == [("offline", 5)]


def test_a_capture_says_the_same_as_the_bus(tmp_path: Path) -> None:
    saved = str(tmp_path / "a.pcapng")
    live = objects("sim:demo?fault=device-slow", "--for", "20s", "--record", saved)
    again = objects(saved)

    def events(lines: list[dict[str, Any]]) -> list[tuple[str, int]]:
        return [(line["event"], line["address"]) for line in lines if line["kind"] == "event"]

    assert events(live) == events(again)
    assert ("reply-late", 5) in events(live)


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ("5 0011", 4, "line 1 is not a key"),
        ("", 4, "there is no key in it"),
        ("\0\0", 4, "not a text file"),
    ],
)
def test_a_wrong_key_file_is_one_line(tmp_path: Path, text: str, code: int, words: str) -> None:
    path = tmp_path / "keys"
    path.write_text(text)
    result = run(SET_KEY, "--osdp-key", str(path))
    assert result.exit_code == code
    assert words in result.output
    assert len(result.output.splitlines()) == 1


def test_other_ways_to_give_a_wrong_key(tmp_path: Path) -> None:
    assert run(SET_KEY, "--osdp-key", str(tmp_path / "none")).exit_code == 4
    latin = tmp_path / "latin"
    latin.write_bytes(b"\xff\xfe\xe4")
    assert "not a text file" in run(SET_KEY, "--osdp-key", str(latin)).output
    itself = run(SET_KEY, "--osdp-key", KEY)
    assert itself.exit_code == 2
    assert KEY not in itself.output
    assert "never the key itself" in itself.output
    wrong = run(SET_KEY, env={"BENCHTOOL_OSDP_KEY": KEY[:-2]})
    assert wrong.exit_code == 4
    assert KEY[:-2] not in wrong.output


@pytest.mark.skipif(os.name != "posix", reason="file modes")
def test_a_key_file_that_others_can_read_is_pointed_out(tmp_path: Path) -> None:
    path = tmp_path / "keys"
    path.write_text(KEY)
    path.chmod(0o644)
    assert f"chmod 600 {path}" in run(SET_KEY, "--osdp-key", str(path)).output
    path.chmod(0o600)
    assert "chmod" not in run(SET_KEY, "--osdp-key", str(path)).output


def test_times_are_shown_and_judged_as_finely_as_the_tap_sees_them() -> None:
    # a latency timer of 16 ms (sheet 10.3): the reader's 3 ms and two characters at 9600 are not to be seen
    coarse = run("sim:bench?lump_ms=16", "--for", "2s")
    assert re.search(r"^osdp .* <16 +<16 +\S+$", coarse.stdout, re.MULTILINE), coarse.stdout
    assert "not judged, since times are too coarse at this tap: less than two characters of silence" in coarse.stdout
    last = json.loads(run("sim:bench?lump_ms=16", "--for", "2s", "--json").stdout.splitlines()[-1])
    assert last["osdp"]["not_judged"] == ["idle-short"]
    assert "not judged" not in run("sim:bench", "--for", "2s").stdout
