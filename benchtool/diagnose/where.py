"""Where damaged spans stood in the conversation."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchtool.frames.frame import Protocol


@dataclass(frozen=True, slots=True)
class Where:
    """Where damaged spans (strays left out) stood in the conversation, and what they were like."""

    in_slot: int = 0
    """After a sound request, where its reply is due."""
    after_reply: int = 0
    """After a sound reply, where the next request is due."""
    after_reply_of: dict[tuple[Protocol, int], int] = field(default_factory=dict)
    """The second of these, by the address that had replied."""
    octets: int = 0
    """In all damaged spans, strays too."""
    first_wrong: int = 0
    """Spans that do not begin as the frames of this bus do."""
    truncated: int = 0
    end_sound: int = 0
    """Spans that end as a sound frame does: damaged in their beginning only."""
    shorter: int = 0
    """In a reply's place, and shorter than this address' last sound reply."""
    same_length: int = 0
    longer: int = 0
    extra_before: int = 0
    """Octets before a damaged copy of a known frame that belong to no frame."""
    extra_after: int = 0
