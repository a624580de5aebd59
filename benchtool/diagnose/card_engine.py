"""From the evidence of a reader's lines to a diagnosis."""

from __future__ import annotations

from benchtool.diagnose.card_conclude import conclude
from benchtool.diagnose.card_evidence import CardEvidence
from benchtool.diagnose.card_finding import CardDiagnosis


def diagnose_lines(evidence: CardEvidence) -> CardDiagnosis:
    """The diagnosis of everything given; with nothing given, the priors and what to do first. Raises nothing."""
    return conclude(evidence)
