"""What a card format must keep to, so that what it carries can be built and read back; and what to know of it.

The rules are ours: they are what makes every frame that a table describes come out in one way only.
"""

from __future__ import annotations

from collections.abc import Iterator

from benchtool.frames.card.check_digit import DECIMAL, CheckDigit, CheckMethod
from benchtool.frames.card.formats import CardFormat, Writing
from benchtool.frames.card.parity import parity_rules
from benchtool.frames.card.places import LONGEST, places_text


def owners(row: CardFormat) -> Iterator[tuple[str, tuple[int, ...]]]:
    """Everything that bits belong to, in words, with its places."""
    for field in row.fields:
        yield field.name, field.places
    for constant in row.constants:
        yield f"the constant at {places_text(constant.places)}", constant.places
    for check in row.checks:
        yield check.name, check.places
    for group in row.parity:
        yield f"parity bit {group.bit}", (group.bit,)


def check_format(row: CardFormat) -> None:
    """Raise ValueError, one line that says what is wrong, where the format contradicts itself."""
    try:
        _check(row)
    except ValueError as error:
        message = str(error)
        raise ValueError(message if message.startswith(row.name) else f"{row.name}: {message}") from None


def _check(row: CardFormat) -> None:
    if not row.name.strip():
        raise ValueError("a format needs a name")
    texts = (row.name, row.source, *(field.name for field in row.fields), *(check.name for check in row.checks))
    if not all(text.isprintable() for text in texts):
        raise ValueError(f"{row.name!a}: a name or source holds a character that cannot be printed")
    if not 1 <= row.length <= LONGEST:
        raise ValueError(f"length: 1 to {LONGEST} bits are wanted, not {row.length}")
    if not row.fields:
        raise ValueError("a format needs at least one field, as card_number")
    taken: dict[int, str] = {}
    for owner, places in owners(row):
        if not places:
            raise ValueError(f"{owner} has no bits")
        for place in places:
            if not 1 <= place <= row.length:
                raise ValueError(f"{owner}: bit {place} is not among the {row.length} bits of the frame")
            if place in taken:
                twice = "twice" if taken[place] == owner else f"to {taken[place]} and to {owner}"
                raise ValueError(f"bit {place} belongs {twice}; a bit is in one field, constant, check or parity bit")
            taken[place] = owner
    names = [field.name for field in row.fields] + [check.name for check in row.checks]
    for name in names:
        if not name or names.count(name) > 1:
            raise ValueError(f"two fields are called {name!r}" if name else "a field has no name")
    for field in row.fields:
        if field.writing is Writing.BCD and field.count % 4:
            raise ValueError(f"{field.name}: a BCD digit has four bits, and {field.count} bits are no whole digits")
        if abs(field.offset) >> 62:
            raise ValueError(f"{field.name}: offset {field.offset} is out of all reason")
    for constant in row.constants:
        if constant.value < 0 or constant.value >> len(constant.places):
            raise ValueError(
                f"the constant at {places_text(constant.places)}: {constant.value} does not fit in its"
                f" {len(constant.places)} bits"
            )
    _check_groups(row)
    for index, check in enumerate(row.checks):
        _check_digit(row, check, row.checks[index:])


def _check_groups(row: CardFormat) -> None:
    for group in row.parity:
        if group.bit in group.covers:
            raise ValueError(f"parity bit {group.bit} is among the bits it covers; it is counted anyway: leave it away")
        for place in group.covers:
            if not 1 <= place <= row.length:
                raise ValueError(f"parity bit {group.bit} covers bit {place}, and the frame has {row.length} bits")
            if group.covers.count(place) > 1:
                raise ValueError(f"parity bit {group.bit} covers bit {place} twice")
    parity_rules(row)


def _check_digit(row: CardFormat, check: CheckDigit, later: tuple[CheckDigit, ...]) -> None:
    parity = {group.bit for group in row.parity}
    if check.method in DECIMAL:
        if check.covers or not check.fields:
            raise ValueError(f"{check.name}: {check.method.value} is worked on decimal digits: name the fields")
        for name in check.fields:
            field = row.field(name)
            if field is None:
                raise ValueError(f"{check.name} covers {name!r}, and there is no such field")
            if field.offset < 0:
                raise ValueError(f"{check.name} covers {name}, whose numbers can be below 0: they have no digits")
        if len(check.places) < 4:
            raise ValueError(f"{check.name}: a decimal check digit needs four bits, not {len(check.places)}")
        if check.weights and (check.method is CheckMethod.LUHN or not all(0 < one < 100 for one in check.weights)):
            raise ValueError(f"{check.name}: weights 1 to 99 are for mod10 and mod11")
        return
    if check.fields or not check.covers:
        raise ValueError(f"{check.name}: {check.method.value} is worked on bits: say which it covers")
    if check.weights:
        raise ValueError(f"{check.name}: weights are for mod10 and mod11")
    for place in check.covers:
        if not 1 <= place <= row.length:
            raise ValueError(f"{check.name} covers bit {place}, and the frame has {row.length} bits")
        if place in parity or any(place in other.places for other in later):
            raise ValueError(f"{check.name} covers bit {place}, which is worked out after it")
    if len(set(check.covers)) != len(check.covers):
        raise ValueError(f"{check.name} covers a bit twice")


def notes_on(row: CardFormat) -> tuple[str, ...]:
    """What is right and yet worth knowing: bits that belong to nothing, bits that nothing checks, blind spots."""
    notes = []
    owned = {place for _, places in owners(row) for place in places}
    spare = [place for place in range(1, row.length + 1) if place not in owned]
    if spare:
        notes.append(
            f"{_bits(spare)} {'belongs' if len(spare) == 1 else 'belong'} to nothing: read as anything, built as 0"
        )
    checked = {place for group in row.parity for place in group.members}
    checked |= {place for constant in row.constants for place in constant.places}
    for check in row.checks:
        checked |= {*check.places, *check.covers}
        checked |= {place for field in row.fields if field.name in check.fields for place in field.places}
    open_bits = [place for place in sorted(owned) if place not in checked]
    if open_bits:
        notes.append(f"{_bits(open_bits)}: no parity or check covers this, so a wrong bit there goes unseen")
    even = [group.bit for group in row.parity if len(group.members) % 2 == 0]
    if row.parity and len(even) == len(row.parity):
        notes.append("every parity group has an even number of bits: swapped D0 and D1 pass every parity")
    if row.field("card_number") is None:
        notes.append(f"no field is called card_number: {row.number.name} is taken for it")
    return tuple(notes)


def _bits(places: list[int]) -> str:
    return f"bit{'' if len(places) == 1 else 's'} {places_text(places)}"
