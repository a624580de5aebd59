"""The virtual bus: repeatable, in virtual time, undisturbed by who listens, and every octet from the line model."""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import benchtool.simulate
from benchtool.capture.chunk import Chunk, Mark
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Reply
from benchtool.simulate import faults
from benchtool.simulate.build import build_bus, build_pair, tap_settings
from benchtool.simulate.bus import TapPoint, VirtualBus, Wired, to_chunks
from benchtool.simulate.scenario import TAP, Scenario, load, names
from benchtool.simulate.station import Station
from benchtool.wire.link import Link
from benchtool.wire.pair import Pair
from benchtool.wire.uart import ReceivedOctet
from tests.simulate.lockstep import MS, SETTINGS, S, octets

DEMO = load("demo")


def run(scenario: Scenario, seconds: float = 3.0, seed: int = 7) -> list[Chunk]:
    return list(build_bus(scenario, seed).run(round(seconds * S)))


def with_fault(kinds: str, scenario: Scenario = DEMO, **options: str) -> Scenario:
    return faults.apply(scenario, kinds, options)


def all_of(chunks: list[Chunk]) -> bytes:
    return b"".join(chunk.octets for chunk in chunks)


class Talker(Station):
    """Says things at their times; keeps what it hears."""

    def __init__(self, name: str, says: list[tuple[int, bytes]]) -> None:
        self.name = name
        self.says = list(says)
        self.began: list[int] = []
        self.heard: list[Chunk] = []

    def hear(self, chunk: Chunk) -> None:
        self.heard.append(chunk)

    def wake_ns(self) -> int | None:
        return self.says[0][0] if self.says else None

    def act(self, now_ns: int) -> bytes | None:
        self.began.append(now_ns)
        return self.says.pop(0)[1]


class Polite(Talker):
    """Holds back while others talk."""

    def defers(self) -> bool:
        return True


class Choosy(Talker):
    """Hears what begins with a y."""

    def wants(self, octets: bytes) -> bool:
        return octets[:1] == b"y"


def bus_of(talkers: list[Talker], scenario: Scenario = DEMO, tap: LineSettings = SETTINGS, seed: int = 1) -> VirtualBus:
    """Talkers in place of the demo's controller and its first devices."""
    places = [scenario.controller.name, *(device.name for device in scenario.devices)]
    wired = {place: Wired(talker, SETTINGS) for place, talker in zip(places, talkers, strict=False)}
    return VirtualBus(Link(build_pair(scenario), seed), wired, TapPoint(TAP, tap), seed)


@pytest.mark.parametrize("fault", faults.FAULTS)
def test_every_fault_gives_the_same_items_for_the_same_seed_in_order_of_time(fault: str) -> None:
    scenario = with_fault(fault)
    items = run(scenario, 1.5)
    assert items == run(scenario, 1.5)
    before_ns = 0
    for chunk in items:
        assert before_ns <= chunk.t_ns < chunk.end_ns
        assert len(chunk.marks) in (0, len(chunk.octets))
        before_ns = chunk.end_ns


def test_another_seed_gives_other_noise() -> None:
    noisy = with_fault("noise-broadband", level="0.5")
    assert all_of(run(noisy, seed=1)) != all_of(run(noisy, seed=2))


def test_another_seed_gives_other_waits_but_the_same_words_on_a_sound_bus() -> None:
    one, other = run(DEMO, 1.0, seed=1), run(DEMO, 1.0, seed=2)
    assert [chunk.octets for chunk in one[:10]] == [chunk.octets for chunk in other[:10]]
    assert [chunk.t_ns for chunk in one] != [chunk.t_ns for chunk in other]


def test_a_longer_run_begins_as_the_shorter_one() -> None:
    short, long = run(DEMO, 1.0), run(DEMO, 2.0)
    assert long[: len(short)] == short


def said_on(scenario: Scenario, monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, bytes]]:
    """What the stations say, and when."""
    said: list[tuple[int, bytes]] = []
    bus = build_bus(scenario, 7)
    plain = Link.carry

    def carry(self: Link, driver: str, listener: str, *args: object, **more: object) -> object:
        if listener == TAP:
            said.append((bus.now_ns, bytes(args[0])))  # type: ignore[call-overload]
        return plain(self, driver, listener, *args, **more)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(Link, "carry", carry)
        list(bus.run(2 * S))
    return said


@pytest.mark.parametrize("noise_v", [0.0, 0.5])
@pytest.mark.parametrize("baud", [300, 4800, 19200, 115200])
def test_listening_changes_nothing(noise_v: float, baud: int, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = replace(DEMO, line=replace(DEMO.line, noise_v=noise_v))
    odd = replace(plain, tap=replace(plain.tap, baud=baud, reversed_pair=True))
    said = said_on(plain, monkeypatch)
    assert len(said) > 20
    assert said_on(odd, monkeypatch) == said


@pytest.mark.parametrize("fault", ["healthy", "noise-broadband", "two-controllers", "driver-held-late"])
@pytest.mark.parametrize("baud", [300, 1200])
def test_chunks_are_in_order_of_time_and_apart(fault: str, baud: int | None) -> None:
    before_ns = 0
    scenario = replace(DEMO, tap=replace(DEMO.tap, baud=baud))
    for chunk in run(with_fault(fault, scenario)):
        assert before_ns <= chunk.t_ns < chunk.end_ns
        assert len(chunk.marks) in (0, len(chunk.octets))
        before_ns = chunk.end_ns


def test_the_clock_of_the_bus_is_the_traffic() -> None:
    bus = build_bus(DEMO, 1)
    assert bus.now_ns == 0
    seen = [bus.now_ns for _ in bus.run(S)]
    assert seen == sorted(seen)
    assert bus.now_ns >= S


def test_nobody_who_wants_to_talk_is_the_end() -> None:
    bus = bus_of([Talker("a", []), Talker("b", [])])
    assert list(bus.run(5 * S)) == []
    assert bus.now_ns == 5 * S


def test_a_perfect_line_delivers_octets_at_their_times() -> None:
    words = octets("53 00 08 00 04 60 EB AA")
    far = Talker("far", [])
    (chunk,) = bus_of([Talker("near", [(5 * MS, words)]), far]).run(S)
    # 8 characters of 10 bits at 9600: sheet 5.2, 8.333 ms
    assert chunk.octets == words
    assert chunk.marks == b""
    assert chunk.t_ns == pytest.approx(5 * MS, abs=20_000)
    assert chunk.end_ns - chunk.t_ns == pytest.approx(8_333_000, abs=20_000)
    assert [heard.octets for heard in far.heard] == [words]


def test_a_talker_does_not_hear_itself() -> None:
    near = Talker("near", [(0, b"hello")])
    list(bus_of([near, Talker("far", [])]).run(S))
    assert near.heard == []


def test_who_talks_while_nobody_listens_talks_at_once() -> None:
    # Two at once: nobody waits, the tap hears neither, and the talkers hear nothing of it.
    one, two = Talker("one", [(0, bytes(10))]), Talker("two", [(3 * MS, bytes(10))])
    third = Talker("third", [])
    chunks = list(bus_of([one, two, third]).run(S))
    assert (one.began, two.began) == ([0], [3 * MS])
    assert (one.heard, two.heard) == ([], [])
    assert third.heard
    assert all_of(chunks) != bytes(20)
    # The first talker is alone for 3 ms of 1.04 ms a character.
    assert chunks[0].octets[:2] == bytes(2)


def test_who_waits_for_a_reply_does_not_talk_into_one() -> None:
    polite = Polite("polite", [(3 * MS, b"again")])
    other = Talker("other", [(0, bytes(10))])
    chunks = list(bus_of([polite, other]).run(S))
    assert polite.began == [pytest.approx(11 * SETTINGS.char_ns, abs=2000)]
    assert [chunk.octets for chunk in chunks] == [bytes(10), b"again"]
    # Less than a character has come by then: it has heard nothing yet.
    hasty = Polite("hasty", [(MS // 2, b"again")])
    list(bus_of([hasty, Talker("other", [(0, bytes(10))])]).run(S))
    assert hasty.began == [MS // 2]


def test_what_does_not_matter_to_a_station_is_not_carried_to_it() -> None:
    deaf = Choosy("choosy", [])
    list(bus_of([Talker("one", [(0, b"yes"), (20 * MS, b"no")]), deaf]).run(S))
    assert [chunk.octets for chunk in deaf.heard] == [b"yes"]


def test_the_last_transmission_is_heard_out() -> None:
    chunks = list(bus_of([Talker("a", [(9 * MS, b"whole"), (20 * MS, b"late")])]).run(10 * MS))
    assert [chunk.octets for chunk in chunks] == [b"whole"]


def test_a_reversed_clip_hears_what_the_sheet_says() -> None:
    # sheet 11, A/B reversed: 53 00 07 00 02 60 44 is received as 56 F1 FF FB 3F 77 00/F
    tap = replace(DEMO, tap=replace(DEMO.tap, reversed_pair=True))
    chunks = list(bus_of([Talker("panel", [(5 * MS, octets("53 00 07 00 02 60 44"))])], tap).run(S))
    assert all_of(chunks) == octets("56 F1 FF FB 3F 77 00")
    marks = b"".join(chunk.marks or bytes(len(chunk.octets)) for chunk in chunks)
    assert [bool(mark & Mark.FRAMING) for mark in marks] == [False] * 6 + [True]


def test_a_reversed_device_hears_and_says_it_reversed() -> None:
    told = with_fault("pair-reversed-at-device", at="1")
    panel, device = Talker("panel", [(5 * MS, octets("53 00 07 00 02 60 44"))]), Talker("device", [(S, b"\x53")])
    chunks = list(bus_of([panel, device], told).run(2 * S))
    assert all_of(device.heard) == octets("56 F1 FF FB 3F 77 00")
    assert all_of(panel.heard) != b"\x53"
    assert all_of(chunks[:1]) == octets("53 00 07 00 02 60 44")


@pytest.mark.parametrize(
    ("times", "values"),
    [
        # sheet 11: the closed value sets of a receiver that runs 2, 4 or 12 times too fast
        (2, "80 86 98 9E E0 E6 F8 FE 00 06 18 1E 60 66 78 7E"),
        (4, "80 F8 00 78"),
        (12, "00"),
    ],
)
def test_a_receiver_that_is_too_fast_hears_the_closed_value_sets(times: int, values: str) -> None:
    told = replace(DEMO, tap=replace(DEMO.tap, baud=9600 * times))
    heard = all_of(run(told))
    assert len(heard) > 200
    assert set(heard) <= set(octets(values))


def test_no_station_or_fault_changes_octets_that_are_heard() -> None:
    # What is heard is made in to_chunks alone, of the received octets of `wire`; the rest of the room only hands it on.
    makers: Counter[str] = Counter()
    for path in Path(benchtool.simulate.__file__).parent.glob("*.py"):
        # A reader of data lines sends what its setting makes it send, wrong parity too: no octets of a bus.
        if path.name in BENCH_ONLY or path.name.startswith("card_"):
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Chunk":
                makers[path.name] += 1
            assert not isinstance(node, ast.Invert | ast.BitXor), f"{path.name}: bits turned over"
    # The Modbus machines of a bench lay what they heard before their own decoders as chunks.
    assert set(makers) == {"heard.py", "modbus_client.py", "modbus_server.py"}
    built = Path(benchtool.simulate.__file__).with_name("build.py").read_text(encoding="utf-8")
    assert not any(
        name in built for name in ("misdeeds", "modbus_faults", "modbus_unit", "modbus_client", "modbus_server")
    )


BENCH_ONLY = ("misdeeds.py", "modbus_faults.py", "modbus_unit.py")
"""What a stand-in on a bench sends wrong on purpose, and registers written under a mask: no simulated bus uses them."""


def test_octets_that_follow_each_other_are_one_chunk() -> None:
    char_s = SETTINGS.char_ns / S
    line = [
        ReceivedOctet(value, mark, at * char_s, (at + 1) * char_s)
        for value, mark, at in [(1, 0, 0.0), (2, 0, 1.0), (3, int(Mark.FRAMING), 3.4), (4, 0, 6.0)]
    ]
    chunks = list(to_chunks(line, 1000, SETTINGS))
    assert [(chunk.octets, chunk.marks) for chunk in chunks] == [(b"\1\2\3", bytes((0, 0, 1))), (b"\4", b"")]
    assert chunks[0].t_ns == 1000
    assert chunks[1].end_ns == 1000 + round(7 * char_s * S)
    assert list(to_chunks([], 0, SETTINGS)) == []


def test_noise_between_transmissions_reaches_the_tap() -> None:
    silent = replace(with_fault("noise-broadband", level="1"), devices=DEMO.devices[:1])
    heard = list(bus_of([Talker("panel", [])], silent).run(S))
    assert heard
    assert list(bus_of([Talker("panel", [])], DEMO).run(S)) == []


def test_what_is_kept_does_not_grow_without_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchtool.simulate.bus._KEPT", 4)
    says = [(n * 20 * MS, bytes((n, n))) for n in range(20)]
    bus = bus_of([Talker("a", says), Talker("b", [])])
    assert all_of(list(bus.run(S))) == b"".join(data for _, data in says)
    assert len(bus._made) <= 4


def replies(scenario: Scenario, seconds: float = 20.0) -> Iterator[bytes]:
    for chunk in run(scenario, seconds):
        if chunk.octets[:1] == b"\x53" and chunk.octets[1] & 0x80:
            yield chunk.octets


def test_a_granted_card_lights_and_opens_and_another_does_not() -> None:
    told = run(with_fault("healthy"), 14.0)
    after: dict[str, list[int]] = {"granted": [], "refused": []}
    now = None
    for chunk in told:
        data = chunk.octets
        if data[1] & 0x80 and data[5] == Reply.RAW:
            now = "granted" if chunk.t_ns < 8 * S else "refused"
        elif now and not data[1] & 0x80 and data[5] not in (0x60,):
            after[now].append(data[5])
    # Three cards: two are granted (LED, BUZ, OUT each), one is not (LED, BUZ)
    assert sorted(after["granted"]) == sorted([0x69, 0x6A, 0x68] * 2)
    assert sorted(after["refused"]) == [0x69, 0x6A]


def test_every_event_of_the_scenario_is_told_once() -> None:
    counts = Counter(data[5] for data in replies(with_fault("healthy")))
    assert counts[Reply.RAW] == 3
    assert counts[Reply.KEYPAD] == 1
    assert counts[Reply.ISTATR] == 2


def test_a_keypad_tells_enter_and_clear_as_osdp_has_them() -> None:
    # sheet 5.5: 0D = "#", 7F = "*"
    typed = [data for data in replies(with_fault("healthy")) if data[5] == Reply.KEYPAD]
    assert typed[0][6:-2] == b"\x00\x052580\r"


def test_card_bits_are_those_of_the_sheet() -> None:
    # sheet 5.7: RAW 26-bit 0x0CA1FFF (site 101, number 4095), RAW 37-bit; payload 00 01 1A 00 32 87 FF C0
    reader = DEMO.devices[1]
    card = replace(reader.cards[0], format="26-bit", site_code=101, card_number=4095, at_s=0.5)
    told = replace(DEMO, fault=None, devices=(replace(reader, address=1, cards=(card,)),))
    raw = [data for data in replies(told, 2.0) if data[5] == Reply.RAW]
    assert [data[6:-2] for data in raw] == [octets("00 01 1A 00 32 87 FF C0")]


def test_the_taps_own_settings() -> None:
    assert tap_settings(DEMO) == LineSettings(9600)
    told = replace(DEMO, tap=replace(DEMO.tap, baud=19200, format="8E1"))
    assert tap_settings(told) == LineSettings(19200, CharFormat.parse("8E1"))


@pytest.mark.parametrize("name", names())
def test_the_pair_is_what_the_scenario_says(name: str) -> None:
    told = load(name)
    pair: Pair = build_pair(told)
    assert pair.length_m == told.line.length_m
    assert [node.name for node in pair.nodes] == [told.controller.name, *(d.name for d in told.devices), TAP]
    assert len(pair.terminators) == len(told.terminators)
    assert [bias.pull_ohm for bias in pair.biases] == [row.pull_ohm for row in told.biases]


def test_a_controller_with_checksums() -> None:
    told = replace(DEMO, fault=None, controller=replace(DEMO.controller, check="checksum"))
    first = run(told, 0.5)[0]
    assert first.octets == build_frame(1, 0x60, sequence=0, crc=False)


def test_the_stations_draw_from_their_own_chance() -> None:
    # numpy's PCG64 of [seed, 1, place]: one device more does not change the waits of those before it
    fewer = replace(DEMO, fault=None, devices=DEMO.devices[:1])
    more = replace(DEMO, fault=None, devices=DEMO.devices[:2])
    one, two = run(fewer, 0.05), run(more, 0.05)
    assert one[:2] == two[:2]
    assert np.random.Generator(np.random.PCG64([7, 1, 0])).random() != pytest.approx(
        np.random.Generator(np.random.PCG64([7, 1, 1])).random()
    )
