"""RAW replies to reads: frames of sheet 5.7, padding of any bits, repeats, damage, and secure sessions."""

from __future__ import annotations

from pathlib import Path

from benchtool.frames.card.read import CardRead, Source
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Reply
from benchtool.frames.osdp.keys import KeyRing
from benchtool.taps.card_address import open_card_source
from benchtool.taps.card_source import CardSource
from tests.taps.test_card_file import frames

FIXTURES = Path(__file__).parent.parent.parent / "fixtures"


def log(folder: Path, *octets: bytes, step_s: float = 0.05) -> CardSource:
    """A source that reads an octet log of replies."""
    path = folder / "bus.log"
    path.write_text("".join(f"{1 + i * step_s:.3f} < {one.hex(' ')}\n" for i, one in enumerate(octets)))
    return open_card_source(str(path))


def raw(count: int, data: bytes, sequence: int = 1, address: int = 3) -> bytes:
    """A RAW reply (7.10): reader, format, count of bits, bits."""
    head = bytes((0, 1, count & 0xFF, count >> 8))
    return build_frame(address, Reply.RAW, head + data, sequence=sequence, reply=True)


def test_published_reply_with_padding_that_is_not_zero(tmp_path: Path) -> None:
    # Sheet 5.7 and trap 7: 26 bits, the padding is 010110.
    (read,) = frames(log(tmp_path, bytes.fromhex("53FF0F000250FF011A00CD22C71667")))
    assert read.bits.text == "11001101001000101100011100"
    assert (read.source, read.pulses, read.t_ns) == (Source.OSDP, None, 1_000_000_000)


def test_cards_and_addresses(tmp_path: Path) -> None:
    reads = frames(log(tmp_path, raw(26, bytes.fromhex("3287FFC0")), raw(4, b"\xa0", 2, 5), step_s=3))
    assert [(read.bits.length, read.where[-9:]) for read in reads] == [(26, "address 3"), (4, "address 5")]


def test_reply_that_is_sent_again_counts_once_and_a_second_card_twice(tmp_path: Path) -> None:
    one = raw(26, bytes.fromhex("3287FFC0"))
    source = log(tmp_path, one, one, raw(26, bytes.fromhex("3287FFC0"), 2))
    assert len(frames(source)) == 2
    assert any("sent again" in problem for problem in source.problems)


def test_replies_that_give_no_read_are_counted(tmp_path: Path) -> None:
    keypad = build_frame(3, Reply.KEYPAD, b"\x00\x01\x31", sequence=3, reply=True)
    source = log(tmp_path, raw(26, b"\x32\x87"), raw(0, b"", 2), raw(300, bytes(38), 3), keypad)
    assert frames(source) == []
    told = " ".join(source.problems)
    assert "too short for the bits they announce: 1" in told
    assert "more than 256: 2" in told
    assert "KEYPAD replies" in told


def test_sealed_replies_are_told_and_read_with_their_key() -> None:
    # A session of an independent stack, whose key is not the default one.
    path = FIXTURES / "osdp" / "peer-secure-set-key.log"
    source = open_card_source(str(path))
    assert frames(source) == []
    assert source.problems == ["replies in a secure session whose key is not known (--osdp-key), cards perhaps: 2"]
    keys = KeyRing.parse((FIXTURES / "osdp" / "peer-secure.keys").read_text())
    source = open_card_source(str(path), keys=keys)
    (read,) = frames(source)
    assert isinstance(read, CardRead)
    assert not any("not known" in problem for problem in source.problems)


def test_simulated_bus_gives_its_cards() -> None:
    reads = frames(open_card_source("sim:demo?for=12"))
    assert [read.bits.length for read in reads] == [26, 34, 26]
