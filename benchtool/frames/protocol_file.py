"""A protocol table as TOML text: `explore --save` writes it, `--protocol` reads it. Grammar: docs/explore.md."""

from __future__ import annotations

import tomllib

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.check_value import CheckKind, CheckValue
from benchtool.frames.protocol_table import MOST_LENGTH, LengthRule, Place, ProtocolTable, RoleRule
from benchtool.frames.table_part import Part, flag, one_line, quoted

KIND = "benchtool protocol table"
VERSION = 1
_PLACES = ("address", "reply_address", "counter")


class ProtocolFileError(ValueError):
    """The text is not a protocol table; the message says what is wrong, in one line."""


def to_toml(table: ProtocolTable) -> str:
    """The table as text, with what each entry means beside it."""
    lines = [
        f'kind = "{KIND}"',
        f"version = {VERSION}",
        f"name = {quoted(table.name)}",
    ]
    if table.settings is not None:
        lines += [f"baud = {table.settings.baud}", f'format = "{table.settings.format}"']
    for note in table.notes:
        lines.append(f"# {one_line(note)}")
    lines += ["", "[frame]"]
    if table.starts:
        lines.append(f"start = {_hex_list(table.starts)}  # a frame begins with one of these octets, in hex")
    if table.ends:
        lines.append(f"end = {_hex_list(table.ends)}  # and ends with one of these")
    lines += [f"least = {table.least}  # octets of the shortest frame", f"most = {table.most}  # and of the longest"]
    if table.lengths:
        lines.append(f"lengths = {list(table.lengths)}  # the only lengths there are")
    if table.silence_ns:
        lines.append(f"silence_ms = {table.silence_ns / 1e6:g}  # frames are parted by at least this much silence")
    if table.period_ns is not None:
        lines.append(f"period_ms = {table.period_ns / 1e6:g}  # from one request to the next, the middle value")
    if table.length is not None:
        lines += ["", "[length]  # octets of the whole frame = the field's value + add"]
        lines += [*_place_lines(table.length.place), f"add = {table.length.add}"]
    for name, place in zip(_PLACES, (table.address, table.reply_address, table.counter), strict=True):
        if place is not None:
            lines += ["", f"[{name}]", *_place_lines(place)]
    if table.role is not None:
        lines += ["", "[role]  # who speaks, by the value of a field"]
        lines += [
            *_place_lines(table.role.place),
            f"request = {sorted(table.role.request)}",
            f"reply = {sorted(table.role.reply)}",
        ]
    if table.reply_within_ns is not None:
        lines += ["", "[role]  # who speaks, by silences: no field tells it"]
        lines += [f"reply_within_ms = {table.reply_within_ns / 1e6:g}  # a frame after a shorter silence is a reply"]
    if table.check is not None:
        lines += ["", "[check]", *_check_lines(table.check)]
    return "\n".join(lines) + "\n"


def _check_lines(check: CheckValue) -> list[str]:
    digits = -(-check.width // 4)
    lines = [f'kind = "{check.kind.value}"', f"width = {check.width}  # bits"]
    if check.name:
        lines.append(f'name = "{check.name}"  # in the public catalogue; the parameters below decide')
    if check.kind is CheckKind.CRC:
        lines += [
            f"polynomial = 0x{check.poly:0{digits}X}",
            f"octets_reflected = {flag(check.refin)}",
            f"result_reflected = {flag(check.refout)}",
        ]
    lines += [f"start_value = 0x{check.init:0{digits}X}", f"final_xor = 0x{check.xorout:0{digits}X}"]
    if check.kind is CheckKind.SUM:
        lines.append(f"negate = {flag(check.negate)}  # minus the sum")
    lines += [
        f"first = {check.start}  # first octet covered, the frame's first is 0",
        f"gap = {check.gap}  # octets between the last covered and the check value",
        f"tail = {check.tail}  # octets after the check value",
        f"low_octet_first = {flag(check.little)}",
        f"hex_characters = {flag(check.text)}  # sent as text, two characters an octet",
    ]
    return lines


def _place_lines(place: Place) -> list[str]:
    lines = [f"at = {place.at}  # octet of the frame, the first is 0"]
    if place.size != 1:
        lines += [f"size = {place.size}", f"low_octet_first = {flag(place.little)}"]
    if place.mask != (1 << 8 * place.size) - 1:
        lines.append(f"mask = 0x{place.mask:02X}  # only these bits")
    return lines


def _hex_list(values: tuple[bytes, ...]) -> str:
    return "[" + ", ".join(f'"{value.hex(" ").upper()}"' for value in values) + "]"


def from_toml(text: str) -> ProtocolTable:
    """Read a table. ProtocolFileError says what is wrong with it."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProtocolFileError(f"not TOML: {error}") from None
    if data.get("kind") != KIND:
        raise ProtocolFileError(f'not a protocol table: kind = "{KIND}" is wanted (benchtool explore --save makes one)')
    if data.get("version") != VERSION:
        raise ProtocolFileError(f"version {data.get('version')!r} of the protocol table is not known, only {VERSION}")
    try:
        return _table(Part(data, "", "a protocol table"))
    except ValueError as error:
        raise ProtocolFileError(str(error)) from None


def _table(top: Part) -> ProtocolTable:
    top.number("version")
    top.word("kind")
    settings = None
    baud, char_format = top.number("baud", 0), top.word("format", "8N1")
    if baud:
        settings = LineSettings(baud, CharFormat.parse(char_format))
    name = top.word("name", "unnamed")
    frame = top.part("frame") or Part({}, "[frame] ", "a protocol table")
    length = top.part("length")
    rule = None
    if length is not None:
        rule = LengthRule(_place(length), length.number("add"))
        length.done()
    role = top.part("role")
    roles = within_ns = None
    if role is not None:
        within_ns = round(role.real("reply_within_ms") * 1e6) or None
        if within_ns is None:
            roles = RoleRule(_place(role), frozenset(role.numbers("request")), frozenset(role.numbers("reply")))
        elif role.number("at", -1) >= 0:
            raise ValueError("[role] at: who speaks is told by a field or by silences (reply_within_ms), not by both")
        role.done()
    places: dict[str, Place | None] = {}
    for field in _PLACES:
        part = top.part(field)
        places[field] = None if part is None else _place(part)
        if part is not None:
            part.done()
    check = top.part("check")
    period = frame.real("period_ms")
    made = ProtocolTable(
        name=name,
        settings=settings,
        starts=frame.octets("start"),
        ends=frame.octets("end"),
        least=frame.number("least", 1),
        most=frame.number("most", MOST_LENGTH),
        lengths=tuple(sorted(frame.numbers("lengths"))),
        length=rule,
        silence_ns=round(frame.real("silence_ms") * 1e6),
        period_ns=round(period * 1e6) or None,
        check=None if check is None else _check(check),
        role=roles,
        reply_within_ns=within_ns,
        address=places["address"],
        reply_address=places["reply_address"],
        counter=places["counter"],
    )
    frame.done()
    top.done()
    return made


def _place(part: Part) -> Place:
    size = part.number("size", 1)
    if size not in (1, 2):
        # Before a mask of any size is made of it.
        raise ValueError(f"{part.where}size: 1 or 2 octets are wanted, not {size}")
    return Place(part.number("at"), size, part.flag("low_octet_first"), part.number("mask", (1 << 8 * size) - 1))


def _check(part: Part) -> CheckValue:
    word = part.word("kind")
    kinds = {kind.value: kind for kind in CheckKind}
    if word not in kinds:
        raise ValueError(f"[check] kind: one of {', '.join(kinds)} is wanted, not {word!r}")
    width, first, gap, tail = (
        part.number("width"),
        part.number("first", 0),
        part.number("gap", 0),
        part.number("tail", 0),
    )
    numbers = {key: part.number(name, 0) for key, name in _NUMBERS.items()}
    flags = {key: part.flag(name) for key, name in _FLAGS.items()}
    name = part.word("name")
    part.done()
    return CheckValue(
        kinds[word],
        width,
        first,
        gap,
        tail,
        flags["little"],
        flags["text"],
        flags["negate"],
        numbers["poly"],
        numbers["init"],
        flags["refin"],
        flags["refout"],
        numbers["xorout"],
        name,
    )


_NUMBERS = {"poly": "polynomial", "init": "start_value", "xorout": "final_xor"}
_FLAGS = {
    "little": "low_octet_first",
    "text": "hex_characters",
    "negate": "negate",
    "refin": "octets_reflected",
    "refout": "result_reflected",
}
