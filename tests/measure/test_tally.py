"""The tallies: every figure against a count made by hand, and what stays constant however long one listens."""

from __future__ import annotations

from dataclasses import FrozenInstanceError

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Gap, Item, LineCounts, LineErrors, Mark, TapInfo
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.decoder import BusDecoder
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.modbus.build import build_frame as modbus
from benchtool.frames.osdp.build import build_frame as osdp
from benchtool.measure.tally import AddressFigures, Tally
from tests.strategies import capture_items

MS = 1_000_000
SETTINGS = LineSettings(9600)
INFO = TapInfo("bench", SETTINGS, LineErrors.MARKED)
OSDP, MODBUS, UNKNOWN = Protocol.OSDP, Protocol.MODBUS_RTU, Protocol.UNKNOWN


def chunk(t_ms: float, octets: bytes, marks: bytes = b"", settings: LineSettings = SETTINGS) -> Chunk:
    t_ns = round(t_ms * MS)
    return Chunk(t_ns, t_ns + len(octets) * settings.char_ns, octets, marks)


def listen(items: list[Item], info: TapInfo = INFO) -> Tally:
    """Items through the decoder into a tally, as the listening commands do it."""
    tally, decoder = Tally(info), BusDecoder(info.settings, info.resolution_ns)
    for item in items:
        tally.item(item)
        if not isinstance(item, LineCounts):
            for frame in decoder.feed(item):
                tally.frame(frame)
    for frame in decoder.close():
        tally.frame(frame)
    return tally


def bad(address: int | None, octets: bytes = b"") -> Frame:
    if address is None:
        return Frame(UNKNOWN, 0, 0, octets, Reason.NOT_RECOGNISED)
    return Frame(MODBUS, 0, 0, modbus(address, 3, bytes(4)), Reason.CHECK_FAILED)


def at(tally: Tally, protocol: Protocol, address: int) -> AddressFigures:
    (found,) = [one for one in tally.figures().addresses if (one.protocol, one.address) == (protocol, address)]
    return found


POLL, ACK = osdp(1, 0x60, sequence=1), osdp(1, 0x40, sequence=1, reply=True)


def conversation(latencies_ms: list[float], spacing_ms: float = 300) -> list[Item]:
    items: list[Item] = []
    for number, latency_ms in enumerate(latencies_ms):
        asked = chunk(number * spacing_ms, POLL)
        items += [asked, chunk(asked.end_ns / MS + latency_ms, ACK)]
    return items


def test_latencies_of_a_hand_computed_example() -> None:
    # 2, 3, 4, 9 and 50 ms: least 2, median 4, 99th percentile and greatest 50
    tally = listen(conversation([3, 50, 2, 9, 4]))
    latency = at(tally, OSDP, 1).latency
    assert latency.count == 5
    assert latency.least_ns == pytest.approx(2 * MS, abs=2)
    assert latency.median_ns == pytest.approx(4 * MS, rel=0.011)
    assert latency.p99_ns == pytest.approx(50 * MS, rel=0.011)
    assert latency.greatest_ns == pytest.approx(50 * MS, abs=2)
    assert tally.figures().turnaround == latency


def test_octets_frames_and_bus_load() -> None:
    # two exchanges of 16 octets; an octet of 10 bits at 9600 lasts 1.041667 ms
    items = conversation([3, 3])
    figures = listen(items).figures({"named": 4})
    elapsed_ms = 300 + (8 + 8) * 10 / 9.6 + 3
    assert figures.octets == 32
    assert figures.frames_ok == {OSDP: 4}
    assert (figures.sound, figures.damaged) == (4, 0)
    assert figures.elapsed_ns == pytest.approx(elapsed_ms * MS, abs=20)
    assert figures.bus_load == pytest.approx(32 * 10 / 9.6 / elapsed_ms, rel=1e-6)
    assert figures.decoder_counters == {"named": 4}
    assert figures.silence.count == 3
    assert figures.silence.least_ns == pytest.approx(3 * MS, abs=2)


def test_bus_load_goes_by_the_character_format() -> None:
    # 8 octets of 8E1, 11 bits each, at 19200 in 100 ms
    settings = LineSettings(19200, CharFormat.parse("8E1"))
    tally = listen([chunk(0, modbus(17, 3, bytes(4)), settings=settings)], TapInfo("bench", settings))
    tally.close(100 * MS)
    assert tally.figures().bus_load == pytest.approx(8 * 11 / 19200 / 0.1, rel=1e-4)


def test_bus_load_is_at_most_all_of_the_time() -> None:
    # an adapter that hands over 100 octets dated closer than they can have been
    tally = listen([Chunk(0, 1000, bytes(100))])
    assert tally.figures().bus_load == 1.0


def test_the_time_in_which_nothing_was_heard_is_not_idle_time() -> None:
    items: list[Item] = [chunk(0, POLL), Gap(100 * MS, 900 * MS, "pulled out"), chunk(900, POLL)]
    tally = listen(items)
    tally.close(1000 * MS)
    figures = tally.figures()
    assert figures.gaps == 1
    assert figures.elapsed_ns == 1000 * MS
    assert figures.bus_load == pytest.approx(16 * 10 / 9600 / 0.2, rel=1e-4)


def test_a_gap_forgives_the_request_before_it() -> None:
    tally = listen([chunk(0, POLL), Gap(20 * MS, 900 * MS, "pulled out"), chunk(900, POLL), chunk(920, ACK)])
    one = at(tally, OSDP, 1)
    assert (one.requests, one.answered, one.silent) == (1, 1, 0)


def test_nothing_heard_divides_by_nothing() -> None:
    figures = Tally(INFO).figures()
    assert (figures.elapsed_ns, figures.octets, figures.bus_load, figures.addresses) == (0, 0, 0.0, ())


def test_times_may_begin_anywhere() -> None:
    tally = Tally(INFO)
    tally.item(Chunk(-5_000, -4_000, b"\x00"))
    tally.item(Chunk(-3_000, -2_000, b"\x00"))
    assert tally.figures().elapsed_ns == 3_000


def test_marks_are_counted_by_kind() -> None:
    both = Mark.FRAMING | Mark.PARITY
    marks = bytes((Mark.FRAMING, 0, both, Mark.BREAK, Mark.OVERRUN))
    tally = listen([chunk(0, b"\x01\x02\x03\x00\x05", marks), LineCounts(9 * MS, 10, 20, 30, 40)])
    figures = tally.figures()
    assert figures.marks == {"framing": 12, "parity": 21, "break": 31, "overrun": 41}
    assert figures.elapsed_ns == 9 * MS
    assert figures.line_errors is LineErrors.MARKED


def test_what_the_tap_cannot_see_is_said() -> None:
    info = TapInfo("blind", SETTINGS, LineErrors.UNAVAILABLE, 16 * MS)
    figures = Tally(info).figures()
    assert (figures.line_errors, figures.resolution_ns) == (LineErrors.UNAVAILABLE, 16 * MS)


def test_addresses_of_both_protocols_apart_and_in_order() -> None:
    tally = listen(
        [
            chunk(0, modbus(17, 3, bytes((0, 0, 0, 1)))),
            chunk(20, modbus(17, 3, bytes((2, 0, 5)))),
            chunk(100, osdp(17, 0x60, sequence=0)),
            chunk(120, osdp(17, 0x40, sequence=0, reply=True)),
            chunk(200, osdp(3, 0x60, sequence=0)),
            chunk(450, osdp(17, 0x60, sequence=1)),
        ]
    )
    last = tally.close(10_000 * MS)
    assert last is not None
    keys = [(one.protocol, one.address, one.requests, one.answered, one.silent) for one in tally.figures().addresses]
    assert keys == [(MODBUS, 17, 1, 1, 0), (OSDP, 3, 1, 0, 1), (OSDP, 17, 2, 1, 1)]


def test_a_broadcast_is_asked_and_never_missed() -> None:
    tally = listen([chunk(0, modbus(0, 6, bytes((0, 3, 0, 1)))), chunk(200, modbus(1, 3, bytes((0, 0, 0, 1))))])
    everybody = at(tally, MODBUS, 0)
    assert (everybody.requests, everybody.answered, everybody.silent, everybody.damaged) == (1, 0, 0, 0)


def test_damage_is_counted_where_it_belongs() -> None:
    spoiled = ACK[:-1] + bytes((ACK[-1] ^ 1,))
    tally = listen([*conversation([3]), chunk(300, POLL), chunk(312, spoiled), chunk(600, POLL), chunk(612, ACK)])
    one = at(tally, OSDP, 1)
    assert (one.requests, one.answered, one.silent, one.damaged, one.check_failures) == (3, 2, 0, 1, 1)
    figures = tally.figures()
    assert figures.frames_bad == {Reason.CHECK_FAILED: 1}
    assert figures.damaged == 1


def test_unknown_octets_and_how_often_it_found_its_way_back() -> None:
    tally = Tally(INFO)
    sound = Frame(OSDP, 0, 0, POLL, Reason.OK, Role.REQUEST)
    for frame in [sound, bad(None, b"abc"), bad(None, b"de"), sound, sound, bad(9), sound, bad(None, b"f")]:
        tally.frame(frame)
    figures = tally.figures()
    assert figures.unknown_octets == 6
    assert figures.resynchronisations == 2
    assert figures.frames_bad == {Reason.NOT_RECOGNISED: 3, Reason.CHECK_FAILED: 1}
    assert at(tally, MODBUS, 9).check_failures == 1


def test_a_reply_that_nobody_asked_for_is_counted_at_its_address() -> None:
    tally = listen([chunk(0, ACK)])
    one = at(tally, OSDP, 1)
    assert (one.unasked, one.requests) == (1, 0)


def test_a_reply_to_a_damaged_repeat_is_unasked_and_the_first_request_unanswered() -> None:
    spoiled = bytes((POLL[0], POLL[1] ^ 0x10)) + POLL[2:]
    tally = listen([chunk(0, POLL), chunk(216, spoiled), chunk(228, ACK), chunk(300, POLL), chunk(312, ACK)])
    one = at(tally, OSDP, 1)
    assert (one.requests, one.answered, one.unasked) == (2, 1, 1)
    assert one.silent + one.damaged == 1
    assert one.latency.greatest_ns is not None
    assert one.latency.greatest_ns < 5 * MS


def test_the_exchange_that_ended_is_handed_on() -> None:
    tally = Tally(INFO)
    decoder = BusDecoder(SETTINGS)
    ended = [tally.frame(frame) for item in conversation([3]) for frame in decoder.feed(item)]
    assert [one is None for one in ended] == [True, False]


@given(st.lists(st.binary(max_size=400), max_size=8))
def test_the_histogram_counts_every_octet(parts: list[bytes]) -> None:
    tally = Tally(INFO)
    for number, octets in enumerate(parts):
        tally.item(Chunk(number, number + 1, octets))
    whole = b"".join(parts)
    values = tally.values()
    assert values.shape == (256,)
    assert [int(count) for count in values] == [whole.count(value) for value in range(256)]


def test_the_histogram_of_a_long_stream() -> None:
    tally = Tally(INFO)
    for number in range(700):
        tally.item(Chunk(number, number + 1, bytes(range(256))))
    # so many octets wait to be counted at most: memory does not grow with the stream
    assert len(tally._waiting) < 1 << 16
    assert (tally.values() == 700).all()


def test_a_picture_does_not_change_afterwards() -> None:
    items = conversation([3, 4])
    tally = listen(items)
    before = tally.figures()
    values = tally.values()
    kept = repr(before)
    for item in items:
        tally.item(item)
    for frame in (bad(1), bad(None, b"x"), Frame(OSDP, 0, 0, POLL, Reason.OK, Role.REQUEST)):
        tally.frame(frame)
    tally.item(LineCounts(0, 1, 1, 1, 1))
    assert repr(before) == kept
    with pytest.raises(FrozenInstanceError):
        before.octets = 1  # type: ignore[misc]
    values[:] = -1
    assert int(np.min(tally.values())) >= 0
    before.frames_ok[MODBUS] = 99
    assert MODBUS not in tally.figures().frames_ok


def test_there_are_never_more_addresses_than_the_protocols_have() -> None:
    tally = Tally(INFO)
    for low in range(256):
        for protocol, octets in ((MODBUS, modbus(low, 3, bytes(4))), (OSDP, osdp(low & 0x7F, 0x60, sequence=0))):
            for reason in (Reason.OK, Reason.CHECK_FAILED, Reason.TRUNCATED):
                for role in Role:
                    tally.frame(Frame(protocol, 0, 0, octets, reason, role))
    assert len(tally.figures().addresses) == 256 + 128


@given(st.lists(capture_items(), max_size=30))
def test_anything_that_a_capture_can_hold_is_counted(items: list[Item]) -> None:
    tally = listen(items)
    tally.close(0)
    figures = tally.figures()
    assert figures.octets == sum(len(item.octets) for item in items if isinstance(item, Chunk))
    assert figures.elapsed_ns >= 0
    assert 0 <= figures.bus_load <= 1
