"""Which octets of a frame may tell a card, typed digits or a key: the one place where that is decided.

A check value over hidden octets tells them: four digits under a CRC of 16 bits can be tried out, and a MAC is as good
where its key is known. So where anything is hidden, the check value is too. The rules are judgements.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from benchtool.frames.card.decode import CardReading
from benchtool.frames.card.formats import CardFormat, Writing
from benchtool.frames.describe_table import CHECK
from benchtool.frames.frame import Frame, Protocol
from benchtool.frames.meaning import Field, Meaning
from benchtool.frames.osdp import check
from benchtool.frames.osdp.describe import ENCRYPTED
from benchtool.frames.osdp.header import Header, parse
from benchtool.frames.osdp.security import MAC_TYPES
from benchtool.frames.protocol_table import TableFrame

_DATA_START = check.HEADER_LENGTH + 1
_FIRST_OCTETS = 3
"""So many octets of an unknown span are shown where it begins after a silence: no header is shorter."""
_BEGINS_NS = 3_000_000
"""A span after a shorter silence, or at the beginning of a capture, may begin in the midst of a frame, at its card."""
_STRAY = frozenset((0x00, 0xFF))
"""What a line without bias, and drivers that switch, make of nothing."""


def hidden_octets(frame: Frame, meaning: Meaning) -> frozenset[int]:
    """Places in `frame.octets` of what is hidden unless asked for; empty where the frame holds no secret.

    Secret fields with the check value over them; in frames of an OSDP secure session what is encrypted and the MAC,
    each a link of a chain; all data of a damaged OSDP frame, for with a damaged code it stands under another name; of
    unknown octets all but the first three, or all where they begin in the midst; of a frame of an unknown bus what its
    protocol table does not explain. Modbus holds nothing known to be secret.
    """
    count = len(frame.octets)
    if frame.protocol is Protocol.UNKNOWN:
        begins = frame.silence_ns is not None and frame.silence_ns >= _BEGINS_NS
        stray = _STRAY.issuperset(frame.octets)
        return frozenset(range(_FIRST_OCTETS if begins or stray else 0, count))
    if frame.protocol is Protocol.TABLE:
        return _unexplained(frame, meaning)
    if frame.protocol is not Protocol.OSDP:
        return frozenset()
    header = parse(frame.octets)
    if header is None:
        return frozenset(range(_DATA_START, count))
    if not frame.ok:
        # Header, code and check value alone: nothing to hide.
        bare = count == header.length == _DATA_START + _check_size(header)
        return frozenset() if bare else frozenset(range(_DATA_START, count))
    hidden = {at for one in meaning.fields if one.secret for at in _places(one)}
    if _sealed(header):
        hidden |= set(range(header.data_start, header.mac_end))
    if hidden:
        hidden |= set(range(count - _check_size(header), count))
    return frozenset(at for at in hidden if at < count)


def without_secrets(frame: Frame, meaning: Meaning) -> Meaning:
    """The meaning with every field secret that stands on hidden octets, and no figures of a check value over them."""
    hidden = hidden_octets(frame, meaning)
    if not hidden or frame.protocol is Protocol.UNKNOWN:
        return meaning
    if frame.protocol is Protocol.TABLE:
        fields = tuple(replace(one, secret=True) if one.name == CHECK else one for one in meaning.fields)
        return replace(meaning, fields=fields, problems=(check.DIFFERS,) * len(meaning.problems))
    fields = tuple(_masked(one, frame.ok) if hidden & set(_places(one)) else one for one in meaning.fields)
    told = check.difference(frame.octets)
    problems = tuple(check.DIFFERS if problem == told else problem for problem in meaning.problems)
    return replace(meaning, fields=fields, problems=problems)


def verdicts_told(readings: Sequence[CardReading]) -> tuple[bool, ...]:
    """Of readings of hidden bits in formats of their length, for each: whether its verdict may be told.

    The verdict of the format in force tells nothing of the number, for its parity bits are hidden too. Another format's
    groups cut the number otherwise, and each group whose parity is told is a bit of it. So the first reading that
    holds (else the first) is told, and those that demand the same, whose verdict is the same: all of the built-in
    formats. Which of several holds is told nevertheless, 1 bit where there are two: a technician must know that.
    """
    if not readings:
        return ()
    told = next((one for one in readings if one.ok), readings[0]).format
    return tuple(one.format is told or _demands(one.format) == _demands(told) is not None for one in readings)


def _demands(row: CardFormat) -> tuple[object, ...] | None:
    """What bits must hold in a format; None where digits must, too, which no other format demands of the same bits."""
    if row.checks or any(field.writing is Writing.BCD for field in row.fields):
        return None
    return (frozenset(row.parity), frozenset(row.constants))


def _unexplained(frame: Frame, meaning: Meaning) -> frozenset[int]:
    count = len(frame.octets)
    told = {at for one in meaning.fields if one.name != CHECK for at in _places(one)}
    checked = {at for one in meaning.fields if one.name == CHECK for at in _places(one)}
    if isinstance(frame, TableFrame):
        told.update(range(max((len(one) for one in frame.table.starts if frame.octets.startswith(one)), default=0)))
    unknown = set(range(count)) - told
    return frozenset(unknown) if unknown - checked else frozenset()


def _masked(field: Field, sound: bool) -> Field:
    if sound and field.text.endswith(ENCRYPTED):
        return replace(field, value=None)  # how much is encrypted may be read
    # What was decrypted is secret or not by what it says, wherever it stood.
    return field if sound and field.name != "mac" else replace(field, secret=True)


def _places(field: Field) -> range:
    return range(field.start, field.start + field.length)


def _sealed(header: Header) -> bool:
    block = header.security_block
    return block is not None and len(block) > 1 and block[1] in MAC_TYPES


def _check_size(header: Header) -> int:
    return 2 if header.uses_crc else 1
