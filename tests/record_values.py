"""Hypothesis strategies for entries of an installation's record: everything that a file can hold."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from benchtool.install.schema import Slot, slots_of

WORDS = st.text(min_size=1, max_size=12).filter(lambda text: bool(text.strip()))


def values(slot: Slot) -> st.SearchStrategy[Any]:
    """Everything that a field can hold."""
    meaning = slot.meaning
    if slot.is_list:
        return st.lists(instances(slot.kind), max_size=2).map(tuple)
    if slot.kind is tuple:
        return st.lists(WORDS, max_size=3).map(tuple)
    if slot.kind is dict:
        return st.dictionaries(WORDS, st.text(max_size=8), max_size=3)
    if meaning.choices:
        return st.sampled_from(meaning.choices)
    low, high = meaning.least, meaning.most
    if slot.kind is float:
        return st.floats(low, high, allow_nan=False)
    if slot.kind is int:
        return st.integers(int(low or 0), int(high or 10**9))
    if slot.kind is bool:
        return st.booleans()
    return WORDS if slot.kind is str else instances(slot.kind)


def instances(kind: type) -> st.SearchStrategy[Any]:
    """Every entry of a kind."""
    wanted = {
        slot.name: values(slot) if slot.required or slot.is_list else st.one_of(st.just(slot.default), values(slot))
        for slot in slots_of(kind)
    }
    return st.builds(kind, **wanted)
