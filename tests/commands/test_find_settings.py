"""`--baud auto`: rate, parity and stop bits found by listening, on simulated lines with real receivers' faults."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchtool.capture.chunk import Chunk, Gap, Item, LineCounts, LineErrors, TapInfo
from benchtool.capture.settings import CharFormat, LineSettings, Parity
from benchtool.commands.errors import CommandError, Exit
from benchtool.commands.find_settings import find_settings
from benchtool.commands.main import main
from benchtool.explore.settings_score import Score, score, searched, seven_bits, stop_bits
from benchtool.taps.tap import Tap


@pytest.mark.parametrize(
    ("address", "wanted"),
    [
        ("sim:demo", "9600 8N1"),
        ("sim:demo?adapter=blind", "9600 8N1"),
        ("sim:modbus", "19200 8E1"),
        ("sim:modbus?adapter=counted&lump_ms=16", "19200 8E1"),
        ("sim:longline", "115200 8N1"),
    ],
)
def test_the_settings_of_simulated_buses_are_found(address: str, wanted: str) -> None:
    found = find_settings(address)
    assert str(found.settings) == wanted
    assert found.margin > 0.5
    assert found.best.sound > 0.9
    assert found.second is not None
    assert found.second.settings.baud != found.settings.baud


def test_what_a_blind_tap_cannot_tell_is_said() -> None:
    found = find_settings("sim:modbus?adapter=blind&lump_ms=16")
    assert found.settings.baud == 19200
    read_alike = {str(found.settings), *map(str, found.alike)}
    assert {"19200 8E1", "19200 8O1"} <= read_alike
    words = "\n".join(found.words())
    assert "parity" in words
    assert "stop bits: cannot be told" in words


def test_two_stop_bits_show_in_exact_times() -> None:
    # 11 bits a character (sheet section 2): at 9600 1.14583 ms.
    chunks: list[Item] = [Chunk(0, 11 * 10 * 104_167, bytes(10)), Gap(0, 1, "x"), LineCounts(0)]
    chunks += [Chunk(10**9 * n, 10**9 * n + 4_583_333, b"\1\2\3\4") for n in range(1, 5)]
    info = TapInfo("x", LineSettings(9600))
    assert stop_bits(chunks, info) == 2.0
    assert stop_bits(chunks, TapInfo("x", LineSettings(9600), resolution_ns=16_000_000)) is None
    assert stop_bits(chunks[:1], info) is None
    assert stop_bits(chunks, TapInfo("x", LineSettings(4800))) is None


def test_seven_bits_and_parity_read_as_eight() -> None:
    def with_parity(odd: int) -> list[Item]:
        octets = bytes(value | ((value.bit_count() & 1) ^ odd) << 7 for value in range(0x30, 0x70))
        return [Chunk(0, 1, octets)]

    heard = CharFormat()
    assert seven_bits(with_parity(0), heard) is Parity.EVEN
    assert seven_bits(with_parity(1), heard) is Parity.ODD
    assert seven_bits([Chunk(0, 1, bytes(range(64)))], heard) is None
    assert seven_bits([Chunk(0, 1, b"abc")], heard) is None
    assert seven_bits(with_parity(0), CharFormat.parse("7E1")) is None


class Unknown(Tap):
    """A bus of an invented protocol at 38400 8N1: any other setting hears nonsense, with or without seeing it."""

    def __init__(
        self, settings: LineSettings, *, blind: bool = True, silent: bool = False, always: bool = False
    ) -> None:
        self._info = TapInfo("unknown", settings, LineErrors.UNAVAILABLE if blind else LineErrors.MARKED)
        self._right = always or settings.baud == 38400
        self._silent = silent
        self._at = 0
        self._chooser = random.Random(settings.baud)

    def open(self) -> None: ...

    def close(self) -> None:
        self._at = 10**12

    @property
    def info(self) -> TapInfo:
        return self._info

    @property
    def ended(self) -> bool:
        return self._at >= 4_000_000_000

    @property
    def now_ns(self) -> int:
        return self._at

    def read(self, timeout_s: float) -> list[Item]:
        if self.ended:
            return []
        self._at += 40_000_000
        if self._silent:
            return []
        body = bytes((0x5A, 1 + self._at // 40_000_000 % 3)) + self._chooser.randbytes(6)
        octets = body + bytes((-sum(body) & 0xFF,)) if self._right else self._chooser.randbytes(12)
        marks = b"" if self._right or self._info.line_errors is LineErrors.UNAVAILABLE else b"\1" * len(octets)
        return [Chunk(self._at, self._at + len(octets) * self._info.settings.char_ns, octets, marks)]


@pytest.mark.parametrize("blind", [True, False])
def test_an_unknown_bus_is_found_by_its_check_value(blind: bool) -> None:
    found = find_settings(
        "x", CharFormat(), opener=lambda settings: Unknown(settings, blind=blind), rates=(9600, 38400, 19200)
    )
    assert found.settings == LineSettings(38400)
    assert found.best.by_search
    assert "explained by a check value" in found.words()[0]


def test_a_rate_that_makes_no_difference_is_said() -> None:
    found = find_settings(
        "x", CharFormat(), opener=lambda settings: Unknown(settings, always=True), rates=(9600, 38400)
    )
    assert any("makes no difference" in line for line in found.words())


def test_silence_and_nonsense_are_errors_in_one_line() -> None:
    with pytest.raises(CommandError, match="nothing was heard") as quiet:
        find_settings("x", opener=lambda settings: Unknown(settings, silent=True), rates=(9600, 19200))
    assert quiet.value.exit_code == Exit.TAP
    with pytest.raises(CommandError, match="no rate reads the bus"):
        find_settings("x", CharFormat(), opener=lambda settings: Unknown(settings), rates=(9600, 19200))
    with pytest.raises(CommandError, match="sets its line itself"):
        find_settings("socket://127.0.0.1:1")
    with pytest.raises(CommandError, match="no such device") as absent:
        find_settings("/dev/ttyUSB77")
    assert absent.value.exit_code == Exit.TAP


def test_a_capture_cannot_be_changed(tmp_path: Path) -> None:
    name = f"{tmp_path}/a.log"
    with open(name, "w") as file:
        file.write("0.0 53 01 08 00 05 60 8B 33\n")
    done = CliRunner().invoke(main, ["listen", name, "--baud", "auto"])
    assert done.exit_code == Exit.USAGE
    assert "cannot be changed" in done.stderr


def test_scores() -> None:
    nothing = Score(LineSettings(), 0, 0, 0.0, None)
    assert nothing.value == 0
    assert not nothing.proven
    assert "nothing heard" in nothing.words()
    sound = Score(LineSettings(), 100, 9, 1.0, 0.0)
    marked = Score(LineSettings(), 100, 9, 1.0, 0.5)
    assert sound.certain
    assert not marked.certain
    assert 1 >= sound.value > marked.value > 0.4
    few = [Chunk(0, 8_000_000, bytes.fromhex("53010800056 08B33".replace(" ", "")))]
    assert score(few, TapInfo("x")).frames == 1
    assert searched(few, TapInfo("x")).by_search is False


def test_the_options_know_auto_only_where_a_command_listens() -> None:
    for command, wanted in (("listen", 0), ("explore", 0)):
        done = CliRunner().invoke(main, [command, "sim:bench?for=2", "--baud", "AUTO"])
        assert done.exit_code == wanted, done.output
        assert "settings found: 9600 8N1" in done.stderr
    for text in ("²", "٣٣٣٣", "49", "1e4", "999999999999", "-5"):
        done = CliRunner().invoke(main, ["listen", "sim:bench?for=1", f"--baud={text}"])
        assert done.exit_code == Exit.USAGE
        assert "is not a bit rate" in done.stderr
