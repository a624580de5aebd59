"""The security block of an OSDP frame: its types in words. Structure only, no cryptography.

Facts: sheet 5.8 (Annex D of SIA OSDP 2.2 as cited there).
"""

from __future__ import annotations

from typing import NamedTuple

MAC_TYPES = frozenset((0x15, 0x16, 0x17, 0x18))
"""Types whose frames end in a MAC."""
ENCRYPTED_TYPES = frozenset((0x17, 0x18))
"""Types whose data is encrypted."""
KEYS = {0: "default key", 1: "installed key"}
"""Third octet of types 11 to 13: which key, SCBK-D or SCBK."""


class BlockType(NamedTuple):
    """One type of security block."""

    type: int
    name: str
    reply: bool
    """Whether it is sent by a device."""
    length: int
    """Octets of the block, its length octet included."""
    text: str


BLOCK_TYPES: dict[int, BlockType] = {
    row.type: row
    for row in (
        BlockType(0x11, "SCS_11", False, 3, "challenge"),
        BlockType(0x12, "SCS_12", True, 3, "client cryptogram"),
        BlockType(0x13, "SCS_13", False, 3, "server cryptogram"),
        BlockType(0x14, "SCS_14", True, 3, "first MAC"),
        BlockType(0x15, "SCS_15", False, 2, "MAC only"),
        BlockType(0x16, "SCS_16", True, 2, "MAC only"),
        BlockType(0x17, "SCS_17", False, 2, "encrypted, MAC"),
        BlockType(0x18, "SCS_18", True, 2, "encrypted, MAC"),
    )
}
"""Every type by its number."""


def block_text(block: bytes) -> str:
    """A security block in words: `SCS_11 (challenge), default key`."""
    if len(block) < 2:
        return "cut off"
    row = BLOCK_TYPES.get(block[1])
    if row is None:
        return f"unknown type 0x{block[1]:02X}"
    text = f"{row.name} ({row.text})"
    if len(block) > 2:
        if row.type == 0x14:
            return text + (", cryptogram accepted" if block[2] == 1 else ", cryptogram refused")
        if row.type in (0x11, 0x12, 0x13):
            return f"{text}, {KEYS.get(block[2], f'unknown key kind 0x{block[2]:02X}')}"
    return text


def block_problems(block: bytes, reply: bool) -> list[str]:
    """What is odd about a security block."""
    if len(block) < 2:
        return ["security block cut off"]
    row = BLOCK_TYPES.get(block[1])
    if row is None:
        return [f"security block type 0x{block[1]:02X} is not defined"]
    problems = []
    if row.reply != reply:
        problems.append(f"{row.name} belongs to a {'reply' if row.reply else 'command'}")
    if block[0] != row.length:
        problems.append(f"{row.name} takes {row.length} octets, found {block[0]}")
    return problems
