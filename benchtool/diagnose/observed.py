"""Everything that a diagnosis rests on, small and plain, so that it can be saved and taken up again.

`--save FILE` writes it as JSON; `benchtool diagnose FILE --meter …` goes on from it. No octets, no card data in it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from benchtool.diagnose.places import AtAddress
from benchtool.diagnose.readings import ByHand, Reading, Tried

VERSION = 1
_KEY = "benchtool-diagnosis"

Told = tuple[str, dict[str, float | int | str]]
"""A sentence and its numbers."""


class StateError(ValueError):
    """A saved diagnosis that cannot be read; one line with the mend."""


@dataclass(frozen=True, slots=True)
class Observed:
    """What was seen on the bus and measured by hand."""

    tap: str = ""
    baud: int = 9600
    format: str = "8N1"
    length_m: float | None = None
    order: tuple[int, ...] = ()
    """Addresses in their order along the pair, from the controller; empty where not known."""
    symptoms: Mapping[str, float | None] | None = None
    """By name; None where nothing was listened to."""
    told: Mapping[str, Told] = field(default_factory=dict)
    """The sentence of each symptom that has something to say."""
    addresses: tuple[AtAddress, ...] = ()
    octets: int = 0
    sender_baud: int | None = None
    """The bus's rate, where it was found to be another one."""
    limits: tuple[str, ...] = ()
    by_hand: ByHand = field(default_factory=ByHand)

    def measured(self, more: ByHand) -> Observed:
        """The same with further readings."""
        return replace(self, by_hand=self.by_hand + more)


def to_json(observed: Observed) -> str:
    """The text of a saved diagnosis."""
    return json.dumps({_KEY: VERSION, **asdict(observed)}, indent=1)


def is_saved(beginning: bytes) -> bool:
    """Whether a file that begins like this is a saved diagnosis."""
    return _KEY.encode() in beginning[:200]


def from_json(text: str) -> Observed:
    """Read a saved diagnosis; StateError says what is wrong."""
    try:
        held: dict[str, Any] = json.loads(text)
        if held.pop(_KEY) != VERSION:
            raise StateError("this saved diagnosis was made by another version of benchtool: listen again")
        by_hand = held.pop("by_hand")
        return Observed(
            **{
                **held,
                "order": tuple(held["order"]),
                "limits": tuple(held["limits"]),
                "told": {name: (str(text), dict(numbers)) for name, (text, numbers) in held["told"].items()},
                "addresses": tuple(AtAddress(**row) for row in held["addresses"]),
                "by_hand": ByHand(
                    tuple(Reading(**row) for row in by_hand["readings"]),
                    tuple(Tried(**row) for row in by_hand["tried"]),
                    {str(name): float(value) for name, value in by_hand["scope"].items()},
                ),
            }
        )
    except StateError:
        raise
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise StateError(f"not a saved diagnosis ({error}): save one with --save FILE") from None
