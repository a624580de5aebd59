"""The hot path: good frames end to end in one chunk, from a place where a frame is expected.

Takes only what the careful rules would take without looking any further (a test compares the two): frames of an
established protocol, without line-error marks, whose check value is right. At the first octet that is anything else
it stops, and the careful rules go on from there.
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
_READS = frozenset((1, 2, 3, 4))
_WRITES = frozenset((0x0F, 0x10))


def run_fast(decoder: BusDecoder, chunk: Chunk, at: int, out: list[Frame]) -> int:
    """Append frames that begin at octet `at` of the chunk, end to end; answers where they stop.

    All octets before `at` are decided, and `stream.before_ns` is when the last of them ended.
    """
    known = decoder.experience
    osdp, learned = known.osdp, known.modbus
    stream = decoder.stream
    t_ns, end_ns, octets, marks, direction = chunk
    if not (osdp or learned) or (marks and any(marks)):
        return at
    before_ns = stream.before_ns
    count = len(octets)
    lasts_ns = end_ns - t_ns if end_ns > t_ns else 0
    start_ns = t_ns + at * lasts_ns // count
    silence_ns = None if before_ns is None else start_ns - before_ns if start_ns > before_ns else 0
    if not (decoder.hunter.anchored or (silence_ns is not None and silence_ns >= stream.break_ns)):
        return at
    first = at
    append = out.append
    osdp_count = 0
    last = count - 4
    while at <= last:
        lead = octets[at]
        if lead == 0x53 or (lead == 0xFF and octets[at + 1] == 0x53):
            if not osdp:
                break
            som = at if lead == 0x53 else at + 1
            if som + 7 > count:
                break
            length = octets[som + 2] | octets[som + 3] << 8
            end = som + length
            control = octets[som + 4]
            if end > count or length > MAX_LENGTH:
                break
            frame = octets[som:end]
            if control & 0xFC == 0x04:
                if length < 8:
                    break
            elif control & 0xF0 or length < _shortest(octets, som, control):
                break
            if control & 0x04:
                if crc_hqx(frame[:-2], CRC_START) != frame[-2] | frame[-1] << 8:
                    break
            elif sum(frame) & 0xFF or frame.find(0x53, 1) > 0:
                break
            stop_ns = t_ns + end * lasts_ns // count
            role = _REPLY if frame[1] & 0x80 else _REQUEST
            if som == at:
                append(_new(Frame, (_OSDP, start_ns, stop_ns, frame, _OK, role, silence_ns, b"", b"", direction)))
            else:
                begin_ns = t_ns + som * lasts_ns // count
                append(_new(Frame, (_OSDP, begin_ns, stop_ns, frame, _OK, role, silence_ns, b"", b"\xff", direction)))
            osdp_count += 1
        else:
            if not learned:
                break
            function = octets[at + 1]
            fits = _EITHER
            if function in _READS:
                size = octets[at + 2]
                length = 5 + size
                if 0 < size <= 250 and (function < 3 or not size & 1):
                    if length < 8:
                        fits = _REPLY
                        if at + length > count:
                            break
                        frame = octets[at : at + length]
                        if modbus(frame):
                            fits, length = _REQUEST, 8
                    elif length == 8:
                        fits = _EITHER
                    else:
                        if at + 8 > count:
                            break
                        frame = octets[at : at + 8]
                        if modbus(frame):
                            fits = _REPLY
                        else:
                            fits, length = _REQUEST, 8
                else:
                    fits, length = _REQUEST, 8
            elif function == 0x06 or function == 0x05:
                length = 8
            elif function in _WRITES:
                if at + 8 > count:
                    break
                size = octets[at + 6]
                if modbus(octets[at : at + 8]) == 0:
                    fits, length = _REPLY, 8
                elif 0 < size <= 246 and (function == 0x0F or not size & 1):
                    fits, length = _REQUEST, 9 + size
                else:
                    break
            elif function & 0x80 and function & 0x7F in KNOWN and octets[at + 2] in EXCEPTION_CODES:
                fits, length = _REPLY, 5
            else:
                break
            end = at + length
            if end > count:
                break
            frame = octets[at:end]
            if modbus(frame):
                break
            stop_ns = t_ns + end * lasts_ns // count
            roles = decoder.roles
            role = roles.judge(frame, fits, start_ns, stop_ns, direction)
            append(_new(Frame, (_MODBUS, start_ns, stop_ns, frame, _OK, role, silence_ns, b"", b"", direction)))
            known.addresses.add(lead)
            known.modbus_count += 1
        at = end
        start_ns = stop_ns
        silence_ns = 0
    if at > first:
        known.osdp_count += osdp_count
        decoder.expect()
    return at


def _shortest(octets: bytes, som: int, control: int) -> int:
    """The least length of a frame with a checksum or a security block."""
    shortest = 8 if control & 0x04 else 7
    if control & 0x08:
        block = octets[som + 5]
        return shortest + block if block >= 2 else MAX_LENGTH + 1
    return shortest
