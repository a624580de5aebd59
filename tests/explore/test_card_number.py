"""The number field out of printed numbers: order, inversion, BCD, offset, gaps; what stays open is listed."""

from __future__ import annotations

import random

import pytest

from benchtool.explore.card_number import Frame, find_number, shares
from benchtool.frames.card.formats import CardField, Writing


def reads(field: CardField, length: int, numbers: list[int]) -> list[tuple[int, int]]:
    """Frames with random other bits, put together here."""
    chooser = random.Random(3)
    made = []
    for number in numbers:
        value = chooser.getrandbits(length)
        sent = number - field.offset
        code = int(str(sent), 16) if field.writing is Writing.BCD else sent
        for at, place in enumerate(reversed(field.places)):
            bit = (code >> at & 1) ^ field.inverted
            value = value & ~(1 << (length - place)) | bit << (length - place)
        made.append((value, number))
    return made


FRAME = Frame(40, frozenset((1, 40)), frozenset(range(1, 41)), frozenset())
FIELD = tuple(range(20, 40))


@pytest.mark.parametrize(
    "field",
    [
        CardField("card_number", FIELD),
        CardField("card_number", FIELD[::-1]),
        CardField("card_number", FIELD, inverted=True),
        CardField("card_number", FIELD, Writing.BCD),
        CardField("card_number", FIELD, Writing.BCD, inverted=True),
        CardField("card_number", FIELD, offset=1000),
        CardField("card_number", FIELD[:9] + FIELD[10:]),
        CardField("card_number", tuple(range(2, 22))),
    ],
    ids=["plain", "last bit first", "inverted", "bcd", "bcd inverted", "offset", "gap", "at the start"],
)
def test_the_field_is_found_from_four_numbers(field: CardField) -> None:
    numbers = [81234, 99101, 37345, 86789] if field.writing is Writing.BCD else [1012345, 771200, 333333, 904321]
    numbers = [number % (1 << field.count) for number in numbers]
    fits = find_number(FRAME, reads(field, 40, numbers))
    assert fits[0].field == field
    assert shares(fits)[0] > 0.5


def test_low_numbers_leave_the_upper_end_open_and_list_it() -> None:
    field = CardField("card_number", FIELD)
    fits = find_number(
        FRAME, [(value & ~(0xFFF << 9), number) for value, number in reads(field, 40, [5, 130, 77, 201])]
    )
    assert field in [fit.field for fit in fits]
    assert len({fit.field.count for fit in fits}) > 3
    assert shares(fits)[0] < 0.99


def test_numbers_that_are_nowhere_give_nothing_believed() -> None:
    chooser = random.Random(8)
    some = [(chooser.getrandbits(40), chooser.getrandbits(20)) for _ in range(5)]
    fits = find_number(FRAME, some)
    assert not fits or shares(fits)[0] < 0.5
    assert find_number(FRAME, []) == []
