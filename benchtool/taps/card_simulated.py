"""The simulated reader as a source of card data (`sim:card?fault=d0-open`): virtual time, no hardware."""

from __future__ import annotations

from collections.abc import Iterator

from benchtool.capture.card_lines import LineRecord
from benchtool.frames.card.read import Source
from benchtool.simulate.card_address import records_of
from benchtool.taps.card_source import CardItem, CardSource, CardSourceInfo
from benchtool.taps.tap import TapError


class SimulatedCards(CardSource):
    """Records of cards held to a simulated reader, in virtual time. TapError for an address that names none."""

    def __init__(self, address: str) -> None:
        self._address = address
        self._records: Iterator[LineRecord] = iter(())
        self._held: list[CardItem] = []
        self._resolution_ns = 1000
        self._now_ns = 0
        self._ended = False

    def open(self) -> None:
        """Build the reader."""
        try:
            self._records = iter(records_of(self._address))
        except ValueError as error:
            # Not the whole address: a PIN to be pressed may stand in it.
            raise TapError(f"sim:card: {error}", reason="bad-address") from None
        first = next(self._records, None)
        self._held = [] if first is None else [first]
        self._resolution_ns = 1000 if first is None else first.resolution_ns
        self._ended, self._now_ns = False, 0

    def close(self) -> None:
        """Nothing is held open."""
        self._records = iter(())

    @property
    def info(self) -> CardSourceInfo:
        """A reader whose lines are seen as the probe sees them."""
        return CardSourceInfo(self._address, Source.SIMULATED, True, self._resolution_ns)

    def read(self, timeout_s: float) -> list[CardItem]:
        """The next presentation."""
        held, self._held = self._held, []
        if not held:
            record = next(self._records, None)
            held = [] if record is None else [record]
        self._ended = not held
        for item in held:
            self._now_ns = item.end_ns if isinstance(item, LineRecord) else self._now_ns
        return held

    @property
    def ended(self) -> bool:
        """True once a read has found the end."""
        return self._ended

    @property
    def now_ns(self) -> int:
        """The end of the last presentation."""
        return self._now_ns
