"""The simulated tap: its options, what each kind of adapter shows, lumps, and pace without waiting."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Item, LineCounts, LineErrors
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.simulate.faults import OPTIONS as FAULT_OPTIONS
from benchtool.simulate.scenario import names
from benchtool.taps.simulated import OPTIONS, SimulatedTap, lump
from benchtool.taps.tap import TapError
from tests.taps.fakes import MS, FakeClock, S, octets_of

SETTINGS = LineSettings(9600)


def items_of(address: str, settings: LineSettings | None = None) -> list[Item]:
    with SimulatedTap(address, settings) as tap:
        items: list[Item] = []
        while not tap.ended:
            items += tap.read(0)
    return items


def chunks_of(items: list[Item]) -> list[Chunk]:
    return [item for item in items if isinstance(item, Chunk)]


def refused(address: str) -> str:
    tap = SimulatedTap(address)
    with pytest.raises(TapError) as caught:
        tap.open()
    assert caught.value.reason == "bad-address"
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(f"{address}: ")
    return str(caught.value)


@pytest.mark.parametrize(
    ("query", "line"),
    [
        ("colour=red", "unknown option 'colour'; known are fault, at, which, level, metres, ohm"),
        ("for=ever", "for=ever: a number of 0 or more is wanted"),
        ("for=-1", "for=-1: a number of 0 or more is wanted"),
        ("for=nan", "for=nan: a number of 0 or more is wanted"),
        ("for=inf", "for=inf: a number of 0 or more is wanted"),
        ("for=", "for=: a number of 0 or more is wanted"),
        ("lump_ms=x", "lump_ms=x: a number of 0 or more is wanted"),
        ("seed=1.5", "seed=1.5: a whole number, 0 to 999999999, is wanted"),
        ("seed=-1", "seed=-1: a whole number, 0 to 999999999"),
        ("seed=%C2%B2", "seed=²: a whole number, 0 to 999999999"),
        ("seed=", "seed=: a whole number, 0 to 999999999"),
        ("seed=1000000000", "a whole number, 0 to 999999999"),
        ("pace=slow", "pace=slow: virtual or real is wanted"),
        ("adapter=gold", "adapter=gold: marked, counted, blind is wanted"),
        ("fault=lightning", "no fault 'lightning'; there are: healthy"),
        ("fault", "no fault ''; there are: healthy"),
        ("fault=bias-mising", "no fault 'bias-mising'; did you mean bias-missing?"),
        ("pase=real", "unknown option 'pase'; did you mean pace?"),
        ("fault=noise-broadband&level=loud", "level=loud: a number is wanted"),
        ("fault=noise-broadband&at=2", "fault=noise-broadband does not take 'at'"),
        ("at=9", "no device at address 9 in this scenario"),
    ],
)
def test_a_wrong_option_is_one_line(query: str, line: str) -> None:
    assert line in refused(f"sim:demo?{query}")


def test_an_unknown_scenario_is_one_line() -> None:
    assert "no scenario 'nowhere'; there are: bench, demo" in refused("sim:nowhere")
    assert "no scenario 'dmo'; did you mean demo?" in refused("sim:dmo")
    assert "cannot read scenario" in refused("sim:/nowhere/site.toml")


def test_an_error_calls_the_address_what_the_user_typed() -> None:
    # The screen of a bus adds options of its own.
    with pytest.raises(TapError, match=r"^sim:nosuch: no scenario"):
        SimulatedTap("sim:nosuch?pace=real", typed="sim:nosuch").open()


def test_the_options_are_those_of_faults_and_its_own() -> None:
    assert set(FAULT_OPTIONS) <= set(OPTIONS)


def test_no_name_is_the_demo() -> None:
    assert items_of("sim:?for=0.3") == items_of("sim:demo?for=0.3")


@pytest.mark.parametrize("name", names())
def test_every_scenario_opens(name: str) -> None:
    with SimulatedTap(f"sim:{name}?for=0.2") as tap:
        assert chunks_of(tap.read(0))
        assert tap.info.name == f"sim:{name}?for=0.2"
        assert tap.scenario is not None
        assert tap.info.settings == tap.scenario.line.settings


def test_how_long_it_lasts() -> None:
    assert items_of("sim:demo?for=0") == []
    ends = [chunks_of(items_of(f"sim:demo?for={seconds}"))[-1].end_ns for seconds in ("0.5", "1.5")]
    assert 0.3 * S < ends[0] < 0.6 * S < 1.3 * S < ends[1] < 1.6 * S
    with SimulatedTap("sim:bench") as tap:
        while tap.read(0):
            pass
        # the scenario's own duration
        assert tap.now_ns >= 10 * S


def test_the_seed_is_the_scenarios_own_unless_said() -> None:
    assert items_of("sim:demo?for=1") == items_of("sim:demo?for=1&seed=7")
    assert items_of("sim:demo?for=1") != items_of("sim:demo?for=1&seed=8")
    assert items_of("sim:demo?for=1&seed=8") == items_of("sim:demo?for=1&seed=08")


def test_the_fault_applies_to_the_scenario() -> None:
    with SimulatedTap("sim:demo?fault=pair-reversed-at-tap,device-silent&at=1&for=0") as tap:
        assert tap.scenario is not None
        assert tap.scenario.tap.reversed_pair
        assert [device.answers for device in tap.scenario.devices] == [False, True, True, True, True]


def test_settings_set_the_receiver_not_the_bus() -> None:
    odd = LineSettings(19200, CharFormat.parse("8E1"))
    with SimulatedTap("sim:demo?for=1", odd) as tap:
        assert tap.info.settings == odd
        assert tap.scenario is not None
        assert tap.scenario.line.baud == 9600
    # sheet 11: a receiver twice too fast, with any settings of the sender, knows these values only
    fast = octets_of(items_of("sim:demo?for=1", LineSettings(19200)))
    assert fast
    assert set(fast) <= set(bytes.fromhex("8086989EE0E6F8FE0006181E6066787E"))


def test_a_wrong_rate_is_the_one_asked_for() -> None:
    with SimulatedTap("sim:demo?fault=baud-wrong&for=0", LineSettings(57600)) as tap:
        assert tap.info.settings.baud == 57600
    with SimulatedTap("sim:demo?fault=baud-wrong&for=0") as tap:
        assert tap.info.settings.baud == 19200


@pytest.mark.parametrize(
    ("fault", "settings"),
    [("baud-wrong", LineSettings(9600)), ("format-wrong", LineSettings(9600, CharFormat.parse("8N1")))],
)
def test_a_receiver_set_right_hears_the_bus_right_whatever_the_fault(fault: str, settings: LineSettings) -> None:
    # The demo bus is set to 9600 8N1.
    with SimulatedTap(f"sim:demo?fault={fault}&for=0", settings) as tap:
        assert tap.info.settings == settings
    assert items_of(f"sim:demo?fault={fault}&for=2", settings) == items_of("sim:demo?fault=healthy&for=2")


def test_a_clip_turned_hears_a_reversed_pair_right() -> None:
    tap = SimulatedTap("sim:demo?fault=pair-reversed-at-tap&for=0")
    tap.turn_clip()
    with tap:
        assert tap.scenario is not None
        assert not tap.scenario.tap.reversed_pair
    tap.turn_clip()
    with tap:
        assert tap.scenario is not None
        assert tap.scenario.tap.reversed_pair


@pytest.mark.parametrize(
    ("adapter", "told"),
    [
        ("", LineErrors.MARKED),
        ("&adapter=marked", LineErrors.MARKED),
        ("&adapter=counted", LineErrors.COUNTED),
        ("&adapter=blind", LineErrors.UNAVAILABLE),
    ],
)
def test_what_an_adapter_shows_of_line_errors(adapter: str, told: LineErrors) -> None:
    address = f"sim:demo?fault=pair-reversed-at-tap&for=2{adapter}"
    full = items_of("sim:demo?fault=pair-reversed-at-tap&for=2")
    errors = [sum(mark & bit > 0 for chunk in chunks_of(full) for mark in chunk.marks) for bit in (1, 2, 4)]
    assert errors[0] > 10
    items = items_of(address)
    with SimulatedTap(address) as tap:
        assert tap.info.line_errors is told
    assert octets_of(items) == octets_of(full)
    counts = [item for item in items if isinstance(item, LineCounts)]
    if told is LineErrors.MARKED:
        assert items == full
    else:
        assert not any(chunk.marks for chunk in chunks_of(items))
    if told is LineErrors.COUNTED:
        assert [sum(count[n] for count in counts) for n in (1, 2, 3)] == errors
        assert all(any(count[1:]) for count in counts)
        assert [item.t_ns for item in items] == sorted(item.t_ns for item in items)
    else:
        assert counts == []


CHUNKS = st.lists(st.tuples(st.integers(0, 40 * MS), st.binary(min_size=1, max_size=40), st.booleans()), max_size=12)


def laid_out(parts: list[tuple[int, bytes, bool]]) -> list[Chunk]:
    """Chunks with those pauses before them, as a line of 9600 carries them; every other octet marked where wanted."""
    chunks = []
    now_ns = 0
    for pause_ns, octets, marked in parts:
        start_ns = now_ns + pause_ns
        now_ns = start_ns + len(octets) * SETTINGS.char_ns
        chunks.append(Chunk(start_ns, now_ns, octets, bytes(n % 2 for n in range(len(octets))) if marked else b""))
    return chunks


@given(CHUNKS, st.integers(1 * MS, 40 * MS))
def test_lumps_hold_every_octet_and_mark_in_order(parts: list[tuple[int, bytes, bool]], lump_ns: int) -> None:
    chunks = laid_out(parts)
    lumps = list(lump(iter(chunks), lump_ns, SETTINGS))
    assert b"".join(one.octets for one in lumps) == b"".join(one.octets for one in chunks)
    marks = [b"".join(one.marks or bytes(len(one.octets)) for one in them) for them in (chunks, lumps)]
    assert marks[0] == marks[1]
    before_ns = 0
    for one in lumps:
        assert one.octets
        assert before_ns <= one.t_ns <= one.end_ns
        # handed over at a tick of the latency timer
        assert one.end_ns % lump_ns == 0
        assert one.end_ns - one.t_ns <= len(one.octets) * SETTINGS.char_ns
        before_ns = one.end_ns
    assert len({one.end_ns for one in lumps}) == len(lumps)


@given(CHUNKS, st.integers(1 * MS, 40 * MS))
def test_no_octet_comes_early_and_none_more_than_a_lump_late(
    parts: list[tuple[int, bytes, bool]], lump_ns: int
) -> None:
    chunks = laid_out(parts)
    arrived = [one.t_ns + (n + 1) * SETTINGS.char_ns for one in chunks for n in range(len(one.octets))]
    seen = [one.end_ns for one in lump(iter(chunks), lump_ns, SETTINGS) for _ in one.octets]
    assert all(0 <= late - at < lump_ns for at, late in zip(arrived, seen, strict=True))


def test_lumps_state_their_resolution_and_lose_nothing() -> None:
    plain, lumped = items_of("sim:demo?for=2"), items_of("sim:demo?for=2&lump_ms=16")
    assert octets_of(lumped) == octets_of(plain)
    # a poll of 8.3 ms, 3 ms of silence, and what of the reply had come by 16 ms: one lump
    first = chunks_of(lumped)[0]
    assert (first.end_ns, first.octets) == (16 * MS, octets_of(plain)[:12])
    with SimulatedTap("sim:demo?for=2&lump_ms=16") as tap:
        assert tap.info.resolution_ns == 16 * MS
    with SimulatedTap("sim:demo?for=2") as tap:
        assert tap.info.resolution_ns == 0


def test_opened_again_it_begins_anew() -> None:
    tap = SimulatedTap("sim:demo?for=0.5")
    rounds = []
    for _ in range(2):
        with tap:
            assert not tap.ended
            assert tap.now_ns == 0
            rounds.append(tap.read(0))
            assert tap.read(0) == []
            assert tap.ended
    assert rounds[0] == rounds[1] != []


def test_closed_early_it_has_nothing_more() -> None:
    tap = SimulatedTap("sim:demo?for=20")
    with tap:
        assert len(tap.read(0)) == 200
    assert tap.read(0) == []


def test_before_opening_it_says_nothing_about_itself() -> None:
    tap = SimulatedTap("sim:demo")
    assert tap.scenario is None
    with pytest.raises(RuntimeError, match="not open"):
        _ = tap.info


class TestRealPace:
    """With an injected clock: nobody waits."""

    def tap(self, clock: FakeClock, more: str = "") -> SimulatedTap:
        return SimulatedTap(f"sim:demo?for=1&pace=real{more}", clock_ns=clock.now_ns, wait=clock.wait)

    def test_items_come_when_they_would_have_come(self) -> None:
        clock = FakeClock()
        items: list[Item] = []
        with self.tap(clock) as tap:
            began_ns = clock.now_ns()
            while not tap.ended:
                new = tap.read(0.05)
                for item in new:
                    assert isinstance(item, Chunk)
                    assert item.end_ns <= clock.now_ns() - began_ns
                items += new
                assert tap.now_ns <= clock.now_ns() - began_ns
        assert items == items_of("sim:demo?for=1")
        assert clock.now_ns() - began_ns == pytest.approx(S, abs=20 * MS)
        assert 0 < sum(clock.waited) < 1.03

    def test_no_read_waits_longer_than_it_may(self) -> None:
        clock = FakeClock()
        with self.tap(clock) as tap:
            while not tap.ended:
                before_ns = clock.now_ns()
                tap.read(0.004)
                assert clock.now_ns() - before_ns <= 4 * MS + 1

    def test_with_no_time_it_does_not_wait(self) -> None:
        clock = FakeClock()
        with self.tap(clock) as tap:
            assert tap.read(0) == []
            assert sum(clock.waited) == 0
            clock.time_ns += 500 * MS
            late = tap.read(0)
            assert len(late) > 5
            assert tap.now_ns == 500 * MS
            assert tap.read(0) == []

    def test_after_a_stall_all_is_there_and_it_ends(self) -> None:
        clock = FakeClock()
        with self.tap(clock) as tap:
            clock.time_ns += 10 * S
            items = []
            while not tap.ended:
                items += tap.read(0)
        assert items == items_of("sim:demo?for=1")
        assert clock.waited == []

    def test_virtual_pace_asks_no_clock(self) -> None:
        clock = FakeClock()
        tap = SimulatedTap("sim:demo?for=1&pace=virtual", clock_ns=clock.now_ns, wait=clock.wait)
        with tap:
            while not tap.ended:
                tap.read(5)
        assert clock.waited == []


@pytest.mark.parametrize("query", ["", "?pin=4711", "?4711", "?keys=4711", "?fault=4711"])
def test_a_simulated_reader_is_no_bus_and_its_options_are_not_repeated(query: str) -> None:
    """A PIN to be pressed may stand in them."""
    with pytest.raises(TapError, match=r"^sim:card is a simulated reader's data lines, not a bus") as told:
        SimulatedTap(f"sim:card{query}").open()
    assert told.value.reason == "bad-address"
    assert "4711" not in str(told.value)
