"""What can be held against the COM port tap without Windows: the flags, and how they become counts."""

from __future__ import annotations

import pytest

from benchtool.capture.chunk import Chunk, LineCounts, LineErrors
from benchtool.taps import windows
from benchtool.taps.windows import ComTap, counts_from
from tests.taps.fakes import FakeClock


# sheet 10.5 (READ, Microsoft Learn): CE_RXOVER 1, CE_OVERRUN 2, CE_RXPARITY 4, CE_FRAME 8, CE_BREAK 0x10
@pytest.mark.parametrize(
    ("flags", "counts"),
    [
        (0, None),
        (0x0001, LineCounts(7, overrun=1)),
        (0x0002, LineCounts(7, overrun=1)),
        (0x0003, LineCounts(7, overrun=1)),
        (0x0004, LineCounts(7, parity=1)),
        (0x0008, LineCounts(7, framing=1)),
        (0x0010, LineCounts(7, breaks=1)),
        (0x001F, LineCounts(7, 1, 1, 1, 1)),
        (0x0400, None),
    ],
)
def test_flags(flags: int, counts: LineCounts | None) -> None:
    assert counts_from(flags, 7) == counts


def test_flags_ride_behind_the_octets(monkeypatch: pytest.MonkeyPatch) -> None:
    flags = [0x08, 0x04, 0]
    monkeypatch.setattr(windows, "_clear_comm_error", lambda port: flags.pop(0) if flags else 0)
    with ComTap("loop://", clock=FakeClock()) as tap:
        assert tap.info.line_errors is LineErrors.COUNTED
        tap.serial.write(b"ab")
        first, second = tap.read(0.1)
        assert isinstance(first, Chunk)
        assert second == LineCounts(first.end_ns, framing=1, parity=1)
        assert tap.read(0) == []


def test_elsewhere_there_are_no_flags() -> None:
    with ComTap("loop://") as tap:
        tap.serial.write(b"ab")
        assert [type(item) for item in tap.read(0.1)] == [Chunk]
