"""What to do next where no reading and no action is expected to tell more: what is left of the advice, or to mend."""

from __future__ import annotations

from benchtool.diagnose import steps
from benchtool.diagnose.advice import ADVICE
from benchtool.diagnose.finding import Cause, Finding, Step
from benchtool.diagnose.readings import ByHand

_SURE = 0.95

_DONE_BY: dict[Step, frozenset[str]] = {
    steps.IDLE_AT_TAP: frozenset(("ab-idle",)),
    steps.IDLE_AT_DEVICE: frozenset(("ab-idle@",)),
    steps.OHMS: frozenset(("ab-ohms",)),
    steps.OHMS_AT_BOTH_ENDS: frozenset(("ab-ohms", "ab-ohms-far")),
    steps.OHMS_TO_SHIELD: frozenset(("a-ground-ohms", "b-ground-ohms")),
    steps.GROUND_VOLTS: frozenset(("ground-volts@",)),
    steps.POWER_AT_DEVICE: frozenset(("supply@",)),
    steps.SWAP_AT_TAP: frozenset(("swap-clip",)),
    steps.SWAP_AT_DEVICE: frozenset(("swap-wires@",)),
    steps.UNPLUG_DEVICE: frozenset(("unplug@",)),
    steps.LOWER_RATE: frozenset(("lower-baud",)),
}
"""By which readings and actions a piece of advice is done."""


def left_over(leader: Finding, by_hand: ByHand, *, listened: bool) -> tuple[Step, ...]:
    """The first advice of a cause; where that was done already, that it is enough, and what is left of the advice."""
    done = {reading.kind for reading in by_hand.readings} | {tried.action for tried in by_hand.tried}
    advice = ADVICE[leader.cause].steps
    still = [step for step in advice if not (step in _DONE_BY and _DONE_BY[step] <= done)]
    if still and still[0] is advice[0]:
        return (advice[0],)
    return (_enough(leader, listened=listened), *still[:1])


def _enough(leader: Finding, *, listened: bool) -> Step:
    cause, again = leader.cause, "listen again for 20 seconds" if listened else "measure again"
    if cause is Cause.HEALTHY:
        found = "no more of these readings would tell more. Close the covers, or listen longer (--for 10m)"
        return Step(f"Enough is known: {found if listened else 'no more of these readings would tell more'}.", ())
    begin = "Enough is known" if leader.probability >= _SURE else "No more of these readings would tell more"
    return Step(
        f"{begin}: mend {cause.value} as its finding says, then {again}.",
        ("all is well then: it was that", "as before: something else is at work; go on with what else it could be"),
    )
