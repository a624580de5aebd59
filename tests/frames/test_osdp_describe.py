"""Describing damaged, foreign and odd OSDP frames: never raises, stays inside, hides what is secret."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.meaning import Meaning
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.describe import describe
from tests.strategies import osdp_frames, osdp_octets


def says(octets: bytes, reason: Reason = Reason.OK) -> Meaning:
    return describe(Frame(Protocol.OSDP, 0, 0, octets, reason))


@given(osdp_octets(), st.sampled_from(list(Reason)))
def test_never_raises_and_stays_inside(octets: bytes, reason: Reason) -> None:
    meaning = says(octets, reason)
    places = [at for f in meaning.fields for at in range(f.start, f.start + f.length)]
    assert len(places) == len(set(places))
    assert all(0 <= at < len(octets) for at in places)
    assert json.dumps(meaning.values(show_secrets=True))
    assert "\n" not in meaning.text(show_secrets=True)


@given(osdp_frames(), st.data())
def test_truncated_and_flipped_frames_still_say_something(frame: bytes, data: st.DataObject) -> None:
    cut = says(frame[: data.draw(st.integers(0, len(frame) - 1))], Reason.TRUNCATED)
    assert cut.title
    at = data.draw(st.integers(0, 8 * len(frame) - 1))
    flipped = bytearray(frame)
    flipped[at // 8] ^= 1 << at % 8
    damaged = says(bytes(flipped), Reason.CHECK_FAILED)
    # A flipped control octet can turn a CRC frame into a checksum frame that fits by chance.
    assert damaged.problems or at // 8 in (0, 4)


@given(st.text("01", min_size=8, max_size=64), st.data())
def test_card_bits_show_nowhere_unless_asked_for(bits: str, data: st.DataObject) -> None:
    packed = int(bits.ljust(-(-len(bits) // 8) * 8, "0"), 2).to_bytes(-(-len(bits) // 8), "big")
    frame = build_frame(1, Reply.RAW, bytes((0, 1, len(bits), 0)) + packed, sequence=1, reply=True)
    there = data.draw(st.integers(6, len(frame)))
    meaning = says(frame[:there], Reason.OK if there == len(frame) else Reason.TRUNCATED)
    hidden = [f for f in meaning.fields if f.start >= 10 and f.length]
    assert all(f.secret for f in hidden)
    assert bits not in meaning.text()
    if there == len(frame):
        assert bits in meaning.text(show_secrets=True)


@pytest.mark.parametrize(
    ("octets", "title"),
    [
        ("", "not an OSDP frame"),
        ("AA55", "not an OSDP frame"),
        ("530108", "OSDP frame cut off in its header"),
        ("5301080005", "OSDP frame without a code"),
        ("530108000D03", "OSDP frame without a code"),
    ],
)
def test_frames_cut_off_early(octets: str, title: str) -> None:
    meaning = says(bytes.fromhex(octets), Reason.TRUNCATED)
    assert (meaning.name, meaning.title) == (None, title)


@pytest.mark.parametrize(
    ("octets", "problem"),
    [
        ("5301080005608B34", "CRC is 8B 34, the octets give 8B 33"),  # sheet 5.7, one bit changed
        ("53010700016045", "checksum is 45, the octets give 44"),  # sheet 5.7, one bit changed
        ("53010800056033", "length says 8 octets, found 7"),
        ("5301080005608B3300", "length says 8 octets, found 9"),
        ("530107000460C4", "7 octets are too few for a frame"),
        ("53010700816000", "reserved bits set in the control octet 0x81"),
    ],
)
def test_damage_is_named(octets: str, problem: str) -> None:
    assert problem in says(bytes.fromhex(octets), Reason.CHECK_FAILED).problems


def test_unknown_and_obsolete_codes() -> None:
    unknown = says(build_frame(1, 0x99, b"\x01", sequence=1))
    assert (unknown.name, unknown.title) == (None, "unknown command 0x99")
    assert says(build_frame(1, 0x99, sequence=1, reply=True)).title == "unknown reply 0x99"
    obsolete = says(build_frame(1, Command.DIAG, sequence=1))
    assert (obsolete.name, obsolete.title) == ("DIAG", "diagnostics (obsolete)")
    assert says(build_frame(1, Command.ABORT_OLD, sequence=1)).name == "ABORT"


@pytest.mark.parametrize(
    ("block", "reply", "data", "problems"),
    [
        ("0214", True, 16, ["SCS_14 takes 3 octets, found 2"]),
        ("031200", False, 8, ["SCS_12 belongs to a reply"]),
        ("0299", False, 8, ["security block type 0x99 is not defined"]),
        ("0217", False, 0, ["an encrypted frame without data"]),
        ("0217", False, 15, ["encrypted data comes in blocks of 16 octets, found 15"]),
        ("0215", False, 8, ["SCS_15 carries no data, found 8 octets"]),
        ("0217", False, 32, []),
    ],
)
def test_odd_security_blocks(block: str, reply: bool, data: int, problems: list[str]) -> None:
    raw = bytes.fromhex(block)
    mac = bytes(4) if 0x15 <= raw[1] <= 0x18 else b""
    code = Reply.RMAC_I if reply else Command.CHLNG
    frame = build_frame(1, code, bytes(data), sequence=1, reply=reply, security_block=raw, mac=mac)
    assert list(says(frame).problems) == problems


@pytest.mark.parametrize(
    ("octets", "text"),
    [
        ("5301000005" + "03", "sequence 1"),
        ("530114000D03110176", "SCS_11 (challenge), installed key"),
        ("530114000D03110276", "SCS_11 (challenge), unknown key kind 0x02"),
        ("538114000D03140078", "SCS_14 (first MAC), cryptogram refused"),
        ("530114000D0155", "security block cut off"),
        ("530114000D0299", "unknown type 0x99"),
    ],
)
def test_security_blocks_in_words(octets: str, text: str) -> None:
    assert text in says(bytes.fromhex(octets), Reason.TRUNCATED).text()


def test_key_inside_a_secure_channel_is_not_called_clear() -> None:
    frame = build_frame(1, Command.KEYSET, bytes(32), sequence=1, security_block=b"\x02\x17", mac=bytes(4))
    assert says(frame).problems == ()


def test_words_from_memory_stand_beside_the_number_and_never_make_a_problem() -> None:
    def read(kind: int) -> Meaning:
        octets = build_frame(1, Command.BIOREAD, bytes((0, kind, 2, 50)), sequence=1)
        return describe(Frame(Protocol.OSDP, 0, 1, octets, Reason.OK, Role.REQUEST))

    assert "type 7 (left index finger), format 2 (fingerprint template)" in read(7).text()
    assert "type 99," in read(99).text()
    assert read(99).problems == ()


def test_a_decrypted_payload_takes_all_the_encrypted_octets() -> None:
    # sheet 5.9: RAW of site 101, number 4095
    octets = bytes.fromhex("53 80 1E 00 0E 02 18 50 46 DB 53 FD AF 75 5E 7D 75 62 D8 8E 73 83 73 36 6A 3D 59 AF B4 CE")
    frame = Frame(Protocol.OSDP, 0, 1, octets, Reason.OK, Role.REPLY)
    meaning = describe(frame, bytes.fromhex("00011A003287FFC0"))
    bits = next(field for field in meaning.fields if field.name == "bits")
    assert (bits.value, bits.secret, bits.start, bits.length) == ("00110010100001111111111111", True, 8, 16)
    assert "16 octets encrypted" in describe(frame).text()
