"""What a person sees, hears or looks up at a dead reader: lights, beeps, lamps, what is fitted, what was changed.

Evidence like a reading, but coarser: each answer of each question has a likelihood under each cause. All of them are
judgements of this project (common practice, no published source); docs/hunt.md prints the table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchtool.diagnose.finding import Cause


@dataclass(frozen=True, slots=True)
class Sight:
    """A question to the eyes and ears of whoever stands there."""

    name: str
    """As it is kept: `reader@` is of the device at an address."""
    ask: str
    """`{place}` stands for the device."""
    how: str
    """How to find out."""
    answers: tuple[tuple[str, str], ...]
    """The word that is kept, and what it says."""
    usual: tuple[float, ...]
    """How often each answer comes where no cause has a row of its own; shape (answers,), 1 in all."""
    rows: Mapping[Cause, tuple[float, ...]]
    """The same for causes that change it."""
    minutes: float
    caution: str = ""
    heard_too: bool = False
    """Octets tell the same, so that it counts only where none came."""

    @property
    def at_device(self) -> bool:
        """Whether it is of one device."""
        return self.name.endswith("@")

    def words(self) -> tuple[str, ...]:
        """The answers as they are kept."""
        return tuple(word for word, _ in self.answers)

    def says(self, word: str) -> str:
        """What an answer says, for people."""
        return dict(self.answers)[word]
