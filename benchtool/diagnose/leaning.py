"""What follows from octets by rules beside the tables: each makes causes likelier, or less likely. Judgements."""

from __future__ import annotations

from benchtool.capture.settings import LineSettings
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.fell_silent import fell_silent
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.format_seen import FormatSeen
from benchtool.diagnose.fought import Fought, fought_over
from benchtool.diagnose.lean import MOST_LOG, Lean
from benchtool.frames.frame import Protocol

_ONE_LATE = 1.5
"""Log-likelihood of a slow device for each reply that is late by its number."""
_LEAST_UNHEARD, _UNHEARD_SHARE = 3, 0.3
"""So many commands must have come again though their reply was heard, and such a share of all: a controller that
counts wrong, two of them, or noise bring fewer (simulated buses with each: up to one in eight)."""
_AT_ITS_END = 2.0
"""Log-likelihood of causes by which the controller's end hears worse than another place on the pair."""
_ONE_FOUGHT = 1.0
"""Log-likelihood of two devices at one address for each different way in which the beginning of a reply is damaged, the
rest of it sound by its check value."""
_LEAST_WAYS, _SPOILT, _MOSTLY = 3, 0.4, 0.5
_HELD = 2.0
"""Log-likelihood of a driver held too long where it is so at several addresses."""
_VARIED = 2.5
"""Log-likelihood against a clock that is off where an address that never gave a sound answer, and so is only ever asked
to begin, damages its replies in ever other ways."""
_VARIED_KINDS, _VARIED_LEAST, _COMMONEST = 5, 10, 0.4
_WORSE_AT_AN_END = (
    Cause.LINE_TOO_LONG,
    Cause.STUB_TOO_LONG,
    Cause.TERMINATOR_MISSING_ONE,
    Cause.TERMINATOR_MISSING_BOTH,
    Cause.TERMINATOR_MISPLACED,
    Cause.BUS_OVERLOADED,
    Cause.GROUND_OFFSET,
)
_LITTLE_DAMAGE = 0.05
"""Where more than this share is damaged, damage tells more than what is asked again."""


def leans_heard(evidence: Evidence, settings: LineSettings, marks: FormatSeen | None) -> tuple[Lean, ...]:
    """All of them. `marks`: the format that line errors tell, if any."""
    return (
        *_late_by_number(evidence),
        *_by_marks(marks, settings),
        *_unheard(evidence),
        *fell_silent(evidence),
        *_fought(evidence),
    )


def _late_by_number(evidence: Evidence) -> tuple[Lean, ...]:
    """A command that was asked again with its number after 200 ms, and answered as often as asked: no second device."""
    worst = max(evidence.conduct.addresses, key=lambda one: one.proven_late, default=None)
    if worst is None or not worst.proven_late:
        return ()
    because = (
        f"address {worst.address}: {worst.proven_late} times a command was asked again after more than 200 ms, and "
        "then each asking answered: late replies, and no second device"
    )
    return (Lean(Cause.DEVICE_SLOW, min(MOST_LOG, worst.proven_late * _ONE_LATE), because, heard=True),)


def _by_marks(marks: FormatSeen | None, settings: LineSettings) -> tuple[Lean, ...]:
    """Line errors that fall as those of another character format do, octet value by octet value."""
    if marks is None:
        return ()
    return (Lean(Cause.FORMAT_WRONG, marks.log, marks.told(settings.format), heard=True),)


def _unheard(evidence: Evidence) -> tuple[Lean, ...]:
    """Commands asked again although their reply came sound to us: at the controller the wires need not be sound."""
    counts = evidence.unheard
    figures = evidence.figures
    if figures.damaged > _LITTLE_DAMAGE * figures.sound:
        return ()
    worst = max(counts, key=lambda one: counts[one].again / max(1, counts[one].answered), default=None)
    if worst is None or counts[worst].again < max(_LEAST_UNHEARD, _UNHEARD_SHARE * counts[worst].answered):
        return ()
    found = counts[worst]
    because = (
        f"address {worst}: {found.again} of {found.answered} times the controller asked the same again as if it had "
        "not heard the reply that came sound here: either replies do not reach the controller whole (the line at its "
        "end), or the two disagree"
    )
    line = tuple(Lean(cause, _AT_ITS_END, because, heard=True) for cause in _WORSE_AT_AN_END)
    return (*line, Lean(Cause.SEQUENCE_FAULTS, -_AT_ITS_END / 2, because, heard=True))


def _fought(evidence: Evidence) -> tuple[Lean, ...]:
    """Replies that two talkers fight over: two devices at one address, or at all of them the controller's driver."""
    rows = fought_over(evidence)
    begun = [one for one in rows if _begun_wrong(one)]
    found = []
    if len(begun) == 1:
        (one,) = begun
        because = (
            f"address {one.address}: {one.begun_wrong} of {one.damaged} damaged replies are sound by their check value "
            f"but for the beginning, in {one.kinds_begun_wrong} different ways: two talk at once"
        )
        log = min(MOST_LOG, one.kinds_begun_wrong * _ONE_FOUGHT)
        found.append(Lean(Cause.ADDRESS_DUPLICATE, log, because, heard=True))
    elif begun:
        because = (
            f"{sum(one.begun_wrong for one in begun)} of {sum(one.damaged for one in begun)} damaged replies of "
            f"{len(begun)} addresses are sound by their check value but for the beginning: the controller may still "
            "hold the pair"
        )
        found.append(Lean(Cause.DRIVER_HELD_LATE, _HELD, because, heard=True))
    for one in rows:
        varied = one.kinds >= _VARIED_KINDS and one.commonest <= _COMMONEST * one.damaged
        if one.protocol is Protocol.OSDP and not one.answered and one.damaged >= _VARIED_LEAST and varied:
            because = (
                f"address {one.address}: its {one.damaged} damaged replies come in {one.kinds} different ways; a clock "
                "that is off damages the same reply always alike"
            )
            found.append(Lean(Cause.CLOCK_OFF, -_VARIED, because, heard=True))
            break
    return tuple(found)


def _begun_wrong(one: Fought) -> bool:
    """Whether most replies of an address come damaged, and most of these but in their beginning."""
    spoilt = one.damaged >= _SPOILT * one.requests
    return spoilt and one.kinds_begun_wrong >= _LEAST_WAYS and one.begun_wrong >= _MOSTLY * one.damaged
