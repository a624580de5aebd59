"""Undoes what a reversed pair or a wrong bit rate did to octets: finds the characters that were really sent.

A receiver that is set wrongly still samples the real line. From the octets it made, and its framing marks where they
can be seen, the line can be rebuilt bit by bit: each octet fixes ten samples; between the stop sample of one octet
and the start of the next only the number of equal bits is unknown. A search over those numbers, held to the sender's
character frame (start bit, stop bit, parity) and to the check value, leaves what was sent. A frame that is found this
way passed its own check value, which is the proof. The receiver's behaviour is the one described in sheet sections 2
and 11: it samples each bit in its middle, looks for the next edge after the stop sample, and after a framing error
first waits for the line to go high.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction

from fastcrc.crc16 import modbus as modbus_crc

from benchtool.capture.settings import CharFormat, Parity
from benchtool.frames.modbus.lengths import MAX_ADDRESS, lengths
from benchtool.frames.osdp.check import MAX_LENGTH, MIN_LENGTH, SOM, USES_CRC, check_ok

MAX_STEPS = 8_000
"""Search steps spent on one span before it is given up as undecided."""
MAX_OCTETS = 96
"""Longest span that is tried, in octets as received."""


class Undone(Enum):
    """What a search came to."""

    FOUND = "found"
    """At least one frame whose check value passes."""
    NOTHING = "nothing"
    """No way of reading the span under this hypothesis ends in a check value that passes."""
    UNDECIDED = "undecided"
    """Given up: too long or too many ways."""


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """What may have happened between the sender and our receiver."""

    inverted: bool = False
    """The pair is reversed between sender and receiver."""
    ratio: Fraction = Fraction(1)
    """Our receiver's bit rate over the sender's; 1 or more."""
    sent: CharFormat = CharFormat()
    """The sender's character format."""
    heard: CharFormat = CharFormat()
    """Our receiver's."""


@dataclass(frozen=True, slots=True)
class Recovered:
    """Frames that a span turned out to be."""

    result: Undone
    frames: tuple[bytes, ...] = ()
    """Octets really sent, each with a check value that passes."""
    steps: int = 0
    """Search steps it took."""
    tried: float = 0.0
    """How many frames chance would find in the whole search."""
    chance: float = 1.0
    """How many frames one would find by chance, given how many check values were tried: far below 1 is a proof."""


class _Window:
    """What one received octet says of the line, in the sender's bits counted from the edge it began with."""

    __slots__ = ("bits",)

    def __init__(self, value: int, framing: bool | None, hypothesis: Hypothesis) -> None:
        heard, ratio = hypothesis.heard, hypothesis.ratio
        seen: dict[int, int] = {0: 0}
        clash = False
        samples = [(Fraction(3, 2) + index, value >> index & 1) for index in range(heard.data_bits)]
        stop_at = Fraction(3, 2) + heard.data_bits + (heard.parity is not Parity.NONE)
        if framing is not None:
            samples.append((stop_at, 0 if framing else 1))
        for at, level in samples:
            place = at / ratio
            if place.denominator == 1:
                continue  # sampled on an edge: may be either
            clash |= seen.setdefault(int(place), level) != level
        last = int(stop_at / ratio)
        self.bits: list[int | None] | None = None if clash else [seen.get(index) for index in range(last + 1)]


class _Sender:
    """The sender's side as an automaton over line bits: where in a character we are, and the octets so far."""

    __slots__ = ("data_end", "idle", "octets", "ones", "parity", "place", "size", "start", "value")

    def __init__(self, hypothesis: Hypothesis) -> None:
        self.start = 1 if hypothesis.inverted else 0
        self.idle = 1 - self.start
        self.parity = hypothesis.sent.parity
        self.data_end = hypothesis.sent.data_bits
        self.size = int(hypothesis.sent.bits)
        self.place = 0  # 0: between characters
        self.value = self.ones = 0
        self.octets: list[int] = []

    def push(self, bit: int) -> bool:
        """Take one line bit; False when no sender would have sent it here."""
        place = self.place
        if place == 0:
            if bit == self.start:
                self.place, self.value, self.ones = 1, 0, 0
            return True
        logic = bit ^ self.start
        if place <= self.data_end:
            self.value |= logic << (place - 1)
            self.ones += logic
        elif place == self.data_end + 1 and self.parity is not Parity.NONE:
            if logic != _parity_bit(self.parity, self.ones):
                return False
        elif logic != 1:
            return False
        self.place = place + 1
        if self.place == self.size:
            self.octets.append(self.value)
            self.place = 0
        return True


def _parity_bit(parity: Parity, ones: int) -> int:
    return {Parity.EVEN: ones & 1, Parity.ODD: 1 - (ones & 1), Parity.MARK: 1, Parity.SPACE: 0}[parity]


_State = tuple[int, int, int, list[int], int]

Verdict = tuple[bool, float]
"""Whether the octets are a whole frame, and the odds that random octets would pass this test (0: none was made)."""

GO_ON: Verdict = (False, 0.0)
Rule = Callable[[list[int], bool], Verdict | None]
"""Judges the octets of the frame so far, and whether it has just ended; None when they cannot be one."""


def osdp_rule(octets: list[int], ended: bool) -> Verdict | None:
    """OSDP: mark octet, start octet, length, control, check (sheet 5.1)."""
    start = 1 if octets and octets[0] == 0xFF else 0
    count = len(octets) - start
    if count >= 1 and octets[start] != SOM:
        return None
    if count >= 4:
        length = octets[start + 2] | octets[start + 3] << 8
        if not MIN_LENGTH <= length <= min(MAX_LENGTH, 2 * MAX_OCTETS):
            return None
        if count >= 5 and octets[start + 4] & 0xF0:
            return None
        if count == length:
            odds = 2**-16 if octets[start + 4] & USES_CRC else 2**-8
            return check_ok(bytes(octets[start:])), odds
    return None if ended and octets else GO_ON


def modbus_rule(octets: list[int], ended: bool) -> Verdict | None:
    """Modbus RTU: address, a public function and its length, CRC, then a silence (sheet 3.1 to 3.4)."""
    count = len(octets)
    if count and octets[0] > MAX_ADDRESS:
        return None
    if count < 2:
        return None if ended and count else GO_ON
    fits = lengths(bytes(octets), 0, count)
    if not ended:
        return GO_ON if any(size < 0 or size >= count for size, _ in fits) else None
    if all(size != count for size, _ in fits):
        return None
    return not modbus_crc(bytes(octets)), 2**-16


def undo(
    octets: bytes, marks: bytes | None, hypothesis: Hypothesis, rule: Rule, *, most_steps: int = MAX_STEPS
) -> Recovered:
    """Find the frames that were sent, given what was received between two silences.

    `marks` is one `Mark` value per octet, empty for none seen, None where the tap could not see line errors.
    """
    if not octets or len(octets) > MAX_OCTETS:
        return Recovered(Undone.UNDECIDED if octets else Undone.NOTHING)
    windows = []
    for index, value in enumerate(octets):
        framing = None if marks is None else bool(marks and marks[index] & 0x05)
        window = _Window(value, framing, hypothesis)
        if window.bits is None:
            return Recovered(Undone.NOTHING)
        windows.append(window)
    search = _Search(windows, hypothesis, rule, most_steps)
    frames = search.run()
    steps = most_steps - search.steps_left
    if frames:
        return Recovered(Undone.FOUND, frames, steps, search.tried, search.chance)
    return Recovered(Undone.UNDECIDED if search.steps_left <= 0 else Undone.NOTHING, steps=steps, tried=search.tried)


class _Search:
    """Depth-first over the numbers of equal bits between received octets."""

    def __init__(self, windows: list[_Window], hypothesis: Hypothesis, rule: Rule, most_steps: int) -> None:
        self.steps_left = most_steps
        self.chance = 1.0
        """Frames that chance would have found by the time the best reading was."""
        self.tried = 0.0
        self._windows = windows
        self._sender = _Sender(hypothesis)
        self._rule = rule
        self._frames: list[bytes] = []
        self._best: tuple[bytes, ...] = ()

    def run(self) -> tuple[bytes, ...]:
        """The frames of the reading that recovers most, or none."""
        sender = self._sender
        if sender.start == 0:
            self._window(0)
        else:
            # Reversed: the first start bit lifts the line, the first fall comes with a later bit.
            for _ in self._runs(1, at_least=1):
                if self._window(0):
                    break
        return self._best

    def _take(self, bit: int) -> bool:
        """Push a bit, then hold the octets so far to the rule; whole frames are set aside."""
        sender = self._sender
        before, was_idle = len(sender.octets), sender.place == 0
        if not sender.push(bit):
            return False
        if len(sender.octets) > before:
            return self._judge(ended=False)
        if was_idle and sender.place == 0:
            return self._judge(ended=True)
        return True

    def _judge(self, *, ended: bool) -> bool:
        sender = self._sender
        verdict = self._rule(sender.octets, ended)
        if verdict is None:
            return False
        whole, odds = verdict
        self.tried += odds
        if odds and not whole:
            return False
        if whole:
            self._frames.append(bytes(sender.octets))
            sender.octets.clear()
            if len(self._frames) > len(self._best):
                # Kept even if the rest of the span makes no sense: lumps run frames into each other.
                self._best, self.chance = tuple(self._frames), self.tried
        return True

    def _save(self) -> _State:
        sender = self._sender
        return sender.place, sender.value, sender.ones, list(sender.octets), len(self._frames)

    def _restore(self, saved: _State) -> None:
        sender = self._sender
        sender.place, sender.value, sender.ones, octets, frames = saved
        sender.octets[:] = octets
        del self._frames[frames:]

    def _runs(self, level: int, *, at_least: int) -> Iterator[int]:
        """Push runs of `level` bits, each one longer than the last, until no sender could have sent it.

        Between characters a longer idle changes nothing, so the search stops there.
        """
        count = 0
        if at_least == 0:
            yield 0
        while True:
            idle_before = self._sender.place == 0 and level == self._sender.idle and count >= at_least
            if not self._take(level):
                return
            count += 1
            if count >= at_least:
                yield count
            if idle_before:
                return

    def _window(self, index: int) -> bool:
        """Lay received octet `index` here (the line has just fallen); True when the whole span came out."""
        return self._bits(index, 0)

    def _bits(self, index: int, at: int) -> bool:
        """Push the window's bits from `at` on, trying both where a sample fell on an edge."""
        bits = self._windows[index].bits
        assert bits is not None
        saved = self._save()
        while at < len(bits):
            bit = bits[at]
            if bit is None:
                for choice in (1, 0):
                    branch = self._save()
                    if self._take(choice) and self._rest(index, at + 1, choice):
                        return True
                    self._restore(branch)
                self._restore(saved)
                return False
            if not self._take(bit):
                self._restore(saved)
                return False
            at += 1
        if self._after(index, stop=bits[-1] or 0):
            return True
        self._restore(saved)
        return False

    def _rest(self, index: int, at: int, last: int) -> bool:
        bits = self._windows[index].bits
        assert bits is not None
        return self._after(index, stop=last) if at == len(bits) else self._bits(index, at)

    def _after(self, index: int, *, stop: int) -> bool:
        """Between the stop sample of octet `index` and the next fall, or the end of the span."""
        self.steps_left -= 1
        if self.steps_left <= 0:
            return False
        if index + 1 == len(self._windows):
            return self._finish(stop)
        if stop:
            return self._fall_after(index, self._runs(1, at_least=0))
        saved = self._save()
        for _ in self._runs(0, at_least=0):
            lows = self._save()
            if self._fall_after(index, self._runs(1, at_least=1)):
                return True
            self._restore(lows)
        self._restore(saved)
        return False

    def _fall_after(self, index: int, highs: Iterator[int]) -> bool:
        for _ in highs:
            here = self._save()
            if self._window(index + 1):
                return True
            self._restore(here)
            if self.steps_left <= 0:
                return False
        return False

    def _finish(self, stop: int) -> bool:
        """After the last octet the line never falls again: fill up the character, then idle."""
        sender = self._sender
        if stop and sender.idle == 0:
            return False
        saved = self._save()
        for _ in self._runs(0, at_least=0) if not stop else iter((0,)):
            lows = self._save()
            if self._idle_out():
                return True
            self._restore(lows)
        self._restore(saved)
        return False

    def _idle_out(self) -> bool:
        sender = self._sender
        while sender.place != 0:
            if not self._take(sender.idle):
                return False
        return self._take(sender.idle) and not sender.octets and bool(self._frames)
