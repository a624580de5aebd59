"""The secure channel against the standard's vectors, another library's frames, and by properties."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.frames.osdp import check
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.frames.osdp.secure import (
    BLOCK,
    DEFAULT_KEY,
    Chain,
    Fault,
    SessionKeys,
    cuid_of,
    derived_key,
    pad,
    same,
    unpad,
)

RND_A = bytes.fromhex("B0B1B2B3B4B5B6B7")
RND_B = bytes.fromhex("A0A1A2A3A4A5A6A7")

# sheet 5.9 (COMPUTED with the routines that reproduced every vector of 5.8): direction, octets, whole MAC, clear data.
SESSION = """
> 53 00 0E 00 0F 02 15 60 69 BD C6 54 E1 36 | 69BDC65422F89A776A13A0A8A7348344 |
< 53 80 0E 00 0F 02 16 40 F9 BA FF 9D 78 CD | F9BAFF9D6181ACB402ED0890829F0419 |
> 53 00 1E 00 0D 02 17 69 87 3F DB 02 0C 36 B1 D8 64 7D 14 BA 36 A5 55 18 95 5B E0 D8 49 7B | \
955BE0D83438B767426CFE44D1D10413 | 0000000000000000000101000202
< 53 80 0E 00 0D 02 16 40 BA 97 32 D9 41 1B | BA9732D91ACCD531B4DBAE4D680D49BC |
> 53 00 0E 00 0E 02 15 60 C8 3D CA 0C 3A 48 | C83DCA0C08BAB5FC487BCD864AAA8B98 |
< 53 80 1E 00 0E 02 18 50 46 DB 53 FD AF 75 5E 7D 75 62 D8 8E 73 83 73 36 6A 3D 59 AF B4 CE | \
6A3D59AF38A8451DE011A4EAAA6F9C8D | 00011A003287FFC0
> 53 00 1E 00 0F 02 17 61 57 B7 6D 0A 8C 8C 35 E8 AF 51 37 7D FD 81 7C ED 49 F6 64 9C 04 4A | \
49F6649CC59431C552A599D3FF2F850F | 00
< 53 80 1E 00 0F 02 18 45 43 3F B4 BC 00 D0 1D 86 5C 85 1D 50 AA E0 B0 4D 52 94 6D F3 EF A0 | \
52946DF3D876E0AE57C853D7CA3DDA71 | A1A2A3B1C1D1D2D3D4E1E2E3
"""
LINES = [[part.strip() for part in line.split("|")] for line in SESSION.strip().splitlines()]


def keys() -> SessionKeys:
    return SessionKeys.derive(DEFAULT_KEY, RND_A)


def chain() -> Chain:
    made = keys()
    return Chain.begin(made, made.server_cryptogram(RND_A, RND_B))


def test_keys_cryptograms_and_first_mac_of_the_standard() -> None:
    # sheet 5.8, Annex E (READ, verified)
    made = keys()
    assert made.enc.hex().upper() == "BF8DC2A8329ACB8C67C6D0CD9A451682"
    assert made.mac1.hex().upper() == "5E86C676603BDEE2D8BEAFE178637332"
    assert made.mac2.hex().upper() == "6FDA86E857777E81132035758239172E"
    assert made.client_cryptogram(RND_A, RND_B).hex().upper() == "FDE5D2F428EC16312471EA3C02BD7796"
    server = made.server_cryptogram(RND_A, RND_B)
    assert server.hex().upper() == "26D3356E07762D262801FC8E6665A891"
    assert made.first_mac(server).hex().upper() == "B2A30057EB98BA2229EC1F875662B524"


@pytest.mark.parametrize(
    ("clear", "sealed"),
    [
        (bytes(range(15)), "c5311f3d23d086ea86f5ee7f85247b40"),
        (bytes(range(16)), "7df76b0c1ab899b33e42f047b91b546fe2fe5bd6c1dfcdd19124f03e1a134d3b"),
        (b"", "4c08220c79d9191022dc6674874ceaf8"),
    ],
)
def test_data_encryption_vectors(clear: bytes, sealed: str) -> None:
    # sheet 5.8, libosdp (READ, verified): key and effective IV 00..0f; the IV is the complement of the MAC before
    key = bytes.fromhex("2b7e151628aed2a6abf7158809cf4f3c")
    made = SessionKeys(key, key, key)
    before = bytes(0xFF ^ octet for octet in range(16))
    assert made.encrypt(clear, before).hex() == sealed
    assert unpad(made.decrypt(bytes.fromhex(sealed), before)) == clear


def test_padding() -> None:
    # sheet 5.8
    assert pad(bytes.fromhex("0500100012AB")).hex().upper() == "0500100012AB80" + "00" * 9
    assert pad(bytes(15)) == bytes(15) + b"\x80"
    assert pad(bytes(16)) == bytes(16) + b"\x80" + bytes(15)
    for bad in (b"", bytes(16), b"\x01" * 16, b"\x80" + bytes(16), b"\x81" + bytes(15)):
        assert unpad(bad) is None


# sheet 5.8, OSDP.Net tests (READ, verified): all-zero keys and MAC state, address 0, sequence 2; clear data from 5.7.
ZERO_KEYED = [
    ("COMSET", "0180250000", "6E AC A3 C2 FF E4 D9 E5 99 CD 77 1B 8E F3 D1 3F 23 FA AB 63 4E 08 95"),
    ("CAP", "00", "62 D1 4E B7 AD 98 2C C5 F9 AA 25 31 8A 7E AE D6 26 0F 6A 2A A7 38 70"),
    (
        "KEYSET",
        "01100001020304050607" + "0001020304050607",
        "75 F0 DD EC 9A 0E D8 CE 4C 80 BA F5 D5 5C 18 43 6F 91 89 FD 66 C9 F2 23 DC 04 14 86 D8 33 57 DF 98 6C 1D 4B "
        "C2 B2 F2",
    ),
    (
        "FILETRANSFER",
        "03E80300000A00000005000102030405",
        "7C 92 71 38 DD E0 09 A3 47 53 67 F8 2A 2C 94 29 70 0D 23 48 A8 77 B9 55 09 6D 8A 24 DD 71 88 AC 3C 9A 98 D6 "
        "C5 4A EE",
    ),
    ("PIVDATA", "5FC102000000", "A3 BB 89 C6 E0 F9 EB 82 AD FC BC 16 C4 EE CF 42 B0 51 FC BF 83 95 B2"),
    ("ID", "00", "61 D1 4E B7 AD 98 2C C5 F9 AA 25 31 8A 7E AE D6 26 9A E9 95 73 19 83"),
    ("MFG", "0102030A0B0C", "80 C8 67 0F CB 60 C0 25 BA 48 15 41 92 A4 2B B8 F3 B9 78 FF AC 1A 91"),
    ("OUT", "0003640001067800", "68 F7 EF A0 D4 76 4A 4E 29 26 75 96 F2 16 D8 A9 E8 C5 88 76 08 B9 08"),
    ("ISTAT", "", "65 46 0E 3D 4E 2A 6A"),
    ("LSTAT", "", "64 6F 63 24 6F D0 50"),
    ("OSTAT", "", "66 62 DE 05 16 12 4B"),
    ("POLL", "", "60 4B 32 76 77 73 B6"),
]


@pytest.mark.parametrize(("name", "data", "tail"), ZERO_KEYED)
def test_frames_of_another_library(name: str, data: str, tail: str) -> None:
    zero = bytes(16)
    sealed = Chain(SessionKeys(zero, zero, zero), zero).seal(0, Command[name], bytes.fromhex(data), sequence=2)
    assert sealed[7:] == bytes.fromhex(tail)
    opened = Chain(SessionKeys(zero, zero, zero), zero).open(sealed)
    assert opened == (Command[name], bytes.fromhex(data), None)


def test_a_whole_session_is_opened_and_sealed() -> None:
    listener, ends = chain(), chain()
    for sent, mac, clear in LINES:
        octets = bytes.fromhex(sent[1:])
        reply = sent[0] == "<"
        opened = listener.open(octets)
        assert opened == (octets[7], bytes.fromhex(clear), None)
        assert (listener.reply_mac if reply else listener.command_mac) == bytes.fromhex(mac)
        again = ends.seal(0, octets[7], bytes.fromhex(clear), sequence=octets[4] & 3, reply=reply)
        assert again == octets


def test_a_refused_frame_leaves_the_chain_as_it_was() -> None:
    listener = chain()
    sound = bytes.fromhex(LINES[0][0][1:])
    for at in range(len(sound) - 2):
        wrong = bytearray(sound)
        wrong[at] ^= 0x10
        assert listener.open(bytes(wrong)).fault is not None, at
    assert listener.open(sound).fault is None


def test_an_unknown_mac_before_spoils_the_first_block_only() -> None:
    made = keys()
    data = bytes(range(40))
    sealed = made.encrypt(data, bytes(16))
    assert unpad(made.decrypt(sealed, bytes(range(16)))) is not None
    assert made.decrypt(sealed, bytes(range(16)))[BLOCK:40] == data[BLOCK:]
    assert made.decrypt(b"", bytes(16)) == b""


def test_every_fault_has_its_reason() -> None:
    plain = build_frame(0, Command.POLL, sequence=1)
    assert chain().open(plain).fault is Fault.NOT_SECURED
    hand = build_frame(0, Command.CHLNG, RND_A, sequence=1, security_block=bytes((3, 0x11, 0)))
    assert chain().open(hand).fault is Fault.NOT_SECURED
    sound = bytes.fromhex(LINES[0][0][1:])
    assert chain().open(sound[:-3]).fault is Fault.CUT_OFF
    assert chain().open(b"").fault is Fault.CUT_OFF
    # sheet 5.7: SCS_16 without a MAC must be refused
    assert chain().open(bytes.fromhex("53E509000902 16 40 5E")).fault is Fault.CUT_OFF
    made = keys()

    def frame(kind: int, data: bytes, reply: bool = False) -> bytes:
        link = chain()
        bare = build_frame(0, 0x60, data, sequence=1, reply=reply, security_block=bytes((2, kind)), mac=bytes(4))
        mac = made.mac(bare[:-6], link.command_mac if reply else link.reply_mac)[:4]
        return build_frame(0, 0x60, data, sequence=1, reply=reply, security_block=bytes((2, kind)), mac=mac)

    assert chain().open(frame(0x16, b"")).fault is Fault.WRONG_DIRECTION
    assert chain().open(frame(0x15, b"", reply=True)).fault is Fault.WRONG_DIRECTION
    assert chain().open(frame(0x17, b"")).fault is Fault.NO_DATA
    assert chain().open(frame(0x17, bytes(15))).fault is Fault.BLOCKS
    assert chain().open(frame(0x17, bytes(16))).fault is Fault.PADDING
    assert chain().open(frame(0x15, b"\x01")) == (0x60, b"\x01", Fault.DATA_IN_CLEAR)


def test_nothing_secret_is_printed() -> None:
    assert "BF8D" not in repr(keys()).upper()
    assert repr(chain()) == "Chain(•••)"


def test_wrong_sizes_are_refused_without_showing_them() -> None:
    with pytest.raises(ValueError, match="16 octets, not 15"):
        SessionKeys.derive(bytes(15), RND_A)
    with pytest.raises(ValueError, match="8 octets, not 7"):
        SessionKeys.derive(DEFAULT_KEY, RND_A[:7])
    with pytest.raises(ValueError, match="8 octets, not 9"):
        derived_key(DEFAULT_KEY, bytes(9))


def test_a_device_key_from_a_master_key() -> None:
    # sheet 5.8: SCBK = AES-ECB(master key, cUID ‖ ~cUID); the AES is another library's
    from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

    identity = bytes.fromhex("A1A2A3B1C1D1D2D3D4E1E2E3")
    cuid = cuid_of(identity)
    assert cuid == bytes.fromhex("A1A2B1C1D1D2D3D4")  # sheet 5.9: the cUID of its session
    reference = Cipher(algorithms.AES(DEFAULT_KEY), modes.ECB()).encryptor()
    assert derived_key(DEFAULT_KEY, cuid) == reference.update(cuid + bytes(0xFF ^ octet for octet in cuid))
    assert same(b"ab", b"ab")
    assert not same(b"ab", b"ac")


@given(
    st.lists(
        st.tuples(st.sampled_from([int(code) for code in Command]), st.binary(max_size=200)), min_size=1, max_size=6
    ),
    st.binary(min_size=16, max_size=16),
    st.booleans(),
)
def test_what_one_end_seals_the_other_opens(talk: list[tuple[int, bytes]], key: bytes, crc: bool) -> None:
    made = SessionKeys.derive(key, RND_A)
    server = made.server_cryptogram(RND_A, RND_B)
    panel, device, ear = (Chain.begin(SessionKeys.derive(key, RND_A), server) for _ in range(3))
    for index, (code, data) in enumerate(talk):
        for reply, speaker, hearer in ((False, panel, device), (True, device, panel)):
            number = Reply.ACK if reply else code
            octets = speaker.seal(5, number, data, sequence=index % 3 + 1, crc=crc, reply=reply)
            assert check.check_ok(octets)
            assert hearer.open(octets) == (number, data, None)
            assert ear.open(octets) == (number, data, None)
    assert panel.copy().reply_mac == panel.reply_mac


@given(st.binary(max_size=60))
def test_any_octets_are_refused_with_a_reason_and_never_raise(octets: bytes) -> None:
    assert chain().open(octets).fault is not None
    assert chain().open(b"\x53" + octets).fault is not None
