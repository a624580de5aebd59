"""Readings, hints and agreements as plain values for `--json`; the keys are documented in docs/card-formats.md."""

from __future__ import annotations

from benchtool.frames.card.compare import Agreement
from benchtool.frames.card.decode import CardReading
from benchtool.frames.card.hints import Hint
from benchtool.frames.meaning import Value


def read_values(read: CardReading, changed: str = "as given") -> dict[str, Value]:
    """One reading. `changed` says what was done to the bits before they were read."""
    return {
        "format": read.format.name,
        "site_code": read.site_code,
        "card_number": read.card_number,
        "parity_ok": read.parity_ok,
        "fields": {value.field.name: value.number for value in read.values},
        "ok": read.ok,
        "as": changed,
        "length": read.bits.length,
        "bits": read.bits.text,
        "hex": read.bits.hex,
        "octets": read.bits.octets.hex().upper(),
        "data": read.data,
        "parity": [
            {
                "bit": check.group.bit,
                "sense": check.group.sense.value,
                "covers": list(check.group.covers),
                "ones": check.ones,
                "ok": check.ok,
            }
            for check in read.parity
        ],
        "constants": [
            {
                "bits": list(check.constant.places),
                "value": check.constant.value,
                "found": check.found,
                "ok": check.ok,
            }
            for check in read.constants
        ],
        "checks": [
            {
                "name": digit.check.name,
                "method": digit.check.method.value,
                "value": digit.found,
                "wanted": digit.wanted,
                "ok": digit.ok,
            }
            for digit in read.checks
        ],
    }


def hint_values(hint: Hint) -> dict[str, Value]:
    """One hint with its readings, which say that they are not as given."""
    return {
        "what": hint.what,
        "means": hint.means,
        "proof": hint.proof,
        "reads": [read_values(read, hint.what) for read in hint.reads],
    }


def agreement_values(agreement: Agreement) -> dict[str, Value]:
    """One agreement with a printed number."""
    return {"as": agreement.changed, "how": agreement.how, **_short(agreement.read)}


def _short(read: CardReading) -> dict[str, Value]:
    values = read_values(read)
    return {key: values[key] for key in ("format", "site_code", "card_number", "parity_ok")}
