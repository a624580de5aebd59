"""Hypothesis strategies for entries of an installation's record: everything that a file can hold."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from hypothesis import strategies as st

from benchtool.install.schema import Slot, slots_of

WORDS = st.text(min_size=1, max_size=12).filter(lambda text: bool(text.strip()))
IDS = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=12).filter(
    lambda text: bool(text.strip())
)
"""An id holds no control characters."""


def values(slot: Slot, names: Sequence[str] = ()) -> st.SearchStrategy[Any]:
    """Everything that a field can hold; ids and what names them from `names`, if any."""
    meaning = slot.meaning
    words = IDS if slot.name == "id" else WORDS
    if names and (meaning.names or slot.name == "id"):
        words = st.sampled_from(names)
    if slot.is_list:
        return st.lists(instances(slot.kind, names), max_size=4 if names else 2).map(tuple)
    if slot.kind is tuple:
        return st.lists(words, max_size=3).map(tuple)
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
    return words if slot.kind is str else instances(slot.kind, names)


def instances(kind: type, names: Sequence[str] = ()) -> st.SearchStrategy[Any]:
    """Every entry of a kind; of few `names`, entries name each other, and often an id stands twice."""
    wanted = {
        slot.name: values(slot, names)
        if slot.required or slot.is_list
        else st.one_of(st.just(slot.default), values(slot, names))
        for slot in slots_of(kind)
    }
    return st.builds(kind, **wanted)
