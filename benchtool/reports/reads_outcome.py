"""Everything that `benchtool reads` found, for the text, the JSON, the plots and the page; and how a read is named."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchtool.diagnose.card_finding import CardDiagnosis
from benchtool.frames.card.bits import Bits
from benchtool.frames.card.compare import Agreement
from benchtool.frames.card.decode import CardReading
from benchtool.frames.card.hints import Hint
from benchtool.frames.card.pulses import Burst
from benchtool.frames.card.read import CardRead
from benchtool.measure.card_analog import CardWaveform, LineFigures
from benchtool.measure.card_reads import SameCard
from benchtool.measure.pulse_figures import PulseFigures
from benchtool.measure.waveform_limits import Verdict


@dataclass(frozen=True, slots=True)
class Taken:
    """One burst or read, understood."""

    number: int
    """Counts reads from 1; 0 for a burst in which nothing is a bit."""
    source: str
    read: CardRead | None
    burst: Burst | None
    """None where pulses were not seen."""
    card: str = ""
    """A letter for each different frame."""
    readings: tuple[CardReading, ...] = ()
    """In the formats wanted that have its length."""
    key: bool = False
    """Whether it is a key of a keypad."""
    hints: tuple[Hint, ...] = ()
    agreements: tuple[Agreement, ...] | None = None
    """With the printed number; None where none was given."""

    @property
    def bits(self) -> Bits:
        """Its bits, none where nothing is one."""
        return self.read.bits if self.read is not None else Bits(0, 0)

    @property
    def sound(self) -> bool:
        """Whether it is as it should be: a reading that holds, and the printed number where it was given."""
        agreed = self.agreements is None or any(one.changed == "as given" for one in self.agreements)
        return self.read is not None and agreed and any(reading.ok for reading in self.readings)


@dataclass(slots=True)
class Outcome:
    """The result of a run."""

    taken: list[Taken] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    """What was assumed and left out, by source."""
    figures: PulseFigures | None = None
    """None where no source saw pulses."""
    same: SameCard | None = None
    """None where the reads are not known to be of one card."""
    waveforms: list[tuple[str, CardWaveform, tuple[LineFigures, LineFigures]]] = field(default_factory=list)
    diagnosis: CardDiagnosis | None = None
    stopped_by_user: bool = False
    timeout_ns: int = 0

    @property
    def reads(self) -> list[Taken]:
        """Those in which there are bits."""
        return [one for one in self.taken if one.read is not None]

    @property
    def wrong(self) -> bool:
        """Whether anything is wrong: what `--strict` tells a script."""
        broken = self.figures is not None and any(check.verdict is Verdict.FAIL for check in self.figures.checks)
        faulty = self.diagnosis is not None and self.diagnosis.faulty
        return broken or faulty or not self.reads or not all(one.sound or one.key for one in self.reads)


def letter(number: int) -> str:
    """0 is A, 25 Z, 26 AA."""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text
