"""Devices that answered well and then fell silent for good, while somebody listened. Weights: judgements.

The tables of `diagnose` know faults that are there from the first octet on: a capture that is half sound and half dead
is like none of their lines, and most like that of a device that goes and comes again.
"""

from __future__ import annotations

from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.lean import MOST_HEARD, Lean

_SETTLED = 10
"""Answers before, and unanswered requests since, that make it no chance."""
_NOW_AND_THEN = (Cause.DEVICE_RESETTING, Cause.DRIVER_HELD_LATE)
"""Causes by which replies fail now and then, without damage that must be seen here."""
_NO_RETURN = 3.0
"""Against these, of a device that never came again."""
_ONE, _ALL = 4.0, 1.0


def fell_silent(evidence: Evidence) -> tuple[Lean, ...]:
    """What it says that devices which had answered answer no more; nothing where one came back in between."""
    talked = [one for one in evidence.conduct.addresses if one.answered >= _SETTLED]
    gone = [one for one in talked if one.silent_last >= _SETTLED]
    if not gone or any(one.outages for one in talked):
        return ()
    if len(gone) == 1 < len(talked):
        one = gone[0]
        because = (
            f"address {one.address} answered {one.answered} requests, and then none of the last {one.silent_last}: it "
            "fell silent while we listened, and has not come back"
        )
        towards: tuple[Lean, ...] = (Lean(Cause.DEVICE_SILENT, _ONE, because, heard=True),)
    elif len(gone) == len(talked):
        those = {1: "the only device that answered", 2: "both devices that answered"}
        who = those.get(len(gone), f"all {len(gone)} devices that answered")
        because = (
            f"{who} fell silent while we listened, and nothing has come back: the pair, a supply or a plug went, or "
            "somebody stopped what was there"
        )
        shared = [Cause.CONDUCTOR_OPEN, Cause.PAIR_SHORTED]
        if len(gone) == 1:
            shared.append(Cause.DEVICE_SILENT)
        towards = tuple(Lean(cause, _ALL, because, heard=True) for cause in shared)
    else:
        because = (
            f"{len(gone)} of {len(talked)} devices that answered fell silent while we listened, and none of these has "
            "come back: look for what they share"
        )
        towards = (Lean(Cause.CONDUCTOR_OPEN, _ALL, because, heard=True),)
    away = tuple(Lean(cause, -_NO_RETURN, because, heard=True) for cause in _NOW_AND_THEN)
    return (*towards, *away, Lean(Cause.HEALTHY, -MOST_HEARD, because, heard=True))
