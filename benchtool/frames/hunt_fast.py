"""The hot path: good frames end to end, from a place where a frame is expected.

Takes only what the careful rules would take without looking any further (a test compares the two): frames of an
established protocol, without line-error marks, silence or change of direction inside, whose check value is right. At
the first octet that is anything else it stops, and the careful rules go on from there. Everything is in one function
because calls are what costs here (tests/benchmarks/bench_frames.py).
"""

from __future__ import annotations

from binascii import crc_hqx
from typing import TYPE_CHECKING

from fastcrc.crc16 import modbus

from benchtool.capture.chunk import Chunk
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.modbus.lengths import EXCEPTION_CODES, KNOWN
from benchtool.frames.osdp.check import CRC_START, MAX_LENGTH

if TYPE_CHECKING:
    from benchtool.frames.decoder import BusDecoder

_new = tuple.__new__
_OSDP, _MODBUS = Protocol.OSDP, Protocol.MODBUS_RTU
_OK, _REQUEST, _REPLY, _EITHER = Reason.OK, Role.REQUEST, Role.REPLY, Role.UNKNOWN
_READ_BITS, _READ_WORDS, _ECHO, _WRITE, _EXCEPTION = range(1, 6)
_KIND = bytearray(256)
"""How the length of a Modbus frame is found, by function; 0: by the careful rules only."""
_KIND[1] = _KIND[2] = _READ_BITS
_KIND[3] = _KIND[4] = _READ_WORDS
_KIND[5] = _KIND[6] = _ECHO
_KIND[15] = _KIND[16] = _WRITE
for _function in KNOWN:
    _KIND[_function | 0x80] = _EXCEPTION
_SHORTEST = (7, 8)
"""OSDP frames by checksum and by CRC."""

ALL = -1
"""Nothing is left for the careful rules."""


def run_fast(decoder: BusDecoder, chunk: Chunk, at: int, out: list[Frame]) -> int:
    """Append the frames that begin at octet `at` of the chunk, or with the octets held when `at` is 0.

    Answers where they stop, or `ALL` when nothing is left, or only the beginning of such a frame, which is then held.
    When it answers 0, nothing has changed.
    """
    t_ns, end_ns, octets, marks, direction = chunk
    known = decoder.experience
    osdp, learned = known.osdp, known.modbus
    count = total = len(octets)
    if not (osdp or learned) or not count or (marks and any(marks)):
        return at
    stream = decoder.stream
    anchored = decoder.hunter.anchored
    before_ns = stream.before_ns
    if end_ns < t_ns:
        end_ns = t_ns
    held = 0
    start_ns = t_ns
    if stream.octets:
        if not anchored or not stream.goes_on(t_ns, direction):
            return 0
        held = len(stream.octets)
        total += held
        octets = bytes(stream.octets) + octets
        start_ns = stream.start_ns(0)
    elif at:
        start_ns += at * (end_ns - t_ns) // count
    silence_ns = None if before_ns is None else start_ns - before_ns if start_ns > before_ns else 0
    if not (anchored or (silence_ns is not None and silence_ns >= stream.break_ns)):
        return at
    first = at
    last = total - 4
    append = out.append
    roles = decoder.roles
    asked = roles.asked
    incomplete = False
    made = len(out)
    modbus_count = 0
    address = step_ns = -1
    even = False
    base_ns = 0
    while at <= last:
        octet = octets[at]
        if octet == 0x53 or (octet == 0xFF and octets[at + 1] == 0x53):
            if not osdp:
                break
            som = at if octet == 0x53 else at + 1
            if som + 7 > total:
                incomplete = True
                break
            length = octets[som + 2] | octets[som + 3] << 8
            end = som + length
            control = octets[som + 4]
            if control & 0xFC != 0x04 or length < 8:
                if control & 0xF0:
                    break
                shortest = _SHORTEST[control >> 2 & 1]
                if control & 0x08:
                    block = octets[som + 5]
                    if block < 2:
                        break
                    shortest += block
                if length < shortest:
                    break
            if end > total:
                incomplete = control & 0x04 != 0 and length <= MAX_LENGTH
                break
            if length > MAX_LENGTH:
                break
            frame = octets[som:end]
            if control & 0x04:
                if crc_hqx(octets[som : end - 2], CRC_START) != octets[end - 2] | octets[end - 1] << 8:
                    break
            elif sum(frame) & 0xFF or frame.find(0x53, 1) > 0:
                break
            if end == total:
                stop_ns = end_ns
            elif even:
                stop_ns = base_ns + end * step_ns
            else:
                if step_ns < 0:
                    step_ns = (end_ns - t_ns) // count
                    even = step_ns * count == end_ns - t_ns
                    base_ns = t_ns - held * step_ns
                stop_ns = t_ns + (end - held) * (end_ns - t_ns) // count
            role = _REPLY if frame[1] & 0x80 else _REQUEST
            if som == at:
                append(_new(Frame, (_OSDP, start_ns, stop_ns, frame, _OK, role, silence_ns, b"", b"", direction)))
            else:
                begin_ns = t_ns + (som - held) * (end_ns - t_ns) // count if som >= held else stream.start_ns(som)
                append(_new(Frame, (_OSDP, begin_ns, stop_ns, frame, _OK, role, silence_ns, b"", b"\xff", direction)))
        else:
            if not learned:
                break
            function = octets[at + 1]
            kind = _KIND[function]
            role = _EITHER
            length = 8
            if kind in (_READ_WORDS, _READ_BITS):
                size = octets[at + 2]
                role = _REQUEST
                if size == 0 or size > 250 or (size & 1 and kind == _READ_WORDS):
                    pass
                elif size == 3:
                    role = _EITHER
                elif size < 3:
                    if modbus(octets[at : at + 5 + size]) == 0:
                        role = _REPLY
                        length = 5 + size
                elif modbus(octets[at : at + 8]):
                    role = _REPLY
                    length = 5 + size
                elif size == 4 and (at + 8 >= total or octets[at + 8] == 0):
                    # A request, or all but the last octet of a reply that ends in 00: the careful rules tell.
                    break
            elif kind == _ECHO:
                pass
            elif kind == _WRITE:
                role = _REPLY
                if modbus(octets[at : at + 8]) and at + 8 <= total:
                    role = _REQUEST
                    size = octets[at + 6]
                    if size == 0 or size > 246 or (size & 1 and function == 0x10):
                        break
                    length = 9 + size
            elif kind == _EXCEPTION and octets[at + 2] in EXCEPTION_CODES:
                role = _REPLY
                length = 5
            else:
                break
            end = at + length
            if end > total:
                incomplete = True
                break
            if end <= held:
                break  # it has waited for what came now; its times are known to the careful rules only
            frame = octets[at:end]
            if modbus(frame):
                break
            if end == total:
                stop_ns = end_ns
            elif even:
                stop_ns = base_ns + end * step_ns
            else:
                if step_ns < 0:
                    step_ns = (end_ns - t_ns) // count
                    even = step_ns * count == end_ns - t_ns
                    base_ns = t_ns - held * step_ns
                stop_ns = t_ns + (end - held) * (end_ns - t_ns) // count
            if role is _EITHER:
                if asked is None and kind == _ECHO:
                    role = _REQUEST
                else:
                    roles.asked = asked
                    roles.directions.add(direction)
                    role = roles.judge(frame, role, start_ns, stop_ns, direction)
            if role is _REQUEST and octet:
                asked = frame
                roles.asked_end_ns = stop_ns
                roles.asked_direction = direction
            else:
                asked = None
            append(_new(Frame, (_MODBUS, start_ns, stop_ns, frame, _OK, role, silence_ns, b"", b"", direction)))
            modbus_count += 1
            if octet != address:
                known.addresses.add(octet)
                address = octet
        at = end
        start_ns = stop_ns
        silence_ns = 0
    if at > first:
        incomplete = incomplete or last < at < total
        at -= held
        if held:
            stream.drop(held)
        stream.end_ns = stream.before_ns = start_ns
        stream.heading = direction
        if modbus_count:
            known.modbus_count += modbus_count
            roles.asked = asked
            roles.directions.add(direction)
        known.osdp_count += len(out) - made - modbus_count
        if held or not anchored:
            decoder.expect()
        if at == count:
            return ALL
        if incomplete:
            stream.append(chunk, at)
            return ALL
        return at
    return 0 if held else at
