"""`benchtool simulate` on a pseudo-terminal: both roles, the secure channel, what it refuses, what it hides."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from benchtool.capture.chunk import Chunk, Direction
from benchtool.commands.main import main
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.simulate.misdeeds import Injected, Misbehaving, Misdeed
from benchtool.simulate.modbus_stations import ModbusClient, ModbusServer
from benchtool.simulate.osdp_device_session import DeviceSession
from benchtool.simulate.osdp_panel_session import PanelSession
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Event, Peripheral
from benchtool.taps.address import open_tap
from tests.commands.other_end import FAST, Silent, other_end

IDENTITY = bytes.fromhex("020b7e010101000102030400")
CARD = bytes.fromhex("00011A003287FFC0")  # sheet 6.2: site 101, number 4095
KEY = "404142434445464748494A4B4C4D4E4F"
NEW_KEY = "606162636465666768696A6B6C6D6E6F"
SECRETS = re.compile(rf"(?<![0-9a-f.])(4095|2580)(?![0-9a-f])|3287ffc0|{KEY}|{NEW_KEY}", re.IGNORECASE)
"""The short ones as numbers of their own: times and random octets hold such digits by chance."""
SECONDS = ("0.8", "3", "20")
"""How long the command runs: the machine may stall, so a story that was not over is told again with more time."""


@pytest.fixture(autouse=True)
def _short_listening(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if "another_controller" not in request.node.name:
        monkeypatch.setattr("benchtool.commands.talking._LISTEN_NS", 50_000_000)


def run(*words: str, text: str | None = None) -> Result:
    return CliRunner().invoke(main, ["simulate", *words], input=text)


def told_in_time(tell: Callable[[str], bool]) -> bool:
    return any(tell(seconds) for seconds in SECONDS)


def objects(result: Result) -> list[dict[str, Any]]:
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def device(events: list[Event], session: DeviceSession | None = None) -> Peripheral:
    return Peripheral(
        "device",
        5,
        FAST,
        identity=IDENTITY,
        capabilities=bytes.fromhex("020401040401050201090101"),
        reply_ns=0,
        rng=np.random.default_rng(1),
        events=events,
        session=session,
    )


def test_a_controller_hears_cards_and_does_what_it_is_told(tmp_path: Path) -> None:
    record = tmp_path / "bench.pcapng"

    def tell(seconds: str) -> bool:
        shown: list[str] = []
        one = device([(0, int(Reply.RAW), CARD), (0, int(Reply.KEYPAD), b"\x00\x042580")])
        one.functions.happened = shown.append
        with other_end(one) as port:
            result = run(
                "controller", "--port", port, "--baud", "115200", "--address", "5", "--transmit", "--for", seconds,
                "--do", "led green 2", "--do", "0.1s @5 text HELLO", "--record", str(record), "--overwrite",
            )  # fmt: skip
        assert result.exit_code == 0, result.output
        assert not SECRETS.search(result.output)
        if not ("RAW" in result.output and "KEYPAD" in result.output):
            return False
        if not any("text HELLO" in text for text in shown) or not any("green" in text for text in shown):
            return False
        assert "address 5: answers" in result.output
        assert "own echo: none heard" in result.output
        # polls without news are not shown
        assert " POLL " not in result.output
        return True

    assert told_in_time(tell)
    with open_tap(str(record)) as tap:
        items = tap.read(0)
        while not tap.ended:
            items += tap.read(0)
    kinds = {item.direction for item in items if isinstance(item, Chunk)}
    assert kinds == {Direction.SENT, Direction.RECEIVED}


def test_a_controller_on_the_default_key_sets_a_new_one(tmp_path: Path) -> None:
    new = tmp_path / "new.key"
    new.write_text(NEW_KEY)
    new.chmod(0o600)

    def tell(seconds: str) -> bool:
        session = DeviceSession(IDENTITY, random=os.urandom, required=True)
        heard: list[str] = []
        session.happened = heard.append
        with other_end(device([(0, int(Reply.RAW), CARD)], session)) as port:
            result = run(
                "controller", "--port", port, "--baud", "115200", "--address", "5", "--transmit", "--for", seconds,
                "--default-key", "--set-key", str(new),
            )  # fmt: skip
        assert result.exit_code == 0, result.output
        assert not SECRETS.search(result.output)
        assert "caution: whoever listens" in result.stderr
        if "secure channel on the installed key" not in heard or "RAW: " not in result.output:
            return False
        assert "secure channel on the default key" in heard
        assert "address 5: secure channel on the given key" in result.output
        assert "address 5: RAW: reader 0, format parity-framed, bit count 26, bits •••" in result.output
        return True

    assert told_in_time(tell)


def test_after_a_new_address_all_is_told_of_that_one() -> None:
    def controller(seconds: str) -> bool:
        with other_end(device([], DeviceSession(IDENTITY, random=os.urandom))) as port:
            result = run(
                "controller", "--port", port, "--baud", "115200", "--address", "5", "--transmit", "--for", seconds,
                "--default-key", "--do", "comset 7 115200",
            )  # fmt: skip
        _, moved, after = result.stdout.partition("has address 7 and 115200 bit/s now")
        told = re.findall(r"address (\d+): secure channel on", after)
        return bool(moved) and told != [] and set(told) == {"7"}

    def reader(seconds: str) -> bool:
        ours = PanelSession(lambda _: [], random=os.urandom, kinds=[0])  # 0: the default key (sheet 5.8)
        panel = Panel("panel", [5], FAST, poll_gap_ns=5_000_000, sessions={5: ours})
        panel.send(5, Command.COMSET, bytes((7,)) + (115200).to_bytes(4, "little"))
        with other_end(panel) as port:
            result = run(
                "reader", "--port", port, "--baud", "115200", "--address", "5", "--transmit", "--for", seconds,
                "--default-key",
            )  # fmt: skip
        _, moved, after = result.stdout.partition("address 5: address 7 and 115200 bit/s from now on")
        told = re.findall(r"address (\d+): secure channel on", after)
        return bool(moved) and told != [] and set(told) == {"7"}

    assert told_in_time(controller)
    assert told_in_time(reader)


def test_a_reader_with_a_key_of_its_own(tmp_path: Path) -> None:
    key = tmp_path / "own.key"
    key.write_text(f"5 {KEY}\n")
    script = tmp_path / "script.txt"
    script.write_text("# a visit\n@5 card 26-bit 101 4095\n0.1s keys 2580#\n")

    def tell(seconds: str) -> bool:
        replies: list[tuple[int, bytes]] = []

        def react(_address: int, code: int, data: bytes) -> list[tuple[int, int, bytes]]:
            replies.append((code, data))
            return []

        ours = PanelSession(lambda _: [bytes.fromhex(KEY)], random=os.urandom)
        panel = Panel("panel", [5], FAST, poll_gap_ns=5_000_000, react=react, sessions={5: ours})
        with other_end(panel) as port:
            result = run(
                "reader", "--port", port, "--baud", "115200", "--address", "5", "--transmit", "--for", seconds,
                "--osdp-key", str(key), "--script", str(script), "--json", "--turnaround", "1ms",
            )  # fmt: skip
        lines = objects(result)
        assert [lines[0]["kind"], lines[-1]["kind"]] == ["tap", "summary"]
        assert not SECRETS.search(json.dumps(lines))
        # The clear data of the sealed card are nowhere, not even in octets.
        notes = [line["text"] for line in lines if line["kind"] == "note"]
        if not {Reply.RAW, Reply.KEYPAD} <= {code for code, _ in replies}:
            return False
        assert (Reply.RAW, CARD) in replies
        assert "secure channel on the installed key" in notes
        assert lines[-1]["actions_left"] == 0
        assert lines[-1]["echo"] == "auto"
        # the key file can be read by others: told
        assert "chmod 600" in result.stderr
        return True

    assert told_in_time(tell)


def test_an_adapter_that_hears_itself() -> None:
    def tell(seconds: str) -> bool:
        with other_end(device([]), echo=True) as port:
            result = run(
                "controller", "--port", port, "--baud", "115200", "--address", "5", "--transmit", "--for", seconds,
                "--json",
            )  # fmt: skip
        last = objects(result)[-1]
        if not last["echoes"]:
            return False
        assert last["echo"] == "yes"
        assert last["differing_echoes"] <= 1
        return True

    assert told_in_time(tell)


def test_an_adapter_that_hears_itself_against_what_was_said() -> None:
    def tell(seconds: str) -> bool:
        with other_end(device([]), echo=True) as port:
            result = run(
                "controller", "--port", port, "--baud", "115200", "--address", "5", "--transmit", "--for", seconds,
                "--echo", "no",
            )  # fmt: skip
        assert result.exit_code == 0, result.output
        # While it runs, and in the summary.
        return result.stdout.count("hears itself; leave --echo no out, or say --echo yes") == 2

    assert told_in_time(tell)


def test_a_device_that_counts_wrong_is_told_while_it_runs_and_at_the_end() -> None:
    def tell(seconds: str) -> bool:
        faulty = Misbehaving(device([]), Injected(Misdeed.WRONG_SEQUENCE, 4, 0))
        with other_end(faulty) as port:
            words = ("controller", "--port", port, "--baud", "115200", "--address", "5", "--transmit", "--for", seconds)
            result = run(*words)
            lines = objects(run(*words, "--json"))
        assert result.exit_code == 0, result.output
        told, found, summary = result.stdout.partition("noticed in the OSDP traffic:")
        if not found or "events" not in lines[-1]["osdp"]:
            return False
        assert "FAULT     reply with another sequence number than its command" in told
        assert "reply with another sequence number" in summary
        assert "answered differently" not in result.stdout  # one cause, one fault
        assert {line["event"] for line in lines if line["kind"] == "event" and line["level"] == "fault"} <= {
            "sequence-reply", "reply-late"
        }  # fmt: skip
        return any(row["event"] == "sequence-reply" for row in lines[-1]["osdp"]["events"])

    assert told_in_time(tell)


def test_a_controller_that_counts_wrong_is_told_to_who_stands_in_for_its_reader() -> None:
    def tell(seconds: str) -> bool:
        faulty = Panel("panel", [0], FAST, poll_gap_ns=2_000_000, sequence="skips", sequence_every=3)
        with other_end(faulty) as port:
            result = run("reader", "--port", port, "--baud", "115200", "--transmit", "--for", seconds)
        return "FAULT     a sequence number left out" in result.stdout

    assert told_in_time(tell)


def test_faults_put_in_are_counted() -> None:
    def tell(seconds: str) -> bool:
        with other_end(Panel("panel", [0], FAST, poll_gap_ns=2_000_000)) as port:
            result = run(
                "reader", "--port", port, "--baud", "115200", "--transmit", "--for", seconds,
                "--inject", "wrong-check", "--every", "3", "--all",
            )  # fmt: skip
        assert result.exit_code == 0, result.output
        return "spoilt on purpose: " in result.output and "BAD check" in result.output and " POLL " in result.output

    assert told_in_time(tell)


def test_modbus_both_ways() -> None:
    def server(seconds: str) -> bool:
        with other_end(ModbusClient("client", [1], FAST, poll_gap_ns=5_000_000)) as port:
            result = run(
                "interface", "--port", port, "--baud", "115200", "--transmit", "--for", seconds,
                "--protocol", "modbus-rtu", "--json",
            )  # fmt: skip
        return int(objects(result)[-1]["sent"]) > 2

    def client(seconds: str) -> bool:
        one = ModbusServer("server", 1, FAST, reply_ns=0, rng=np.random.default_rng(1))
        with other_end(one) as port:
            result = run(
                "controller", "--protocol", "modbus-rtu", "--port", port, "--baud", "115200", "--transmit",
                "--for", seconds, "--json", "--poll-gap", "5ms",
            )  # fmt: skip
        rows = objects(result)[-1]["addresses"]
        return any(row["answered"] > 2 for row in rows)

    assert told_in_time(server)
    assert told_in_time(client)


def test_another_controller_is_not_talked_over() -> None:
    def tell(seconds: str) -> bool:
        with other_end(Panel("panel", [3], FAST, poll_gap_ns=5_000_000)) as port:
            result = run("controller", "--port", port, "--baud", "115200", "--transmit", "--for", seconds)
        return result.exit_code == 3 and "another controller talks" in result.stderr and "address 3" in result.stderr

    assert told_in_time(tell)


def test_nobody_there_is_said() -> None:
    with other_end(Silent()) as port:
        result = run("reader", "--port", port, "--transmit", "--for", "0.2s")
        assert result.exit_code == 0, result.output
        assert "nothing was heard" in result.output
        result = run(
            "controller", "--port", port, "--transmit", "--for", "0.2s", "--anyway", "--do", "id", "--do", "9s cap"
        )
        assert "not done: 2 action(s)" in result.output


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (("reader", "--port", "/dev/x"), 2, "add --transmit"),
        (("controller", "--port", "/dev/x"), 2, "takes the devices from the real one"),
        (("reader", "--port", "/dev/nothing", "--transmit"), 3, "there is no device"),
        (("reader", "--port", "sim:demo", "--transmit"), 2, "simulated bus"),
        (("reader", "nope", "--port", "/dev/x", "--transmit"), 2, "no scenario 'nope'"),
        (("reader", "demo", "--port", "/dev/x", "--transmit", "--address", "9"), 2, "there are 1, 2, 3, 4, 5"),
        (("reader", "demo", "--port", "/dev/x", "--transmit", "--address", "1"), 2, "no reader"),
        (("reader", "demo", "--port", "/dev/x", "--transmit", "--protocol", "modbus-rtu"), 2, "speaks osdp"),
        (("reader", "--port", "/dev/x", "--transmit", "--address", "127"), 2, "address"),
        (("reader", "--port", "/dev/x", "--transmit", "--do", "dance"), 2, "--do 1: say one of"),
        (("reader", "--port", "/dev/x", "--transmit", "--do", "led red"), 2, "a controller's"),
        (("controller", "--port", "/dev/x", "--transmit", "--do", "keys 2580"), 2, "a device's"),
        (("reader", "--port", "/dev/x", "--transmit", "--script", "/nothing"), 4, "--script /nothing"),
        (("reader", "--port", "/dev/x", "--transmit", "--osdp-key", "/nothing"), 4, "--osdp-key /nothing"),
        (("reader", "--port", "/dev/x", "--transmit", "--osdp-key", KEY), 2, "never the key itself"),
        (("controller", "--port", "/dev/x", "--transmit", "--set-key", "/nothing"), 2, "needs a secure channel"),
        (
            ("reader", "--port", "/dev/x", "--transmit", "--default-key", "--set-key", "/nothing"),
            2,
            "--set-key is a controller's",
        ),
        (("interface", "modbus", "--port", "/dev/x", "--transmit", "--default-key"), 2, "keys are for OSDP"),
        (("reader", "--port", "/dev/x", "--transmit", "--every", "3"), 2, "--every needs --inject"),
        (("reader", "--port", "/dev/x", "--transmit", "--record", "x.doc"), 2, "--record"),
        (("reader", "--port", "/dev/x", "--transmit", "--do", "keys 1x#"), 2, "0 to 9, * and # alone"),
        (("controller", "--port", "/dev/x", "--transmit", "--do", "send 05"), 2, "codes are 60 to FF"),
        (("reader", "--port", "/dev/x", "--transmit", "--late", "1s"), 2, "--late needs --inject late"),
        (
            ("reader", "--protocol", "modbus-rtu", "--port", "/dev/x", "--transmit", "--inject", "wrong-sequence"),
            2,
            "wrong-sequence is for OSDP",
        ),
    ],
)
def test_what_is_refused_in_one_line(words: tuple[str, ...], code: int, text: str) -> None:
    result = run(*words)
    assert result.exit_code == code, result.output
    assert text in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert KEY not in result.output
    assert result.stdout == ""


def test_a_new_key_file_without_one_for_the_device(tmp_path: Path) -> None:
    new = tmp_path / "new.key"
    new.write_text(f"7 {NEW_KEY}\n")
    result = run(
        "controller", "--port", "/dev/x", "--transmit", "--address", "5", "--default-key", "--set-key", str(new)
    )
    assert result.exit_code == 4
    assert "no key for address 5" in result.stderr
    assert NEW_KEY not in result.output


def test_a_mistake_in_a_script_is_told_with_its_line(tmp_path: Path) -> None:
    script = tmp_path / "script.txt"
    script.write_text("\n# fine\nkeys 1\ncard 26-bit 999 654321\n")
    result = run("reader", "--port", "/dev/x", "--transmit", "--script", str(script))
    assert result.exit_code == 2
    assert f"{script} line 4" in result.stderr
    assert "654321" not in result.stderr


def test_typed_actions_and_help(monkeypatch: pytest.MonkeyPatch) -> None:
    from benchtool.commands import talking

    class Typed:
        def __init__(self, wanted: bool) -> None:
            self.lines = ["help", "dance", "", "keys 2580", "@9 keys 1"]

        def take(self) -> list[str]:
            lines, self.lines = self.lines, []
            return lines

    monkeypatch.setattr(talking, "TypedLines", Typed)
    with other_end(Silent()) as port:
        result = run("reader", "--port", port, "--transmit", "--for", "0.3s")
    assert result.exit_code == 0, result.output
    assert "card FORMAT [SITE] NUMBER" in result.stderr
    assert "say one of: card" in result.output
    assert "done: keys" in result.output
    assert "no OSDP device at address 9" in result.output
    assert "2580" not in result.output


def test_what_cannot_be_is_told_though_the_device_is_away_and_what_no_poll_fetched_at_the_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from benchtool.commands import talking

    class Typed:
        def __init__(self, wanted: bool) -> None:
            self.lines = ["led pink", "keys 2580"]

        def take(self) -> list[str]:
            lines, self.lines = self.lines, []
            return lines

    monkeypatch.setattr(talking, "TypedLines", Typed)
    with other_end(Silent()) as port:
        result = run("controller", "--port", port, "--transmit", "--for", "0.3s")
        assert "write: led COLOUR" in result.output
        assert "keys is a device's" in result.output
        assert "not done" not in result.output
        twice = ("--address", "126", "--address", "126")
        result = run("reader", "--port", port, "--transmit", "--for", "0.3s", *twice)
        assert "done: keys" in result.output
        assert "1 event(s) of these devices were never fetched: nobody polled them since" in result.output
        result = run("reader", "--port", port, "--transmit", "--for", "0.3s", "--json")
        assert objects(result)[-1]["not_fetched"] == 1


def test_lines_that_are_typed_are_taken_as_they_come(monkeypatch: pytest.MonkeyPatch) -> None:
    import io
    import sys

    from benchtool.commands.talking import TypedLines

    monkeypatch.setattr(sys, "stdin", io.StringIO("keys 1\n\nid\n"))
    typed = TypedLines(True)
    lines: list[str] = []
    for _ in range(1_000_000):
        lines += typed.take()
        if typed.ended:
            break
    assert lines == ["keys 1", "", "id"]
    assert TypedLines(False).take() == []
    assert TypedLines(False).ended


def test_lines_that_are_piped_in_are_done() -> None:
    piped = "# a visit\nkeys 2580\nkeys 1\xff\ntamper on\n"

    def tell(seconds: str) -> bool:
        with other_end(Silent()) as port:
            result = run("reader", "--port", port, "--transmit", "--for", seconds, text=piped)
        assert result.exit_code == 0, result.output
        assert "2580" not in result.output
        return (
            "done: keys" in result.output
            and "done: tamper" in result.output
            and "write: keys KEYS" in result.output
            and "say one of" not in result.output
        )

    assert told_in_time(tell)


def test_a_pipe_that_is_not_read_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchtool.commands.stand_in_run._is_piped", lambda: True)
    with other_end(Silent()) as port:
        result = run("controller", "--protocol", "modbus-rtu", "--port", port, "--transmit", "--for", "0.2s")
    assert "note: standard input is not read: Modbus takes actions with a .toml file" in result.stderr


def test_a_recording_that_cannot_be_made_is_told_before_anything_else(tmp_path: Path) -> None:
    with other_end(Silent()) as port:
        result = run(
            "reader", "--port", port, "--transmit", "--for", "5s", "--record", str(tmp_path / "nowhere" / "x.pcapng")
        )
    assert result.exit_code == 5
    assert result.stdout == ""
    assert len(result.stderr.strip().splitlines()) == 1
    assert "its folder does not exist" in result.stderr


def test_commands_of_the_scenario_reach_the_lock(tmp_path: Path) -> None:
    # The scenario's granted card opens the lock: LED, BUZ, OUT as on the simulated bus.
    scenario = tmp_path / "door.toml"
    scenario.write_text(
        'title = "door"\n[controller]\nname = "c"\npoll_gap_ms = 5.0\n[line]\nbaud = 115200\n'
        '[[device]]\nname = "r"\naddress = 5\nposition_m = 0.0\n'
        'cards = [{ at_s = 1.0, format = "26-bit", site_code = 101, card_number = 4095 }]\n'
    )

    def tell(seconds: str) -> bool:
        shown: list[str] = []
        one = device([(0, int(Reply.RAW), CARD)])
        one.functions.happened = shown.append
        with other_end(one) as port:
            result = run("controller", str(scenario), "--port", port, "--transmit", "--for", seconds)
        assert result.exit_code == 0, result.output
        return [text.split()[0] for text in shown] == ["LED", "BUZ", "OUT"]

    assert told_in_time(tell)
