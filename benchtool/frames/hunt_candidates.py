"""Which good frame, if any, begins at a place: one answer for OSDP, one for Modbus RTU.

A place is either impossible, or a frame may begin there and more octets are needed, or a good frame lies there.
Facts: OSDP sheet 5.1 to 5.4, Modbus sheet 3.1 to 3.4.
"""

from __future__ import annotations

from binascii import crc_hqx
from typing import NamedTuple

from fastcrc.crc16 import modbus

from benchtool.frames.frame import Role
from benchtool.frames.modbus import lengths as rules
from benchtool.frames.osdp import check
from benchtool.frames.osdp.codes import COMMANDS, REPLIES

_MOST_READ = {0x01: 2000, 0x02: 2000, 0x03: 125, 0x04: 125}
ENDLESS = 1 << 40
"""End of a frame whose length cannot be known yet."""


class Candidate(NamedTuple):
    """A place where a good frame lies, or may yet come to lie."""

    start: int
    end: int
    """Just past its last octet; `ENDLESS` where that is not known."""
    osdp: bool
    good: bool
    """False: it needs `need` octets to be looked at again."""
    need: int
    weak: bool = False
    """OSDP with the 8-bit checksum; Modbus that needs what follows as evidence."""
    role: Role = Role.UNKNOWN
    """Modbus: the role whose length rule fits; UNKNOWN where both do."""


def code_known(octets: bytes, start: int, code_at: int) -> bool:
    """Whether an OSDP command or reply code is one of the standard's."""
    return octets[code_at] in (REPLIES if octets[start + 1] & check.REPLY_BIT else COMMANDS)


def osdp_at(octets: bytes, start: int, end: int, convinced: bool) -> Candidate | None:
    """What OSDP makes of a start octet (53) at `start`, `end` being the end of what is there.

    Unless `convinced` (by the place or by frames before) a frame with a mere checksum must have a known code.
    """
    there = end - start
    if there < 4:
        return Candidate(start, ENDLESS, True, False, start + 4)
    length = octets[start + 2] | octets[start + 3] << 8
    if not check.MIN_LENGTH <= length <= check.MAX_LENGTH:
        return None
    stop = start + length
    if there < 6:
        if there > 4 and octets[start + 4] & check.RESERVED_CONTROL:
            return None
        return Candidate(start, stop, True, False, start + 6)
    control = octets[start + 4]
    if control & check.RESERVED_CONTROL:
        return None
    uses_crc = control & check.USES_CRC
    shortest = check.MIN_LENGTH_CRC if uses_crc else check.MIN_LENGTH
    code_at = start + check.HEADER_LENGTH
    if control & check.HAS_SECURITY_BLOCK:
        block = octets[start + 5]
        if block < 2:
            return None
        shortest += block
        code_at += block
    if length < shortest:
        return None
    if not (uses_crc or convinced) and code_at < end and not code_known(octets, start, code_at):
        return None
    if there < length:
        return Candidate(start, stop, True, False, stop, not uses_crc)
    if uses_crc:
        if crc_hqx(octets[start : stop - 2], check.CRC_START) != octets[stop - 2] | octets[stop - 1] << 8:
            return None
    elif sum(octets[start:stop]) & 0xFF:
        return None
    return Candidate(start, stop, True, True, stop, not uses_crc)


def likely(octets: bytes, start: int) -> bool:
    """Whether octets as long as a request ask for something that can be asked for (sheet 3.4)."""
    function = octets[start + 1]
    if function in _MOST_READ:
        return 1 <= (octets[start + 4] << 8 | octets[start + 5]) <= _MOST_READ[function]
    return True


def modbus_at(
    octets: bytes, start: int, end: int, delimiter: int | None, sure: bool, due: bool = False
) -> Candidate | None:
    """What the length rules of Modbus make of an address at `start`.

    `delimiter` is where the next silence or the end of all octets is, None where it is not known yet. Only at a
    `sure` place are functions looked at whose length nothing but silence tells.

    `due`: a reply to this address and function is awaited here. A reply one octet longer than a request, whose check
    value ends in 00, has a right check value without that octet too (sheet 3.2): where 00 follows without a silence,
    and a reply is due or the octets make no likely request, it is the reply.
    """
    there = end - start
    need = 0
    stop = 0
    found = rules.lengths(octets, start, end)
    for length, role in found:
        if length < 0:
            need = min(need or ENDLESS, start - length)
            stop = ENDLESS
        elif length <= there:
            if length >= rules.MIN_LENGTH and modbus(octets[start : start + length]) == 0:
                stop = start + length
                longer = role is Role.REQUEST and (length + 1, Role.REPLY) in found
                if longer and delimiter != stop and (due or not likely(octets, start)):
                    if stop == end:
                        return Candidate(start, ENDLESS, False, False, end + 1)
                    if octets[stop] == 0:
                        return Candidate(start, stop + 1, False, True, 0, False, Role.REPLY)
                return Candidate(start, stop, False, True, 0, False, role)
        else:
            need = min(need or ENDLESS, start + length)
            stop = max(stop, start + length)
    if sure and there > 1 and octets[start + 1] in rules.DELIMITED:
        if delimiter is None:
            if there <= rules.MAX_LENGTH:
                # Only a silence tells more about this one; the next octet may have come after it.
                need, stop = end + 1, ENDLESS
        elif (
            rules.MIN_LENGTH <= delimiter - start <= rules.MAX_LENGTH
            and delimiter <= end
            and modbus(octets[start:delimiter]) == 0
        ):
            return Candidate(start, delimiter, False, True, 0, False, Role.UNKNOWN)
    return Candidate(start, stop, False, False, need) if need else None
