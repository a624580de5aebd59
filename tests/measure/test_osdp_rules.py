"""Rules of the talk: each breach has its event, sound talk has none. Limits are sheet 5.1 and 5.2 (READ)."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.frames.osdp.events import KINDS, Kind, Level
from benchtool.frames.osdp.secure import DEFAULT_KEY
from tests.osdp_talk import FIXTURES, MS, Secured, Talk, command, golden, reply

POLL0, ACK0 = command(Command.POLL, sequence=0), reply(sequence=0)


def exchange(sequence: int, address: int = 1) -> list[bytes]:
    return [command(Command.POLL, sequence=sequence, address=address), reply(sequence=sequence, address=address)]


def tell(*frames: bytes, resolution_ns: int = 0) -> Talk:
    talk = Talk(resolution_ns=resolution_ns)
    for octets in frames:
        talk.say(octets)
    return talk


def test_a_sound_session_of_an_independent_stack_breaks_no_rule() -> None:
    talk = Talk()
    for octets in golden("peer-session.log"):
        talk.say(octets)
    talk.end()
    assert {kind for kind in talk.kinds if KINDS[kind].level is Level.FAULT} == set()
    assert Kind.LINE_CHANGE in talk.kinds  # it ends in COMSET: tests/peer_libosdp.py
    assert Kind.SECRET_IN_CLEAR in talk.kinds


@pytest.mark.parametrize(("wait_ms", "late"), [(199.9, False), (200.0, False), (200.1, True), (350.0, True)])
def test_reply_limit(wait_ms: float, late: bool) -> None:
    talk = Talk().say(POLL0).say(ACK0, wait_ms)
    assert (Kind.REPLY_LATE in talk.kinds) == late


def test_a_reply_is_not_called_late_by_what_the_tap_cannot_tell() -> None:
    assert Talk(resolution_ns=16 * MS).say(POLL0).say(ACK0, 215).kinds == []
    assert Talk(resolution_ns=16 * MS).say(POLL0).say(ACK0, 217).kinds == [Kind.REPLY_LATE]


def test_a_reply_after_the_controller_had_gone_on() -> None:
    talk = tell(*exchange(0), *exchange(0, 2), command(Command.POLL, sequence=1))
    talk.say(command(Command.POLL, sequence=1, address=2), 250).say(reply(sequence=1), 50)
    assert talk.kinds == [Kind.REPLY_LATE]
    assert "gone on" in talk.events[0].detail


@pytest.mark.parametrize(("gap_ms", "found"), [(19.0, False), (21.0, True), (35.0, True), (90.0, True)])
def test_gap_between_characters(gap_ms: float, found: bool) -> None:
    octets = command(Command.POLL, sequence=1)
    talk = tell(*exchange(0)).say(octets[:5]).say(octets[5:], gap_ms).say(reply(sequence=1)).end()
    assert (Kind.CHARACTER_GAP in talk.kinds) == found
    if found:
        event = next(event for event in talk.events if event.kind is Kind.CHARACTER_GAP)
        assert event.numbers["gap"] == pytest.approx(gap_ms / 1e3)
        assert event.address == 1


def test_two_characters_of_silence() -> None:
    # sheet 5.2: two characters at 9600 are 2.083 ms
    assert Talk().say(POLL0).say(ACK0, 2.083).kinds == []
    assert Talk().say(POLL0).say(ACK0, 1.5).kinds == [Kind.IDLE_SHORT]
    assert Talk(resolution_ns=MS // 10).say(POLL0).say(ACK0, 1.5).kinds == [Kind.IDLE_SHORT]
    assert Talk(resolution_ns=MS).say(POLL0).say(ACK0, 0.0).kinds == []


def test_noise_in_a_silence_is_no_sender_that_cuts_in() -> None:
    """Two characters at 9600 are 2.083 ms (sheet 5.2); octets of noise in the gap leave less of it."""
    noisy = Talk().say(POLL0).say(b"\xf7", 3.0).say(ACK0, 1.5).say(exchange(1)[0]).say(exchange(1)[1], 1.0)
    assert noisy.end().kinds == []
    assert Talk().say(POLL0).say(b"\xff" + ACK0, 1.5).kinds == []  # a stray of ones, or a mark octet: nobody knows yet
    for number in (2, 3, 1) * 7:
        for octets in exchange(number):
            noisy.say(octets)
    assert noisy.say(command(Command.POLL, sequence=2), 1.0).kinds == [Kind.IDLE_SHORT]


def test_a_device_whose_replies_are_damaged_has_power_and_is_not_called_silent() -> None:
    talk = tell(*exchange(0))
    for _ in range(20):
        talk.say(command(Command.POLL, sequence=0), 480).damage(ACK0)
    told = [event for event in talk.end(1.0).events if event.kind in (Kind.OFFLINE, Kind.OFFLINE_DAMAGED)]
    assert [event.kind for event in told] == [Kind.OFFLINE_DAMAGED]
    assert told[0].numbers["damaged"] == told[0].numbers["commands"]
    assert "supply" not in told[0].row.mend
    silent = tell(*exchange(0))
    for turn in range(20):  # noise now and then is no reply
        silent.say(command(Command.POLL, sequence=0), 480)
        if turn % 5 == 0:
            silent.say(b"\x12\x34\x56", 20)
    assert [event.kind for event in silent.end(1.0).events if event.kind is not Kind.ASKED_AGAIN] == [Kind.OFFLINE]


def test_what_the_taps_times_are_too_coarse_for_is_said() -> None:
    # 1 ms is what a host's clock can tell at best (sheet 10.3); a character at 9600 lasts 1.04 ms, at 300 33 ms
    assert Talk(resolution_ns=MS).say(POLL0).watch.figures().not_judged == (Kind.IDLE_SHORT,)
    assert Talk(resolution_ns=MS, baud=300).say(POLL0).watch.figures().not_judged == ()
    assert Talk().say(POLL0).watch.figures().not_judged == ()
    assert Talk(resolution_ns=MS).watch.figures().not_judged == ()


def test_eight_seconds() -> None:
    assert tell(*exchange(0)).say(command(Command.POLL, sequence=1), 7900).kinds == []
    late = tell(*exchange(0)).say(command(Command.POLL, sequence=1), 8100)
    assert late.kinds == [Kind.NOT_POLLED]
    assert "8.1 s" in late.events[0].detail


def test_a_device_that_falls_silent_and_comes_back() -> None:
    talk = tell(*exchange(0))
    for _ in range(20):
        talk.say(command(Command.POLL, sequence=0), 500)
    assert talk.kinds.count(Kind.OFFLINE) == 1
    talk.say(ACK0)
    assert talk.kinds[-1] is Kind.BACK
    talk.say(command(Command.POLL, sequence=1)).say(reply(sequence=1))
    assert talk.kinds[-1] is Kind.BACK


def test_a_device_that_never_answers_is_off_line_at_the_end_too() -> None:
    talk = tell(POLL0, POLL0)
    assert talk.end(8.5).kinds == [Kind.OFFLINE]
    assert tell(POLL0, POLL0).end(7.0).kinds == []


def test_sequence_numbers() -> None:
    sound = [octets for number in (0, 1, 2, 3, 1, 2, 3, 1) for octets in exchange(number)]
    assert tell(*sound).kinds == []
    assert tell(*exchange(0), *exchange(1), *exchange(3)).kinds == [Kind.SEQUENCE_JUMP]
    assert tell(*exchange(0), *exchange(1), *exchange(0)).kinds == [Kind.RESTART]
    assert tell(*(octets for _ in range(8) for octets in exchange(0))).kinds == [Kind.STUCK_AT_ZERO]
    assert tell(command(Command.POLL, sequence=2), reply(sequence=1)).kinds == [Kind.SEQUENCE_REPLY]


def test_no_jump_is_claimed_across_damage_or_a_gap() -> None:
    talk = tell(*exchange(0), *exchange(1)).damage(command(Command.POLL, sequence=2))
    assert talk.say(exchange(3)[0]).kinds == []
    talk = tell(*exchange(0), *exchange(1)).gap(1.0)
    assert talk.say(exchange(3)[0]).kinds == []
    talk = tell(*exchange(0), exchange(1)[0]).damage(exchange(1)[1]).damage(exchange(2)[0])
    assert talk.say(exchange(2)[1]).kinds == []
    assert tell(*exchange(0)).gap(20.0).say(exchange(1)[0]).kinds == []


def test_repeats() -> None:
    poll, ack = exchange(1)
    assert tell(*exchange(0), poll, poll, ack).kinds == [Kind.ASKED_AGAIN]
    heard = tell(*exchange(0), poll, ack, poll, ack)
    assert heard.kinds == [Kind.ASKED_AGAIN]
    assert "sound reply was heard" in heard.events[0].detail
    other = command(Command.LSTAT, sequence=1)
    assert tell(*exchange(0), poll, ack, other).kinds == [Kind.REPEAT_DIFFERS]
    differs = tell(*exchange(0), poll, ack, poll, reply(Reply.LSTATR, b"\1\0", sequence=1))
    assert differs.kinds == [Kind.ASKED_AGAIN, Kind.REPLY_DIFFERS]


def test_a_reply_with_a_wrong_number_is_one_fault_not_two() -> None:
    # sheet 5.1: a reply bears its command's number; the controller asks again, and the right reply differs of course
    poll, ack = exchange(2)
    wrong = reply(sequence=1)
    assert tell(*exchange(0), *exchange(1), poll, wrong, poll, ack).kinds == [Kind.SEQUENCE_REPLY, Kind.ASKED_AGAIN]
    twice = tell(*exchange(0), *exchange(1), poll, ack, poll, wrong)
    assert twice.kinds == [Kind.ASKED_AGAIN, Kind.SEQUENCE_REPLY]


def sealed_anew(code: int, data: bytes, again: int, more: bytes, *, readable: bool) -> list[Kind]:
    """A secured command, then one with the same number whose MAC differs, with their replies."""
    secured = Secured(key=DEFAULT_KEY if readable else bytes(range(16)), kind=0 if readable else 1)
    talk = tell(*exchange(0), *secured.start())
    before = 0
    for asked, sent in ((code, data), (again, more)):
        before = len(talk.events)
        talk.say(secured.chain.seal(1, asked, sent, sequence=3))
        talk.say(secured.chain.seal(1, Reply.ACK, sequence=3, reply=True))
    return [event.kind for event in talk.events[before:]]


@pytest.mark.parametrize("readable", [True, False])
def test_a_secured_command_sealed_anew_is_the_same_command_asked_again(readable: bool) -> None:
    # sheet 5.8: each MAC depends on the one before, so a poll that is sealed again has other octets
    assert sealed_anew(Command.POLL, b"", Command.POLL, b"", readable=readable) == [Kind.ASKED_AGAIN]
    assert sealed_anew(Command.POLL, b"", Command.LSTAT, b"", readable=readable) == [Kind.REPEAT_DIFFERS]
    light, other = bytes(14), bytes(13) + b"\1"
    told = sealed_anew(Command.LED, light, Command.LED, other, readable=readable)
    assert told == [Kind.REPEAT_DIFFERS if readable else Kind.ASKED_AGAIN]  # codes and lengths are all that can be seen


def test_busy() -> None:
    poll, ack = exchange(1)
    talk = tell(*exchange(0), poll, reply(Reply.BUSY, sequence=0), poll, ack)
    # Sheet 5.1: after BUSY the controller asks again with the same number; nothing was lost.
    assert talk.kinds == [Kind.BUSY]
    assert Kind.BUSY_NUMBERED in tell(*exchange(0), poll, reply(Reply.BUSY, sequence=1)).kinds


def test_a_refused_number_may_come_back_with_another() -> None:
    nak = reply(Reply.NAK, bytes((NakCode.SEQUENCE,)), sequence=0)
    assert tell(command(Command.POLL, sequence=2), nak).kinds == [Kind.REFUSED]


def test_replies_nobody_asked_for() -> None:
    assert tell(*exchange(0), ACK0).kinds == [Kind.SECOND_REPLY]
    assert tell(*exchange(0), reply(sequence=0, address=2)).kinds == [Kind.UNASKED]
    assert tell(POLL0, reply(sequence=0, address=2)).kinds == [Kind.UNASKED]
    # The first reply of a listening may answer what went before it.
    assert tell(ACK0).kinds == []


def test_two_replies_to_two_askings_are_late_ones() -> None:
    poll, ack = exchange(1)
    talk = tell(*exchange(0), poll).say(poll, 200).say(ack, 5).say(ack, 180)
    assert talk.kinds == [Kind.ASKED_AGAIN, Kind.REPLY_LATE]
    assert talk.events[-1].numbers["latency"] == pytest.approx(0.2217, abs=1e-3)
    assert talk.say(ack).kinds[-1] is Kind.SECOND_REPLY


def test_a_late_reply_after_the_repeat_was_answered_and_the_next_asked() -> None:
    # As a slow device does it: asked with 1, again after 200 ms, that is answered; the first answer comes after 2's.
    poll, ack = exchange(1)
    talk = tell(*exchange(0), poll).say(poll, 200).say(ack, 2).say(exchange(2)[0], 50).say(exchange(2)[1], 2)
    talk.say(ack, 20)
    assert talk.kinds == [Kind.ASKED_AGAIN, Kind.REPLY_LATE]
    assert float(talk.events[-1].numbers["latency"]) > 0.27
    # Owed once; one more is nobody's.
    assert talk.say(ack).kinds[-1] is Kind.SECOND_REPLY


def test_a_late_reply_in_the_midst_of_the_next_question_does_not_answer_it() -> None:
    poll, ack = exchange(1)
    talk = tell(*exchange(0), poll).say(poll, 200).say(ack, 2).say(exchange(2)[0], 50).say(ack, 2)
    assert talk.say(exchange(2)[1], 2).say(exchange(3)[0]).say(exchange(3)[1]).kinds == [
        Kind.ASKED_AGAIN,
        Kind.REPLY_LATE,
    ]


def test_a_late_reply_while_another_address_is_asked() -> None:
    poll, ack = exchange(1)
    talk = tell(*exchange(0), poll).say(poll, 200).say(ack, 2).say(exchange(0, 2)[0], 50).say(ack, 2)
    assert talk.kinds == [Kind.ASKED_AGAIN, Kind.REPLY_LATE]


def test_nobody_is_late_where_the_controller_asked_again_too_soon() -> None:
    poll, ack = exchange(1)
    assert tell(*exchange(0), poll).say(poll, 90).say(ack, 5).say(ack, 120).kinds == [Kind.ASKED_AGAIN]


def test_no_reply_is_owed_across_damage() -> None:
    poll, ack = exchange(1)
    bad = ack[:-1] + bytes((ack[-1] ^ 0x55,))
    talk = tell(*exchange(0), poll).say(bad, 2).say(poll, 200).say(ack, 2).say(exchange(2)[0], 50)
    assert talk.say(exchange(2)[1], 2).say(ack, 20).kinds[-1] is Kind.SECOND_REPLY


def test_noise_before_a_frame_is_no_talker_that_cuts_in() -> None:
    assert Talk().say(POLL0).say(bytes((0xAA, 0x00, 0x3C)), 5).say(ACK0, 1.0).end().kinds == []


def test_a_broadcast_need_not_be_answered() -> None:
    talk = tell(*(command(Command.POLL, sequence=0, address=127) for _ in range(3)))
    assert talk.end(20).kinds == []


def test_a_new_address_for_all_is_a_fault_where_several_would_take_it() -> None:
    comset = command(Command.COMSET, bytes.fromhex("0580250000"), sequence=0, address=127)
    assert tell(*exchange(0), comset).kinds == []
    (event,) = tell(*exchange(0), *exchange(0, 2), comset).events
    assert event.kind is Kind.LINE_CHANGE_FOR_ALL
    assert "1, 2" in event.detail


def test_every_event_has_a_row_and_every_fault_a_mend() -> None:
    assert set(KINDS) == set(Kind)
    for kind, row in KINDS.items():
        assert row.title, kind
        assert row.clause, kind
        if row.level is not Level.NOTE:
            assert row.mend, kind


def test_every_event_is_in_the_documentation() -> None:
    text = (FIXTURES.parent.parent / "docs" / "osdp.md").read_text(encoding="utf-8")
    for kind in Kind:
        assert f"`{kind.value}`" in text


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([exchange(0), exchange(1), exchange(2), exchange(3, 2), [b"\x53\x01"], [bytes(9)]]),
            st.floats(0.5, 9000),
            st.sampled_from(["say", "damage", "gap"]),
        ),
        max_size=20,
    )
)
def test_any_talk_is_taken(steps: list[tuple[list[bytes], float, str]]) -> None:
    talk = Talk()
    for frames, after_ms, how in steps:
        for octets in frames:
            if how == "gap":
                talk.gap(after_ms / 1e3)
            elif how == "damage":
                talk.damage(octets, after_ms)
            else:
                talk.say(octets, after_ms)
    talk.end()
    counted = {(one.kind, one.address): one.count for one in talk.watch.figures().events}
    assert sum(counted.values()) == len(talk.events)
    times = [frame.t_ns for frame, _ in talk.seen]
    assert times == sorted(times)
