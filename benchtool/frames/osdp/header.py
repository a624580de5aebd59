"""The header of an OSDP frame, read as far as it is there; never raises.

Facts: sheet 5.1 (Tables 1 to 3 of SIA OSDP 2.2 as cited there).
"""

from __future__ import annotations

from typing import NamedTuple

from benchtool.frames.osdp import check
from benchtool.frames.osdp.security import MAC_TYPES

_new = tuple.__new__


class Header(NamedTuple):
    """Where the parts of a frame lie. Offsets count from SOM and never pass the octets that are there."""

    address: int
    """Without the reply bit; 127 is every device."""
    reply: bool
    length: int
    """As the frame states it, whatever is there."""
    sequence: int
    uses_crc: bool
    security_block: bytes | None
    """With its own length octet; None where the control octet promises none. Shorter when cut off."""
    code: int | None
    """Command or reply code; None when the frame stops before it."""
    data_start: int
    data_end: int
    """End of the data, before MAC and check value."""
    broadcast: bool
    mac_end: int
    """End of the MAC; equal to `data_end` where there is none."""
    control: int


def parse(octets: bytes) -> Header | None:
    """Read the header of a frame that begins with SOM; None when it does not, or has fewer than 5 octets."""
    there = len(octets)
    if there < check.HEADER_LENGTH or octets[0] != check.SOM:
        return None
    _, address, low, high, control = octets[:5]
    length = low | high << 8
    trailer = 2 if control & check.USES_CRC else 1
    mac_end = length - trailer
    if mac_end > there:
        mac_end = there
    data_end = mac_end
    code_at = check.HEADER_LENGTH
    block = None
    if control & check.HAS_SECURITY_BLOCK:
        size = octets[5] if there > 5 else 0
        code_at += size
        block = octets[5:code_at]
        if size > 1 and len(block) > 1 and block[1] in MAC_TYPES:
            data_end = min(mac_end, length - trailer - check.MAC_LENGTH)
    data_start = code_at + 1
    if data_start > there:
        data_start = there
    if data_end < data_start:
        data_end = data_start
    # As Header(…), which costs a call more: this is the hot path of the watch.
    return _new(
        Header,
        (
            address & 0x7F,
            address > 0x7F,
            length,
            control & check.SEQUENCE_MASK,
            trailer == 2,
            block,
            octets[code_at] if code_at < mac_end else None,
            data_start,
            data_end,
            address & 0x7F == check.BROADCAST,
            mac_end if mac_end > data_end else data_end,
            control,
        ),
    )
