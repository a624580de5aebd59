"""Symptoms as sentences with their numbers, as a technician reads them beside a finding."""

from __future__ import annotations

from benchtool.capture.settings import LineSettings
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.proofs import Proofs
from benchtool.diagnose.symptoms import BY_NAME, View

Told = tuple[str, dict[str, float | int | str]]


def tell(
    name: str, evidence: Evidence, proofs: Proofs, settings: LineSettings, address: int | None = None
) -> Told | None:
    """The symptom as evidence; None where it could not be seen or has nothing to say. KeyError for an unknown name."""
    symptom = BY_NAME[name]
    value = symptom.value(View(evidence, proofs, settings))
    if value is None:
        return None
    return f"{symptom.about}: {value:.3g}", {name.replace("-", "_"): round(value, 6)}
