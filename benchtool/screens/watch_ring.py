"""A ring of the newest things, each with a number that it keeps: bounded memory, any of them found at once."""

from __future__ import annotations

from typing import Generic, TypeVar

T = TypeVar("T")


class Ring(Generic[T]):
    """Holds the newest `most` things. Numbers count up from 0 and are never used twice."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._held: list[T] = []
        self._base = 0
        """The number of what lies first in the list."""
        self.end = 0
        """The number that the next thing gets."""

    @property
    def first(self) -> int:
        """The number of the oldest thing still held; `end` where there is none."""
        return self.end - len(self._held)

    def append(self, thing: T) -> int:
        """Add one; the oldest goes when there are too many. Its number."""
        number = self.end
        if len(self._held) < self.most:
            self._held.append(thing)
        else:
            self._held[(number - self._base) % self.most] = thing
        self.end = number + 1
        return number

    def copy(self, most: int) -> Ring[T]:
        """The same things under the same numbers, in a ring that holds up to `most`, at least as many as this one."""
        made: Ring[T] = Ring(most)
        turn = (self.end - self._base) % self.most if len(self._held) == self.most else 0
        made._held = self._held[turn:] + self._held[:turn]
        made._base, made.end = self.first, self.end
        return made

    def __getitem__(self, number: int) -> T:
        """IndexError for one that is not held (any more)."""
        if not self.first <= number < self.end:
            raise IndexError(number)
        return self._held[(number - self._base) % self.most]
