"""The kernel's error counters, and what remains of them beside the marks."""

from __future__ import annotations

import struct

import pytest

from benchtool.capture.chunk import LineCounts, Mark
from benchtool.taps.counters import ICOUNT_SIZE, Counters, ErrorLedger

F, P, B = int(Mark.FRAMING), int(Mark.PARITY), int(Mark.BREAK)


def test_the_struct_is_read_in_the_order_of_the_header() -> None:
    # sheet 10.2 (READ, serial.h): cts, dsr, rng, dcd, rx, tx, frame, overrun, parity, brk, buf_overrun, reserved[9]
    raw = struct.pack("20i", *range(101, 121))
    assert len(raw) == ICOUNT_SIZE == 80
    assert Counters.from_bytes(raw) == Counters(framing=107, overrun=108, parity=109, breaks=110, buffer_overrun=111)


def test_a_struct_of_another_size_is_refused() -> None:
    with pytest.raises(ValueError, match="80 octets, not 44"):
        Counters.from_bytes(bytes(44))


def test_differences_hold_when_a_counter_wraps() -> None:
    raw = struct.pack("20i", *[0] * 6, -1, *[0] * 13)
    assert Counters(framing=2).since(Counters.from_bytes(raw)) == Counters(framing=3)


def test_what_was_there_before_does_not_count() -> None:
    ledger = ErrorLedger(Counters(framing=9, overrun=9))
    ledger.count(Counters(framing=9, overrun=9))
    assert ledger.left_over(1, last=True) is None
    assert ledger.kinds == Mark.NONE


def test_a_count_waits_one_sample_for_its_mark() -> None:
    ledger = ErrorLedger(Counters())
    ledger.count(Counters(framing=2))
    assert ledger.left_over(1) is None
    ledger.marked(bytes([0, F, 0, F]))
    assert ledger.left_over(2) is None
    assert ledger.left_over(3, last=True) is None


def test_a_count_without_a_mark_is_told_once_after_the_next_sample() -> None:
    ledger = ErrorLedger(Counters())
    ledger.count(Counters(framing=3, parity=1, breaks=1))
    assert ledger.left_over(1) is None
    ledger.marked(bytes([F]))
    assert ledger.left_over(2) == LineCounts(2, framing=2, parity=1, breaks=1)
    assert ledger.left_over(3, last=True) is None


def test_overruns_are_told_at_once_as_no_mark_can_carry_them() -> None:
    ledger = ErrorLedger(Counters())
    ledger.count(Counters(overrun=1, buffer_overrun=2))
    assert ledger.left_over(7) == LineCounts(7, overrun=3)
    assert ledger.left_over(8) is None


def test_at_the_end_nothing_waits() -> None:
    ledger = ErrorLedger(Counters())
    ledger.count(Counters(breaks=1))
    assert ledger.left_over(5, last=True) == LineCounts(5, breaks=1)


def test_more_marks_than_counts_leave_nothing_and_hide_no_later_count() -> None:
    # sheet 10.2: ftdi_sio counts once and marks a whole USB packet
    ledger = ErrorLedger(Counters())
    ledger.count(Counters(framing=1))
    ledger.marked(bytes([F] * 62))
    ledger.count(Counters(framing=2))
    assert ledger.left_over(1) is None
    assert ledger.left_over(2) == LineCounts(2, framing=1)


def test_kinds_last_until_another_is_counted() -> None:
    ledger = ErrorLedger(Counters())
    ledger.count(Counters(parity=1))
    assert ledger.kinds == Mark.PARITY
    ledger.marked(bytes([P]))
    assert ledger.kinds == Mark.PARITY  # a packet cut in two by reading
    ledger.count(Counters(parity=1, breaks=1, framing=1))
    assert ledger.kinds == Mark.BREAK | Mark.FRAMING
