"""Say what an OSDP frame means: header facts, payload fields with their places, and what is odd.

Runs only when somebody wants to read a frame. Facts: sheet section 5.
"""

from __future__ import annotations

from dataclasses import replace

from benchtool.frames.frame import Frame
from benchtool.frames.meaning import Field, Meaning
from benchtool.frames.osdp import check
from benchtool.frames.osdp.codes import Command, Reply, Status, code_info
from benchtool.frames.osdp.header import Header, parse
from benchtool.frames.osdp.payloads import decode_payload
from benchtool.frames.osdp.security import BLOCK_TYPES, ENCRYPTED_TYPES, MAC_TYPES, block_problems, block_text

ENCRYPTED = "octets encrypted"
"""What the text of a field ends with that nobody has decrypted."""


def describe(frame: Frame, clear: bytes | None = None) -> Meaning:
    """The frame in words, sound or damaged; offsets count from the frame's first octet. Never raises on input.

    `clear` is the decrypted payload where somebody has it; each of its fields then takes all the encrypted octets.
    """
    octets = frame.octets
    header = parse(octets)
    if header is None:
        what = "OSDP frame cut off in its header" if octets[:1] == bytes((check.SOM,)) else "not an OSDP frame"
        return Meaning(None, what, (), ())
    fields: list[Field] = [_sequence(header)]
    problems: list[str] = []
    _frame_problems(octets, header, problems)
    encrypted = False
    if header.security_block is not None:
        encrypted = _security(octets, header, fields, problems)
    if header.code is None:
        return Meaning(None, "OSDP frame without a code", tuple(fields), tuple(problems))
    info = code_info(header.code, header.reply)
    if info is None:
        name, title = None, f"unknown {'reply' if header.reply else 'command'} 0x{header.code:02X}"
    else:
        name, title = info.name, info.title
        if info.status is not Status.CURRENT:
            title += f" ({info.status.value})"
    data = octets[header.data_start : header.data_end]
    if encrypted and clear is not None:
        more, odd = decode_payload(header.code, header.reply, clear, 0)
        fields += [replace(field, start=header.data_start, length=len(data)) for field in more]
        problems += odd
    elif encrypted:
        _encrypted(header, data, fields, problems)
    else:
        more, odd = decode_payload(
            header.code, header.reply, data, header.data_start, cut_off=len(octets) < header.length
        )
        fields += more
        problems += odd
        if header.code == Command.KEYSET and not header.reply:
            problems.append("the key is sent in the clear: everyone on the bus can read it")
    if header.mac_end > header.data_end:
        mac = octets[header.data_end : header.mac_end].hex().upper()
        fields.append(Field("mac", mac, mac, header.data_end, header.mac_end - header.data_end))
    return Meaning(name, title, tuple(fields), tuple(problems))


def _sequence(header: Header) -> Field:
    # BUSY always carries 0, so there it starts nothing (sheet 5.1).
    starts = header.sequence == 0 and not (header.reply and header.code == Reply.BUSY)
    text = f"{header.sequence} (start)" if starts else str(header.sequence)
    return Field("sequence", header.sequence, text, 4, 1)


def _frame_problems(octets: bytes, header: Header, problems: list[str]) -> None:
    there = len(octets)
    if header.control & check.RESERVED_CONTROL:
        problems.append(f"reserved bits set in the control octet 0x{header.control:02X}")
    if there < header.length:
        problems.append(f"length says {header.length} octets, found {there}")
        return
    if there > header.length:
        problems.append(f"length says {header.length} octets, found {there}")
        return
    if there < check.MIN_LENGTH + header.uses_crc:
        problems.append(f"{there} octets are too few for a frame")
    elif not check.check_ok(octets):
        problems.append(check.difference(octets))


def _security(octets: bytes, header: Header, fields: list[Field], problems: list[str]) -> bool:
    block = header.security_block or b""
    text = block_text(block)
    row = BLOCK_TYPES.get(block[1]) if len(block) > 1 else None
    fields.append(Field("security_block", row.name if row else block.hex().upper(), text, 5, len(block)))
    problems += block_problems(block, header.reply)
    if row is None:
        return False
    data = header.data_end - header.data_start
    if row.type in MAC_TYPES:
        if header.mac_end - header.data_end < check.MAC_LENGTH and len(octets) >= header.length:
            problems.append("the MAC is missing")
        if row.type in ENCRYPTED_TYPES:
            return True
        if data > 0:
            problems.append(f"{row.name} carries no data, found {data} octets")
    return False


def _encrypted(header: Header, data: bytes, fields: list[Field], problems: list[str]) -> None:
    count = len(data)
    if count:
        text = f"{count} {ENCRYPTED}"
        fields.append(Field("data", data.hex().upper(), text, header.data_start, count))
    if count == 0:
        problems.append("an encrypted frame without data")
    elif count % 16:
        problems.append(f"encrypted data comes in blocks of 16 octets, found {count}")
