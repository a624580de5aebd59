"""`listen` on Modbus in ASCII mode; `simulate` with a Modbus file, on a line whose other end is in memory."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchtool.capture.chunk import Chunk, LineErrors, TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.commands import talking
from benchtool.commands.errors import Exit
from benchtool.commands.main import main
from benchtool.simulate import modbus_file
from benchtool.simulate.modbus_points import Table
from benchtool.simulate.modbus_query import Outcome, Query
from benchtool.simulate.station import Station
from benchtool.taps import clock as clocks

FILE = Path(__file__).parents[2] / "fixtures" / "modbus" / "door-interface.toml"
POLLS = (
    "poll = [{ address = 17, function = 3, values = { start = 107, quantity = 3 } }, { address = 9, function = 7 }]\n"
)
DEVICE = "device = [{ address = 17, holding = [{ start = 107, values = [555, 0, 100] }] }]\n"


class Time:
    """A clock that goes on when somebody waits."""

    def __init__(self) -> None:
        self.t_ns = 0

    def now_ns(self) -> int:
        return self.t_ns

    def wall_ns(self) -> int:
        return self.t_ns

    def wait(self, seconds: float) -> None:
        self.t_ns += round(seconds * 1e9)


class Line:
    """A line to talk on, whose other end is a station, or nobody."""

    def __init__(self, other: Station | None, settings: LineSettings, time: Time) -> None:
        self.notices: list[str] = []
        self.info = TapInfo("the line", settings, LineErrors.UNAVAILABLE)
        self._other = other
        self._time = time

    def read(self, timeout_s: float) -> tuple[bytes, bytes]:
        until_ns = self._time.t_ns + max(1000, round(timeout_s * 1e9))
        while self._other is not None and (wake := self._other.wake_ns()) is not None and wake <= until_ns:
            self._time.t_ns = max(self._time.t_ns, wake)
            said = self._other.act(self._time.t_ns)
            if said:
                self._time.t_ns += len(said) * self.info.settings.char_ns
                return said, b""
        self._time.t_ns = max(self._time.t_ns, until_ns)
        return b"", b""

    def send(self, octets: bytes) -> None:
        begin_ns = self._time.t_ns
        if self._other is not None:
            self._other.hear(Chunk(begin_ns, begin_ns + len(octets) * self.info.settings.char_ns, octets))

    def set_baud(self, baud: int) -> None:
        raise AssertionError

    def close(self) -> None:
        pass


class Wired:
    """Runs commands whose port is a line to `other`."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.other: Station | None = None
        self._patch = patch

    def __call__(self, *words: str) -> Result:
        time = Time()

        def opened(address: str, settings: LineSettings, *_: Any) -> Line:
            return Line(self.other, settings, time)

        self._patch.setattr(talking, "open_talk", opened)
        self._patch.setattr(clocks, "SystemClock", lambda: time)
        return CliRunner().invoke(main, ["simulate", *words, "--port", "the line"])


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Wired:
    return Wired(monkeypatch)


def written(folder: Path, text: str) -> str:
    path = folder / "file.toml"
    path.write_text(text)
    return str(path)


@pytest.mark.parametrize("mode", ["rtu", "ascii"])
def test_a_controller_asks_what_the_file_polls_and_ends(run: Wired, tmp_path: Path, mode: str) -> None:
    made = modbus_file.parse(
        {"modbus": mode, "device": [{"address": 17, "holding": [{"start": 107, "values": [5, 6, 7]}]}]}
    )
    run.other = modbus_file.servers(made, made.settings)
    path = written(tmp_path, f'modbus = "{mode}"\n' + POLLS)
    result = run("controller", path, "--transmit", "--do", "@17 ask 3 start=108 quantity=1")
    assert result.exit_code == 0, result.output
    assert "read holding registers, reply: byte count 6, registers 5 6 7" in result.output
    assert "read holding registers, reply: byte count 2, registers 6" in result.output
    assert "address 9: function 07 silent" in result.output
    assert "asked: 2 answered, 1 silent" in result.output or "asked: 1 answered, 1 silent, 1 answered" in result.output
    assert f"modbus-{mode}" in result.output


def test_the_same_for_a_script(run: Wired, tmp_path: Path) -> None:
    made = modbus_file.load(str(FILE))
    run.other = modbus_file.servers(made, made.settings)
    record = tmp_path / "kept.log"
    result = run(
        "controller", str(FILE), "--transmit", "--for", "3s", "--json", "--anyway", "--record", str(record),
        "--do", "60m ask 7",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    rows = [json.loads(line) for line in result.output.splitlines() if line.startswith("{")]
    assert rows[-1]["kind"] == "summary"
    assert rows[-1]["actions_left"] == 1
    assert rows[-1]["outcomes"]["answered"] >= 15
    assert any(row["kind"] == "frame" and row["role"] == "reply" for row in rows)
    assert record.read_text().count("\n") > 20


def test_servers_answer_and_tell_what_was_written(run: Wired) -> None:
    made = modbus_file.parse({"modbus": "rtu", "poll": [{"address": 17, "function": 7}], "retries": 0})
    asks = modbus_file.client(made, made.settings)
    for query in (
        Query(17, 6, {"address": 2, "value": 9}),
        Query(17, 3, {"start": 0, "quantity": 3}),
        Query(17, 3, {"start": 0, "quantity": 9}),
    ):
        asks.ask(query)
    run.other = asks
    result = run("interface", str(FILE), "--transmit", "--for", "2s", "--do", "set holding 0 77", "--do", "5m accept")
    assert result.exit_code == 0, result.output
    outcomes = [one.outcome for one in asks.results]
    assert outcomes == [Outcome.ANSWERED, Outcome.ANSWERED, Outcome.REFUSED, Outcome.ANSWERED]
    assert asks.results[1].values["registers"] == [77, 1200, 9]
    assert "address 17: written: holding 2: 9" in result.output
    assert "done: set" in result.output
    assert "not done: 1 action(s)" in result.output


WRITE = (
    "poll = [{ address = 17, function = 6, values = { address = 2, value = 9 } }]\nreply_limit_ms = 100\nretries = 2\n"
)


@pytest.mark.parametrize("mode", ["rtu", "ascii"])
@pytest.mark.parametrize(("word", "kind"), [("wrong-check", "check"), ("truncated", "truncated")])
def test_what_we_ask_is_a_request_however_spoilt_and_is_counted(
    run: Wired, tmp_path: Path, mode: str, word: str, kind: str
) -> None:
    # A reply to this function repeats the request (sheet 3.3): nobody answers, and so nothing here is one.
    path = written(tmp_path, f'modbus = "{mode}"\n' + WRITE)
    words = ("controller", path, "--transmit", "--inject", word, "--every", "2")
    result = run(*words)
    assert result.exit_code == 0, result.output
    assert result.output.count("-> 17") == 3
    assert "<-" not in result.output
    assert ", reply" not in result.output
    assert f"spoilt on purpose: 1 {kind}" in result.output
    assert "asked: 1 silent" in result.output
    rows = [json.loads(line) for line in run(*words, "--json").output.splitlines() if line.startswith("{")]
    assert [row["role"] for row in rows if row["kind"] == "frame"] == ["request"] * 3
    assert rows[-1]["spoilt"] == 1
    assert [one["answered"] for one in rows[-1]["addresses"]] == [0]


def test_what_a_server_spoils_is_counted_by_kind(run: Wired, tmp_path: Path) -> None:
    made = modbus_file.parse({"modbus": "rtu", "poll": [{"address": 17, "function": 7, "every_ms": 200}]})
    run.other = modbus_file.client(made, made.settings)
    device = 'modbus = "rtu"\n[[device]]\naddress = 17\n'
    result = run("interface", written(tmp_path, device), "--transmit", "--for", "2s")
    assert "spoilt" not in result.output
    faults = (
        '[[device.fault]]\nwrong = "late"\nlate_ms = 10\nevery = 2\n[[device.fault]]\nwrong = "twice"\nafter = 99\n'
    )
    run.other = modbus_file.client(made, made.settings)
    path = written(tmp_path, device + faults)
    result = run("interface", path, "--transmit", "--for", "1s")
    replies = result.output.count("<- 17")
    assert replies >= 4
    assert f"spoilt on purpose: {replies // 2} late" in result.output
    run.other = None
    assert "spoilt on purpose: nothing yet" in run("interface", path, "--transmit", "--for", "1s").output


def test_a_line_without_anybody(run: Wired) -> None:
    result = run("interface", str(FILE), "--transmit", "--for", "1s")
    assert result.exit_code == 0
    assert "nothing was heard" in result.output


def test_another_controller_is_not_talked_over(run: Wired, tmp_path: Path) -> None:
    for mode in ("rtu", "ascii"):
        made = modbus_file.parse(
            {"modbus": mode, "poll": [{"address": 5, "function": 7, "every_ms": 100}], "reply_limit_ms": 20}
        )
        run.other = modbus_file.client(made, made.settings)
        result = run("controller", written(tmp_path, f'modbus = "{mode}"\n' + POLLS), "--transmit")
        assert result.exit_code == Exit.TAP
        assert "another controller talks" in result.output
        assert "asked address 5" in result.output


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (("interface", str(FILE)), Exit.USAGE, "add --transmit"),
        (
            ("interface", str(FILE), "--transmit", "--inject", "wrong-sequence"),
            Exit.USAGE,
            "wrong-sequence is for OSDP",
        ),
        (("interface", str(FILE), "--transmit", "--check", "crc"), Exit.USAGE, "--check is for OSDP"),
        (("interface", str(FILE), "--transmit", "--every", "3"), Exit.USAGE, "--every needs --inject"),
        (("controller", str(FILE), "--transmit", "--do", "ask 99 start=1"), Exit.USAGE, "octets in 'data'"),
        (("interface", str(FILE), "--transmit", "--address", "9"), Exit.INPUT, "has no [[device]]"),
        (("interface", str(FILE), "--transmit", "--do", "dance"), Exit.USAGE, "say one of: set, refuse, accept"),
        (("interface", str(FILE), "--transmit", "--do", "ask 3"), Exit.USAGE, "ask is a controller's"),
        (("interface", str(FILE), "--transmit", "--do", "@9 accept"), Exit.USAGE, "no device at address 9"),
        (("interface", str(FILE), "--transmit", "--do", "set relays 0 1"), Exit.USAGE, "relays"),
        (("interface", str(FILE), "--transmit", "--do", "set coils 0 2"), Exit.USAGE, "coils: a value is 0 to 1"),
        (("interface", str(FILE), "--transmit", "--do", "set coils"), Exit.USAGE, "set TABLE START VALUE"),
        (("interface", str(FILE), "--transmit", "--do", "refuse 9"), Exit.USAGE, "a defined exception"),
        (("interface", str(FILE), "--transmit", "--do", "refuse 4 3 0 1 2 3"), Exit.USAGE, "refuse EXCEPTION"),
        (("controller", str(FILE), "--transmit", "--do", "set coils 0 1"), Exit.USAGE, "set is a device's"),
        (("controller", str(FILE), "--transmit", "--do", "ask 3 start=1"), Exit.USAGE, "quantity is missing"),
        (("controller", str(FILE), "--transmit", "--do", "ask 3 start"), Exit.USAGE, "not NAME=VALUE"),
        (("controller", str(FILE), "--transmit", "--do", "ask three"), Exit.USAGE, "three"),
        (("controller", str(FILE), "--transmit", "--do", "ask 65 data=0"), Exit.USAGE, "ask FUNCTION data=HEX"),
    ],
)
def test_mistakes_in_one_line(run: Wired, words: tuple[str, ...], code: int, text: str) -> None:
    result = run(*words)
    assert result.exit_code == code
    assert text in result.output
    assert len(result.output.strip().splitlines()) == 1


def test_files_that_do_not_fit(run: Wired, tmp_path: Path) -> None:
    result = run("interface", written(tmp_path, 'modbus = "rtu"\n' + POLLS), "--transmit")
    assert (result.exit_code, "has no [[device]]" in result.output) == (Exit.INPUT, True)
    result = run("controller", written(tmp_path, 'modbus = "rtu"\n' + DEVICE), "--transmit", "--do", "ask 7")
    assert "say which device: @17 ask" in result.output
    result = run("interface", written(tmp_path, 'modbus = "tcp"\n'), "--transmit")
    assert (result.exit_code, "rtu or ascii" in result.output) == (Exit.INPUT, True)


def test_asks_of_every_kind_and_refusals_by_hand(run: Wired, tmp_path: Path) -> None:
    made = modbus_file.load(str(FILE))
    station = modbus_file.servers(made, made.settings)
    run.other = station
    path = written(tmp_path, 'modbus = "rtu"\nbaud = 19200\nformat = "8E1"\n' + POLLS)
    asks = [
        "ask 8 sub_function=0 data=A537",
        "ask 16 start=0 registers=1,2",
        "ask 65 data=0102",
        "ask 5 address=1 value=on",
    ]
    result = run("controller", path, "--transmit", *(word for ask in asks for word in ("--do", ask)))
    assert result.exit_code == 0, result.output
    assert "diagnostics, reply: sub function 0 (return query data), data A5 37" in result.output
    assert "function 41 refused" in result.output
    assert station.members[0].unit.points.get(Table.HOLDING, 0, 2) == [1, 2]


def log(folder: Path, *texts: bytes) -> str:
    path = folder / "heard.log"
    lines = [text + b"\r\n" for text in texts]
    rows = [f"{number / 10:.6f} {line.hex(' ').upper()}" for number, line in enumerate(lines)]
    path.write_text("\n".join(rows) + "\n")
    return str(path)


def test_listen_finds_ascii_by_itself_or_is_told(tmp_path: Path) -> None:
    # sheet 3.3, pymodbus' unit tests
    path = log(tmp_path, b":1103007C00026E", b":110304008D008ECD", b":1183026A")
    for more in ([], ["--protocol", "modbus-ascii"]):
        result = CliRunner().invoke(main, ["listen", path, *more])
        assert result.exit_code == 0
        assert "read holding registers, reply: byte count 4, registers 141 142" in result.output
        assert "sound frames: 3 modbus-ascii" in result.output
        assert "modbus   17       1        1" in result.output
    rows = [json.loads(line) for line in CliRunner().invoke(main, ["listen", path, "--json"]).output.splitlines()]
    frames = [row for row in rows if row["kind"] == "frame"]
    assert [row["protocol"] for row in frames] == ["modbus-ascii"] * 3
    assert frames[2]["fields"] == {"exception": 2}


def test_what_was_named_is_taken_for_granted(tmp_path: Path) -> None:
    path = log(tmp_path, b":1103007C00026F")
    assert "unknown octets" in CliRunner().invoke(main, ["listen", path]).output
    told = CliRunner().invoke(main, ["listen", path, "--protocol", "modbus-ascii"]).output
    assert "LRC is 6F, the octets give 6E" in told


def test_options_change_what_the_file_says(run: Wired, tmp_path: Path) -> None:
    made = modbus_file.parse({"modbus": "rtu", "poll": [{"address": 17, "function": 7, "every_ms": 500}]})
    asks = modbus_file.client(made, made.settings)
    run.other = asks
    script = tmp_path / "script"
    script.write_text("# later\n2s refuse 4 7\n\n3s accept\n")
    result = run(
        "interface", str(FILE), "--transmit", "--for", "5s", "--turnaround", "40ms", "--inject", "late",
        "--every", "4", "--late", "100ms", "--address", "17", "--script", str(script),
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    outcomes = [one.outcome for one in asks.results]
    assert outcomes[:4] + outcomes[7:] == [Outcome.ANSWERED] * (len(outcomes) - 3)
    assert Outcome.REFUSED in outcomes[4:7]
    waits = [round((one.latency_ns or 0) / 1e6) for one in asks.results]
    # Both ends count characters at their own rate here, which makes a few milliseconds.
    assert [wait // 30 for wait in waits[:4]] == [1, 1, 1, 4]
    assert result.output.count("done: ") == 2


def test_what_is_typed_is_done(run: Wired, monkeypatch: pytest.MonkeyPatch) -> None:
    class Typed:
        ended = False

        def __init__(self, _: bool) -> None:
            self._lines = ["help", "set holding 0 5", "dance", "set relays 0 1", "", "1s @17 refuse 4"]

        def take(self) -> list[str]:
            return [self._lines.pop(0)] if self._lines else []

    monkeypatch.setattr(talking, "TypedLines", Typed)
    made = modbus_file.load(str(FILE))
    asks = modbus_file.client(made, made.settings)
    run.other = asks
    result = run("interface", str(FILE), "--transmit", "--for", "4s")
    assert result.exit_code == 0, result.output
    assert "set TABLE START VALUE" in result.output
    assert "say one of: set, refuse, accept" in result.output
    assert "'relays' is not a valid Table" in result.output
    assert result.output.count("done: ") == 2
    assert asks.results[-1].outcome is Outcome.REFUSED
    run.other = modbus_file.servers(made, made.settings)
    result = run("controller", str(FILE), "--transmit", "--for", "3s", "--anyway")
    assert "ask FUNCTION NAME=VALUE" in result.output
    assert "a controller does: ask" in result.output
