"""What is believed at one point, weighed from everything observed: what a diagnosis tells, and a hunt asks by."""

from __future__ import annotations

import math
from typing import NamedTuple

from benchtool.diagnose import draws, weigh
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.places import LEAST_REQUESTS, AtAddress, places
from benchtool.diagnose.sensible import CERTAIN
from benchtool.diagnose.weigh import Belief, Places

_MOSTLY = 0.5
NOT_SOUND = 20.0
"""Log-likelihood of any cause against a sound bus where an address's replies mostly come damaged, or a good part of all
octets with a line error (judgement)."""
_MARKED, _MARKED_OCTETS = 0.05, 50
"""Share of octets with a line error, and how many there must be: no sound bus, heard as it is set, brings them."""


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


def mostly_damaged(observed: Observed) -> AtAddress | None:
    """The address, if any, most of whose replies come damaged: no sound bus does that, however well the rest goes."""
    found = [one for one in observed.addresses if one.requests >= LEAST_REQUESTS]
    worst = max(found, key=lambda one: one.share(one.damaged), default=None)
    return worst if worst is not None and worst.share(worst.damaged) >= _MOSTLY else None


def not_sound(observed: Observed) -> dict[str, dict[str, float | int | str]]:
    """What no sound bus does, in words, with its numbers; empty where nothing of the kind was heard."""
    found: dict[str, dict[str, float | int | str]] = {}
    spoilt = mostly_damaged(observed)
    if spoilt is not None:
        told = f"address {spoilt.address}: {spoilt.damaged} of {spoilt.requests} replies are damaged"
        found[told] = {"damaged": spoilt.damaged}
    shares = {kind: (observed.symptoms or {}).get(f"marks-{kind}") or 0.0 for kind in ("framing", "parity")}
    kind = max(shares, key=lambda one: shares[one])
    marked = round(shares[kind] * observed.octets)
    if shares[kind] >= _MARKED and marked >= _MARKED_OCTETS:
        found[f"{marked} {kind} errors in {observed.octets} octets: no sound bus has so many"] = {"marked": marked}
    return found


def believed(observed: Observed) -> Belief:
    """Weigh everything observed."""
    heard_at = places(observed.addresses)
    belief = weigh.believe(
        observed.symptoms, observed.by_hand, observed.length_m, heard_at, rate_of(observed), observed.leans
    )
    if not not_sound(observed):
        return belief
    logs, probability = belief.log_likelihood.copy(), belief.probability.copy()
    logs[0] -= NOT_SOUND
    probability[0] *= math.exp(-NOT_SOUND)
    return Belief(logs, probability / probability.sum())


def state_of(observed: Observed) -> State:
    """Weigh everything observed, and say where the causes are."""
    heard_at, belief = places(observed.addresses), believed(observed)
    hand = weigh.that_counts(observed.by_hand, observed.symptoms)
    at = draws.load().placed(hand, observed.length_m, heard_at, belief.probability)
    shown, group = weigh.levelled(belief, belief.present())
    return State(belief, heard_at, at, shown, group)
