"""Turns evidence into a diagnosis: infer, then say it in words with numbers, proofs and next steps."""

from __future__ import annotations

from benchtool.capture.chunk import LineErrors
from benchtool.capture.settings import LineSettings
from benchtool.diagnose.advice import ADVICE, NOTHING_HEARD
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.finding import Cause, Diagnosis, Finding, Proof, Step
from benchtool.diagnose.inference import Piece, Posterior, infer
from benchtool.diagnose.proofs import Proofs, gather
from benchtool.diagnose.reflections import blind_length_m
from benchtool.diagnose.wording import describe_piece, summary
from benchtool.measure.tally import AddressFigures

LEAST_PROBABILITY = 0.01
"""Findings below this are not listed."""
_MOST_STEPS = 3
_WORTH_A_STEP = 0.15
"""Findings less probable than this bring no next step of their own."""
_FEW_REQUESTS = 20
"""With fewer requests heard, the diagnosis says that it rests on little."""
_WEIGHTY = 0.15
"""Evidence that favours or speaks against a cause by less than this (log10) is not listed."""
_ALWAYS = {Cause.BAUD_WRONG: Piece.RATE, Cause.REVERSED_AT_TAP: Piece.SWAPPED, Cause.REVERSED_AT_DEVICE: Piece.SLOTS}
"""The piece that a cause is proved or refuted by: listed whatever its weight."""


def diagnose(evidence: Evidence, settings: LineSettings, *, length_m: float | None = None) -> Diagnosis:
    """The diagnosis of what was gathered.

    `settings` is what the receiver was set to; `length_m` the pair's length in metres where it is known.
    """
    proofs = gather(evidence, settings)
    posterior = infer(evidence, proofs, settings, length_m)
    findings = _findings(evidence, proofs, posterior, settings, length_m)
    steps = _steps(findings, evidence, proofs)
    return Diagnosis(findings, steps, _limits(evidence, settings, length_m), evidence.figures)


def _findings(
    evidence: Evidence, proofs: Proofs, posterior: Posterior, settings: LineSettings, length_m: float | None
) -> tuple[Finding, ...]:
    findings = []
    device = posterior.probability.get(Cause.DEVICE_SILENT, 0.0) + posterior.probability.get(
        Cause.REVERSED_AT_DEVICE, 0.0
    )
    for cause, probability in posterior.probability.items():
        if cause in (Cause.DEVICE_SILENT, Cause.REVERSED_AT_DEVICE):
            for address in posterior.silent:
                turned = posterior.reversed_share[(address.protocol, address.address)]
                share = turned if cause is Cause.REVERSED_AT_DEVICE else 1 - turned
                findings.append(
                    _finding(cause, device * share, address, evidence, proofs, posterior, settings, length_m)
                )
        else:
            findings.append(_finding(cause, probability, None, evidence, proofs, posterior, settings, length_m))
    kept = [finding for finding in findings if finding.probability >= LEAST_PROBABILITY]
    return tuple(sorted(kept, key=lambda finding: -finding.probability))


def _finding(
    cause: Cause,
    probability: float,
    address: AddressFigures | None,
    evidence: Evidence,
    proofs: Proofs,
    posterior: Posterior,
    settings: LineSettings,
    length_m: float | None,
) -> Finding:
    place = "bus" if address is None else f"address {address.address}"
    if cause in (Cause.REVERSED_AT_TAP, Cause.BAUD_WRONG):
        place = "tap"
    lines = []
    for piece, weight in posterior.weights[cause].items():
        if abs(weight) < _WEIGHTY and piece not in (Piece.DAMAGE, _ALWAYS.get(cause)):
            continue
        told = describe_piece(piece, evidence, proofs, settings, address)
        if told is not None:
            lines.append(Proof(told[0], round(weight, 2), told[1]))
    advice = ADVICE[cause]
    return Finding(
        cause,
        place,
        round(probability, 4),
        summary(cause, address, proofs, settings, evidence),
        tuple(sorted(lines, key=lambda proof: -proof.weight)),
        advice.could_also_be,
        advice.todo,
    )


def _steps(findings: tuple[Finding, ...], evidence: Evidence, proofs: Proofs) -> tuple[Step, ...]:
    if evidence.figures.octets == 0:
        return NOTHING_HEARD
    steps: dict[Step, None] = {}
    if findings[0].cause is Cause.BAUD_WRONG and proofs.rate is not None:
        rate = proofs.rate.sender_baud
        found = Step(
            f"Listen again at the rate found: --baud {rate}.",
            (f"sound frames come: {rate} it is", "none come: try the other usual rates"),
        )
        steps[found] = None
    for finding in findings:
        if finding.probability >= _WORTH_A_STEP or finding is findings[0]:
            steps.update(dict.fromkeys(ADVICE[finding.cause].steps))
    return tuple(steps)[:_MOST_STEPS]


def _limits(evidence: Evidence, settings: LineSettings, length_m: float | None) -> tuple[str, ...]:
    figures = evidence.figures
    limits = []
    heard_s = (figures.elapsed_ns - figures.deaf_ns) / 1e9
    if figures.deaf_ns:
        limits.append(
            f"For {figures.deaf_ns / 1e9:.1f} s of {figures.elapsed_ns / 1e9:.1f} s nothing could be heard "
            f"(adapter gone): the findings rest on {heard_s:.1f} s."
        )
    requests = sum(address.requests for address in figures.addresses)
    if figures.octets == 0:
        limits.append("This tap cannot tell a bus on which nobody talks from a clip that makes no contact.")
    elif figures.sound and requests < _FEW_REQUESTS:
        limits.append(
            f"Only {requests} request{'' if requests == 1 else 's'} and their answers were heard: too little to trust "
            "a clean result. Listen longer (--for 1m)."
        )
    blind = blind_length_m(settings.baud)
    if figures.octets and (length_m is None or length_m <= blind):
        known = "this pair" if length_m is not None else "a pair"
        what = f"of {length_m:g} m" if length_m is not None else f"shorter than {blind:.0f} m"
        longest = " (longer than any RS-485 pair should be)" if blind > 1200 and length_m is None else ""
        limits.append(
            f"A missing terminator cannot be seen this way on {known} {what}{longest} at {settings.baud} bit/s: "
            "reflections die down before the bit is sampled. An ohmmeter shows it (60 ohm with two, 120 ohm with one)."
        )
    marks = figures.marks["framing"] + figures.marks["parity"]
    if figures.sound > figures.damaged and 10 * marks > figures.octets:
        limits.append(
            f"{marks} of {figures.octets} octets had a framing or parity error although their frames are sound: our "
            f"character format ({settings.format}) is probably not the bus's. Try --format 8E1, 8N2 or 8N1."
        )
    if figures.line_errors is LineErrors.UNAVAILABLE:
        limits.append("This tap cannot see framing or parity errors: that none are shown proves nothing.")
    elif figures.line_errors is LineErrors.COUNTED:
        limits.append("This tap counts line errors without saying on which octet.")
    if figures.resolution_ns >= 1_000_000:
        limits.append(f"Silences shorter than {figures.resolution_ns / 1e6:g} ms cannot be told from none at this tap.")
    return tuple(limits)
