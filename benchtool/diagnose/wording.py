"""The sentences of a diagnosis, each with its numbers."""

from __future__ import annotations

from benchtool.capture.settings import LineSettings
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.finding import Cause
from benchtool.diagnose.inference import Piece, marked_octets
from benchtool.diagnose.proofs import Inversion, Proofs, RateProof
from benchtool.measure.tally import AddressFigures

Told = tuple[str, dict[str, float | int | str]]


def summary(
    cause: Cause, address: AddressFigures | None, proofs: Proofs, settings: LineSettings, evidence: Evidence
) -> str:
    """One sentence: what it is."""
    where = f"address {address.address}" if address else ""
    if cause is Cause.HEALTHY:
        return "Nothing wrong was heard: devices answer, and check values are right."
    if cause is Cause.REVERSED_AT_TAP:
        return "The two data wires are swapped between the bus and our adapter (our own clip, most likely)."
    if cause is Cause.REVERSED_AT_DEVICE:
        return f"The two data wires are swapped at {where}."
    if cause is Cause.TERMINATOR_MISSING:
        return "One or both terminators are missing."
    if cause is Cause.NOISE:
        return "Noise between the wires damages octets at random."
    if cause is Cause.BAUD_WRONG:
        if proofs.rate is None or not (proofs.rate.passed or _fits(proofs.rate)):
            return f"The bus does not run at {settings.baud} bit/s."
        slower = " or less" if proofs.rate.values is not None and proofs.rate.values.set_size == 1 else ""
        return f"The bus runs at {proofs.rate.sender_baud} bit/s{slower}; our receiver is set to {settings.baud}."
    if cause is Cause.DEVICE_SILENT:
        return f"The device at {where} does not answer."
    if evidence.figures.octets == 0:
        return "Nothing at all was heard: no octet came."
    if evidence.figures.sound == 0 and 2 * evidence.long_repeats > evidence.long_spans:
        return "The same octets come again and again, in no protocol that benchtool knows, or at another rate."
    return "What was heard fits none of the causes that benchtool can tell apart from octets."


def _fits(rate: RateProof) -> bool:
    return rate.values is not None and rate.values.share >= 0.99 and rate.values.set_size <= 64


def describe_piece(
    piece: str, evidence: Evidence, proofs: Proofs, settings: LineSettings, address: AddressFigures | None
) -> Told | None:
    """A piece of evidence as a sentence and its numbers; None where there is nothing to say."""
    figures = evidence.figures
    if piece == Piece.DAMAGE:
        bad = _count(figures.damaged, "damaged frame or span", "damaged frames or spans")
        text = f"{_count(figures.sound, 'sound frame')}, {bad}"
        return text, {"sound": figures.sound, "damaged": figures.damaged}
    if piece == Piece.UNANSWERED:
        return _unanswered(evidence, address)
    if piece == Piece.SWAPPED and proofs.at_tap.tried:
        return _swapped(proofs.at_tap, "with the two wires swapped on paper")
    if piece == Piece.SLOTS and address is not None:
        found = proofs.at_address.get((address.protocol, address.address))
        if found is not None and found.tried:
            return _swapped(
                found, f"where address {address.address} should answer, with the two wires swapped on paper"
            )
        return None
    if piece == Piece.RATE:
        return _rate(proofs, settings)
    if piece == Piece.REPEATS and evidence.long_spans:
        return _repeats(evidence)
    if piece == Piece.MARKS:
        marked, total = marked_octets(evidence)
        if not total:
            return None
        return f"{marked} of {total} octets have a framing error", {"marked": marked, "octets": total}
    if piece == Piece.STRAYS and evidence.strays:
        return f"{_count(evidence.strays, 'stray octet')} in silences", {"strays": evidence.strays}
    return None


def _repeats(evidence: Evidence) -> Told:
    damage = evidence.damage
    text = (
        f"{evidence.long_repeats} of {_count(evidence.long_spans, 'damaged span')} equal an earlier one octet for octet"
    )
    if damage.copies:
        text += (
            f"; against sound copies of the same frames, {damage.rose} bits were read 1 for 0 and {damage.fell} 0 for 1"
        )
    return text, {
        "spans": evidence.long_spans,
        "repeats": evidence.long_repeats,
        "rose": damage.rose,
        "fell": damage.fell,
    }


def _unanswered(evidence: Evidence, address: AddressFigures | None) -> Told | None:
    figures = evidence.figures
    if address is not None:
        others = [other for other in figures.addresses if other is not address and other.requests]
        answering = sum(other.answered for other in others)
        asked = sum(other.requests for other in others)
        text = f"address {address.address} was asked {_times(address.requests)} and gave {_replies(address.answered)}"
        if others:
            text += f"; {len(others)} other{'s' if len(others) != 1 else ''}: {answering} of {asked} requests answered"
        return text, {"requests": address.requests, "answered": address.answered, "damaged": address.damaged}
    asked = sum(a.requests for a in figures.addresses)
    if not asked:
        return None
    answered = sum(a.answered for a in figures.addresses)
    return f"{answered} of {asked} requests answered", {"requests": asked, "answered": answered}


def _swapped(found: Inversion, how: str) -> Told:
    text = f"{found.passed} of {_count(found.tried, 'damaged span')} {how} become whole frames whose check value passes"
    return text, {"tried": found.tried, "passed": found.passed, "kinds": found.kinds}


def _rate(proofs: Proofs, settings: LineSettings) -> Told | None:
    rate = proofs.rate
    if rate is None:
        return None
    numbers: dict[str, float | int | str] = {
        "sender_baud": rate.sender_baud,
        "tried": rate.tried,
        "passed": rate.passed,
    }
    parts = []
    values = rate.values
    if values is not None and values.total:
        parts.append(
            f"{values.inside} of {values.total} octets lie in the {_count(values.set_size, 'value')} "
            f"(of {values.alphabet}) that a receiver {float(values.ratio):g} times too fast can deliver"
        )
        numbers |= {"inside_set": values.inside, "octets": values.total, "set_size": values.set_size}
    if rate.passed:
        parts.append(
            f"{rate.passed} of {_count(rate.tried, 'span')}, read again at {rate.sender_baud} bit/s, are whole frames "
            "whose check value passes"
        )
    if not parts:
        return None
    return "; ".join(parts), numbers


def _count(count: int, one: str, many: str | None = None) -> str:
    return f"{count} {one if count == 1 else many or one + 's'}"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _replies(count: int) -> str:
    return "no sound reply" if count == 0 else _count(count, "sound reply", "sound replies")
