"""Who was asked, who answered, who did not: pairs made of frames that are built here, by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.modbus.build import build_frame as modbus
from benchtool.frames.osdp.build import build_frame as osdp
from benchtool.measure.exchange import Exchange, ExchangeTracker, Outcome

MS = 1_000_000
OSDP, MODBUS, UNKNOWN = Protocol.OSDP, Protocol.MODBUS_RTU, Protocol.UNKNOWN


def ask(t_ms: float, address: int = 1, protocol: Protocol = OSDP, *, reason: Reason = Reason.OK) -> Frame:
    """A request that lasts 8 ms."""
    octets = osdp(address, 0x60, sequence=1) if protocol is OSDP else modbus(address, 3, bytes((0, 0, 0, 1)))
    return Frame(protocol, round(t_ms * MS), round((t_ms + 8) * MS), octets, reason, Role.REQUEST)


def answer(t_ms: float, address: int = 1, protocol: Protocol = OSDP, *, reason: Reason = Reason.OK) -> Frame:
    octets = osdp(address, 0x40, sequence=1, reply=True) if protocol is OSDP else modbus(address, 3, bytes((2, 0, 7)))
    return Frame(protocol, round(t_ms * MS), round((t_ms + 8) * MS), octets, reason, Role.REPLY)


def junk(t_ms: float) -> Frame:
    return Frame(UNKNOWN, round(t_ms * MS), round((t_ms + 2) * MS), b"\x80\xf8", Reason.NOT_RECOGNISED)


def track(*frames: Frame) -> tuple[ExchangeTracker, list[Exchange]]:
    tracker = ExchangeTracker()
    return tracker, [ended for frame in frames if (ended := tracker.feed(frame)) is not None]


@pytest.mark.parametrize("protocol", [OSDP, MODBUS])
def test_a_reply_ends_the_exchange_with_its_latency(protocol: Protocol) -> None:
    # the request ends at 8 ms, the reply begins at 11 ms
    asked, told = ask(0, 5, protocol), answer(11, 5, protocol)
    tracker, (only,) = track(asked, told)
    assert only == Exchange(asked, told, Outcome.ANSWERED, 3 * MS, None)
    assert (only.protocol, only.address) == (protocol, 5)
    assert tracker.close(10**12) is None


def test_the_next_request_ends_an_unanswered_one_as_silent() -> None:
    first, second = ask(0), ask(216)
    tracker, (only,) = track(first, second)
    assert only == Exchange(first, None, Outcome.SILENT, None, None)
    assert tracker.close(round(424.0 * MS)) == Exchange(second, None, Outcome.SILENT, None, None)


def test_damaged_octets_instead_of_a_reply() -> None:
    first = ask(0)
    spoiled = answer(11, reason=Reason.CHECK_FAILED)
    _, (only,) = track(first, spoiled, junk(20), ask(216))
    assert only == Exchange(first, None, Outcome.DAMAGED, None, spoiled)


def test_a_sound_reply_after_damage_is_an_answer_that_keeps_the_damage() -> None:
    stray = junk(10)
    _, (only,) = track(ask(0), stray, answer(13))
    assert (only.outcome, only.latency_ns, only.damaged) == (Outcome.ANSWERED, 5 * MS, stray)


def test_the_damage_of_one_exchange_is_not_kept_for_the_next() -> None:
    _, ended = track(ask(0), junk(10), answer(13), ask(60), answer(71), ask(120), junk(130), ask(340), ask(560))
    assert [one.outcome for one in ended] == [Outcome.ANSWERED, Outcome.ANSWERED, Outcome.DAMAGED, Outcome.SILENT]
    assert [one.damaged is not None for one in ended] == [True, False, True, False]


def test_a_damaged_request_is_not_taken_for_the_reply_of_the_device_before() -> None:
    _, (only,) = track(ask(0), ask(216, 2, reason=Reason.CHECK_FAILED), ask(430, 3))
    assert (only.address, only.outcome) == (1, Outcome.SILENT)


@pytest.mark.parametrize("spoiled", [ask(216, reason=Reason.CHECK_FAILED), junk(216)], ids=["named", "unknown"])
def test_a_reply_to_the_repeat_that_was_damaged_has_no_latency_from_the_first(spoiled: Frame) -> None:
    tracker, (only,) = track(ask(0), spoiled, answer(230))
    assert (only.reply, only.latency_ns) == (None, None)
    assert only.outcome is (Outcome.SILENT if spoiled.role is Role.REQUEST else Outcome.DAMAGED)
    assert tracker.orphan_replies == 1
    assert tracker.close(10**12) is None


def test_a_reply_that_is_only_late_is_an_answer() -> None:
    _, (only,) = track(junk(-9), ask(0), answer(308))
    assert (only.outcome, only.latency_ns) == (Outcome.ANSWERED, 300 * MS)


@pytest.mark.parametrize(("protocol", "everybody"), [(OSDP, 127), (MODBUS, 0)])
def test_a_broadcast_need_not_be_answered(protocol: Protocol, everybody: int) -> None:
    _, (only,) = track(ask(0, everybody, protocol), ask(60, 1, protocol))
    assert (only.address, only.outcome) == (everybody, Outcome.BROADCAST)


def test_an_osdp_broadcast_may_be_answered() -> None:
    # sheet 5.1: 7F is answered as FF
    told = answer(11, 127)
    assert told.octets[1] == 0xFF
    _, (only,) = track(ask(0, 127), told)
    assert (only.address, only.outcome, only.latency_ns) == (127, Outcome.ANSWERED, 3 * MS)


@pytest.mark.parametrize(
    "told",
    [answer(11, 2), answer(11, 1, MODBUS)],
    ids=["another address", "another protocol"],
)
def test_a_reply_that_nobody_asked_for_is_an_orphan(told: Frame) -> None:
    tracker, ended = track(ask(0), told)
    assert ended == []
    assert tracker.orphan_replies == 1
    assert tracker.feed(answer(30)) is not None


def test_a_second_reply_is_an_orphan() -> None:
    tracker, ended = track(answer(0), ask(60), answer(71), answer(85))
    assert len(ended) == 1
    assert tracker.orphan_replies == 2


def test_a_frame_of_unknown_role_changes_nothing() -> None:
    odd = answer(11)._replace(role=Role.UNKNOWN)
    tracker, ended = track(ask(0), odd)
    assert ended == []
    assert tracker.orphan_replies == 0
    assert tracker.feed(answer(30)) is not None


def test_a_request_before_a_gap_is_forgotten() -> None:
    tracker, _ = track(ask(0), junk(10))
    tracker.interrupt()
    assert tracker.feed(ask(900)) is None
    ended = tracker.feed(ask(1200))
    assert ended is not None
    assert (ended.outcome, ended.damaged) == (Outcome.SILENT, None)


@pytest.mark.parametrize(
    ("protocol", "limit_ms"),
    # sheet 5.2: OSDP answers within 200 ms; sheet 3.1: Modbus typically 1 s or more
    [(OSDP, 200), (MODBUS, 1000)],
)
def test_the_last_request_counts_only_when_its_time_is_over(protocol: Protocol, limit_ms: int) -> None:
    limit_ns = (8 + limit_ms) * MS
    within, _ = track(ask(0, 1, protocol))
    assert within.close(limit_ns - 1) is None
    over, _ = track(ask(0, 1, protocol))
    ended = over.close(limit_ns)
    assert ended is not None
    assert ended.outcome is Outcome.SILENT
    assert over.close(limit_ns) is None


def test_damage_ends_the_last_request_at_once() -> None:
    tracker, _ = track(ask(0), junk(10))
    ended = tracker.close(12 * MS)
    assert ended is not None
    assert ended.outcome is Outcome.DAMAGED


FRAMES = st.lists(
    st.builds(
        lambda make, address, protocol, reason: make(0, address, protocol, reason=reason),
        st.sampled_from([ask, answer]),
        st.integers(0, 4),
        st.sampled_from([OSDP, MODBUS]),
        st.sampled_from([Reason.OK, Reason.OK, Reason.CHECK_FAILED]),
    ),
    max_size=40,
)


@given(FRAMES)
def test_every_sound_request_ends_once_and_every_sound_reply_is_used_or_an_orphan(frames: list[Frame]) -> None:
    tracker, ended = track(*frames)
    last = tracker.close(10**15)
    ended += [last] if last is not None else []
    assert [one.request for one in ended] == [frame for frame in frames if frame.ok and frame.role is Role.REQUEST]
    replies = sum(frame.ok and frame.role is Role.REPLY for frame in frames)
    assert replies == tracker.orphan_replies + sum(one.reply is not None for one in ended)
