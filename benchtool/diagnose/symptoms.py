"""What is measured on octets to tell causes apart: shares and ratios, so that rate, length and polling matter little.

`symptoms` gives every one a value, or None where it cannot be seen here: a blind adapter, times too coarse, too few of
what it is a share of. `SYMPTOMS` says what each is, and where its bins end; `tell` says one as a sentence.
"""

from __future__ import annotations

from benchtool.capture.settings import LineSettings
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.proofs import Proofs
from benchtool.diagnose.symptom import Symptom, Told, View
from benchtool.diagnose.symptoms_amount import AMOUNT
from benchtool.diagnose.symptoms_bits import BITS, STRAYS
from benchtool.diagnose.symptoms_talk import TALK, UNDONE

__all__ = ["BY_NAME", "SYMPTOMS", "Symptom", "Told", "symptoms", "tell"]

SYMPTOMS: tuple[Symptom, ...] = (*AMOUNT, *BITS, *STRAYS, *TALK, *UNDONE)
BY_NAME = {symptom.name: symptom for symptom in SYMPTOMS}


def symptoms(evidence: Evidence, proofs: Proofs, settings: LineSettings) -> dict[str, float | None]:
    """The value of each symptom, by name; None where it cannot be seen here."""
    view = View(evidence, proofs, settings)
    found = {symptom.name: symptom.measure(view) for symptom in SYMPTOMS}
    return {name: None if measured is None else float(measured.value) for name, measured in found.items()}


def tell(
    name: str, evidence: Evidence, proofs: Proofs, settings: LineSettings, address: int | None = None
) -> Told | None:
    """The symptom as a sentence with its numbers; None where it could not be seen. KeyError for an unknown name.

    `address`: where a finding is about one device, what is taken at the worst address is said of that one.
    """
    return BY_NAME[name].tell(View(evidence, proofs, settings, address))
