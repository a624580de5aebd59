"""From gathered evidence to a diagnosis: proofs, symptoms and their sentences first, then `conclude`."""

from __future__ import annotations

from collections.abc import Sequence

from benchtool.capture.settings import LineSettings
from benchtool.diagnose.ascii_seen import HINT, looks_like_ascii
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.finding import Diagnosis
from benchtool.diagnose.format_seen import FormatSeen, format_seen
from benchtool.diagnose.leaning import leans_heard
from benchtool.diagnose.limits import limits
from benchtool.diagnose.observed import Observed, Told
from benchtool.diagnose.places import AtAddress
from benchtool.diagnose.proofs import Proofs, gather
from benchtool.diagnose.readings import ByHand
from benchtool.diagnose.symptoms import SYMPTOMS, symptoms, tell
from benchtool.measure.conduct import AddressConduct

_PROVED_KINDS = 2
"""Different frames that come out when read in another format, to prove it."""


def diagnose(
    evidence: Evidence,
    settings: LineSettings,
    *,
    length_m: float | None = None,
    order: Sequence[int] = (),
    by_hand: ByHand | None = None,
) -> Diagnosis:
    """The diagnosis of what was gathered and measured.

    `settings` is what the receiver was set to; `length_m` the pair's length in metres where it is known; `order` the
    addresses in their order along the pair, from the controller.
    """
    observed = observe(evidence, settings, length_m=length_m, order=order)
    return conclude(observed if by_hand is None else observed.measured(by_hand), evidence.figures)


def observe(
    evidence: Evidence,
    settings: LineSettings,
    *,
    tap: str = "",
    length_m: float | None = None,
    order: Sequence[int] = (),
) -> Observed:
    """What the octets say: symptoms with their sentences, counts by address, and what could not be seen."""
    proofs = gather(evidence, settings)
    marks = format_seen(evidence, settings)
    told: dict[str, Told] = {}
    for symptom in SYMPTOMS:
        sentence = tell(symptom.name, evidence, proofs, settings, None)
        if sentence is not None:
            told[symptom.name] = sentence
    return Observed(
        tap=tap,
        baud=settings.baud,
        format=str(settings.format),
        length_m=length_m,
        order=tuple(order),
        symptoms=symptoms(evidence, proofs, settings),
        told=told,
        addresses=at_addresses(evidence, proofs),
        octets=evidence.figures.octets,
        sender_baud=_rate_found(proofs),
        sender_format=_format_found(proofs, marks),
        limits=limits(evidence, settings, length_m),
        looks_like=HINT if looks_like_ascii(evidence) else "",
        leans=leans_heard(evidence, settings, marks),
    )


def at_addresses(evidence: Evidence, proofs: Proofs) -> tuple[AtAddress, ...]:
    """The counts of each address."""
    conduct = {(row.protocol, row.address): row for row in evidence.conduct.addresses}
    found = []
    for row in evidence.figures.addresses:
        key = (row.protocol, row.address)
        slot = proofs.at_address.get(key)
        kept = conduct.get(key, AddressConduct(*key))
        quantiles = kept.latency_quantiles
        found.append(
            AtAddress(
                row.protocol.value,
                row.address,
                row.requests,
                row.answered,
                row.silent,
                row.damaged,
                row.unasked,
                quantiles[2] / 1e6 if len(quantiles) == 5 else None,
                quantiles[4] / 1e6 if len(quantiles) == 5 else None,
                inverted=slot.passed if slot is not None else 0,
                sequence_faults=kept.sequence_faults,
                outages=kept.outages,
                collisions=kept.seconds + evidence.where.after_reply_of.get(key, 0),
                proven_late=kept.proven_late,
            )
        )
    return tuple(found)


def _rate_found(proofs: Proofs) -> int | None:
    """The bus's rate, where frames prove it, or practically all octets lie in a small closed set of values."""
    rate = proofs.rate
    if rate is None:
        return None
    closed = rate.values is not None and rate.values.share >= 0.99 and rate.values.set_size <= 64
    return rate.sender_baud if rate.passed or closed else None


def _format_found(proofs: Proofs, marks: FormatSeen | None) -> str:
    """The bus's character format, where frames prove it or the marks tell it; else empty."""
    proof = proofs.format
    if proof is not None and proof.kinds_passed >= _PROVED_KINDS:
        return str(proof.sent)
    return "" if marks is None else str(marks.sent)
