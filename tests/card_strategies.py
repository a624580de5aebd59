"""Hypothesis strategies for card formats that a table file can express, and for what such a format carries."""

from __future__ import annotations

from hypothesis import strategies as st

from benchtool.frames.card.check_digit import DECIMAL, CheckDigit, CheckMethod
from benchtool.frames.card.formats import CardField, CardFormat, Constant, ParityGroup, Sense, Writing

NAMES = ("card_number", "site_code", "issue", "company", "wörk level")


def _triangular(groups: list[ParityGroup]) -> list[ParityGroup]:
    """Groups whose parity bits can surely be worked out: each covers only parity bits of earlier ones."""
    later = {group.bit for group in groups}
    kept = []
    for group in groups:
        kept.append(ParityGroup(group.bit, group.sense, tuple(p for p in group.covers if p not in later)))
        later.discard(group.bit)
    return kept


def _independent(groups: list[ParityGroup]) -> bool:
    """Whether no choice of groups holds each parity bit an even number of times: tried one choice after the other."""
    bits = [group.bit for group in groups]
    for choice in range(1, 1 << len(groups)):
        chosen = [group for index, group in enumerate(groups) if choice >> index & 1]
        if all(sum(bit in group.members for group in chosen) % 2 == 0 for bit in bits):
            return False
    return True


@st.composite
def card_formats(draw: st.DrawFn, longest: int = 72) -> CardFormat:
    """A format with fields, constants, check digits and parity groups anywhere in the frame, all solvable."""
    length = draw(st.integers(4, longest))
    order = draw(st.permutations(range(1, length + 1))) if draw(st.booleans()) else list(range(1, length + 1))
    free = list(order)

    def take(count: int) -> tuple[int, ...]:
        taken, free[:] = tuple(free[:count]), free[count:]
        return taken

    bits = [take(1)[0] for _ in range(draw(st.integers(0, min(4, length - 3))))]
    constants = []
    if len(free) > 6 and draw(st.booleans()):
        places = take(draw(st.integers(1, 4)))
        constants.append(Constant(places, draw(st.integers(0, (1 << len(places)) - 1))))
    check_places = take(draw(st.integers(1, 6))) if len(free) > 12 and draw(st.booleans()) else ()
    fields: list[CardField] = []
    for name in NAMES[: draw(st.integers(1, 4))]:
        writing = draw(st.sampled_from(Writing))
        largest = min(len(free), 40)
        if writing is Writing.BCD and largest >= 4:
            count = 4 * draw(st.integers(1, largest // 4))
        elif largest:
            writing, count = Writing.BINARY, draw(st.integers(1, largest))
        else:
            break
        offset = draw(st.one_of(st.just(0), st.integers(-5000, 5000)))
        fields.append(CardField(name, take(count), writing, draw(st.booleans()), offset))
    checks = []
    if check_places:
        names = tuple(field.name for field in fields if field.offset >= 0)
        decimal = len(check_places) >= 4 and bool(names)
        method = draw(st.sampled_from([m for m in CheckMethod if decimal or m not in DECIMAL]))
        weights: tuple[int, ...] = ()
        if method in (CheckMethod.MOD10, CheckMethod.MOD11):
            weights = tuple(draw(st.lists(st.integers(1, 12), max_size=4)))
        covered = tuple(place for field in fields for place in field.places)
        if method in DECIMAL:
            checks.append(CheckDigit(check_places, method, fields=names, weights=weights))
        else:
            checks.append(CheckDigit(check_places, method, covers=tuple(draw(st.permutations(covered)))))
    groups = []
    for bit in bits:
        others = [place for place in range(1, length + 1) if place != bit]
        chosen = draw(st.integers(0, (1 << len(others)) - 1))
        covers = tuple(place for index, place in enumerate(others) if chosen >> index & 1)
        groups.append(ParityGroup(bit, draw(st.sampled_from(Sense)), covers))
    if not _independent(groups):
        groups = _triangular(groups)
    return CardFormat("made up", length, tuple(fields), tuple(groups), "drawn", tuple(constants), tuple(checks))


def values_of(row: CardFormat) -> st.SearchStrategy[dict[str, int]]:
    """A number that it can carry for every field of a format."""
    return st.fixed_dictionaries({field.name: st.integers(field.lowest, field.highest) for field in row.fields})


def carried(longest: int = 72) -> st.SearchStrategy[tuple[CardFormat, dict[str, int]]]:
    """A format with a number for every field."""
    return card_formats(longest).flatmap(lambda row: st.tuples(st.just(row), values_of(row)))
