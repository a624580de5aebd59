"""A field's bits out of a frame and back, wherever they lie: shifts and masks made once from its places."""

from __future__ import annotations

from typing import NamedTuple

from benchtool.frames.card.formats import CardField, Writing


class FieldBits(NamedTuple):
    """A field made ready for shifting and masking."""

    runs: tuple[tuple[int, int, int], ...]
    """(shift, mask, bits) of each stretch of neighbouring places, the most significant first."""
    flip: int
    """Bits to turn round; 0 where the field is not inverted."""
    bcd: bool
    offset: int

    def taken(self, value: int) -> int:
        """The field's bits as one number, turned the right way; digits of BCD are hex digits then."""
        taken = 0
        for shift, mask, count in self.runs:
            taken = taken << count | value >> shift & mask
        return taken ^ self.flip

    def placed(self, taken: int) -> int:
        """The frame that holds these bits in their places and 0 elsewhere."""
        taken ^= self.flip
        value = 0
        for shift, mask, count in reversed(self.runs):
            value |= (taken & mask) << shift
            taken >>= count
        return value

    def number(self, taken: int) -> int | None:
        """The number that bits stand for, offset added; None where a digit of BCD is above 9."""
        if self.bcd:
            digits = f"{taken:x}"
            if not digits.isdecimal():
                return None
            taken = int(digits)
        return taken + self.offset

    def bits_of(self, number: int) -> int:
        """The opposite of `number`, for a number that the field can carry."""
        sent = number - self.offset
        return int(str(sent), 16) if self.bcd else sent


def runs_of(places: tuple[int, ...], length: int) -> tuple[tuple[int, int, int], ...]:
    """(shift, mask, bits) of each stretch of rising neighbours in `places`, over a frame of `length` bits."""
    runs: list[tuple[int, int]] = []
    for place in places:
        if runs and place == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], place)
        else:
            runs.append((place, place))
    return tuple((length - last, (1 << (last - first + 1)) - 1, last - first + 1) for first, last in runs)


def field_bits(field: CardField, length: int) -> FieldBits:
    """The field over a frame of `length` bits."""
    flip = (1 << field.count) - 1 if field.inverted else 0
    return FieldBits(runs_of(field.places, length), flip, field.writing is Writing.BCD, field.offset)
