"""A diagnosis as a person can use it: no action that brings nothing, and no talk of listening where nobody listens.

What is probable, and what a measurement is worth, is worked out before (`conclude`); here nothing is weighed again.
"""

from __future__ import annotations

from dataclasses import replace

from benchtool.diagnose.advice import UNHEARD
from benchtool.diagnose.enough import left_over
from benchtool.diagnose.finding import Diagnosis, Finding, Step
from benchtool.diagnose.mends import MENDS
from benchtool.diagnose.readings import ACTIONS

CERTAIN = 0.95
"""From here on a finding is practically certain."""
_ACTIONS = frozenset(action.name for action in ACTIONS)


def sensible(diagnosis: Diagnosis, *, listened: bool) -> Diagnosis:
    """The same diagnosis with steps and words that fit. `listened`: whether there is, or was, a tap."""
    steps = tuple(step for step in diagnosis.next if not _idle(step, diagnosis.findings[0]))
    if not steps:
        steps = left_over(diagnosis.findings[0], diagnosis.by_hand, listened=listened)
    if listened:
        return replace(diagnosis, next=steps)
    return replace(diagnosis, next=steps, findings=tuple(_unheard(finding) for finding in diagnosis.findings))


def _idle(step: Step, leader: Finding) -> bool:
    """Whether a step is an action that does not mend what is practically certain."""
    action = _action(step)
    return action is not None and leader.probability >= CERTAIN and leader.cause not in MENDS[action]


def _action(step: Step) -> str | None:
    """The action that a step is, by its name without address; None for readings and plain advice."""
    name, at, _ = step.name.partition("@")
    return name + at if name + at in _ACTIONS else None


def _unheard(finding: Finding) -> Finding:
    return replace(
        finding,
        could_also_be=tuple(UNHEARD.get(text, text) for text in finding.could_also_be),
        todo=tuple(UNHEARD.get(text, text) for text in finding.todo),
    )
