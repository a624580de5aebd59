"""No number behind dots can be worked out: whatever is shown of a frame is the same for every card and every PIN.

A CRC over a masked PIN of four digits fits one PIN in most cases (10 000 against 65 536 values), so the test below that
tries them all is what an attacker would do. Frames are built by the tables of `frames`, their check values with
binascii's CRC.
"""

from __future__ import annotations

import json
import re
from binascii import crc_hqx
from itertools import product
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from benchtool.commands.main import main
from benchtool.frames.card.build import build_bits
from benchtool.frames.explain import explain
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.hidden import hidden_octets
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Reply
from benchtool.reports.frame_text import frame_line, frame_object
from benchtool.screens.watch_frame import row_text
from benchtool.screens.watch_rows import Row, RowKind

PINS = st.text("0123456789", min_size=4, max_size=4)
CARDS = st.tuples(st.integers(0, 255), st.integers(0, 65535))
CHECKS = st.booleans()


def keypad(pin: str, *, crc: bool = True) -> bytes:
    data = bytes((0, len(pin))) + pin.encode("ascii")
    return build_frame(4, Reply.KEYPAD, data, sequence=2, crc=crc, reply=True)


def card(site: int, number: int, *, crc: bool = True) -> bytes:
    bits = build_bits("26-bit", site, number)
    return build_frame(2, Reply.RAW, bytes((0, 1, 26, 0)) + bits.octets, sequence=1, crc=crc, reply=True)


def frame(
    octets: bytes, reason: Reason = Reason.OK, protocol: Protocol = Protocol.OSDP, silence_ns: int | None = 0
) -> Frame:
    return Frame(protocol, 10**9, 10**9 + 15 * 10**6, octets, reason, Role.REPLY, silence_ns)


def shown(one: Frame, *, show: bool = False) -> str:
    """All that benchtool says of it: a line, its octets, JSON, and the opened page of the screen."""
    page = row_text(Row(RowKind.FRAME, one.t_ns, frame=one), show_secrets=show)
    return "\n".join(
        [
            frame_line(one, show_secrets=show, show_octets=True),
            json.dumps(frame_object(one, show_secrets=show)),
            *page,
        ]
    )


@given(PINS, PINS, CHECKS)
def test_the_same_is_shown_of_every_pin(one: str, other: str, crc: bool) -> None:
    assert shown(frame(keypad(one, crc=crc))) == shown(frame(keypad(other, crc=crc)))


@given(CARDS, CARDS, CHECKS)
def test_the_same_is_shown_of_every_card(one: tuple[int, int], other: tuple[int, int], crc: bool) -> None:
    assert shown(frame(card(*one, crc=crc))) == shown(frame(card(*other, crc=crc)))


@given(PINS, PINS, CHECKS, st.integers(0, 14), st.integers(1, 255))
def test_the_same_is_shown_of_every_pin_in_a_damaged_frame(
    one: str, other: str, crc: bool, at: int, change: int
) -> None:
    """One octet changed on the way, whichever: the check value of a damaged frame would tell as much."""

    def damaged(pin: str) -> Frame:
        octets = bytearray(keypad(pin, crc=crc))
        octets[at % len(octets)] ^= change
        return frame(bytes(octets), Reason.CHECK_FAILED)

    assert shown(damaged(one)) == shown(damaged(other))


@given(PINS, PINS, st.integers(0, 13), st.sampled_from((Reason.TRUNCATED, Reason.BAD_HEADER)))
def test_the_same_is_shown_of_every_pin_in_part_of_a_frame(one: str, other: str, size: int, reason: Reason) -> None:
    assert shown(frame(keypad(one)[:size], reason)) == shown(frame(keypad(other)[:size], reason))


@given(CARDS, CARDS, st.integers(0, 10))
def test_the_same_is_shown_of_unknown_octets_that_were_a_card(
    one: tuple[int, int], other: tuple[int, int], begin: int
) -> None:
    """The rest of a damaged frame follows without silence, wherever it was cut; one that begins may show its head."""
    silence_ns = 10**7 if begin == 0 else 0

    def rest(site: int, number: int) -> Frame:
        octets = b"\x52" + card(site, number)[1:]
        return frame(octets[begin:], Reason.NOT_RECOGNISED, Protocol.UNKNOWN, silence_ns)

    assert shown(rest(*one)) == shown(rest(*other))


@given(st.binary(min_size=16, max_size=16), st.binary(min_size=4, max_size=4), st.sampled_from((0x16, 0x18)))
def test_encrypted_data_and_macs_are_hidden(data: bytes, mac: bytes, kind: int) -> None:
    """Each MAC is a link of a chain: with the default key a MAC shown later would prove a PIN guessed before."""

    def sealed(data: bytes, mac: bytes) -> Frame:
        contents, code = (data, Reply.KEYPAD) if kind == 0x18 else (b"", Reply.ACK)
        block = bytes((2, kind))
        return frame(
            build_frame(4, code, contents, sequence=2, reply=True, security_block=block, mac=mac), silence_ns=None
        )

    assert shown(sealed(data, mac)) == shown(sealed(bytes(16), bytes(4)))


def test_whoever_asks_is_shown_all() -> None:
    octets = keypad("4711")
    text = shown(frame(octets), show=True)
    assert octets.hex(" ").upper() in text
    assert f'"octets": "{octets.hex()}"' in text
    sent = octets[-2:].hex(" ").upper()
    assert f"sent {sent}, worked out {sent}: they agree" in text
    assert "they agree" in shown(frame(octets))
    broken = frame(octets[:-1] + bytes((octets[-1] ^ 1,)), Reason.CHECK_FAILED)
    assert "the octets give" in shown(broken, show=True)
    assert "the octets give" in shown(broken)
    assert "CRC is" not in shown(broken)
    assert "THEY DIFFER" in shown(broken)


@pytest.mark.parametrize("options", [("--octets", "--wide"), ("--json",)])
def test_every_pin_stays_possible_after_all_were_tried(options: tuple[str, ...], tmp_path: Path) -> None:
    octets = keypad("4711")
    log = tmp_path / "keys.log"
    log.write_text(f"0.5 53 04 08 00 06 60 8A 86\n0.53 {octets.hex(' ')}\n", encoding="utf-8")
    output = CliRunner().invoke(main, ["listen", str(log), *options]).output
    assert "KEYPAD" in output
    told = {int(word, 16) for word in re.findall(r"(?<![0-9A-Za-z.])[0-9A-Fa-f]{4}(?![0-9A-Za-z.])", output)}
    pair = re.compile(r"\b([0-9A-F]{2}) ([0-9A-F]{2})\b")
    for line in output.splitlines():
        told |= {int(low, 16) | int(high, 16) << 8 for low, high in pair.findall(line)}
    head = octets[:8]
    fits = [
        pin
        for pin in ("".join(digits) for digits in product("0123456789", repeat=4))
        if crc_hqx(head + pin.encode("ascii"), 0x1D0F) in told
    ]
    assert "4711" not in fits
    run = re.search(r"53 ?84 ?0e ?00 ?06 ?53 ?00 ?04 ?(.*?)(?:\"|$)", output, re.IGNORECASE | re.MULTILINE)
    assert run is not None
    assert not re.search(r"[0-9A-Fa-f]", run[1])


def test_frames_without_secrets_show_their_check_value() -> None:
    # Sheet 5.7: POLL, address 1.
    poll = frame(bytes.fromhex("5301080005608B33"))
    assert not hidden_octets(poll, explain(poll))
    assert "53 01 08 00 05 60 8B 33" in shown(poll)
    damaged = frame(bytes.fromhex("5301080005608B34"), Reason.CHECK_FAILED)
    assert "CRC is 8B 34, the octets give 8B 33" in shown(damaged)
    # Strays where drivers switch: nothing can be in them.
    stray = frame(b"\x00", Reason.NOT_RECOGNISED, Protocol.UNKNOWN)
    assert not hidden_octets(stray, explain(stray))
