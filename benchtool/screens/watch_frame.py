"""One line of the traffic to its last bit: each octet in hex and bits, with the field it belongs to; the check value.

Places of the fields: OSDP sheet 5.1, Modbus sheet 3.1 and 3.3; payloads by the tables of `frames`. Secrets stay hidden,
in hex and in bits, and so does a check value over them.
"""

from __future__ import annotations

from benchtool.frames.crc import crc_modbus as modbus_crc
from benchtool.frames.frame import Frame, Protocol, Reason
from benchtool.frames.hidden import hidden_octets, without_secrets
from benchtool.frames.meaning import HIDDEN, Meaning
from benchtool.frames.osdp import check as osdp_check
from benchtool.frames.osdp.header import parse
from benchtool.reports import frame_text, osdp_text
from benchtool.screens.watch_devices import card_number
from benchtool.screens.watch_rows import Row, RowKind, meaning_of

_REASONS = {
    Reason.CHECK_FAILED: "the length fits, the check value does not: octets were changed on the way",
    Reason.TRUNCATED: "it began like a frame and stopped before its length: octets are missing",
    Reason.BAD_HEADER: "it began like a frame, but its length or control octet cannot be",
    Reason.NOT_RECOGNISED: "belongs to no protocol that is known here",
}


_CRC = "CRC-16, as on the wire, low octet first"


def row_text(row: Row, *, show_secrets: bool = False, marked: bool = True) -> tuple[str, ...]:
    """The page of a line: a frame whole, an event with its mend, a note as it stands.

    `marked`: whether this tap marks each octet that had a line error; where not, an octet without a mark tells nothing.
    """
    if row.frame is not None:
        meaning = meaning_of(row)
        assert meaning is not None
        if not show_secrets:
            meaning = without_secrets(row.frame, meaning)
        return tuple(_frame_text(row, row.frame, meaning, show_secrets, marked))
    if row.event is not None:
        rule = row.event.row
        lines = [
            f"{osdp_text.LEVEL_WORDS[rule.level]} at address {row.event.address}, {row.event.t_ns / 1e9:.4f} s",
            "",
            row.event.text(),
            f"rule: {rule.clause}" if rule.clause else "rule: common practice",
        ]
        return (*lines, *([f"to do: {rule.mend}"] if rule.mend else []))
    heads = {RowKind.GAP: "Not heard", RowKind.NOTE: "Your note", RowKind.SAID: "benchtool"}
    return (f"{heads[row.kind]} at {row.t_ns / 1e9:.4f} s", "", row.text)


def _frame_text(row: Row, frame: Frame, meaning: Meaning, show_secrets: bool, marked: bool) -> list[str]:
    # A name in plain words stands in the title already.
    name = f"{meaning.name}: " if meaning.name and meaning.name.isupper() else ""
    lines = [
        f"{name}{meaning.title}",
        f"from {frame.t_ns / 1e9:.6f} s to {frame.end_ns / 1e9:.6f} s, "
        f"{len(frame.octets)} octet{'s' * (len(frame.octets) != 1)}, "
        f"{frame_text.who(frame)} ({frame.protocol.value})",
    ]
    if frame.silence_ns is not None:
        lines.append(f"silence before it: {frame.silence_ns / 1e6:.3f} ms")
    lines += ["", f"verdict: {frame_text.verdict(frame)}{'' if frame.ok else ': ' + _REASONS[frame.reason]}"]
    lines += _check_text(frame, told=show_secrets or not hidden_octets(frame, meaning))
    lines += [f"odd: {problem}" for problem in meaning.problems]
    if frame.marks and any(frame.marks):
        lines.append(f"line errors: {frame_text.marks_text(frame.marks)}")
    if row.seen.sight is not None:
        lines.append(f"secure channel: {row.seen.sight.standing.value.replace('-', ' ')}")
    if meaning.fields:
        lines += ["", "WHAT IT SAYS"]
        for field in meaning.fields:
            text = HIDDEN if field.secret and not show_secrets else field.text
            lines.append(f"  {field.name.replace('_', ' ')}: {text}")
    for read in frame_text.card_reads(meaning):
        number = card_number(read) if show_secrets else HIDDEN
        lines.append(f"  card as {read['format']}: {number}, parity {'ok' if read['parity_ok'] else 'WRONG'}")
    return [*lines, "", *_octet_lines(frame, meaning, show_secrets, marked)]


def _octet_lines(frame: Frame, meaning: Meaning, show_secrets: bool, marked: bool) -> list[str]:
    shown = frame_text.octets_text(frame, meaning, show_secrets=show_secrets).split(" ")
    if not frame.octets:
        shown = []
    places = _places(frame)
    unmarked = "ok" if marked else "?"
    lines = ["OCTETS", "  at  hex bits       line  field"]
    if frame.lead:
        lines.append(f"  {len(frame.lead)} mark octet(s) FF before it, outside length and check")
    for at, text in enumerate(shown):
        octet = frame.octets[at]
        bits = "•••• ••••" if text == frame_text.DOTS else f"{octet >> 4:04b} {octet & 15:04b}"
        mark = frame_text.marks_text(frame.marks[at : at + 1]) if frame.marks else ""
        named = [
            field.name.replace("_", " ") for field in meaning.fields if field.start <= at < field.start + field.length
        ]
        words = [places[at]] if at in places else []
        words += [word for word in named if word not in words]
        lines.append(f"{at:>4}  {text:<3} {bits}  {mark or unmarked:<4}  {', '.join(words)}".rstrip())
    if not marked and shown:
        lines += ["", "? in column line: this tap cannot tell which octet had a line error."]
    if frame_text.DOTS in shown:
        hidden = "card data, keys and digits, octets that may be some, and check values that would tell them"
        lines += ["", f"Dots hide {hidden}; --show-cards shows them."]
    return lines


def _check_text(frame: Frame, *, told: bool) -> list[str]:
    """`told`: with its figures. Over hidden octets they are not: a short number can be tried out until they come."""
    octets = frame.octets
    if frame.reason not in (Reason.OK, Reason.CHECK_FAILED):
        return []
    if frame.protocol is Protocol.OSDP:
        if octets[4] & osdp_check.USES_CRC:
            return [_compared(_CRC, octets[-2:], osdp_check.crc(octets[:-2]).to_bytes(2, "little"), told)]
        return [_compared("checksum", octets[-1:], bytes([osdp_check.checksum(octets[:-1])]), told)]
    if frame.protocol is Protocol.MODBUS_RTU and len(octets) > 2:
        return [_compared(_CRC, octets[-2:], modbus_crc(octets[:-2]).to_bytes(2, "little"), told)]
    return []


def _compared(name: str, sent: bytes, right: bytes, told: bool) -> str:
    """Both as they would stand on the wire."""
    verdict = "they agree" if sent == right else "THEY DIFFER"
    if not told:
        return f"check value: {name}, sent and worked out {HIDDEN}: {verdict}"
    return f"check value: {name}, sent {sent.hex(' ').upper()}, worked out {right.hex(' ').upper()}: {verdict}"


def _places(frame: Frame) -> dict[int, str]:
    """What stands at each octet of the frame's own layout, by the protocol."""
    octets = frame.octets
    count = len(octets)
    if frame.protocol is Protocol.OSDP:
        return _osdp_places(octets)
    if frame.protocol is Protocol.MODBUS_RTU and count >= 4:
        return {0: "unit address", 1: "function", count - 2: "CRC, low octet", count - 1: "CRC, high octet"}
    return {}


def _osdp_places(octets: bytes) -> dict[int, str]:
    names = {0: "start of message", 1: "address", 2: "length, low octet", 3: "length, high octet", 4: "control"}
    if len(octets) > 1:
        names[1] = f"address {octets[1] & 0x7F}, {'reply' if octets[1] & 0x80 else 'command'} (bit 7)"
    if len(octets) > 4:
        kind = "CRC" if octets[4] & osdp_check.USES_CRC else "checksum"
        names[4] = f"control: number {octets[4] & 3} (bits 1-0), {kind} (bit 2)"
    header = parse(octets)
    if header is None or header.code is None:
        return names
    for at in range(5, header.data_start - 1):
        names[at] = "security block"
    names[header.data_start - 1] = "code"
    after = len(octets) - (2 if octets[4] & osdp_check.USES_CRC else 1)
    for at in range(header.data_end, after):
        names[at] = "MAC"
    if octets[4] & osdp_check.USES_CRC:
        names[after], names[after + 1] = "CRC, low octet", "CRC, high octet"
    else:
        names[after] = "checksum"
    return names
