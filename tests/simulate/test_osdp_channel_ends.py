"""Both ends of a secure channel: the sheet's session octet for octet, keys tried in turn, refusals, lapses."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.frames.osdp.header import parse
from benchtool.frames.osdp.secure import DEFAULT, DEFAULT_KEY, INSTALLED, cuid_of, derived_key
from benchtool.frames.osdp.words import capability_records
from benchtool.simulate.build import device_station
from benchtool.simulate.osdp_device_session import DeviceSession
from benchtool.simulate.osdp_functions import Event
from benchtool.simulate.osdp_panel_session import Broken, PanelSession, Stage
from benchtool.simulate.panel import Panel
from benchtool.simulate.peripheral import Peripheral
from benchtool.simulate.scenario import load
from tests.simulate.lockstep import MS, SETTINGS, S, join, octets, say

IDENTITY = octets("A1A2A3B1C1D1D2D3D4E1E2E3")
RND_A, RND_B = octets("B0B1B2B3B4B5B6B7"), octets("A0A1A2A3A4A5A6A7")
KEY, OTHER = bytes(range(0x40, 0x50)), bytes(range(0x60, 0x70))
CARD = octets("00011A003287FFC0")

# sheet 5.9, computed there with routines that reproduced every vector of 5.6 to 5.8
SESSION = [
    ("53 00 08 00 04 60 EB AA", "53 80 08 00 04 40 59 AC"),
    (
        "53 00 13 00 0D 03 11 00 76 B0 B1 B2 B3 B4 B5 B6 B7 31 77",
        "53 80 2B 00 0D 03 12 00 76 A1 A2 B1 C1 D1 D2 D3 D4 A0 A1 A2 A3 A4 A5 A6 A7 FD E5 D2 F4 28 EC 16 31 24 71 EA "
        "3C 02 BD 77 96 35 52",
    ),
    (
        "53 00 1B 00 0E 03 13 00 77 26 D3 35 6E 07 76 2D 26 28 01 FC 8E 66 65 A8 91 40 B4",
        "53 80 1B 00 0E 03 14 01 78 B2 A3 00 57 EB 98 BA 22 29 EC 1F 87 56 62 B5 24 6E EB",
    ),
    ("53 00 0E 00 0F 02 15 60 69 BD C6 54 E1 36", "53 80 0E 00 0F 02 16 40 F9 BA FF 9D 78 CD"),
    (
        "53 00 1E 00 0D 02 17 69 87 3F DB 02 0C 36 B1 D8 64 7D 14 BA 36 A5 55 18 95 5B E0 D8 49 7B",
        "53 80 0E 00 0D 02 16 40 BA 97 32 D9 41 1B",
    ),
    (
        "53 00 0E 00 0E 02 15 60 C8 3D CA 0C 3A 48",
        "53 80 1E 00 0E 02 18 50 46 DB 53 FD AF 75 5E 7D 75 62 D8 8E 73 83 73 36 6A 3D 59 AF B4 CE",
    ),
    (
        "53 00 1E 00 0F 02 17 61 57 B7 6D 0A 8C 8C 35 E8 AF 51 37 7D FD 81 7C ED 49 F6 64 9C 04 4A",
        "53 80 1E 00 0F 02 18 45 43 3F B4 BC 00 D0 1D 86 5C 85 1D 50 AA E0 B0 4D 52 94 6D F3 EF A0",
    ),
]


def session(
    *, key: bytes | None = None, default_too: bool = True, required: bool = False, random: bytes = RND_B
) -> DeviceSession:
    return DeviceSession(IDENTITY, random=lambda _: random, key=key, default_too=default_too, required=required)


def device(own: DeviceSession, *, address: int = 0, events: list[Event] | None = None) -> Peripheral:
    return Peripheral(
        "device",
        address,
        SETTINGS,
        identity=IDENTITY,
        capabilities=octets("090101"),
        reply_ns=3 * MS,
        rng=np.random.default_rng(1),
        events=events or (),
        session=own,
    )


class Asker:
    """Asks a device, 300 ms apart."""

    def __init__(self, station: Peripheral) -> None:
        self.station = station
        self.now_ns = 0

    def ask(self, data: bytes, after_ns: int = 300 * MS) -> bytes:
        self.now_ns += after_ns
        told, _ = say(self.station, data, self.now_ns)
        assert told is not None
        return told

    def nak(self, data: bytes, after_ns: int = 300 * MS) -> int:
        told = self.ask(data, after_ns)
        assert told[5] == Reply.NAK, told.hex()
        assert not told[4] & 0x08
        return told[6]


def secured(station: Peripheral) -> Asker:
    """A device with which the sheet's session is on."""
    asker = Asker(station)
    for asked, told in SESSION[:4]:
        assert asker.ask(octets(asked)) == octets(told)
    return asker


def test_the_device_says_the_sheets_session_octet_for_octet() -> None:
    # the card comes at the second secured poll
    asker = secured(device(session(), events=[(1700 * MS, int(Reply.RAW), CARD)]))
    for asked, told in SESSION[4:]:
        assert asker.ask(octets(asked)) == octets(told)


def test_the_panel_says_the_sheets_session_octet_for_octet() -> None:
    ours = PanelSession(lambda _: [], random=lambda _: RND_A, kinds=(DEFAULT,))
    for sequence, (asked, told) in zip((1, 2), SESSION[1:3], strict=True):
        step = ours.step()
        assert step is not None
        assert ours.build(0, *step, sequence=sequence, crc=True) == octets(asked)
        assert isinstance(ours.take(octets(told), step[0]), tuple)
    assert ours.stage is Stage.ACTIVE
    for sequence, code, data, reply, (asked, told) in (
        (3, Command.POLL, b"", (Reply.ACK, b""), SESSION[3]),
        (1, Command.LED, octets("0000000000000000000101000202"), (Reply.ACK, b""), SESSION[4]),
        (2, Command.POLL, b"", (Reply.RAW, CARD), SESSION[5]),
        (3, Command.ID, b"\0", (Reply.PDID, IDENTITY), SESSION[6]),
    ):
        assert ours.build(0, code, data, sequence=sequence, crc=True) == octets(asked)
        assert ours.take(octets(told), code) == reply


def test_a_repeated_secured_command_gets_the_same_octets_and_the_session_goes_on() -> None:
    asker = secured(device(session()))
    first = asker.ask(octets(SESSION[4][0]))
    assert asker.ask(octets(SESSION[4][0])) == first
    assert asker.ask(octets(SESSION[5][0]))[5:7] == b"\x02\x16"


def test_a_forged_command_is_not_done_and_ends_the_session() -> None:
    # sheet 5.4: NAK 06, security conditions not met
    done: list[str] = []
    station = device(session())
    station.functions.happened = done.append
    asker = secured(station)
    good = octets(SESSION[4][0])
    forged = good[:10] + bytes((good[10] ^ 1,)) + good[11:-2]
    forged += build_crc(forged)
    assert asker.nak(forged) == NakCode.SECURITY_REQUIRED
    assert station.session is not None
    assert not station.session.active
    assert not done


def build_crc(body: bytes) -> bytes:
    from benchtool.frames.osdp.check import crc

    return crc(body).to_bytes(2, "little")


def test_a_command_in_clear_within_a_session_ends_it() -> None:
    asker = secured(device(session()))
    assert asker.nak(build_frame(0, Command.POLL, sequence=1)) == NakCode.SECURITY_REQUIRED
    assert asker.nak(octets(SESSION[5][0])) == NakCode.SECURITY_REQUIRED


def test_the_session_lapses_after_8_seconds() -> None:
    # sheet 5.2
    asker = secured(device(session()))
    assert asker.nak(octets(SESSION[4][0]), 8 * S + 100 * MS) == NakCode.SECURITY_REQUIRED
    asker = secured(device(session()))
    assert asker.ask(octets(SESSION[4][0]), 7 * S)[5:7] == b"\x02\x16"


def test_sequence_nought_ends_the_session() -> None:
    # sheet 5.8
    station = device(session())
    asker = secured(station)
    assert asker.ask(build_frame(0, Command.POLL, sequence=0))[5] == Reply.ACK
    assert station.session is not None
    assert not station.session.active


@pytest.mark.parametrize(
    ("code", "data", "answer"),
    [
        (Command.POLL, b"", Reply.ACK),
        (Command.ID, b"\0", Reply.PDID),
        (Command.CAP, b"\0", Reply.PDCAP),
        (Command.OUT, bytes((0, 2, 0, 0)), Reply.NAK),
        (Command.LSTAT, b"", Reply.NAK),
        (Command.COMSET, bytes((5,)) + (9600).to_bytes(4, "little"), Reply.NAK),
        (Command.KEYSET, bytes((1, 16)) + KEY, Reply.NAK),
        (Command.CHLNG, RND_A, Reply.NAK),
    ],
)
def test_what_a_device_that_wants_a_session_does_in_clear(code: int, data: bytes, answer: int) -> None:
    # The card waits for the session: nothing is told in clear.
    asker = Asker(device(session(key=KEY, required=True), events=[(0, int(Reply.RAW), CARD)]))
    assert asker.ask(build_frame(0, Command.POLL, sequence=0))[5] == Reply.ACK
    assert asker.ask(build_frame(0, code, data, sequence=1))[5] == answer


@pytest.mark.parametrize(
    ("own", "kind"), [(session(key=KEY, default_too=False), DEFAULT), (session(), INSTALLED)], ids=["default", "own"]
)
def test_a_key_that_is_not_there_is_refused(own: DeviceSession, kind: int) -> None:
    asker = Asker(device(own))
    asker.ask(build_frame(0, Command.POLL, sequence=0))
    challenge = build_frame(0, Command.CHLNG, RND_A, sequence=1, security_block=bytes((3, 0x11, kind)))
    assert asker.nak(challenge) == NakCode.SECURITY_REQUIRED


@pytest.mark.parametrize(
    "asked",
    [
        build_frame(0, Command.SCRYPT, bytes(16), sequence=1, security_block=b"\x03\x13\x00"),
        build_frame(0, Command.CHLNG, bytes(7), sequence=1, security_block=b"\x03\x11\x00"),
        build_frame(0, Command.POLL, sequence=1, security_block=b"\x02\x19"),
    ],
    ids=["proof without challenge", "short challenge", "unknown block"],
)
def test_security_blocks_that_say_nothing_are_refused(asked: bytes) -> None:
    # sheet 5.4: NAK 05
    asker = Asker(device(session()))
    asker.ask(build_frame(0, Command.POLL, sequence=0))
    assert asker.nak(asked) == NakCode.SECURITY_UNSUPPORTED


def test_a_wrong_proof_is_refused() -> None:
    asker = Asker(device(session()))
    for asked, told in SESSION[:2]:
        assert asker.ask(octets(asked)) == octets(told)
    wrong = build_frame(0, Command.SCRYPT, bytes(16), sequence=2, security_block=b"\x03\x13\x00")
    assert asker.nak(wrong) == NakCode.SECURITY_REQUIRED


def random_of(seed: int) -> Callable[[int], bytes]:
    return np.random.default_rng(seed).bytes


def joined(
    ours: PanelSession, own: DeviceSession, until_ns: int = 6 * S, *, clear_too: bool = False, key: bytes | None = None
) -> tuple[Panel, list[tuple[str, int, bytes]], list[int], list[str]]:
    """A panel and a device talk: the panel, what was said, the reply codes that it believed, what it told."""
    codes: list[int] = []
    told: list[str] = []

    def react(_address: int, code: int, _data: bytes) -> list[tuple[int, int, bytes]]:
        codes.append(code)
        return []

    panel = Panel(
        "panel",
        [3],
        SETTINGS,
        poll_gap_ns=20 * MS,
        react=react,
        sessions={3: ours},
        clear_too=clear_too,
        notice=lambda _, text: told.append(text),
    )
    ours.happened = told.append
    if key is not None:
        panel.send(3, Command.KEYSET, bytes((1, 16)) + key)
    events = [(3 * S, int(Reply.RAW), CARD)]
    said = join([panel, device(own, address=3, events=events)], until_ns)
    return panel, said, codes, told


def kinds_of(said: list[tuple[str, int, bytes]], name: str = "panel") -> list[int]:
    """Security block types in order, 0 for none."""
    return [data[6] if data[4] & 8 else 0 for who, _, data in said if who == name]


def test_identity_and_capabilities_in_clear_then_everything_sealed() -> None:
    ours = PanelSession(lambda _: [KEY], random=random_of(1), kinds=(INSTALLED,))
    panel, said, codes, _ = joined(ours, session(key=KEY, default_too=False, required=True))
    assert kinds_of(said)[:6] == [0, 0, 0, 0x11, 0x13, 0x15]
    assert set(kinds_of(said)[5:]) == {0x15}
    assert set(kinds_of(said, "device")[5:]) <= {0x16, 0x18}
    assert Reply.RAW in codes
    assert panel.is_online(3)
    assert b"".join(data for _, _, data in said).find(CARD) < 0


def test_the_default_key_then_a_new_one() -> None:
    ours = PanelSession(lambda _: [], random=random_of(2), kinds=(DEFAULT,))
    own = session(random=RND_B)
    panel, said, codes, told = joined(ours, own, key=KEY)
    begun = [data[7] for who, _, data in said if who == "panel" and data[4] & 8 and data[6] == 0x11]
    assert begun == [DEFAULT, INSTALLED]
    assert Reply.RAW in codes
    assert panel.is_online(3)
    assert not ours.on_default_key
    assert any("took the new key" in text for text in told)
    # the key is never on the wire in clear
    assert b"".join(data for _, _, data in said).find(KEY) < 0


def test_the_given_keys_first_then_the_default_key() -> None:
    ours = PanelSession(lambda _: [OTHER], random=random_of(3))
    panel, said, _, told = joined(ours, session())
    begun = [data[7] for who, _, data in said if who == "panel" and data[4] & 8 and data[6] == 0x11]
    assert begun == [INSTALLED, DEFAULT]
    assert panel.is_online(3)
    assert told[-1] == "secure channel on the default key"


def test_the_key_among_several_is_found_with_one_question() -> None:
    ours = PanelSession(lambda _: [OTHER, KEY], random=random_of(4), kinds=(INSTALLED,))
    panel, said, _, _ = joined(ours, session(key=KEY))
    assert kinds_of(said).count(0x11) == 1
    assert panel.is_online(3)


def test_a_master_key_makes_the_devices_own() -> None:
    # sheet 5.8: SCBK = AES(master key, cUID and its complement)
    cuid = cuid_of(IDENTITY)
    ours = PanelSession(lambda told: [derived_key(OTHER, told)], random=random_of(5), kinds=(INSTALLED,))
    panel, _, _, _ = joined(ours, session(key=derived_key(OTHER, cuid)))
    assert panel.is_online(3)


@pytest.mark.parametrize("clear_too", [False, True])
def test_a_device_that_takes_no_key(clear_too: bool) -> None:
    ours = PanelSession(lambda _: [OTHER], random=random_of(6), kinds=(INSTALLED,))
    panel, said, codes, told = joined(ours, session(key=KEY), 12 * S, clear_too=clear_too, key=OTHER)
    assert any("another key" in text for text in told)
    assert panel.is_online(3) == clear_too
    assert (Reply.RAW in codes) == clear_too
    # Neither the key nor its command goes out in clear, whatever is allowed.
    assert not [data for who, _, data in said if who == "panel" and data[5] == Command.KEYSET]
    # asked again after 8 s, else in clear for good
    assert kinds_of(said).count(0x11) == (1 if clear_too else 2)


def test_a_reply_in_clear_within_a_session_is_not_believed() -> None:
    ours = PanelSession(lambda _: [], random=lambda _: RND_A, kinds=(DEFAULT,))
    for sequence, (_, told) in zip((1, 2), SESSION[1:3], strict=True):
        step = ours.step()
        assert step is not None
        ours.build(0, *step, sequence=sequence, crc=True)
        ours.take(octets(told), step[0])
    ours.build(0, Command.POLL, b"", sequence=3, crc=True)
    card = build_frame(0, Reply.RAW, CARD, sequence=3, reply=True)
    assert ours.take(card, Command.POLL) is Broken.IGNORED
    right = octets(SESSION[3][1])
    assert ours.take(right[:9] + b"\0" + right[10:], Command.POLL) is Broken.IGNORED
    assert ours.take(right, Command.POLL) == (Reply.ACK, b"")
    refused = build_frame(0, Reply.NAK, b"\x06", sequence=3, reply=True)
    assert ours.take(refused, Command.POLL) is Broken.LOST


@pytest.mark.parametrize(
    ("at", "told"),
    [
        (0, build_frame(0, Reply.ACK, sequence=1, reply=True)),
        (0, build_frame(0, Reply.CCRYPT, bytes(31), sequence=1, reply=True, security_block=b"\x03\x12\x00")),
        (0, build_frame(0, Reply.CCRYPT, bytes(32), sequence=1, reply=True, security_block=b"\x03\x12\x01")),
        (1, build_frame(0, Reply.ACK, sequence=2, reply=True)),
        (1, build_frame(0, Reply.RMAC_I, bytes(16), sequence=2, reply=True)),
    ],
)
def test_what_is_no_answer_to_a_challenge_or_a_proof(at: int, told: bytes) -> None:
    ours = PanelSession(lambda _: [], random=lambda _: RND_A, kinds=(DEFAULT,))
    step = ours.step()
    assert step is not None
    if at:
        ours.take(octets(SESSION[1][1]), step[0])
        step = ours.step()
        assert step is not None
    assert ours.take(told, step[0]) is Broken.IGNORED


@pytest.mark.parametrize(
    ("at", "told"),
    [
        (0, build_frame(0, Reply.NAK, b"\x05", sequence=1, reply=True)),
        (0, build_frame(0, Reply.CCRYPT, bytes(32), sequence=1, reply=True, security_block=b"\x03\x12\x00")),
        (1, build_frame(0, Reply.NAK, b"\x06", sequence=2, reply=True)),
        (1, build_frame(0, Reply.RMAC_I, bytes(16), sequence=2, reply=True, security_block=b"\x03\x14\x01")),
        (1, build_frame(0, Reply.RMAC_I, bytes(16), sequence=2, reply=True, security_block=b"\x03\x14\x00")),
    ],
)
def test_what_refuses_the_only_key(at: int, told: bytes) -> None:
    ours = PanelSession(lambda _: [], random=lambda _: RND_A, kinds=(DEFAULT,))
    step = ours.step()
    assert step is not None
    if at:
        ours.take(octets(SESSION[1][1]), step[0])
        step = ours.step()
        assert step is not None
    assert ours.take(told, step[0]) is Broken.LOST
    assert ours.refused
    assert ours.step() is None


def test_no_key_is_ever_printed() -> None:
    ours = PanelSession(lambda _: [KEY], random=random_of(1))
    own = session(key=KEY)
    for thing in (ours, own):
        assert KEY.hex() not in repr(thing).lower()
        assert "4041" not in repr(thing)
    with pytest.raises(ValueError, match="needs a key"):
        PanelSession(lambda _: [], random=random_of(1), kinds=())


def test_the_default_key_is_the_sheets() -> None:
    # sheet 5.8: 30 31 … 3F
    assert bytes(range(0x30, 0x40)) == DEFAULT_KEY
    header = parse(octets(SESSION[1][0]))
    assert header is not None
    assert header.security_block == b"\x03\x11\x00"


def test_a_session_is_begun_again_where_the_device_forgot_it() -> None:
    ours = PanelSession(lambda _: [KEY], random=random_of(9), kinds=(INSTALLED,))
    station = device(session(key=KEY), address=3)
    panel = Panel("panel", [3], SETTINGS, poll_gap_ns=20 * MS, sessions={3: ours})
    join([panel, station], 2 * S)
    assert panel.is_online(3)
    station.restart()
    said = join([panel, station], 5 * S)
    assert panel.is_online(3)
    assert kinds_of(said).count(0x11) == 1


@pytest.mark.parametrize("secure", [False, True], ids=["clear", "secure"])
def test_an_hour_of_bus_time_without_a_protocol_error(secure: bool) -> None:
    ours = PanelSession(lambda _: [KEY], random=random_of(11), kinds=(INSTALLED,))
    notices: list[str] = []
    codes: list[int] = []

    def react(_address: int, code: int, _data: bytes) -> list[tuple[int, int, bytes]]:
        codes.append(code)
        return [(3, int(Command.OUT), bytes((0, 5, 5, 0)))] if code == Reply.RAW else []

    panel = Panel(
        "panel",
        [3],
        SETTINGS,
        poll_gap_ns=500 * MS,
        react=react,
        sessions={3: ours} if secure else None,
        notice=lambda _, text: notices.append(text),
    )
    events = [(at * 60 * S, int(Reply.RAW), CARD) for at in range(1, 60)]
    station = Peripheral(
        "device",
        3,
        SETTINGS,
        identity=IDENTITY,
        capabilities=octets("020401090101"),
        reply_ns=3 * MS,
        rng=np.random.default_rng(1),
        events=events,
        session=session(key=KEY, default_too=False, required=True) if secure else None,
    )
    said = join([panel, station], 3600 * S)
    assert len(said) > 12_000
    assert codes.count(Reply.RAW) == 59
    assert Reply.NAK not in codes
    assert notices == ["answers"]
    asked = [data for who, _, data in said if who == "panel"]
    # Nothing is ever said twice: no reply was missed or late.
    numbers = [data[4] & 3 for data in asked]
    assert numbers == [0] + [n % 3 + 1 for n in range(len(numbers) - 1)]


@pytest.mark.parametrize("default_too", [True, False])
def test_capabilities_tell_whether_the_default_key_opens_a_session(default_too: bool) -> None:
    # Sheet 5.5: function 9, compliance bit 0 AES-128, number bit 0 the default key still usable.
    scenario = load("demo")
    spec = scenario.devices[0]
    rng = np.random.Generator(np.random.PCG64(1))
    own = session(key=KEY, default_too=default_too)
    reader = device_station(scenario, spec, SETTINGS, rng, session=own)
    assert isinstance(reader, Peripheral)
    code, data = reader.functions.do(Command.CAP, b"\x00", 0)
    assert code == Reply.PDCAP
    assert (9, 1, default_too) in capability_records(data)
