"""What a diagnosis of the data lines is made from. Any part may be missing; what is missing never counts as clean."""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.capture.card_lines import LineRecord
from benchtool.diagnose.card_readings import CardMeterReading
from benchtool.frames.card.entry import Entry
from benchtool.frames.card.formats import FORMATS, CardFormat
from benchtool.frames.card.read import CardRead


@dataclass(frozen=True, slots=True)
class CardEvidence:
    """Everything known about one reader's lines."""

    reads: tuple[CardRead, ...] = ()
    """In the order they came, damaged and short ones included. Without pulses they are weighed by their bits alone."""
    same_card: bool = False
    """Whether all reads are known to be of one card: then that they differ says something."""
    printed: tuple[Entry, ...] = ()
    """The number printed on the card: none, one for all reads, or one for each read."""
    records: tuple[LineRecord, ...] = ()
    """The levels of both lines, where they were seen; cards were presented while they were kept."""
    expected: tuple[CardFormat, ...] = ()
    """What the controller is set to; none where it was not told."""
    formats: tuple[CardFormat, ...] = FORMATS
    """All formats known: those built in and the user's."""
    readings: tuple[CardMeterReading, ...] = ()
    """What was measured by hand; of two of one kind the last counts."""
    scope: tuple[CardMeterReading, ...] = ()
    """What a scope's record shows of levels; then pulses were cut at half its own swing, whatever an input makes of it.
    """
    turned: bool = False
    """Whether both lines rest low in the record, so that its levels were turned over to read it."""
    volts_seen: bool = False
    """Whether records are of volts, which no inverting input has turned over."""
    seen: tuple[tuple[str, str], ...] = ()
    """What eyes and ears told (`sights_card`): the sight's name, and the word of its answer."""
    presented: int | None = None
    """How often a card was held to the reader, where it is known: reads that never came then count too."""

    def printed_of(self, read: int) -> Entry | None:
        """The printed number of a read's card; None where it was not told."""
        if len(self.printed) == 1:
            return self.printed[0]
        return self.printed[read] if read < len(self.printed) else None
