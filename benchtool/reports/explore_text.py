"""What was found out of an unknown bus: lines of text, and the object that `explore --json` prints (docs/json.md)."""

from __future__ import annotations

from typing import Any

from benchtool.explore.explore import Explored
from benchtool.explore.words import check_words
from benchtool.frames.check_value import CheckValue
from benchtool.reports.folded import wrap

_TITLES = {
    "frame-boundary": "frames",
    "start": "start",
    "end": "end",
    "length": "length",
    "check": "check value",
    "role": "who speaks",
    "address": "address",
    "counter": "counter",
    "period": "beat",
}


def explored_text(found: Explored) -> list[str]:
    """Claims with their confidence, what else fits, and what stays open."""
    word = "sound frames" if found.check.best is not None else "frames that nothing proves sound"
    lines = [f"read by what was found: {found.sound} {word}, {found.damaged} damaged frames and spans", ""]
    if found.claims:
        lines.append("sure  what")
    for claim in found.claims:
        title = _TITLES[claim.what.value]
        text = claim.text if claim.text.startswith(title) else f"{title}: {claim.text}"
        lines += wrap(text, f"{claim.percent:>4}  ", " " * 8)
        for other in claim.alternatives:
            lines += wrap(f"or {other}", " " * 8, " " * 11)
    if found.open_questions:
        lines += ["", "not determined by this traffic"]
        for text in found.open_questions:
            lines += wrap(text, "  - ")
    return lines


def explored_object(found: Explored) -> dict[str, Any]:
    """The same for scripts; no payload octet is in it."""
    best = found.check.best
    return {
        "kind": "explored",
        "octets": found.octets,
        "sound": found.sound if best is not None else 0,
        "unproved": found.sound if best is None else 0,
        "damaged": found.damaged,
        "claims": [
            {
                "what": claim.what.value,
                "text": claim.text,
                "confidence": round(claim.confidence, 3),
                "alternatives": list(claim.alternatives),
            }
            for claim in found.claims
        ],
        "not_determined": list(found.open_questions),
        "check": None
        if best is None
        else {
            **check_object(best.check),
            "right": best.right,
            "different_frames": best.total,
            "proof_right": best.proof_right,
            "proof_frames": best.proof_total,
            "alternatives": [check_object(one.check) for one in found.check.explanations[1:]],
        },
    }


def check_object(check: CheckValue) -> dict[str, Any]:
    """A check value's parameters, named as in a protocol table."""
    return {
        "kind": check.kind.value,
        "name": check.name or None,
        "text": check_words(check),
        "width": check.width,
        "polynomial": check.poly,
        "start_value": check.init,
        "octets_reflected": check.refin,
        "result_reflected": check.refout,
        "final_xor": check.xorout,
        "negate": check.negate,
        "first": check.start,
        "gap": check.gap,
        "tail": check.tail,
        "low_octet_first": check.little,
        "hex_characters": check.text,
    }
