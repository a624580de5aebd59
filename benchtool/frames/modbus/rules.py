"""How long each Modbus RTU message is, and what a sane one may hold; light and fast, for decoders.

Facts: MODBUS Application Protocol V1.1b3 and Serial Line Guide V1.02 (sheet section 3): message layouts 3.3, quantity
limits 3.4, frame of at most 256 octets, addresses 0 to 247, exceptions function | 80 with codes 1 to 0B.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.frames.frame import Role

MAX_LENGTH = 256
MIN_LENGTH = 4
MAX_ADDRESS = 247
"""248 to 255 are reserved."""
MAX_EXCEPTION = 0x0B
READ_BITS = (1, 2)
READ_REGISTERS = (3, 4)


@dataclass(frozen=True, slots=True)
class Size:
    """Length in octets, address and CRC included: `base`, plus the count in octet `count_at` if there is one."""

    base: int
    count_at: int | None = None
    wide: bool = False
    """The count is 16 bits, high octet first."""

    def of(self, octets: bytes | bytearray, start: int, end: int) -> int:
        """The length of the message at `start`; 0 when the count has not come yet."""
        at = self.count_at
        if at is None:
            return self.base
        at += start
        if at + self.wide >= end:
            return 0
        return self.base + (octets[at] << 8 | octets[at + 1] if self.wide else octets[at])


COUNTED = Size(5, 2)

SIZES: dict[int, tuple[Size, Size]] = {
    0x01: (Size(8), COUNTED),
    0x02: (Size(8), COUNTED),
    0x03: (Size(8), COUNTED),
    0x04: (Size(8), COUNTED),
    0x05: (Size(8), Size(8)),
    0x06: (Size(8), Size(8)),
    0x07: (Size(4), Size(5)),
    0x08: (Size(8), Size(8)),
    0x0B: (Size(4), Size(8)),
    0x0C: (Size(4), COUNTED),
    0x0F: (Size(9, 6), Size(8)),
    0x10: (Size(9, 6), Size(8)),
    0x11: (Size(4), COUNTED),
    0x14: (COUNTED, COUNTED),
    0x15: (COUNTED, COUNTED),
    0x16: (Size(10), Size(10)),
    0x17: (Size(13, 10), COUNTED),
    0x18: (Size(6), Size(6, 2, wide=True)),
}
"""function: (request, reply). 2B is sized by `_device_id`."""

KNOWN = frozenset(SIZES) | {0x2B}
Alternative = tuple[int, Role]
"""A length that fits, and who would be speaking; length 0 means that more octets are needed to know."""


def alternatives(octets: bytes | bytearray, start: int, end: int) -> list[Alternative]:
    """Lengths that a message beginning at `start` may have, by its function code; empty when it cannot be one.

    `end` is where the octets that have come end. A length of request and reply alike comes once, as UNKNOWN.
    """
    if end - start < 2:
        return [(0, Role.UNKNOWN)]
    if octets[start] > MAX_ADDRESS:
        return []
    function = octets[start + 1]
    if function & 0x80:
        return [(5, Role.REPLY)] if function & 0x7F in KNOWN else []
    sizes = SIZES.get(function)
    if sizes is None:
        return _device_id(octets, start, end) if function == 0x2B else []
    asked, answered = sizes[0].of(octets, start, end), sizes[1].of(octets, start, end)
    if asked == answered:
        return [(asked, Role.UNKNOWN)] if asked <= MAX_LENGTH else []
    fits = []
    if asked <= MAX_LENGTH:
        fits.append((asked, Role.REQUEST))
    if answered <= MAX_LENGTH:
        fits.append((answered, Role.REPLY))
    return fits


def _device_id(octets: bytes | bytearray, start: int, end: int) -> list[Alternative]:
    """Read device identification, 2B/0E (sheet 3.3): a request of 7 octets; a reply is a list of objects."""
    if end - start < 3:
        return [(0, Role.UNKNOWN)]
    if octets[start + 2] != 0x0E:
        return []
    fits: list[Alternative] = [(7, Role.REQUEST)]
    at = start + 8
    if at > end:
        return [*fits, (0, Role.REPLY)]
    for _ in range(octets[start + 7]):
        if at + 2 > end:
            return [*fits, (0, Role.REPLY)]
        at += 2 + octets[at + 1]
        if at - start + 2 > MAX_LENGTH:
            return fits
    return [*fits, (at - start + 2, Role.REPLY)]


def roles(octets: bytes | bytearray, start: int, length: int) -> tuple[bool, bool]:
    """Whether a message with a right CRC can be a request, and whether it can be a reply, by what it holds.

    Keeps chance hits out of random octets: quantities and counts have limits (sheet 3.4).
    """
    function = octets[start + 1]
    if function & 0x80:
        return False, length == 5 and 1 <= octets[start + 2] <= MAX_EXCEPTION
    first = octets[start + 2] if length > 4 else 0
    word = octets[start + 4] << 8 | octets[start + 5] if length >= 8 else 0
    if function in READ_BITS:
        return length == 8 and 1 <= word <= 2000, length == 5 + first and 1 <= first <= 250
    if function in READ_REGISTERS:
        return length == 8 and 1 <= word <= 125, length == 5 + first and 2 <= first <= 250 and first & 1 == 0
    if function == 0x05:
        sane = word in (0, 0xFF00)
        return sane, sane
    if function in (0x0F, 0x10):
        most = 1968 if function == 0x0F else 123
        size = (word + 7) // 8 if function == 0x0F else 2 * word
        return length == 9 + octets[start + 6] and size == octets[start + 6], length == 8 and 1 <= word <= most
    sizes = SIZES.get(function)
    if sizes is None:
        return length == 7, length > 7
    end = start + length
    return sizes[0].of(octets, start, end) == length, sizes[1].of(octets, start, end) == length
