"""What a simulated Modbus server tells of itself: Read Device Identification, 2B with type 0E.

Objects 0 to 2 are basic, to 7F regular, from 80 the maker's own. From memory (docs/modbus.md).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchtool.simulate.modbus_counts import RefusedError

_ILLEGAL_ADDRESS = 2
_LAST = {1: 0x02, 2: 0x7F, 3: 0xFF}
_ONE = 4
_MOST_OBJECT_OCTETS = 253 - 7
"""What is left of function and data (sheet 3.4) after those before the objects."""


def identification(objects: Mapping[int, str], read_code: int, first: int) -> dict[str, Any]:
    """The reply's values; as many objects as a frame holds, and where to go on. RefusedError for one that is not."""
    level = 0x83 if max(objects) > 0x7F else 0x82 if max(objects) > 0x02 else 0x81
    told = {"mei_type": 0x0E, "read_code": read_code, "conformity": level, "more_follows": 0, "next_object": 0}
    if read_code == _ONE:
        if first not in objects:
            raise RefusedError(_ILLEGAL_ADDRESS)
        wanted = [first]
    else:
        wanted = [number for number in sorted(objects) if number <= _LAST[read_code]]
        # One that is not there is taken for the first.
        wanted = wanted[wanted.index(first) :] if first in wanted else wanted
    records: list[dict[str, Any]] = []
    left = _MOST_OBJECT_OCTETS
    for number in wanted:
        text = objects[number].encode("latin-1", "replace")[: _MOST_OBJECT_OCTETS - 2].decode("latin-1")
        if len(text) + 2 > left:
            told |= {"more_follows": 0xFF, "next_object": number}
            break
        left -= len(text) + 2
        records.append({"object": number, "text": text})
    return {**told, "objects": records, "object_count": len(records)}
