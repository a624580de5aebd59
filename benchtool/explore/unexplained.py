"""What frames that are not sound may be, other than damaged: short acknowledgements, and frames with escaped octets."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from benchtool.explore.words import hex_words
from benchtool.frames.frame import Frame, Protocol
from benchtool.frames.protocol_table import ProtocolTable

_SHORT = 2
_OFTEN = 0.1
_LEAST = 5
_UNSOUND = 0.02
_EXPECTED = 4


def unexplained(frames: Sequence[Frame], table: ProtocolTable) -> list[str]:
    """In words, for frames and spans as the table reads them; empty where nothing but damage shows."""
    sound = [frame for frame in frames if frame.ok and frame.protocol is Protocol.TABLE]
    others = [frame.octets for frame in frames if not frame.ok]
    notes = []
    short = Counter(octets for octets in others if len(octets) <= _SHORT)
    for octets, count in short.most_common(2):
        if count >= max(_LEAST, _OFTEN * len(sound)):
            notes.append(
                f"{hex_words(octets)} comes by itself {count} times: perhaps an acknowledgement rather than damage; "
                "the table does not know it"
            )
    if len(others) >= max(_LEAST, _UNSOUND * len(sound)):
        inside = Counter(octet for frame in sound for octet in frame.octets[1:-1])
        flags = {one[0] for one in (*table.starts, *table.ends) if len(one) == 1}
        notes += [
            f"{flag:02X} never comes inside a sound frame: where it is data, other octets may stand for it (escaped), "
            "and such frames count as damaged here"
            for flag in sorted(flags)
            if not inside[flag] and inside.total() >= 256 * _EXPECTED
        ]
    return notes
