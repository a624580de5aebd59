"""Characters on the line and what receivers make of them. Published values: sheet sections 2 and 11."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.capture.chunk import Mark
from benchtool.capture.settings import CharFormat, LineSettings, Parity
from benchtool.wire.signal import Bools, Signal, Times
from benchtool.wire.uart import GridDecoder, ReceivedOctet, UartReceiver, encode, parity_bit, read_bits
from tests.reversed_pair import sampler

FRAME = bytes.fromhex("1103006B00037687")
BOTH = pytest.mark.parametrize("ideal", [True, False], ids=["ideal", "16 times"])


def line(baud: int, form: str = "8N1") -> LineSettings:
    return LineSettings(baud, CharFormat.parse(form))


def pass_on(
    octets: bytes,
    sent: LineSettings,
    heard: LineSettings,
    *,
    ideal: bool = False,
    inverted: bool = False,
    clock_error: float = 0.0,
    phase: float = 0.0,
    oversample: int = 16,
) -> list[ReceivedOctet]:
    signal = encode(octets, sent, clock_error=clock_error)
    receiver = UartReceiver(heard, ideal=ideal, oversample=oversample)
    start = -3 / sent.baud - phase * receiver.tick_s
    return receiver.receive(
        sampler(signal, inverted=inverted),
        start,
        signal.duration_s + 14 / min(sent.baud, heard.baud),
        line_high_before=not inverted,
    )


def text(octets: list[ReceivedOctet]) -> str:
    """As the sheet writes them; it has no sign for a break, which is a framing error there."""
    words = []
    for octet in octets:
        letters = "".join(letter for letter, mark in (("P", 2), ("F", 1)) if octet.marks & mark)
        words.append(f"{octet.value:02X}" + (f"/{letters}" if letters else ""))
    return " ".join(words)


# ---- sending


def test_a_character_is_start_data_from_the_lowest_bit_and_stop() -> None:
    signal = encode(b"\x53", line(1000))
    assert (signal.times_s * 1000).round(9).tolist() == [0, 1, 3, 5, 6, 7, 8, 9]
    assert signal.levels.tolist() == [-1, 1, -1, 1, -1, 1, -1, 1]
    assert signal.duration_s == pytest.approx(0.010)


@pytest.mark.parametrize(
    ("form", "bits"), [("8N1", 10), ("8E1", 11), ("8O1", 11), ("8N2", 11), ("7E1", 10), ("8E2", 12), ("5N1.5", 7.5)]
)
def test_length_of_a_character(form: str, bits: float) -> None:
    # sheet section 2, characters on the wire (COMPUTED)
    assert encode(b"\x00\x11\x03", line(9600, form)).duration_s == pytest.approx(3 * bits / 9600)


@pytest.mark.parametrize(
    ("baud", "form", "milliseconds"),
    [(9600, "8N1", 1.04167), (115200, "8N1", 0.08681), (19200, "8E1", 0.57292), (57600, "8E1", 0.19097)],
)
def test_character_times(baud: int, form: str, milliseconds: float) -> None:
    # sheet section 2 (COMPUTED)
    assert encode(b"U", line(baud, form)).duration_s * 1e3 == pytest.approx(milliseconds, abs=1e-5)


def test_nothing_sent_is_no_signal() -> None:
    signal = encode(b"", line(9600))
    assert (len(signal.times_s), signal.duration_s) == (0, 0.0)
    assert signal.marks_at(np.array([-1.0, 0.0, 1.0])).all()


def test_gaps_and_clock_error_stretch_the_signal() -> None:
    assert encode(b"\x00\x00", line(1000), gap_bits=3).duration_s == pytest.approx(0.023)
    assert encode(b"\x00\x00", line(1000), clock_error=0.25).duration_s == pytest.approx(0.016)


def test_parity_bits() -> None:
    odd_weight = 0b0111
    assert [parity_bit(odd_weight, p) for p in (Parity.EVEN, Parity.ODD, Parity.MARK, Parity.SPACE)] == [1, 0, 1, 0]
    assert [parity_bit(0, p) for p in (Parity.EVEN, Parity.ODD, Parity.NONE)] == [0, 1, 1]


@settings(max_examples=60, deadline=None)
@given(
    st.binary(min_size=1, max_size=12),
    st.sampled_from([5, 6, 7, 8]),
    st.sampled_from(list(Parity)),
    st.sampled_from([1.0, 1.5, 2.0]),
    st.floats(0, 5),
    st.booleans(),
    st.floats(0, 0.999),
)
def test_every_format_arrives_as_sent(
    octets: bytes, data: int, parity: Parity, stop: float, gap: float, ideal: bool, phase: float
) -> None:
    form = LineSettings(19200, CharFormat(data, parity, stop))
    signal = encode(octets, form, gap_bits=gap)
    receiver = UartReceiver(form, ideal=ideal)
    heard = receiver.receive(signal.marks_at, -(1 + phase) * receiver.tick_s, signal.duration_s + 1e-3)
    assert [octet.value for octet in heard] == [value & ((1 << data) - 1) for value in octets]
    assert not any(octet.marks for octet in heard)


# ---- sheet section 11: one octet, or one frame (COMPUTED; held by both receivers)


@BOTH
@pytest.mark.parametrize(
    ("sent", "times", "received"),
    [
        ("53", 2, "1E/F E6"),
        ("53", 4, "F8 80 78/F"),
        ("53", 12, "00/F 00/F 00/F 00/F"),
        ("55", 2, "66/F E6"),
        ("55", 4, "78/F 78/F F8"),
        ("55", 12, "00/F 00/F 00/F 00/F 00/F"),
        ("AA", 2, "98 E6"),
        ("AA", 4, "80 78/F F8"),
        ("AA", 12, "00/F 00/F 00/F 00/F"),
        ("00", 2, "00/F"),
        ("00", 4, "00/F"),
        ("00", 12, "00/F"),
        ("FF", 2, "FE"),
        ("FF", 4, "F8"),
        ("FF", 12, "00/F"),
    ],
)
def test_receiver_set_too_fast(sent: str, times: int, received: str, ideal: bool) -> None:
    heard = pass_on(bytes.fromhex(sent), line(9600), line(9600 * times), ideal=ideal)
    assert text(heard) == received


@BOTH
@pytest.mark.parametrize(
    ("sent", "received"),
    [
        ("53", "56/F"),
        ("55", "55/F"),
        ("AA", "15/F"),
        ("00", "00/F"),
        ("FF", "00/F"),
        ("53000700026044", "56 F1 FF FB 3F 77 00/F"),
        ("1103006B00037687", "77 7E 29 FF F9 13 F1/F"),
    ],
)
def test_reversed_pair(sent: str, received: str, ideal: bool) -> None:
    assert text(pass_on(bytes.fromhex(sent), line(9600), line(9600), inverted=True, ideal=ideal)) == received


@BOTH
@pytest.mark.parametrize(
    ("sent", "heard", "received"),
    [
        ("8E1", "8O1", "11/P 03/P 00/P 6B/P 00/P 03/P 76/P 87/P"),
        ("8E1", "8N1", "11/F 03/F 00/F 6B 00/F 03/F 76 87/F"),
        ("8N1", "8E1", "11/PF 20/PF 6B/F 03/PF D7/PF"),
    ],
)
def test_parity_mismatch(sent: str, heard: str, received: str, ideal: bool) -> None:
    assert text(pass_on(FRAME, line(9600, sent), line(9600, heard), ideal=ideal)) == received


# ---- how the receiver behaves


def from_levels(levels: str, per_bit: float = 16.0) -> Signal:
    """A line drawn with one letter a bit of 1/1000 s: `-` mark, `_` space."""
    times = np.arange(len(levels)) * (per_bit / 16 / 1000)
    return Signal(times, np.array([1 if letter == "-" else -1 for letter in levels], dtype=np.int8))


def receive(levels: str, form: str = "8N1", *, high: bool = True, per_bit: float = 16.0) -> list[ReceivedOctet]:
    signal = from_levels(levels + "-", per_bit)
    stop = (len(levels) + 13) / 1000
    return UartReceiver(line(1000, form)).receive(signal.marks_at, 0.0, stop, line_high_before=high)


def test_a_short_dip_is_a_false_start() -> None:
    # Seven sixteenths of a bit: gone before samples 8, 9 and 10 are taken.
    assert receive("-" * 10 + "_" * 7 + "-" * 200, per_bit=1) == []
    assert len(receive("-" * 10 + "_" * 10 + "-" * 200, per_bit=1)) == 1


def test_one_wrong_sample_of_three_is_outvoted() -> None:
    dip = "-" * 16 + "_" * 16 + ("-" * 8 + "_" + "-" * 7) * 8 + "-" * 40
    assert [(octet.value, octet.marks) for octet in receive(dip, per_bit=1)] == [(0xFF, 0)]


def test_a_break_is_one_octet_however_long() -> None:
    heard = receive("--" + "_" * 50 + "--" + "_--------" + "-" * 10)
    assert [(octet.value, octet.marks) for octet in heard] == [(0, Mark.BREAK | Mark.FRAMING), (0xFF, 0)]


def test_a_zero_with_a_bad_stop_but_parity_one_is_no_break() -> None:
    assert [octet.marks for octet in receive("--_" + "_" * 8 + "-_" + "--", "8O1")] == [Mark.FRAMING]


def test_after_a_framing_error_it_waits_for_mark() -> None:
    heard = receive("--_" + "-" * 8 + "____" + "-_" + "-_-_-_-_" + "----")
    assert [(octet.value, octet.marks) for octet in heard] == [(0xFF, Mark.FRAMING), (0x55, 0)]


def test_a_line_at_space_before_gives_no_break() -> None:
    assert receive("_" * 60, high=False) == []
    # Without the knowledge the same line is a break at once.
    assert [octet.marks for octet in receive("_" * 60)] == [Mark.BREAK | Mark.FRAMING]


def test_only_the_first_stop_bit_is_read() -> None:
    heard = pass_on(b"\x12\x34\x56", line(9600, "8N1"), line(9600, "8N2"))
    assert [octet.value for octet in heard] == [0x12, 0x34, 0x56]
    assert not any(octet.marks for octet in heard)


def test_times_are_those_of_the_characters() -> None:
    heard = pass_on(b"\x00\x00", line(9600), line(9600))
    assert heard[0].start_s == pytest.approx(0.0, abs=1 / 9600 / 16)
    assert heard[1].start_s == pytest.approx(10 / 9600, abs=1 / 9600 / 16)
    assert heard[0].end_s == heard[1].start_s
    assert heard[1].end_s == pytest.approx(20 / 9600, abs=1 / 9600 / 16)


def test_a_character_cut_off_by_the_end_is_not_reported() -> None:
    signal = encode(b"\x55", line(1000))
    receiver = UartReceiver(line(1000))
    assert receiver.receive(signal.marks_at, -0.001, 0.009) == []
    assert len(receiver.receive(signal.marks_at, -0.001, 0.0101)) == 1
    assert UartReceiver(line(1000), ideal=True).receive(signal.marks_at, -0.001, 0.009) == []
    assert receiver.receive(signal.marks_at, 0.0, -1.0) == []


@pytest.mark.parametrize("oversample", [4, 7, 9])
def test_odd_oversampling_is_refused(oversample: int) -> None:
    with pytest.raises(ValueError, match="even number"):
        UartReceiver(line(9600), oversample=oversample)


def test_ideal_receiver_ignores_a_false_start() -> None:
    signal = from_levels("----_" + "-" * 40, per_bit=4)
    assert UartReceiver(line(1000), ideal=True).receive(signal.marks_at, 0.0, 0.03) == []


def test_each_instant_is_asked_once_in_order() -> None:
    asked: list[Times] = []

    def sample(times_s: Times) -> Bools:
        asked.append(times_s)
        return np.ones(len(times_s), dtype=np.bool_)

    assert UartReceiver(line(115200)).receive(sample, 0.0, 0.05) == []
    together = np.concatenate(asked)
    assert len(asked) > 1
    assert (np.diff(together) > 0).all()


@settings(max_examples=80, deadline=None)
@given(st.binary(max_size=1500), st.lists(st.integers(0, 1500), max_size=8), st.booleans())
def test_lumps_do_not_matter(noise: bytes, cuts: list[int], high: bool) -> None:
    samples = bytes(octet & 1 for octet in noise)
    whole = GridDecoder(CharFormat(), high=high).feed(samples)
    split = GridDecoder(CharFormat(), high=high)
    places = [0, *sorted(min(cut, len(samples)) for cut in cuts), len(samples)]
    pieces = [octet for one, two in pairwise(places) for octet in split.feed(samples[one:two])]
    assert pieces == whole
    assert all(0 <= edge < len(samples) for _, _, edge in whole)


def test_break_needs_every_bit() -> None:
    assert read_bits(bytes(9), CharFormat()) == (0, Mark.BREAK | Mark.FRAMING)
    assert read_bits(bytes([1] + [0] * 8), CharFormat()) == (1, Mark.FRAMING)
