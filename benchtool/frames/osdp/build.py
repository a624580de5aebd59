"""Build an OSDP frame from its parts: header, length, check value. Payloads are made by `payloads.encode_payload`.

Facts: sheet 5.1; the MAC belongs to security block types 15 to 18 only (sheet 5.8).
"""

from __future__ import annotations

from benchtool.frames.osdp import check
from benchtool.frames.osdp.security import MAC_TYPES


def build_frame(
    address: int,
    code: int,
    data: bytes = b"",
    *,
    sequence: int,
    crc: bool = True,
    reply: bool = False,
    security_block: bytes | None = None,
    mac: bytes = b"",
) -> bytes:
    """The octets from SOM to the last check octet.

    `address` is 0 to 126, or 127 for every device; `reply` sets its reply bit. `sequence` is 0 to 3. `security_block`
    includes its own length octet. Raises ValueError for parts that make no frame of the standard.
    """
    if not 0 <= address <= check.BROADCAST:
        raise ValueError(f"an OSDP address is 0 to 126, or 127 for every device, not {address}")
    if not 0 <= code <= 0xFF:
        raise ValueError(f"a command or reply code is one octet, 0 to 255, not {code}")
    if not 0 <= sequence <= check.SEQUENCE_MASK:
        raise ValueError(f"a sequence number is 0 to 3, not {sequence}")
    control = sequence | (check.USES_CRC if crc else 0)
    block = b""
    kind = None
    if security_block is not None:
        if len(security_block) < 2 or security_block[0] != len(security_block):
            raise ValueError("a security block begins with its own length (2 or more octets) and its type")
        control |= check.HAS_SECURITY_BLOCK
        block, kind = security_block, security_block[1]
    needed = check.MAC_LENGTH if kind in MAC_TYPES else 0
    if len(mac) != needed:
        about = "no security block" if kind is None else f"security block type {kind:02X}"
        raise ValueError(f"a frame with {about} carries {needed} MAC octets, not {len(mac)}")
    length = check.HEADER_LENGTH + len(block) + 1 + len(data) + len(mac) + (2 if crc else 1)
    if length > check.MAX_LENGTH:
        raise ValueError(f"the frame would be {length} octets; the longest is {check.MAX_LENGTH}")
    head = bytes((check.SOM, address | (check.REPLY_BIT if reply else 0), length & 0xFF, length >> 8, control))
    body = head + block + bytes((code,)) + data + mac
    return body + (check.crc(body).to_bytes(2, "little") if crc else bytes((check.checksum(body),)))
