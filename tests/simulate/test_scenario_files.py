"""Scenario files: those that come along run and are sound; every mistake in a file is one line that names the mend."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Protocol
from benchtool.measure.tally import Figures, Tally
from benchtool.simulate import scenario
from benchtool.simulate.build import build_bus
from benchtool.simulate.scenario import Scenario, ScenarioError, load, names, parse
from benchtool.taps.simulated import SimulatedTap

SOUND = """
title = "Bench"

[line]
length_m = 10

[[terminator]]
position_m = 0.0

[[bias]]
position_m = 0.0

[tap]
position_m = 1.0

[controller]
name = "Controller"

[[device]]
name = "Reader"
address = 1
position_m = 10.0
cards = [{ at_s = 1.0, format = "26-bit", site_code = 1, card_number = 2 }]
keys = [{ at_s = 2.0, keys = "12#" }]
inputs = [{ at_s = 3.0, inputs = [0, 1] }]
"""


def sound() -> dict[str, Any]:
    return tomllib.loads(SOUND)


def figures_of(address: str) -> Figures:
    with SimulatedTap(address) as tap:
        tally, decoder = Tally(tap.info), BusDecoder(tap.info.settings)
        while not tap.ended:
            for item in tap.read(0):
                tally.item(item)
                for frame in decoder.feed(item):
                    tally.frame(frame)
        for frame in decoder.close():
            tally.frame(frame)
        tally.close(tap.now_ns)
    return tally.figures(decoder.counters)


@pytest.mark.parametrize("name", names())
def test_every_shipped_scenario_runs_and_is_sound_without_its_fault(name: str) -> None:
    told = load(name)
    figures = figures_of(f"sim:{name}?fault=healthy&for=10")
    assert figures.damaged == 0
    assert figures.marks == {"framing": 0, "parity": 0, "break": 0, "overrun": 0}
    protocol = Protocol(told.controller.protocol)
    assert set(figures.frames_ok) == {protocol}
    assert [one.address for one in figures.addresses] == sorted(device.address for device in told.devices)
    for one in figures.addresses:
        assert one.answered > 20
        assert (one.silent, one.damaged, one.check_failures, one.unasked) == (0, 0, 0, 0)
    assert 0.05 < figures.bus_load < 0.8


@pytest.mark.parametrize("name", names())
def test_every_shipped_scenario_says_what_it_is(name: str) -> None:
    told = load(name)
    assert told.title
    assert told.about
    assert len(told.about) < 200


@pytest.mark.parametrize("name", names())
def test_every_card_and_key_of_a_shipped_scenario_is_told_within_its_time(name: str) -> None:
    for device in load(name).devices:
        times = [card.at_s for card in device.cards]
        times += [typed.at_s for typed in device.keys]
        times += [change.at_s for change in device.inputs]
        assert all(at_s < load(name).duration_s for at_s in times)


def test_the_sound_one_is_read_field_by_field() -> None:
    told = parse(sound())
    assert (told.title, told.about, told.duration_s, told.seed, told.fault) == ("Bench", "", 20.0, 1, None)
    assert told.line.length_m == 10.0
    assert isinstance(told.line.length_m, float)
    (device,) = told.devices
    assert (device.name, device.address, device.position_m, device.kind) == ("Reader", 1, 10.0, "reader")
    assert [(card.format, card.site_code, card.card_number, card.granted) for card in device.cards] == [
        ("26-bit", 1, 2, True)
    ]
    assert [key.keys for key in device.keys] == ["12#"]
    assert [change.inputs for change in device.inputs] == [(0, 1)]
    assert told.device_at(1) is device
    assert [row.ohm for row in told.terminators] == [120.0]
    assert [(row.pull_ohm, row.supply_v) for row in told.biases] == [(560.0, 5.0)]


def wrong(change: Callable[[dict[str, Any]], object]) -> str:
    data = sound()
    change(data)
    with pytest.raises(ScenarioError) as caught:
        parse(data)
    return str(caught.value)


def put(*path: str | int, to: Any) -> Callable[[dict[str, Any]], None]:
    def change(data: Any) -> None:
        for step in path[:-1]:
            data = data[step]
        data[path[-1]] = to

    return change


def cut(*path: str | int) -> Callable[[dict[str, Any]], None]:
    def change(data: Any) -> None:
        for step in path[:-1]:
            data = data[step]
        del data[path[-1]]

    return change


def twice(**changed: Any) -> Callable[[dict[str, Any]], None]:
    def change(data: dict[str, Any]) -> None:
        data["device"].append({"name": "Other", "address": 2, "position_m": 1.0} | changed)

    return change


CARDS = ("device", 0, "cards")


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (cut("title"), "the scenario lacks 'title'"),
        (cut("controller"), "the scenario lacks [controller]"),
        (cut("device"), "the scenario lacks a [[device]]"),
        (cut("device", 0, "address"), "[[device]] lacks 'address'"),
        (cut("controller", "name"), "[controller] lacks 'name'"),
        (cut(*CARDS, 0, "card_number"), "[[device]] 'cards' lacks 'card_number'"),
        (put("device", 0, "adress", to=1), "[[device]] has an unknown key 'adress'; known are address, answers, baud"),
        (
            put("colour", to=1),
            "the scenario has an unknown key 'colour'; known are about, bias, break, controller, device",
        ),
        (put("devices", to=[]), "unknown key 'devices'; write [[device]]"),
        (put("line", to=3), "[line] is a table, not a whole number"),
        (put("device", to={}), "[[device]] is a list, not a table"),
        (put("device", to=["x"]), "[[device]] is a table, not text"),
        (put("title", to=5), "'title' is text, not a whole number (5)"),
        (put("title", to="two\nlines"), "'title' is one line of printable text, not 'two\\nlines'"),
        (put("title", to=""), "'title': the number of characters is 1 to 80, not 0"),
        (put("seed", to=1.5), "'seed' is a whole number, not a number (1.5)"),
        (put("seed", to=-1), "'seed' is 0 to"),
        (put("duration_s", to=True), "'duration_s' is a number, not true or false (True)"),
        (put("duration_s", to=float("nan")), "'duration_s' is 0 to 1000000, not nan"),
        (put("duration_s", to=float("inf")), "'duration_s' is 0 to 1000000, not inf"),
        (put("device", 0, "address", to="1"), "[[device]] 'address' is a whole number, not text ('1')"),
        (put("device", 0, "address", to=127), "Reader: the osdp address is 0 to 126, not 127"),
        (put("device", 0, "address", to=10**5000), "[[device]] 'address' is 0 to 247, not a number of 16610 bits"),
        (put("device", 0, "answers", to=1), "[[device]] 'answers' is true or false, not a whole number (1)"),
        (put("device", 0, "kind", to="lift"), "[[device]] 'kind' is reader or keypad or interface, not 'lift'"),
        (put("device", 0, "reply_ms", to=-1), "[[device]] 'reply_ms' is 0 to 10000, not -1"),
        (put("device", 0, "position_m", to=10.5), "Reader lies at 10.5 m, but the pair is 10 m long"),
        (put("device", 0, "position_m", to=-1), "[[device]] 'position_m' is 0 to 5000, not -1"),
        (put("device", 0, "name", to="Controller"), "two parts are called 'Controller'; give each its own name"),
        (put("device", 0, "name", to="the tap"), "two parts are called 'the tap'; give each its own name"),
        (put("controller", "name", to="the tap"), "the controller cannot be called 'the tap'"),
        (put("controller", "position_m", to=11), "Controller lies at 11 m, but the pair is 10 m long"),
        (put("terminator", 0, "position_m", to=11), "a terminator lies at 11 m, but the pair is 10 m long"),
        (put("bias", 0, "position_m", to=11), "a bias lies at 11 m, but the pair is 10 m long"),
        (put("tap", "position_m", to=11), "the tap lies at 11 m, but the pair is 10 m long"),
        (put("terminator", 0, "ohm", to=0), "[[terminator]] 'ohm' is 1 to 1000000, not 0"),
        (put("bias", 0, "pull_ohm", to=-5.0), "[[bias]] 'pull_ohm' is 1 to 1000000, not -5.0"),
        (twice(name="Reader"), "two parts are called 'Reader'; give each its own name"),
        (put("second_controller", to={"name": "the tap"}), "the controller cannot be called 'the tap'"),
        (put("second_controller", to={"name": "Controller"}), "two parts are called 'Controller'; give each its own"),
        (put("second_controller", to={"name": "Reader"}), "two parts are called 'Reader'; give each its own name"),
        (put("second_controller", to={"name": "B", "position_m": 11}), "B lies at 11 m, but the pair is 10 m long"),
        (
            put("second_controller", to={"name": "B", "protocol": "modbus-rtu"}),
            "[second_controller] speaks osdp too, not modbus-rtu",
        ),
        (put("second_controller", to=[]), "[second_controller] is a table, not a list"),
        (put("break", to=[{"position_m": 11}]), "a break lies at 11 m, but the pair is 10 m long"),
        (put("short", to=[{"position_m": 11}]), "a short lies at 11 m, but the pair is 10 m long"),
        (put("leak", to=[{"position_m": 11}]), "a leak lies at 11 m, but the pair is 10 m long"),
        (put("leak", to=[{"position_m": 1, "wire": "both"}]), "[[leak]] 'wire' is a or b, not 'both'"),
        (put("breaks", to=[]), "unknown key 'breaks'; write [[break]]"),
        (put("device", 0, "sequence", to="odd"), "[[device]] 'sequence' is sound or stale or forgets or zero, not"),
        (put("device", 0, "format", to="8X1"), "Reader 'format': '8X1' is not a character format"),
        (put("controller", "protocol", to="x"), "[controller] 'protocol' is osdp or modbus-rtu, not 'x'"),
        (
            put("controller", "protocol", to="modbus-rtu"),
            'Reader: cards and keys need a controller with protocol = "osdp"',
        ),
        (put("controller", "check", to="sum"), "[controller] 'check' is crc or checksum, not 'sum'"),
        (put("controller", "poll_gap_ms", to=-0.1), "[controller] 'poll_gap_ms' is 0 to 60000, not -0.1"),
        (put("line", "baud", to=0), "[line] 'baud' is 300 to 1000000, not 0"),
        (put("line", "baud", to=9600.0), "[line] 'baud' is a whole number, not a number (9600.0)"),
        (put("line", "format", to="8N3"), "[line] 'format': '8N3' is not a character format"),
        (put("line", "format", to="7E1"), "[line] 'format' has 8 data bits, as both protocols need, not 7E1"),
        (put("line", "velocity", to=0), "[line] 'velocity' is 0.1 to 1, not 0"),
        (put("tap", "baud", to=20_000_001), "[tap] 'baud' is 50 to 20000000, not 20000001"),
        (put("tap", "format", to="abc"), "[tap] 'format': 'abc' is not a character format"),
        (put(*CARDS, to={"at_s": 1}), "[[device]] 'cards' is a list, not a table"),
        (put(*CARDS, 0, "at_s", to=-1.0), "[[device]] 'cards' 'at_s' is 0 to 1000000, not -1.0"),
        (put(*CARDS, 0, "format", to="27-bit"), "Reader: a card at 1 s: no card format is called '27-bit'"),
        (put(*CARDS, 0, "site_code", to=256), "Reader: a card at 1 s: 26-bit carries site codes 0 to 255"),
        (put(*CARDS, 0, "card_number", to=65536), "Reader: a card at 1 s: 26-bit carries card numbers 0 to 65535"),
        (cut(*CARDS, 0, "site_code"), "Reader: a card at 1 s: 26-bit needs a site code, 0 to 255"),
        (put("device", 0, "keys", 0, "keys", to="12é"), "Reader: keys at 2 s: a keypad has 0 to 9, * and # alone"),
        (put("device", 0, "keys", 0, "keys", to=12), "[[device]] 'keys' 'keys' is text"),
        (put("device", 0, "keys", 0, "keys", to="12A#"), "Reader: keys at 2 s: a keypad has 0 to 9, * and # alone"),
        (put("device", 0, "inputs", 0, "inputs", to=[0, 2]), "Reader: inputs are 0 or 1, not [0, 2]"),
        (put("device", 0, "inputs", 0, "inputs", to=[]), "'inputs': the number of entries is 1 to 16, not 0"),
        (put("device", 0, "inputs", 0, "inputs", to=[True]), "'inputs' is a whole number, not true or false (True)"),
        (put("fault", to="noise-broadband"), "[fault] is a table, not text ('noise-broadband')"),
        (put("fault", to={"at": 1}), "[fault] lacks 'kind'"),
        (put("fault", to={"kind": []}), "[fault] 'kind' is text or a number, not a list"),
        (
            put("fault", to={"kind": "noise-broadband", "level": True}),
            "[fault] 'level' is text or a number, not true or false",
        ),
    ],
)
def test_a_mistake_is_one_line_with_the_mend(change: Callable[[dict[str, Any]], object], line: str) -> None:
    told = wrong(change)
    assert line in told
    assert "\n" not in told
    assert len(told) < 300


def test_two_devices_can_have_one_address() -> None:
    data = sound()
    twice(address=1)(data)
    assert [device.address for device in parse(data).devices] == [1, 1]


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (put("device", 0, "sequence", to="stale"), "Reader: sequence, reset_by_load and secure need"),
        (put("device", 0, "reset_by_load", to=True), "Reader: sequence, reset_by_load and secure need"),
        (put("controller", "sequence", to="skips"), 'Controller: sequence needs protocol = "osdp"'),
    ],
)
def test_what_needs_osdp(change: Callable[[dict[str, Any]], object], line: str) -> None:
    data = sound()
    data["controller"]["protocol"] = "modbus-rtu"
    del data["device"][0]["cards"], data["device"][0]["keys"]
    assert parse(data).controller.protocol == "modbus-rtu"
    change(data)
    with pytest.raises(ScenarioError) as caught:
        parse(data)
    assert line in str(caught.value)


@pytest.mark.parametrize(("protocol", "least", "most"), [("osdp", 0, 126), ("modbus-rtu", 1, 247)])
def test_the_addresses_of_each_protocol(protocol: str, least: int, most: int) -> None:
    # sheet 5.1: 00 to 7E; sheet 3.1: 1 to 247
    data = sound()
    data["controller"]["protocol"] = protocol
    data["device"] = [{"name": "Interface", "position_m": 1.0}]
    for address in (least, most):
        data["device"][0]["address"] = address
        assert parse(data).devices[0].address == address
    for address in (least - 1, most + 1):
        data["device"][0]["address"] = address
        with pytest.raises(ScenarioError, match=r"address.* is \d+ to \d+, not "):
            parse(data)


VALUES = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=8),
        st.dates(),
        st.sampled_from(["8N1", "26-bit", "osdp", "modbus-rtu", "reader", 1, 9600, 0.0]),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)),
    max_leaves=6,
)
TABLES = [
    "title",
    "about",
    "seed",
    "duration_s",
    "line",
    "controller",
    "tap",
    "device",
    "terminator",
    "bias",
    "break",
    "short",
    "leak",
    "second_controller",
    "fault",
    "x",
]


def places(data: Any, before: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every place in the sound scenario."""
    found = [before] if before else []
    for key, value in data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ():
        found += places(value, (*before, key))
    return found


def loads_or_says_why(data: dict[str, Any]) -> Scenario | None:
    try:
        return parse(data)
    except ScenarioError as error:
        why = str(error)
    assert why
    assert "\n" not in why
    return None


@given(st.dictionaries(st.sampled_from(TABLES), VALUES))
def test_anything_like_toml_loads_or_says_why(data: dict[str, Any]) -> None:
    loads_or_says_why(data)


@given(st.sampled_from(places(sound())), VALUES)
def test_anything_in_place_of_a_value_loads_and_builds_or_says_why(place: tuple[str | int, ...], value: Any) -> None:
    data = sound()
    put(*place, to=value)(data)
    told = loads_or_says_why(data)
    if told is not None:
        assert build_bus(told, told.seed).now_ns == 0


@settings(max_examples=20)
@given(
    st.fixed_dictionaries(
        {},
        optional={
            "baud": st.integers(300, 1_000_000),
            "length_m": st.floats(10, 5000),
            "loop_ohm_per_m": st.floats(0, 10),
            "velocity": st.floats(0.1, 1),
            "driver_ohm": st.floats(1, 1000),
            "noise_v": st.floats(0, 1),
            "format": st.sampled_from(["8N1", "8E1", "8O2", "8N2"]),
        },
    ),
    st.floats(1, 1e6),
)
def test_whatever_the_schema_allows_runs(line: dict[str, Any], ohm: float) -> None:
    data = sound()
    data["line"] = {"length_m": 10.0} | line
    data["terminator"][0]["ohm"] = ohm
    bus = build_bus(parse(data), 1)
    chunks = list(bus.run(60_000_000))
    assert all(chunk.octets for chunk in chunks)


def test_files_are_read_by_path(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SOUND, encoding="utf-8")
    assert load(str(path)).title == "Bench"


def test_what_cannot_be_read_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "latin.toml").write_bytes(b'title = "caf\xe9"')
    (tmp_path / "broken.toml").write_text("title = ")
    (tmp_path / "deep.toml").write_text("a = " + "[" * 20_000)
    (tmp_path / "long.toml").write_text("seed = " + "9" * 5000)
    (tmp_path / "folder.toml").mkdir()
    for name, line in [
        ("latin.toml", "it is not UTF-8 text"),
        ("broken.toml", "is not TOML: "),
        ("deep.toml", "it nests too deep"),
        ("long.toml", "cannot read scenario"),
        ("folder.toml", "Is a directory"),
        ("absent.toml", "No such file"),
        ("nul\0.toml", "cannot read scenario"),
    ]:
        with pytest.raises(ScenarioError) as caught:
            load(str(tmp_path / name))
        assert line in str(caught.value)
        assert "\n" not in str(caught.value)


def test_an_unknown_name_lists_those_there_are() -> None:
    with pytest.raises(ScenarioError, match=r"no scenario 'nowhere'; there are: bench, demo"):
        load("nowhere")
    with pytest.raises(ScenarioError, match=r"a reader on two data lines, no bus: reads and hunt listen at it"):
        load("card")
    with pytest.raises(ScenarioError, match=r"no device at address 9 in this scenario; there are 1, 2, 3, 4, 5"):
        load("demo").device_at(9)


def test_the_names_that_commands_import_are_there() -> None:
    assert {name for name in scenario.__all__ if not hasattr(scenario, name)} == set()


@pytest.mark.parametrize(
    "change",
    [
        put("device", 0, "keys", 0, "keys", to="86421x"),
        put("device", 0, "keys", 0, "keys", to=86421),
        put("device", 0, "keys", 0, "keys", to="86421\n"),
        put("device", 0, "keys", 0, "keys", to="86421" * 9),
        put("device", 0, "keys", 0, to="86421"),
        put("device", 0, "keys", to="86421"),
        put(*CARDS, 0, "card_number", to="86421"),
        put(*CARDS, 0, "card_number", to=-86421),
        put(*CARDS, 0, "card_number", to=86421),
        put(*CARDS, 0, "site_code", to=86421.5),
    ],
)
def test_what_is_wrong_with_keys_and_cards_is_told_without_them(change: Callable[[dict[str, Any]], object]) -> None:
    assert "86421" not in wrong(change)
