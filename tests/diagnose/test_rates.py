"""Closed value sets and well-known frames at the wrong rate, against the sheet and our own receiver model."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.diagnose.known import heard_as
from benchtool.diagnose.rates import closed_set, match_rates
from benchtool.frames.osdp.build import build_frame
from benchtool.wire.uart import UartReceiver, encode

# Sheet section 11, closed value sets (COMPUTED there with exact arithmetic).
SHEET = {
    2: ("80 86 98 9E E0 E6 F8 FE", "00 06 18 1E 60 66 78 7E"),
    4: ("80 F8", "00 78"),
    8: ("80", "00"),
    12: ("", "00"),
}


@pytest.mark.parametrize("ratio", SHEET)
def test_closed_sets_are_the_sheets(ratio: int) -> None:
    values = closed_set(Fraction(ratio))
    sound, framing = SHEET[ratio]
    assert (values.sound, values.framing) == (frozenset(bytes.fromhex(sound)), frozenset(bytes.fromhex(framing)))
    assert values.size(True) == len(sound.split()) + len(framing.split())
    assert (0x55, False) not in values
    assert (0x00, None) in values


def received(octets: bytes, ratio: Fraction, *, ideal: bool = False) -> list[tuple[int, bool]]:
    signal = encode(octets, LineSettings(9600))
    got = UartReceiver(LineSettings(int(9600 * ratio)), ideal=ideal).receive(
        signal.marks_at, -0.002, signal.duration_s + 0.03
    )
    return [(octet.value, bool(octet.marks & 5)) for octet in got]


@pytest.mark.parametrize("rate", [19200, 28800, 38400, 57600, 76800])
def test_the_senders_rate_is_found_from_random_octets(rate: int) -> None:
    octets = random.Random(rate).randbytes(400)
    ratio = Fraction(rate, 9600)
    heard = received(octets, ratio)
    best = match_rates(heard, rate, CharFormat())[0]
    assert (best.sender_baud, best.inside) == (9600, len(heard))
    blind = match_rates([(value, None) for value, _ in heard], rate, CharFormat())[0]
    assert blind.sender_baud == 9600


def test_sound_traffic_fits_no_closed_set() -> None:
    octets = [(value, False) for value in random.Random(1).randbytes(400)]
    assert max(match.share for match in match_rates(octets, 38400, CharFormat()) if match.set_size <= 16) < 0.2


@pytest.mark.parametrize("ratio", [Fraction(1, 2), Fraction(1, 4), Fraction(2, 3), Fraction(3, 2), 2, 3, 4, 6, 8])
def test_a_poll_is_known_at_any_rate(ratio: Fraction) -> None:
    ratio = Fraction(ratio)
    for address in (0, 1, 77, 126):
        for crc in (True, False):
            frame = build_frame(address, 0x60, sequence=2, crc=crc)
            heard = bytes(value for value, _ in received(frame, ratio))
            assert frame in heard_as(ratio)[heard]


@pytest.mark.parametrize(("ratio", "most"), [(Fraction(3, 2), 1), (Fraction(2), 1), (Fraction(4), 2), (Fraction(8), 8)])
def test_few_frames_sound_alike(ratio: Fraction, most: int) -> None:
    polls = [build_frame(address, 0x60, sequence=1) for address in range(127)]
    for frame in polls:
        assert len(heard_as(ratio)[bytes(value for value, _ in received(frame, ratio))]) <= most
