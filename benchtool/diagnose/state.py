"""What is believed at one point, weighed from everything observed: what a diagnosis tells, and a hunt asks by."""

from __future__ import annotations

from typing import NamedTuple

from benchtool.diagnose import draws, weigh
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import places
from benchtool.diagnose.sensible import CERTAIN
from benchtool.diagnose.weigh import Belief, Places


class State(NamedTuple):
    """Probabilities of causes, and of their places."""

    belief: Belief
    heard_at: Places
    """Places by what was heard alone."""
    at: Places
    """The same after what was measured at devices."""
    shown: dict[Cause, float]
    """Probabilities as they are shown."""
    group: tuple[Cause, ...]
    """What cannot be told apart, the likeliest first; empty where nothing is."""

    @property
    def leader(self) -> Cause:
        """The most probable cause, or none."""
        return max(self.shown, key=lambda one: self.shown[one])

    @property
    def certain(self) -> bool:
        """Whether one cause is practically certain."""
        return self.shown[self.leader] >= CERTAIN and not self.group


def rate_of(observed: Observed) -> int | None:
    """The bus's rate as far as it is known: nobody says it where nothing was listened to."""
    return None if observed.symptoms is None else observed.sender_baud or observed.baud


def believed(observed: Observed) -> Belief:
    """Weigh everything observed."""
    heard_at = places(observed.addresses)
    return weigh.believe(
        observed.symptoms, observed.by_hand, observed.length_m, heard_at, rate_of(observed), observed.leans
    )


def state_of(observed: Observed) -> State:
    """Weigh everything observed, and say where the causes are."""
    heard_at, belief = places(observed.addresses), believed(observed)
    hand = weigh.that_counts(observed.by_hand, observed.symptoms)
    at = draws.load().placed(hand, observed.length_m, heard_at, belief.probability)
    shown, group = weigh.levelled(belief, belief.present())
    return State(belief, heard_at, at, shown, group)
