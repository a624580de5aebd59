"""Everything that a diagnosis rests on, small and plain, so that it can be saved and taken up again.

`--save FILE` writes it as JSON; `benchtool diagnose FILE --meter …` goes on from it. No octets, no card data in it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from benchtool.capture.printable import printable
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.lean import MOST_HEARD, MOST_LOG, Lean
from benchtool.diagnose.places import AtAddress
from benchtool.diagnose.readings import MOST_ADDRESS, ByHand, Reading, Seen, Tried, action_of, kind_of
from benchtool.diagnose.sights_known import sight_of

VERSION = 1
_KEY = "benchtool-diagnosis"
_MOST = 1e12
"""No figure of a bus is greater."""

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
    sender_format: str = ""
    """The bus's character format, as `8E1`, where it was found to be another one; else empty."""
    limits: tuple[str, ...] = ()
    by_hand: ByHand = field(default_factory=ByHand)
    looks_like: str = ""
    """What traffic that fits no protocol looked for seems to be, with what to try; empty where nothing was noticed."""
    leans: tuple[Lean, ...] = ()
    """What a record of the installation says for or against causes, and what follows from what was heard."""

    def measured(self, more: ByHand) -> Observed:
        """The same with further readings."""
        return replace(self, by_hand=self.by_hand + more)


def to_json(observed: Observed) -> str:
    """The text of a saved diagnosis."""
    return json.dumps({_KEY: VERSION, **asdict(observed)}, indent=1, default=_worth)


def _worth(cause: Cause) -> str:
    return cause.value


def is_saved(beginning: bytes) -> bool:
    """Whether a file that begins like this is a saved diagnosis."""
    return _KEY.encode() in beginning[:200]


def from_json(text: str) -> Observed:
    """Read a saved diagnosis; StateError says what is wrong. Whatever a file holds, the result can be weighed."""
    try:
        held: dict[str, Any] = json.loads(text)
        if held.pop(_KEY) != VERSION:
            raise StateError("this saved diagnosis was made by another version of benchtool: listen again")
        found = _from_object(held)
    except StateError:
        raise
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
        raise StateError(f"not a saved diagnosis ({_plain(str(error))}): save one with --save FILE") from None
    return found


def _from_object(held: dict[str, Any]) -> Observed:
    by_hand = held.pop("by_hand")
    symptoms, length_m, sender = held.get("symptoms"), held.get("length_m"), held.get("sender_baud")
    return Observed(
        **{
            **held,
            "tap": _plain(held.get("tap", "")),
            "format": _plain(held.get("format", "")),
            "sender_format": _plain(held.get("sender_format", "")),
            "baud": _whole(held["baud"]),
            "octets": _whole(held["octets"]),
            "sender_baud": None if sender is None else _whole(sender),
            "length_m": None if length_m is None else _number(length_m, least=0.001),
            "symptoms": None
            if symptoms is None
            else {
                str(name): None if value is None or value != value else _number(value)
                for name, value in symptoms.items()
            },
            "looks_like": _plain(held.get("looks_like", "")),
            "order": tuple(map(_whole, held["order"])),
            "limits": tuple(map(_plain, held["limits"])),
            "told": {name: (_plain(text), _numbers(numbers)) for name, (text, numbers) in held["told"].items()},
            "addresses": tuple(map(_at_address, held["addresses"])),
            "by_hand": ByHand(
                tuple(map(_reading, by_hand["readings"])),
                tuple(map(_tried, by_hand["tried"])),
                {str(name): _number(value) for name, value in by_hand["scope"].items()},
                tuple(map(_seen, by_hand.get("seen", ()))),
            ),
            "leans": tuple(map(_lean, held.get("leans", ()))),
        }
    )


def _plain(text: object) -> str:
    """A text without line ends and control characters; it is shown on a terminal."""
    if not isinstance(text, str):
        raise ValueError(f"{text!r:.40} where a text belongs")
    return printable(text)


def _number(value: object, least: float = -_MOST) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= _MOST:
        raise ValueError(f"{value!r:.40} where a number belongs")
    return float(value)


def _whole(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= _MOST:
        raise ValueError(f"{value!r:.40} where a whole number belongs")
    return value


def _numbers(held: dict[str, Any]) -> dict[str, float | int | str]:
    """Numbers stay as they stand: a count is a whole one."""
    return {
        str(name): _plain(value) if isinstance(value, str) else value
        for name, value in held.items()
        if isinstance(value, str) or _number(value) is not None
    }


def _at_address(row: dict[str, Any]) -> AtAddress:
    checked: dict[str, Any] = {}
    for name, value in row.items():
        if name.startswith("latency"):
            checked[name] = None if value is None else _number(value, least=0)
        else:
            checked[name] = _plain(value) if name == "protocol" else _whole(value)
    return AtAddress(**checked)


def _reading(row: dict[str, Any]) -> Reading:
    found = Reading(str(row["kind"]), _number(row["value"]), row.get("address"))
    _placed_as(found.kind, kind_of(found.kind).at_device, found.address)
    return found


def _lean(row: dict[str, Any]) -> Lean:
    cause = Cause(row["cause"])
    if cause is Cause.HEALTHY:
        raise ValueError("a record leans to faults, not to a sound bus")
    heard = row.get("heard") is True
    most = MOST_HEARD if heard else MOST_LOG
    log = max(-most, min(most, _number(row["log"])))
    return Lean(cause, log, _plain(row["because"]), heard)


def _tried(row: dict[str, Any]) -> Tried:
    found = Tried(str(row["action"]), row["better"] is True, row.get("address"))
    _placed_as(found.action, action_of(found.action).at_device, found.address)
    return found


def _seen(row: dict[str, Any]) -> Seen:
    found = Seen(str(row["sight"]), str(row["answer"]), row.get("address"))
    sight = sight_of(found.sight)
    if found.answer not in sight.words():
        raise ValueError(f"{found.answer!r:.40} is no answer to {found.sight}")
    _placed_as(found.sight, sight.at_device, found.address)
    return found


def _placed_as(name: str, at_device: bool, address: object) -> None:
    if (address is not None) != at_device or (at_device and _whole(address) > MOST_ADDRESS):
        raise ValueError(f"{name} at address {address!r:.40}")
