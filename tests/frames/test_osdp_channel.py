"""Following secure sessions from the outside: with the key, without, with frames missed, and what is found insecure."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.frames.explain import explain
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.channel_bridge import MOST_EXCHANGES
from benchtool.frames.osdp.channel_state import State
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.events import Kind
from benchtool.frames.osdp.keys import KeyRing, KeySource
from benchtool.frames.osdp.secure import DEFAULT_KEY, derived_key
from tests.osdp_talk import CUID, FIXTURES, Secured, Talk, command, golden, reply

KEY = bytes.fromhex("00112233445566778899AABBCCDDEEFF")
OTHER = bytes.fromhex("FFEEDDCCBBAA99887766554433221100")
CARD = bytes.fromhex("00011A003287FFC0")  # sheet 5.7: 26-bit, site 101, number 4095
KEYSET = bytes((1, 16))
PEER_KEYS = (FIXTURES / "peer-secure.keys").read_text(encoding="utf-8")


def given_key(key: bytes = KEY) -> KeyRing:
    return KeyRing.parse(key.hex())


def tell(talk: Talk, frames: list[bytes], skip: int | None = None) -> Talk:
    for index, octets in enumerate(frames):
        if index == skip:
            talk.damage(octets)
        else:
            talk.say(octets)
    return talk


def started(secured: Secured, *, keys: KeyRing | None = None) -> Talk:
    return tell(Talk(keys=keys), [command(Command.POLL, sequence=0), reply(sequence=0), *secured.start()])


# an independent stack's sessions


def test_a_peer_session_with_a_given_key_says_what_was_sent() -> None:
    talk = tell(Talk(keys=KeyRing.parse(PEER_KEYS)), golden("peer-secure-set-key.log")).end()
    assert set(talk.standings[4:]) == {"verified"}
    said = {
        (meaning.name, name): field
        for frame, seen in talk.seen
        if seen.sight is not None and seen.sight.opened is not None
        for meaning in [explain(frame, seen.sight.opened.data)]
        for name, field in meaning.values(show_secrets=True).items()
    }
    # what tests/peer_libosdp.py has the two ends send
    assert said["RAW", "bits"] == "00110010100001111111111111"
    assert said["KEYPAD", "digits"] == "12\r"
    assert said["TEXT", "text"] == "PLEASE WAIT"
    assert said["BUZ", "count"] == 4
    assert said["OUT", "timer"] == 5000
    assert said["LSTATR", "tamper"] == 1
    assert said["ISTATR", "input_1"] == 1
    assert talk.kinds == [Kind.SESSION_OPEN]


def test_a_peer_session_without_its_key_says_what_can_be_known() -> None:
    talk = tell(Talk(), golden("peer-secure-set-key.log")).end()
    assert set(talk.standings[4:]) == {"no-key"}
    assert talk.data() == []
    assert talk.kinds == [Kind.KEY_UNKNOWN]
    (channel,) = talk.watch.figures().channels
    assert (channel.state, channel.key, channel.claimed_default) == (State.UNREADABLE, None, False)
    assert (channel.sessions, channel.verified, channel.unreadable) == (1, 0, 38)


@pytest.mark.parametrize("keys", [None, PEER_KEYS])
def test_a_peer_key_change_is_followed_from_the_default_key_on(keys: str | None) -> None:
    talk = tell(Talk(keys=KeyRing.parse(keys) if keys else None), golden("peer-secure-key-change.log")).end()
    # Without any key given: the keys are read off the bus.
    assert "no-key" not in talk.standings
    assert talk.data()[-3] == bytes((0, 1, 26, 0)) + bytes.fromhex("3287FFC0")
    for kind in (Kind.DEFAULT_KEY, Kind.KEY_UNDER_DEFAULT, Kind.KEYS_DIFFER):
        assert talk.kinds.count(kind) == 1
    assert talk.kinds.count(Kind.KEY_CHANGED) == 2
    assert talk.kinds.count(Kind.SESSION_OPEN) == 3
    (channel,) = talk.watch.figures().channels
    assert channel.key is KeySource.LEARNED


def test_a_peer_file_transfer_is_whole() -> None:
    talk = tell(Talk(keys=KeyRing.parse(PEER_KEYS)), golden("peer-secure-file.log")).end()
    done = [event for event in talk.events if event.kind is Kind.TRANSFER_DONE]
    assert [event.numbers["octets"] for event in done] == [600]
    parts = [data[11:] for data in talk.data() if len(data) > 11 and data[:5] == bytes((1, 88, 2, 0, 0))]
    assert b"".join(parts) == bytes(index * 7 & 0xFF for index in range(600))  # tests/peer_libosdp_secure.py: FILE


@pytest.mark.parametrize("skip", range(46))
def test_whatever_frame_is_missed_nothing_false_is_said(skip: int) -> None:
    frames = golden("peer-secure-set-key.log")
    truth = tell(Talk(keys=KeyRing.parse(PEER_KEYS)), frames)
    by_octets = {frame.octets: seen.sight.opened for frame, seen in truth.seen if seen.sight and seen.sight.opened}
    talk = tell(Talk(keys=KeyRing.parse(PEER_KEYS)), frames, skip).end()
    for frame, seen in talk.seen:
        if seen.sight is not None and seen.sight.opened is not None:
            assert seen.sight.opened == by_octets[frame.octets]
    assert Kind.MAC_WRONG not in talk.kinds


# sessions made here


def test_the_default_key_is_tried_by_itself_and_is_a_finding() -> None:
    secured = Secured()
    talk = tell(started(secured), secured.exchange(back=Reply.RAW, sent=CARD))
    assert talk.kinds == [Kind.SESSION_OPEN, Kind.DEFAULT_KEY]
    assert talk.data() == [b"", CARD]
    assert [seen.sight.key for _, seen in talk.seen if seen.sight and seen.sight.opened] == [KeySource.DEFAULT] * 2


def test_a_default_key_installed_as_if_it_were_an_own_one_is_found() -> None:
    talk = started(Secured(DEFAULT_KEY, kind=1))
    event = next(event for event in talk.events if event.kind is Kind.DEFAULT_KEY)
    assert "as if" in event.detail


def test_a_master_key_gives_the_key_by_the_cuid() -> None:
    secured = Secured(derived_key(KEY, CUID), kind=1)
    talk = tell(started(secured, keys=KeyRing.parse(f"master {KEY.hex()}")), secured.exchange())
    assert talk.standings[-1] == "verified"
    assert talk.watch.figures().channels[0].key is KeySource.MASTER


def test_a_key_sent_in_the_clear_is_a_finding_and_is_learned() -> None:
    talk = tell(Talk(), [command(Command.KEYSET, KEYSET + KEY), reply()])
    assert talk.kinds == [Kind.KEY_CHANGED, Kind.KEY_IN_CLEAR]
    secured = Secured(KEY, kind=1)
    tell(talk, [command(Command.POLL, sequence=0), reply(sequence=0), *secured.start(), *secured.exchange()])
    assert talk.standings[-1] == "verified"


def test_a_device_that_still_takes_the_default_key_is_found() -> None:
    secured = Secured()
    talk = tell(started(secured), secured.exchange(Command.KEYSET, KEYSET + KEY))
    assert Kind.KEY_UNDER_DEFAULT in talk.kinds
    assert Kind.DEFAULT_ACCEPTED not in talk.kinds
    again = Secured(rnd_a=b"12345678", rnd_b=b"abcdefgh")
    tell(talk, again.start())
    assert Kind.DEFAULT_ACCEPTED in talk.kinds


@pytest.mark.parametrize("refused_first", [False, True])
@pytest.mark.parametrize(("reason", "refusal"), [(5, True), (6, True), (4, False)])
def test_a_refusal_heard_weighs_more_than_capabilities(reason: int, refusal: bool, refused_first: bool) -> None:
    # sheet 5.4: 5 security not supported, 6 security required, 4 wrong sequence number, which refuses no key
    refused = [Secured().start()[0], reply(Reply.NAK, bytes((reason,)))]
    says = [command(Command.CAP, b"\0", sequence=2), reply(Reply.PDCAP, b"\x09\1\1", sequence=2)]
    talk = tell(Talk(), [*refused, *says] if refused_first else [*says, *refused])
    assert (Kind.DEFAULT_REFUSED in talk.kinds) == refusal
    assert (Kind.DEFAULT_SAID in talk.kinds) == (not refusal or not refused_first)
    assert (Kind.DEFAULT_SAID in [one.kind for one in talk.watch.figures().events]) == (not refusal)


def test_a_random_number_used_in_two_sessions_is_found() -> None:
    talk = started(Secured())
    tell(talk, Secured(rnd_b=b"87654321").start())
    assert [event.detail for event in talk.events if event.kind is Kind.RANDOM_REPEATED] == ["the controller's"]
    tell(talk, Secured(rnd_a=b"aaaaaaaa", rnd_b=b"87654321").start())
    assert [event.detail for event in talk.events if event.kind is Kind.RANDOM_REPEATED][1:] == ["the device's"]


def test_a_given_key_that_does_not_fit_is_said() -> None:
    talk = started(Secured(KEY, kind=1), keys=given_key(OTHER))
    (event,) = talk.events
    assert event.kind is Kind.KEY_WRONG
    assert event.detail == "the start names an installed key"
    assert "--osdp-key" not in event.row.mend


def test_a_key_for_another_device_is_no_wrong_key() -> None:
    talk = started(Secured(KEY, kind=1), keys=KeyRing.parse(f"7 {OTHER.hex()}"))
    (event,) = talk.events
    assert event.kind is Kind.KEY_UNKNOWN
    assert event.detail.endswith("the keys given are for other addresses")


def test_a_key_set_in_the_clear_makes_no_channel() -> None:
    talk = tell(Talk(), [command(Command.KEYSET, KEYSET + KEY), reply(Reply.NAK, b"\3")])
    assert talk.watch.figures().channels == ()
    # Nor does a start that nobody took make none: it was tried.
    refused = tell(Talk(), [Secured().start()[0], reply(Reply.NAK, b"\5")])
    assert [(one.address, one.sessions) for one in refused.watch.figures().channels] == [(1, 0)]


def test_a_forged_frame_is_refused_and_the_session_goes_on() -> None:
    secured = Secured()
    talk = tell(started(secured), secured.exchange())
    forged = build_frame(1, Command.POLL, sequence=1, security_block=bytes((2, 0x15)), mac=b"1234")
    talk.say(forged)
    assert talk.standings[-1] == "refused"
    assert talk.kinds[-1] is Kind.MAC_WRONG
    for _ in range(3):
        tell(talk, secured.exchange())
    assert talk.standings[-6:] == ["verified"] * 6
    (channel,) = talk.watch.figures().channels
    assert (channel.refused, channel.verified) == (1, 8)


def test_a_session_out_of_step_is_lost_and_said_once() -> None:
    secured = Secured()
    talk = tell(started(secured), secured.exchange())
    secured.chain.seal(1, Command.TEXT, b"what this tap never heard", sequence=1)
    secured.chain.seal(1, Reply.NAK, b"\x09\x44\x55", sequence=1, reply=True)
    talk.damage(command(Command.POLL))
    for _ in range(4):
        tell(talk, secured.exchange())
    assert talk.standings[-8:] == ["lost"] * 8
    assert talk.kinds.count(Kind.SESSION_LOST) == 1
    assert Kind.MAC_WRONG not in talk.kinds
    # data that is known from before takes it up again
    tell(talk, secured.exchange(Command.ID, b"\0", Reply.PDID, bytes(12)))
    assert talk.standings[-2:] == ["verified", "verified"]


@pytest.mark.parametrize("count", [1, 2, 5, MOST_EXCHANGES])
def test_missed_polls_are_made_up_for(count: int) -> None:
    secured = Secured()
    talk = tell(started(secured), secured.exchange())
    missed = [secured.exchange() for _ in range(count)]
    talk.damage(missed[0][0])
    tell(talk, secured.exchange(back=Reply.RAW, sent=CARD))
    assert talk.standings[-2:] == ["verified", "verified"]
    assert talk.data()[-1] == CARD
    assert talk.watch.figures().channels[0].bridged == 2 * count


def test_a_repeated_command_and_its_repeated_reply_are_verified() -> None:
    secured = Secured()
    frames = secured.exchange(Command.LED, bytes(14))
    talk = tell(started(secured), [frames[0], frames[0], frames[1], *secured.exchange()])
    assert talk.standings[-5:] == ["verified"] * 5
    assert talk.data()[:2] == [bytes(14)] * 2


def test_busy_and_refusal_in_the_clear() -> None:
    secured = Secured()
    first = secured.exchange()
    talk = tell(started(secured), [first[0], reply(Reply.BUSY, sequence=0), *first])
    assert talk.standings[-4:] == ["verified", "clear", "verified", "verified"]
    assert Kind.CLEAR_IN_SESSION not in talk.kinds
    tell(talk, [secured.exchange()[0], reply(Reply.NAK, b"\x09", sequence=1)])
    assert Kind.SESSION_ENDED not in talk.kinds
    tell(talk, [secured.exchange()[0], reply(Reply.NAK, b"\x06", sequence=2)])
    assert Kind.SESSION_ENDED in talk.kinds
    assert talk.watch.figures().channels[0].state is State.NONE
    # The refusal may be of one command only: what follows proves that the session goes on.
    tell(talk, secured.exchange())
    assert talk.standings[-2:] == ["verified", "verified"]
    assert talk.watch.figures().channels[0].state is State.OPEN


@pytest.mark.parametrize("again", range(4))
def test_a_start_whose_frame_was_sent_again(again: int) -> None:
    secured = Secured()
    frames = secured.start()
    # The controller did not hear the reply: it asks again, and gets the same reply again.
    pair = frames[again // 2 * 2 : again // 2 * 2 + 2]
    where = again // 2 * 2 + (2 if again % 2 else 1)
    talk = tell(Talk(), [*frames[:where], *pair, *frames[again // 2 * 2 + 2 :], *secured.exchange()])
    assert talk.standings[-2:] == ["verified", "verified"]
    assert [kind for kind in talk.kinds if kind is not Kind.ASKED_AGAIN] == [Kind.SESSION_OPEN, Kind.DEFAULT_KEY]
    assert talk.watch.figures().channels[0].sessions == 1


def test_clear_frames_in_a_session_are_found_once_each() -> None:
    secured = Secured()
    talk = tell(started(secured), secured.exchange())
    for number in (2, 3, 1):
        tell(talk, [command(Command.POLL, sequence=number), reply(sequence=number)])
    assert talk.kinds.count(Kind.CLEAR_IN_SESSION) == 1
    tell(talk, [secured.exchange()[0], reply(sequence=1)])
    assert talk.kinds.count(Kind.CLEAR_IN_SESSION) == 1


def test_a_start_that_fails_says_that_keys_differ() -> None:
    refused = tell(Talk(), Secured().start(accepted=0))
    assert [event.kind for event in refused.events] == [Kind.KEYS_DIFFER]
    given_up = tell(Talk(), [*Secured().start()[:2], command(Command.POLL, sequence=2)])
    assert given_up.kinds[0] is Kind.KEYS_DIFFER
    assert "default key" in given_up.events[0].detail


def test_cryptograms_that_do_not_fit_are_found() -> None:
    secured = Secured(KEY, kind=0)  # says default key, has another
    assert tell(Talk(), secured.start()[:2]).kinds == [Kind.CRYPTOGRAM_WRONG, Kind.DEFAULT_REFUSED]
    good = Secured()
    frames = good.start()
    wrong = build_frame(1, Command.SCRYPT, bytes(16), sequence=2, security_block=bytes((3, 0x13, 0)))
    assert tell(Talk(), [*frames[:2], wrong]).kinds == [Kind.CRYPTOGRAM_WRONG]
    mac = build_frame(1, Reply.RMAC_I, bytes(16), sequence=2, reply=True, security_block=bytes((3, 0x14, 1)))
    assert tell(Talk(), [*frames[:3], mac]).kinds[0] is Kind.CRYPTOGRAM_WRONG


@pytest.mark.parametrize("skip", range(4))
def test_a_start_with_a_frame_missed(skip: int) -> None:
    secured = Secured()
    frames = secured.start()
    talk = tell(Talk(), frames, skip)
    tell(talk, [*secured.exchange(), *secured.exchange()])
    # Without CHLNG there is no RND.A, from which the keys are made.
    assert talk.standings[-1] == ("start-not-heard" if skip == 0 else "verified")


def test_a_session_that_began_before_the_listening() -> None:
    secured = Secured()
    secured.exchange()
    talk = tell(Talk(), [*secured.exchange(), *secured.exchange(Command.KEYSET, KEYSET + KEY)])
    assert talk.kinds == [Kind.START_NOT_HEARD, Kind.KEY_CHANGED]
    assert talk.standings == ["start-not-heard"] * 4


def test_a_sealed_frame_without_data_is_found() -> None:
    secured = Secured()
    talk = started(secured)
    # sheet 5.8: an empty SCS_17 does not conform
    bare = build_frame(1, Command.POLL, sequence=3, security_block=bytes((2, 0x17)), mac=bytes(4))
    mac = secured.keys.mac(bare[:-6], secured.chain.reply_mac)[:4]
    talk.say(build_frame(1, Command.POLL, sequence=3, security_block=bytes((2, 0x17)), mac=mac))
    assert talk.kinds[-1] is Kind.SEALED_WRONG
    assert "without data" in talk.events[-1].detail


def test_a_session_goes_on_at_the_devices_new_address() -> None:
    # as libosdp's two ends do: tests/peer_libosdp_secure.py
    secured = Secured(KEY, kind=1)
    talk = started(secured, keys=KeyRing.parse(f"1 {KEY.hex()}"))
    line = bytes((9,)) + (9600).to_bytes(4, "little")
    tell(talk, secured.exchange(Command.COMSET, line, Reply.COM, line))
    for back in (False, True):
        talk.say(secured.chain.seal(9, Reply.ACK if back else Command.POLL, sequence=1, reply=back))
    assert talk.standings[-2:] == ["verified", "verified"]
    assert [channel.address for channel in talk.watch.figures().channels] == [9]
    assert talk.kinds == [Kind.SESSION_OPEN, Kind.LINE_CHANGE]
    # Its own key is tried there, too, when it starts anew.
    assert talk.watch._keys.for_address(9)[0].octets == KEY


def test_two_devices_with_keys_of_their_own_and_checksums() -> None:
    one = Secured(KEY, kind=1, address=3, crc=False)
    two = Secured(OTHER, kind=1, address=4, rnd_a=b"12345678", rnd_b=b"abcdefgh", crc=False)
    talk = Talk(keys=KeyRing.parse(f"3 {KEY.hex()}; 4 {OTHER.hex()}"))
    for first, second in zip(one.start(), two.start(), strict=True):
        tell(talk, [first, second])
    for _ in range(5):
        tell(talk, [*one.exchange(back=Reply.RAW, sent=CARD), *two.exchange(Command.LED, bytes(14))])
    assert talk.standings[8:] == ["verified"] * 20
    talk.damage(one.exchange()[0])
    tell(talk, [*two.exchange(), *one.exchange(back=Reply.RAW, sent=CARD)])
    assert talk.standings[28:] == ["verified"] * 4
    assert {channel.address: channel.bridged for channel in talk.watch.figures().channels} == {3: 2, 4: 0}


def test_secured_frames_that_no_session_takes() -> None:
    secured = Secured()
    talk = tell(started(secured), secured.exchange())
    # sheet 5.7: SCS_16 without a MAC must be refused
    talk.say(build_frame(1, Reply.ACK, sequence=3, reply=True, security_block=bytes((2, 0x16)), mac=bytes(4)))
    assert talk.standings[-1] == "refused"
    talk.say(build_frame(1, Command.POLL, sequence=1, security_block=bytes((2, 0x16)), mac=bytes(4)))
    assert talk.kinds[-1] is Kind.SEALED_WRONG
    talk.say(build_frame(1, Command.POLL, sequence=1, security_block=bytes((2, 0x99))))
    assert talk.standings[-1] == "handshake"
    tell(talk, secured.exchange())
    assert talk.standings[-2:] == ["verified", "verified"]


def test_a_device_that_refuses_the_start() -> None:
    talk = tell(Talk(), [Secured().start()[0], reply(Reply.NAK, b"\x05")])
    assert talk.kinds == [Kind.DEFAULT_REFUSED, Kind.REFUSED]
    assert talk.watch.figures().channels[0].state is State.NONE


def test_no_key_and_no_payload_in_any_event() -> None:
    talk = tell(Talk(keys=KeyRing.parse(PEER_KEYS)), golden("peer-secure-key-change.log")).end()
    for event in talk.events:
        text = f"{event.text()} {event.row.mend} {dict(event.numbers)}".upper()
        assert "7A1F" not in text
        assert "C40B" not in text


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([Command.POLL, Command.POLL, Command.POLL, Command.LED, Command.ID, Command.OUT]),
            st.binary(max_size=40),
            st.sampled_from([Reply.ACK, Reply.ACK, Reply.RAW, Reply.PDID]),
            st.binary(max_size=40),
            st.sampled_from(["heard", "heard", "heard", "damaged", "unheard", "twice"]),
            st.sampled_from(["heard", "heard", "heard", "damaged", "unheard", "twice"]),
        ),
        max_size=25,
    )
)
def test_never_a_false_decryption_whatever_is_missed(
    talk_plan: list[tuple[int, bytes, int, bytes, str, str]],
) -> None:
    secured = Secured()
    talk = started(secured)
    truth: dict[bytes, bytes] = {}
    for code, data, back, sent, first, second in talk_plan:
        data = b"" if code == Command.POLL else data
        sent = b"" if back == Reply.ACK else sent
        frames = secured.exchange(code, data, back, sent)
        truth |= {frames[0]: data, frames[1]: sent}
        for octets, fate in zip(frames, (first, second), strict=True):
            if fate == "damaged":
                talk.damage(octets)
            elif fate != "unheard":
                talk.say(octets)
                if fate == "twice":
                    talk.say(octets)
    talk.end()
    for frame, seen in talk.seen:
        if seen.sight is not None and seen.sight.opened is not None:
            assert seen.sight.opened.data == truth[frame.octets]
