"""What was found out of reads of an unknown card format, as text, and as the object of `formats infer --json`.

The structure is printed, never a card's bits or number: what is shared helps to read such cards, not to copy one.
"""

from __future__ import annotations

from typing import Any

from benchtool.explore.card_doubts import OddRead
from benchtool.explore.card_infer import Inferred, Layout, Verdict
from benchtool.explore.card_next import next_cards
from benchtool.explore.card_parity import Relation
from benchtool.explore.card_samples import members
from benchtool.frames.card.formats import CardField, CardFormat, ParityGroup, Writing
from benchtool.frames.card.hints import Change
from benchtool.frames.card.places import places_text
from benchtool.reports.folded import wrap

TURNED_WORDS = {
    Change.INVERTED: "D0 and D1 swapped: change them over at one end",
    Change.REVERSED: "the last bit first: a setting of the reader or converter, or of the tool that wrote them down",
    Change.BOTH: "D0 and D1 swapped and the last bit first",
}
"""What is to be said, and done, of a published format that is turned round."""
_MOST_ODD = 12


def inferred_text(found: Inferred) -> list[str]:
    """The layout with how sure each part is, what else fits, which reads are odd, and what to read next."""
    parity, best = found.parity, found.best
    counted = f"{found.reads} read(s), {found.cards} different"
    verdict = found.verdict.value
    if found.verdict is Verdict.SETTLED and found.all_sites:
        verdict += " for the sites read"
    lines = [f"{found.length} bits: {verdict} ({counted}, {found.printed} with a printed number used)", ""]
    if found.turned:
        lines += [*_turned_lines(found), "", "as the bits came, they would be"]
    lines.append("sure  what")
    lines += _parity_lines(found)
    lines += _field_lines(found)
    for constant in best.constants:
        bits = f"{constant.value:0{len(constant.places)}b}"
        lines += _claim("     ", f"constant: bit(s) {places_text(constant.places)} were always {bits}")
    if found.known:
        lines += _wrap(
            f"every read keeps the parity of: {', '.join(found.known)} (published: if it is that, no table is needed)",
            "      ",
        )
    if found.odd:
        lines += ["", "odd reads, left out where they break parity"]
        for one in found.odd[:_MOST_ODD]:
            lines += _wrap(f"- {one.where}: {one.why}", "  ")
        if len(found.odd) > _MOST_ODD:
            lines.append(f"  and {len(found.odd) - _MOST_ODD} more")
    for one in found.doubtful:
        lines += _wrap(f"- {one.where}, used: {one.why}", "  ")
    others = _open_lines(found)
    if others:
        lines += ["", "what else fits the reads", *others]
    wanted = next_cards(found)
    if wanted:
        lines += ["", "read next"]
        for card in wanted:
            lines += _wrap(f"- {card.words}", "  ")
    if parity.open:
        lines += _wrap(
            f"{parity.reads} different reads of {parity.length} bits leave {parity.open} relation(s) open: see above.",
            "",
        )
    return lines


def _turned_lines(found: Inferred) -> list[str]:
    lines: list[str] = []
    for one in found.turned:
        proof = "the printed numbers come out right too" if one.proved else "no printed number says so yet"
        what = f"these are {one.name} with {TURNED_WORDS[one.change]} ({proof})"
        lines += _wrap(f"- {what}", "")
    if len({one.change for one in found.turned}) > 1:
        lines += _wrap("Parity cannot choose between these: a printed number can (= NUMBER behind a read).", "")
    lines += _wrap("Mend that first and read again: then nothing needs working out, and no table is needed.", "")
    return lines


def _wrap(text: str, indent: str) -> list[str]:
    return wrap(text, indent, indent + "  ")


def _claim(sure: str, text: str) -> list[str]:
    return wrap(text, f"{sure} ", " " * 8)


def _percent(share: float) -> str:
    """A share that never rounds up to certainty, nor down to nothing."""
    return f"{min(99, int(100 * share)):3d}% " if share >= 0.01 else " <1% "


def group_words(group: ParityGroup) -> str:
    """A group in words."""
    return f"bit {group.bit}: {group.sense.value} parity over bits {places_text(group.covers)}"


def field_words(field: CardField) -> str:
    """A field in words: places, how it is written."""
    rising = tuple(sorted(field.places))
    text = f"{field.name}: bit {rising[0]}"
    if field.count > 1:
        text = f"{field.name}: bits {places_text(rising)}, {field.count} bits"
    text += ", BCD" if field.writing is Writing.BCD else ""
    text += ", last bit first" if field.places != rising else ""
    text += ", inverted" if field.inverted else ""
    if field.offset:
        text += f", {field.offset:+d} gives the number printed"
    return text


def _by_bit(found: Inferred) -> list[tuple[ParityGroup, Relation]]:
    """Each group of the best layout with the relation that it came from."""
    return list(zip(found.best.parity, found.layouts[0].relations, strict=True))


def _parity_lines(found: Inferred) -> list[str]:
    parity = found.parity
    lines: list[str] = []
    fixed = set(members(~parity.care & ((1 << parity.length) - 1) | parity.together, parity.length))
    for group, relation in _by_bit(found):
        text = f"parity {group_words(group)}"
        unsure = sorted(fixed & set(group.covers))
        if unsure:
            text += f"; of these, {places_text(unsure)} never changed, or only together: covered by the look of it"
        lines += _claim(_percent(relation.sure), text)
    if not lines:
        text = "parity: no group found"
        if not parity.open:
            hidden = "; bits that never changed, or only together, may hide one"
            text += hidden if fixed else "; the reads break every group that there could be"
        lines += _claim("     ", text)
    return lines


def _field_lines(found: Inferred) -> list[str]:
    lines: list[str] = []
    number = found.best.number
    for field in found.best.fields:
        if found.numbers and field is number:
            lines += _claim(_percent(found.number_sure), field_words(field))
        elif found.numbers:
            lines += _claim("   ? ", f"{field_words(field)}: what is left; nothing printed proves it")
        else:
            lines += _claim("   ? ", f"{field_words(field)}: all data bits; no printed number shows where it lies")
    return lines


def _open_lines(found: Inferred) -> list[str]:
    lines: list[str] = []
    for fit, share in found.numbers[1:]:
        lines += _wrap(f"- {_percent(share).strip()} {field_words(fit.field)}", "  ")
    for relations, share in found.parity.others:
        groups = "; ".join(f"{_sense(one)} over {places_text(members(one.mask, found.length))}" for one in relations)
        lines += _wrap(
            f"- {_percent(share).strip()} the same frames, other groups (parity bits included): {groups}", "  "
        )
    for relation in found.parity.relations:
        for mask, share in relation.fillings[1:4]:
            text = f"the group of bits {places_text(members(relation.mask, found.length))} may be"
            text += (
                f" {places_text(members(mask, found.length))}: they differ in bits that never changed, or only together"
            )
            lines += _wrap(f"- {_percent(share).strip()} {text}", "  ")
    for relation in found.parity.maybe:
        text = f"perhaps one more group, {_sense(relation)} over {places_text(members(relation.mask, found.length))}"
        lines += _wrap(f"- {_percent(relation.sure).strip()} {text}", "  ")
    return lines


def _sense(relation: Relation) -> str:
    return "odd" if relation.odd else "even"


def inferred_object(found: Inferred) -> dict[str, Any]:
    """The same for scripts; no card's bits and no number is in it."""
    parity = found.parity
    return {
        "kind": "inferred",
        "length": found.length,
        "verdict": found.verdict.value,
        "all_sites": found.all_sites,
        "turned": [{"format": one.name, "change": one.change.value, "proved": one.proved} for one in found.turned],
        "reads": found.reads,
        "cards": found.cards,
        "printed": found.printed,
        "parity_sure": [round(relation.sure, 4) for _, relation in _by_bit(found)],
        "groups_share": round(parity.share, 4),
        "number_sure": round(found.number_sure, 4),
        "relations_open": parity.open,
        "never_changed": list(members(~parity.care & ((1 << parity.length) - 1), parity.length)),
        "changed_together": list(members(parity.together, parity.length)),
        "layouts": [_layout_object(layout) for layout in found.layouts],
        "same_frames": [
            {"share": round(share, 4), "groups": [_relation_object(one, found.length) for one in relations]}
            for relations, share in parity.others
        ],
        "perhaps": [{"sure": round(one.sure, 4), **_relation_object(one, found.length)} for one in found.parity.maybe],
        "odd_reads": [_odd_object(one) for one in found.odd],
        "doubtful_reads": [_odd_object(one) for one in found.doubtful],
        "known": list(found.known),
        "next": [{"kind": one.kind, "cards": one.cards, "words": one.words} for one in next_cards(found)],
    }


def _odd_object(one: OddRead) -> dict[str, str]:
    return {"where": one.where, "why": one.why}


def _relation_object(one: Relation, length: int) -> dict[str, Any]:
    return {"sense": _sense(one), "bits": list(members(one.mask, length))}


def _layout_object(layout: Layout) -> dict[str, Any]:
    row: CardFormat = layout.format
    return {
        "share": round(layout.share, 4),
        "fields": [
            {
                "name": field.name,
                "places": list(field.places),
                "writing": field.writing.value,
                "inverted": field.inverted,
                "offset": field.offset,
            }
            for field in row.fields
        ],
        "parity": [
            {"bit": group.bit, "sense": group.sense.value, "covers": list(group.covers)} for group in row.parity
        ],
        "constants": [{"places": list(one.places), "value": one.value} for one in row.constants],
    }


def save_notes(found: Inferred) -> list[str]:
    """Comments for the saved table: how sure its parts were when it was made."""
    notes = [f"{found.length} bits, {found.verdict.value}: worked out from {found.parity.reads} different reads"]
    notes += [f"mend first: these are {one.name} with {TURNED_WORDS[one.change]}" for one in found.turned]
    if found.all_sites:
        notes.append("it was said that there are no cards of other sites or batches")
    notes += [f"{_percent(relation.sure).strip()} sure: parity {group_words(g)}" for g, relation in _by_bit(found)]
    for field in found.best.fields:
        sure = f"{_percent(found.number_sure).strip()} sure" if field is found.best.number and found.numbers else "open"
        notes.append(f"{sure}: {field_words(field)}")
    return notes
