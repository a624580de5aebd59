"""Secure channels on the simulated bus: sound to a listener, the same with the same seed, and no key told."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from benchtool.capture.chunk import Chunk, Item
from benchtool.commands.main import main
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.osdp.codes import Reply
from benchtool.frames.osdp.events import KINDS, Kind, Level
from benchtool.frames.osdp.keys import KeyRing, KeySource
from benchtool.measure.osdp_watch import OsdpWatch
from benchtool.simulate.scenario import parse
from benchtool.simulate.specs import ScenarioError
from benchtool.taps.simulated import SimulatedTap
from benchtool.taps.tap import TapError

KEYS = Path(__file__).parents[2] / "fixtures" / "osdp" / "archive.keys"
DIGITS = [line.split()[1] for line in KEYS.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
OWN = f"sim:secure?osdp_key={KEYS}"


def items_of(address: str) -> tuple[SimulatedTap, list[Item]]:
    tap = SimulatedTap(address)
    items: list[Item] = []
    with tap:
        while not tap.ended:
            items += tap.read(0)
    return tap, items


def watched(address: str, keys: str = "") -> tuple[OsdpWatch, list[tuple[int, bytes]]]:
    """The watch of all, and each reply's code with its data as decrypted."""
    tap, items = items_of(address)
    watch = OsdpWatch(tap.info, KeyRing.parse(keys) if keys else None)
    decoder = BusDecoder(tap.info.settings)
    replies = []
    for item in items:
        watch.item(item)
        assert isinstance(item, Chunk)
        for frame in decoder.feed(item):
            seen = watch.frame(frame)
            if seen.sight is not None and seen.sight.opened is not None:
                replies.append((seen.sight.opened.code, seen.sight.opened.data))
    return watch, replies


def test_on_the_default_key_everybody_reads_on() -> None:
    watch, replies = watched("sim:secure")
    figures = watch.figures()
    assert [(one.key, one.sessions, one.refused, one.unreadable) for one in figures.channels] == [
        (KeySource.DEFAULT, 1, 0, 0)
    ] * 2
    assert Kind.DEFAULT_KEY in {one.kind for one in figures.events}
    assert not [one for one in figures.events if KINDS[one.kind].level is Level.FAULT]
    # 26-bit, site 83, number 15220: even parity over the first half, odd over the second (sheet 6.2)
    bits = f"{83:08b}{15220:016b}"
    even, odd = bits[:12].count("1") % 2, 1 - bits[12:].count("1") % 2
    card = int(f"{even}{bits}{odd}".ljust(32, "0"), 2).to_bytes(4, "big")
    assert (Reply.RAW, bytes((0, 1, 26, 0)) + card) in replies
    assert (Reply.KEYPAD, b"\x00\x057135\r") in replies


def test_on_keys_of_their_own_only_who_has_them_reads() -> None:
    watch, replies = watched(OWN, KEYS.read_text(encoding="utf-8"))
    assert [(one.key, one.refused, one.unreadable) for one in watch.figures().channels] == [(KeySource.GIVEN, 0, 0)] * 2
    assert (Reply.KEYPAD, b"\x00\x057135\r") in replies
    assert not [one for one in watch.figures().events if KINDS[one.kind].level is not Level.NOTE]
    watch, replies = watched(OWN)
    assert replies == []
    assert {one.kind for one in watch.figures().events} == {Kind.KEY_UNKNOWN}


def test_the_same_seed_gives_the_same_octets_and_another_other_random_numbers() -> None:
    one, same, other = (items_of(f"sim:secure?for=2&seed={seed}")[1] for seed in (4, 4, 5))
    assert one == same
    assert one != other


@pytest.mark.parametrize("fault", ["device-resetting&at=2", "address-duplicate", "sequence-faults"])
def test_faults_can_be_put_on_it(fault: str) -> None:
    watch, _ = watched(f"sim:secure?fault={fault}&for=20")
    assert sum(one.verified for one in watch.figures().channels) > 20


def test_two_controllers_keep_each_other_from_a_session() -> None:
    watch, _ = watched("sim:secure?fault=two-controllers&for=20")
    assert sum(one.verified for one in watch.figures().channels) < 20


def test_a_device_that_restarts_opens_its_session_again() -> None:
    watch, _ = watched("sim:secure?fault=device-resetting&at=2&for=20")
    assert {one.address: one.sessions > 2 for one in watch.figures().channels} == {1: False, 2: True}


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("1 " + DIGITS[0], "no key for address 2"),
        ("nonsense", "line 1 is not a key"),
        ("\x00\xff", "line 1 is not a key"),
        (None, "cannot be read: No such file"),
    ],
)
def test_a_key_file_that_does_not_do(tmp_path: Path, text: str | None, why: str) -> None:
    path = tmp_path / "a.keys"
    if text is not None:
        path.write_text(text, encoding="utf-8")
    with pytest.raises(TapError) as told:
        SimulatedTap(f"sim:secure?osdp_key={path}").open()
    assert why in str(told.value)
    assert DIGITS[0] not in str(told.value)


def test_a_scenario_without_secure_devices_takes_no_key() -> None:
    with pytest.raises(TapError, match="no secure device"):
        SimulatedTap(f"sim:demo?osdp_key={KEYS}").open()


@pytest.mark.parametrize(
    "key", [DIGITS[0], DIGITS[0].lower(), ":".join(DIGITS[0][at : at + 2] for at in range(0, 32, 2))]
)
def test_a_key_is_never_an_argument_and_never_told(key: str) -> None:
    result = CliRunner().invoke(main, ["listen", f"sim:secure?for=1&osdp_key={key}"])
    assert result.exit_code == 2
    assert "takes a file, never the key itself" in result.stderr
    assert key not in result.output
    assert len(result.stderr.strip().splitlines()) == 1


def test_modbus_has_no_secure_channel() -> None:
    data = {
        "title": "x",
        "controller": {"name": "c", "protocol": "modbus-rtu"},
        "device": [{"name": "d", "address": 1, "position_m": 1.0, "secure": True}],
    }
    with pytest.raises(ScenarioError, match="secure"):
        parse(data)


def test_who_stands_in_without_keys_is_told() -> None:
    result = CliRunner().invoke(main, ["simulate", "reader", "secure", "--port", "/dev/nothing", "--transmit"])
    assert "note: all is said in clear" in result.stderr
