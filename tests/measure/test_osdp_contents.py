"""Messages in parts, sizes, new settings, open secrets. Layouts: sheet 5.5 (READ); smart card fragments from memory."""

from __future__ import annotations

from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.events import Kind
from benchtool.frames.osdp.payloads import encode_payload
from tests.osdp_talk import Talk, command, reply

FTSTAT_OK = encode_payload(Reply.FTSTAT, True, {"control": 1, "delay": 0, "status": 0, "max_fragment": 0})


def fragment(offset: int, count: int, total: int = 30) -> bytes:
    return encode_payload(
        Command.FILETRANSFER,
        False,
        {"type": 1, "total_size": total, "offset": offset, "length": count, "data": "AB" * count},
    )


def transfer(*parts: bytes, status: bytes = FTSTAT_OK) -> Talk:
    talk = Talk()
    for index, part in enumerate(parts):
        number = index % 3 + 1
        talk.say(command(Command.FILETRANSFER, part, sequence=number)).say(reply(Reply.FTSTAT, status, sequence=number))
    return talk


def test_a_file_in_parts() -> None:
    talk = transfer(fragment(0, 10), fragment(10, 10), fragment(20, 10))
    assert talk.kinds == [Kind.TRANSFER_DONE]
    assert "30 octets in 3 part(s)" in talk.events[0].detail


def test_a_part_left_out_repeated_or_too_long() -> None:
    assert transfer(fragment(0, 10), fragment(20, 10)).kinds == [Kind.TRANSFER_GAP, Kind.TRANSFER_DONE]
    assert transfer(fragment(0, 10), fragment(0, 10), fragment(10, 20)).kinds == [Kind.TRANSFER_DONE]
    assert transfer(fragment(0, 10), fragment(10, 25)).kinds == [Kind.TRANSFER_GAP, Kind.TRANSFER_DONE]
    assert transfer(fragment(0, 10), fragment(10, 10, 40)).kinds == [Kind.TRANSFER_GAP]


def test_a_transfer_begun_before_the_listening_is_not_called_broken() -> None:
    assert transfer(fragment(10, 10), fragment(20, 10)).kinds == [Kind.TRANSFER_DONE]


def test_a_transfer_broken_off() -> None:
    assert transfer(fragment(0, 10), fragment(10, 10), fragment(0, 12)).kinds == [Kind.TRANSFER_STOPPED]
    refused = encode_payload(Reply.FTSTAT, True, {"control": 0, "delay": 0, "status": -3, "max_fragment": 0})
    talk = transfer(fragment(0, 10), status=refused)
    assert talk.kinds == [Kind.TRANSFER_STOPPED]
    assert "-3" in talk.events[0].detail
    nak = Talk().say(command(Command.FILETRANSFER, fragment(0, 10))).say(reply(Reply.NAK, b"\x09"))
    assert nak.kinds == [Kind.REFUSED, Kind.TRANSFER_STOPPED]


def test_smart_card_fragments() -> None:
    def part(offset: int, count: int) -> bytes:
        return b"".join(value.to_bytes(2, "little") for value in (20, offset, count)) + bytes(count)

    talk = Talk()
    for number, (offset, count) in enumerate(((0, 8), (8, 8), (16, 4)), 1):
        talk.say(command(Command.GENAUTH, part(offset, count), sequence=number)).say(reply(sequence=number))
    for number, (offset, count) in enumerate(((0, 10), (10, 10)), 1):
        talk.say(command(Command.POLL, sequence=number)).say(
            reply(Reply.GENAUTHR, part(offset, count), sequence=number)
        )
    assert talk.kinds == [Kind.TRANSFER_DONE, Kind.TRANSFER_DONE]


def test_longer_than_the_other_end_takes() -> None:
    # sheet 5.5: capability 10, the size's low octet is the compliance, its high octet the number
    talk = Talk().say(command(Command.CAP, b"\0")).say(reply(Reply.PDCAP, bytes((10, 40, 0))))
    text = encode_payload(
        Command.TEXT, False, {"reader": 0, "command": 1, "time": 0, "row": 1, "column": 1, "text": "x" * 26}
    )
    assert talk.say(command(Command.TEXT, text, sequence=2)).kinds == []  # 40 octets
    talk.say(reply(sequence=2))
    text = text[:5] + bytes((27,)) + b"x" * 27
    assert talk.say(command(Command.TEXT, text, sequence=3)).kinds == [Kind.TOO_LONG]
    other = Talk().say(command(Command.ACURXSIZE, (12).to_bytes(2, "little"))).say(reply())
    assert other.say(command(Command.ISTAT, sequence=2)).say(reply(Reply.ISTATR, bytes(8), sequence=2)).kinds == [
        Kind.TOO_LONG
    ]


def test_new_address_and_rate() -> None:
    # sheet 5.5: COM 19 80 25 00 00 is address 0x19 at 9600
    data = bytes.fromhex("1980250000")
    (event,) = Talk().say(command(Command.COMSET, data)).say(reply(Reply.COM, data)).events
    assert event.kind is Kind.LINE_CHANGE
    assert dict(event.numbers) == {"address": 25, "baud": 9600}


def test_open_secrets_once_an_address() -> None:
    talk = Talk()
    for number in (1, 2, 3):
        talk.say(command(Command.POLL, sequence=number)).say(reply(Reply.KEYPAD, b"\0\x011", sequence=number))
    assert talk.kinds == [Kind.SECRET_IN_CLEAR]


def test_a_device_that_says_its_default_key_works() -> None:
    # sheet 5.5: capability 9, compliance bit 0 AES-128, number bit 0 default key still usable
    def says(number: int) -> list[Kind]:
        return Talk().say(command(Command.CAP, b"\0")).say(reply(Reply.PDCAP, bytes((9, 1, number)))).kinds

    assert says(1) == [Kind.DEFAULT_SAID]
    assert says(0) == []


def test_what_is_refused_is_told_with_its_reason() -> None:
    (event,) = Talk().say(command(0x99)).say(reply(Reply.NAK, b"\x03")).events
    assert event.text() == "the device refused a command: unknown command"
    assert dict(event.numbers) == {"reason": 3}
