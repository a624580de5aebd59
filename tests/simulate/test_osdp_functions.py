"""What an OSDP device does with commands, what a person has it do, and faults put into what a station says."""

from __future__ import annotations

import pytest

from benchtool.capture.chunk import Chunk
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.check import check_ok
from benchtool.frames.osdp.codes import Command, NakCode, Reply
from benchtool.simulate.crowd import Crowd
from benchtool.simulate.misdeeds import Injected, Misbehaving, Misdeed
from benchtool.simulate.osdp_actions import ActionError, command_of, parse_action, perform, usage
from benchtool.simulate.osdp_functions import Functions
from benchtool.simulate.station import Station
from tests.simulate.lockstep import MS, SETTINGS, S, heard, octets

NAK = int(Reply.NAK)


def functions(**more: object) -> Functions:
    return Functions(identity=bytes(12), capabilities=octets("020402"), inputs=2, **more)  # type: ignore[arg-type]


def refused(reason: NakCode) -> tuple[int, bytes]:
    return NAK, bytes((reason,))


@pytest.mark.parametrize(
    ("command", "data"),
    [
        (Command.OUT, b""),
        (Command.OUT, bytes(5)),
        (Command.LED, bytes(13)),
        (Command.BUZ, bytes(4)),
        (Command.TEXT, octets("00 01 00 01 01 03 41 42")),
        (Command.TEXT, bytes(3)),
        (Command.COMSET, bytes(4)),
        (Command.KEEPACTIVE, bytes(1)),
        (Command.FILETRANSFER, bytes(10)),
    ],
)
def test_a_wrong_length_is_refused(command: Command, data: bytes) -> None:
    # sheet 5.4: NAK 02 command length; lengths of sheet 5.5
    assert functions().do(command, data, 0) == refused(NakCode.LENGTH)


@pytest.mark.parametrize(
    ("command", "data", "reason"),
    [
        (Command.OUT, bytes((2, 2, 0, 0)), NakCode.RECORD),
        (Command.OUT, bytes((0, 7, 0, 0)), NakCode.RECORD),
        (Command.COMSET, bytes((127,)) + (9600).to_bytes(4, "little"), NakCode.RECORD),
        (Command.COMSET, bytes((5,)) + (1234).to_bytes(4, "little"), NakCode.RECORD),
        (Command.ABORT, b"", NakCode.UNKNOWN_COMMAND),
        (Command.MFG, bytes(5), NakCode.UNKNOWN_COMMAND),
        (0x99, b"", NakCode.UNKNOWN_COMMAND),
    ],
)
def test_what_it_cannot_do_is_refused_with_the_reason(command: int, data: bytes, reason: NakCode) -> None:
    assert functions().do(command, data, 0) == refused(reason)


def test_outputs_follow_their_codes() -> None:
    # sheet 5.5: 1 off and 2 on (timed aborted), 3 and 4 the same with timed let finish, 5 timed on, 6 timed off; 100 ms
    device = functions()

    def out(*record: int) -> None:
        assert device.do(Command.OUT, bytes(record), 0) == (Reply.ACK, b"")

    def ostat(now_ns: int) -> bytes:
        code, data = device.do(Command.OSTAT, b"", now_ns)
        assert code == Reply.OSTATR
        return data

    out(1, 2, 0, 0)
    assert ostat(0) == bytes((0, 1))
    out(0, 5, 50, 0)
    assert ostat(5 * S - 1) == bytes((1, 1))
    assert ostat(5 * S) == bytes((0, 1))
    out(1, 6, 10, 0)
    assert ostat(S - 1) == bytes((0, 0))
    out(1, 4, 0, 0)
    assert ostat(S - 1) == bytes((0, 0))
    assert ostat(S) == bytes((0, 1))
    out(0, 5, 0, 1)
    out(0, 1, 0, 0)
    assert ostat(0) == bytes((0, 1))
    out(0, 5, 10, 0, 1, 3, 0, 0)
    assert ostat(0) == bytes((1, 0))
    out(0, 0, 0, 0)
    assert ostat(0) == bytes((1, 0))
    device.restart()
    assert ostat(0) == bytes((0, 0))


def test_a_file_is_taken_in_order_and_not_otherwise() -> None:
    # sheet 5.5: FILETRANSFER and FTSTAT (status 0 ok, 1 processed, -3 malformed)
    said: list[str] = []
    device = functions()
    device.happened = said.append

    def piece(offset: int, data: bytes) -> int:
        head = bytes((1,)) + (6).to_bytes(4, "little") + offset.to_bytes(4, "little")
        code, told = device.do(Command.FILETRANSFER, head + len(data).to_bytes(2, "little") + data, 0)
        assert code == Reply.FTSTAT
        return int.from_bytes(told[3:5], "little", signed=True)

    assert piece(0, b"abcd") == 0
    assert piece(4, b"ef") == 1
    assert said == ["a file of 6 octets taken and thrown away"]
    assert piece(4, b"ef") == -3
    assert piece(0, b"abcd") == 0
    assert piece(2, b"cd") == -3
    assert piece(4, b"ef") == -3
    assert piece(0, b"abcdefg") == -3


def test_what_it_shows_is_told_in_words() -> None:
    said: list[str] = []
    device = functions()
    device.happened = said.append
    # sheet 5.7: TEXT HELLO, BUZ 2 x 200 ms
    device.do(Command.TEXT, octets("00 01 00 01 01 05 48 45 4C 4C 4F"), 0)
    device.do(Command.BUZ, octets("00 02 02 02 02"), 0)
    device.do(Command.COMSET, octets("05 80 25 00 00"), 0)
    assert said[0].endswith("text HELLO")
    assert "200 ms" in said[1]
    assert said[2] == "address 5 and 9600 bit/s from now on"
    assert device.new_line == (5, 9600)


@pytest.mark.parametrize(
    ("line", "code", "data"),
    [
        # sheet 6.2: site 101, number 4095; 5.7: RAW and KEYPAD 12#
        ("card 26-bit 101 4095", Reply.RAW, "00 01 1A 00 32 87 FF C0"),
        ("CARD 26-BIT 101 4095", Reply.RAW, "00 01 1A 00 32 87 FF C0"),
        # sheet 5.5 (READ): 16 bits 0001001010101011
        ("bits 00010010 10101011", Reply.RAW, "00 00 10 00 12 AB"),
        ("keys 12#", Reply.KEYPAD, "00 03 31 32 0D"),
        ("keys *", Reply.KEYPAD, "00 01 7F"),
        ("tamper open", Reply.LSTATR, "01 00"),
        ("power fail", Reply.LSTATR, "00 01"),
        ("input 1 on", Reply.ISTATR, "00 01"),
    ],
)
def test_what_a_person_does_is_told_at_the_next_poll(line: str, code: int, data: str) -> None:
    device = functions()
    perform(parse_action(line), device)
    assert device.waiting == 1
    assert device.do(Command.POLL, b"", 0) == (code, octets(data))
    assert device.do(Command.POLL, b"", 0) == (Reply.ACK, b"")


def test_a_card_of_a_format_with_a_blank_in_its_name() -> None:
    device = functions()
    perform(parse_action("card 34-bit 16+16 4102 31007"), device)
    _, data = device.do(Command.POLL, b"", 0)
    assert data[:4] == octets("00 01 22 00")
    perform(parse_action("card 37-bit 35 1234"), device)
    _, data = device.do(Command.POLL, b"", 0)
    assert data[:4] == octets("00 01 25 00")


@pytest.mark.parametrize(
    ("line", "code", "data"),
    [
        # sheet 5.7: OUT 0 timed on 5 s, TEXT HELLO, COMSET 5/9600
        ("output 0 5", Command.OUT, "00 05 32 00"),
        ("output 0 5s", Command.OUT, "00 05 32 00"),
        ("output 1 on", Command.OUT, "01 02 00 00"),
        ("output 1 off", Command.OUT, "01 01 00 00"),
        ("text HELLO", Command.TEXT, "00 01 00 01 01 05 48 45 4C 4C 4F"),
        ("comset 5 9600", Command.COMSET, "05 80 25 00 00"),
        ("led green", Command.LED, "00 00 00 00 00 00 00 00 00 01 01 00 02 02"),
        ("led off", Command.LED, "00 00 00 00 00 00 00 00 00 01 01 00 00 00"),
        ("led red 2", Command.LED, "00 00 02 01 00 01 00 14 00 00 00 00 00 00"),
        ("buzz 2", Command.BUZ, "00 02 02 02 02"),
        ("buzz", Command.BUZ, "00 02 02 02 01"),
        ("id", Command.ID, "00"),
        ("lstat", Command.LSTAT, ""),
        ("send 80 01 02 03 0A", Command.MFG, "01 02 03 0A"),
    ],
)
def test_what_a_controller_sends(line: str, code: int, data: str) -> None:
    assert command_of(parse_action(line)) == (code, octets(data))


@pytest.mark.parametrize(
    ("line", "at_ns", "address", "verb"),
    [
        ("3s @5 keys 1", 3 * S, 5, "keys"),
        ("500ms tamper on", 500 * MS, None, "tamper"),
        ("2m id", 120 * S, None, "id"),
        ("1.5 id", 1500 * MS, None, "id"),
        ("@12 id", 0, 12, "id"),
    ],
)
def test_when_and_who(line: str, at_ns: int, address: int | None, verb: str) -> None:
    action = parse_action(line)
    assert (action.at_ns, action.address, action.verb) == (at_ns, address, verb)
    assert repr(action) == f"Action({verb})"


@pytest.mark.parametrize(
    "line",
    [
        "card",
        "card 26-bit",
        "card 26-bit 987 654321",
        "card 26-bit 1 2 3",
        "card 26-bit 654321",
        "card 99-bit 654321",
        "card 26-bit 1 654321x",
        "bits 654321",
        "bits",
        "keys",
        "keys " + "6" * 41,
        "keys 6é54321",
        "tamper",
        "tamper 654321",
        "input",
        "input 65 on",
        "input x on",
        "input 0 654321",
        "led green",
    ],
)
def test_mistakes_at_a_device_are_told_without_what_was_typed(line: str) -> None:
    with pytest.raises(ActionError) as told:
        perform(parse_action(line), functions())
    assert "654321" not in str(told.value)
    assert "666666" not in str(told.value)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    "line",
    [
        "led",
        "led pink",
        "led red 0",
        "led red 9999",
        "buzz 256",
        "output 0",
        "output 0 maybe",
        "text é",
        "text " + "A" * 256,
        "comset 127 9600",
        "comset 5",
        "id 1",
        "send",
        "send zz",
        "send 75 01 10 00112233445566778899AABBCCDDEEFF",
        "keys 1",
        "comset 5 99999999999",
    ],
)
def test_mistakes_at_a_controller_are_told(line: str) -> None:
    with pytest.raises(ActionError) as told:
        command_of(parse_action(line))
    assert "0011" not in str(told.value)


@pytest.mark.parametrize("line", ["", "dance", "3s", "@5", "3s @5 dance"])
def test_a_line_without_a_verb(line: str) -> None:
    with pytest.raises(ActionError, match="say one of: card"):
        parse_action(line)


def test_the_list_of_what_can_be_written() -> None:
    assert any(line.startswith("card ") for line in usage(controller=False))
    assert any(line.startswith("led ") for line in usage(controller=True))
    assert not any(line.startswith("card ") for line in usage(controller=True))


class Chatter(Station):
    """Says the same every 100 ms."""

    name = "chatter"

    def __init__(self, said: bytes) -> None:
        self.said = said
        self.next_ns = 0
        self.ears: list[Chunk] = []

    def hear(self, chunk: Chunk) -> None:
        self.ears.append(chunk)

    def wake_ns(self) -> int | None:
        return self.next_ns

    def act(self, now_ns: int) -> bytes | None:
        self.next_ns += 100 * MS
        return self.said

    def baud(self) -> int | None:
        return 19200


POLL = octets("53 01 08 00 05 60 8B 33")  # sheet 5.7
POLL_SUM = octets("53 01 07 00 01 60 44")


def said_by(station: Station, until_ns: int) -> list[tuple[int, bytes]]:
    said: list[tuple[int, bytes]] = []
    while True:
        now_ns = station.wake_ns()
        assert now_ns is not None
        if now_ns >= until_ns:
            return said
        octets_said = station.act(now_ns)
        if octets_said is not None:
            said.append((now_ns, octets_said))


@pytest.mark.parametrize("good", [POLL, POLL_SUM], ids=["crc", "checksum"])
@pytest.mark.parametrize("misdeed", list(Misdeed))
def test_every_third_is_spoilt_and_no_other(misdeed: Misdeed, good: bytes) -> None:
    spoilt = Misbehaving(Chatter(good), Injected(misdeed, every=3, late_ns=30 * MS))
    said = said_by(spoilt, 900 * MS)
    assert spoilt.done == 3
    normal = [at_ns for at_ns, data in said if data == good and at_ns % (100 * MS) == 0]
    assert normal == [at * 100 * MS for at in (0, 1, 3, 4, 6, 7)]
    other = [(at_ns, data) for at_ns, data in said if at_ns not in normal]
    if misdeed is Misdeed.SILENT:
        assert not other
    elif misdeed is Misdeed.LATE:
        assert other == [(at * 100 * MS + 30 * MS, good) for at in (2, 5, 8)]
    else:
        assert [at_ns for at_ns, _ in other] == [at * 100 * MS for at in (2, 5, 8)]
        for _, data in other:
            assert data != good
            assert check_ok(data) == (misdeed is Misdeed.WRONG_SEQUENCE)
            if misdeed is Misdeed.WRONG_SEQUENCE:
                # neither a repeat (1) nor the next (2)
                assert data[4] & 3 == 3
            if misdeed is Misdeed.TRUNCATED:
                assert good.startswith(data)


def test_what_is_no_osdp_keeps_its_numbers() -> None:
    modbus = octets("11 03 00 6B 00 03 76 87")  # sheet 3.3
    spoilt = Misbehaving(Chatter(modbus), Injected(Misdeed.WRONG_SEQUENCE, every=1))
    assert {data for _, data in said_by(spoilt, S)} == {modbus}
    assert spoilt.done == 0


def test_the_wrapper_is_the_station_in_all_else() -> None:
    inner = Chatter(POLL)
    spoilt = Misbehaving(inner, Injected(Misdeed.LATE, every=1))
    chunk = heard(POLL, 0)
    spoilt.hear(chunk)
    assert inner.ears == [chunk]
    assert (spoilt.name, spoilt.baud(), spoilt.defers(), spoilt.wants(b"")) == ("chatter", 19200, False, True)
    assert spoilt.act(-1) is None
    with pytest.raises(ValueError, match="1 or more"):
        Injected(Misdeed.LATE, every=0)


def test_a_crowd_answers_each_for_itself() -> None:
    from tests.simulate.test_peripheral import peripheral

    members = [peripheral(address) for address in (1, 2, 3)]
    crowd = Crowd("crowd", members, SETTINGS)
    assert crowd.act(0) is None
    for at, address in enumerate((2, 1, 3)):
        crowd.hear(heard(build_frame(address, Command.POLL, sequence=0), at * S))
        due_ns = crowd.wake_ns()
        assert due_ns is not None
        assert crowd.act(due_ns - 1) is None
        told = crowd.act(due_ns)
        assert told == build_frame(address, Reply.ACK, sequence=0, reply=True)
    crowd.hear(heard(build_frame(9, Command.POLL, sequence=0), 5 * S))
    assert crowd.wake_ns() is None
    assert crowd.baud() is None
    # one device changes address and rate; the others do not, so the line stays
    change = build_frame(2, Command.COMSET, bytes((7,)) + (19200).to_bytes(4, "little"), sequence=1)
    crowd.hear(heard(change, 6 * S))
    due_ns = crowd.wake_ns()
    assert due_ns is not None
    told = crowd.act(due_ns)
    assert told == build_frame(2, Reply.COM, change[6:-2], sequence=1, reply=True)
    assert crowd.baud() is None
    assert [member.address for member in members] == [1, 7, 3]
    # libosdp goes on with the number after COMSET's; only the first number is free
    for number, code, data in ((2, Reply.ACK, b""), (1, Reply.NAK, bytes((NakCode.SEQUENCE,))), (3, Reply.ACK, b"")):
        crowd.hear(heard(build_frame(7, Command.POLL, sequence=number), (6 + number) * S))
        due_ns = crowd.wake_ns()
        assert due_ns is not None
        assert crowd.act(due_ns) == build_frame(7, code, data, sequence=number, reply=True)
    crowd.hear(heard(build_frame(7, Command.POLL, sequence=0), 17 * S))
    assert crowd.wake_ns() is not None
    assert Crowd("one", [members[1]], SETTINGS).baud() == 19200
