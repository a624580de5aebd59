"""What single octets of OSDP payloads mean, in words: colours, output codes, capabilities and the like.

Facts: sheet 5.5 (read in open protocol stacks; compliance levels in an open operating system's OSDP documentation).
"""

from __future__ import annotations

COLOURS = {0: "black", 1: "red", 2: "green", 3: "amber", 4: "blue", 5: "magenta", 6: "cyan", 7: "white"}
"""LED colours (clause 6.9)."""

OUTPUT_CODES = {
    0: "no change",
    1: "permanent off, abort timed",
    2: "permanent on, abort timed",
    3: "permanent off, let timed finish",
    4: "permanent on, let timed finish",
    5: "temporary on",
    6: "temporary off",
}
"""OUT control codes (clause 6.8, Table 14)."""

LED_TEMPORARY = {0: "no change", 1: "cancel", 2: "set"}
LED_PERMANENT = {0: "no change", 1: "set"}
TONES = {0: "none", 1: "off", 2: "default"}
"""BUZ tone codes; 0 is deprecated (clause 6.10-11)."""
TEXT_COMMANDS = {1: "permanent, no wrap", 2: "permanent, wrap", 3: "temporary, no wrap", 4: "temporary, wrap"}
"""TEXT commands (clause 6.12)."""
CARD_FORMATS = {0: "unspecified", 1: "parity-framed"}
"""RAW format codes (clause 7.10)."""
TAMPER = {0: "normal", 1: "tamper"}
POWER = {0: "normal", 1: "power failure"}
ACTIVE = {0: "inactive", 1: "active"}
READER_STATES = {0: "normal", 1: "not connected", 2: "tamper"}
BIO_STATUS = {0: "ok", 1: "time-out", 0xFF: "unknown error"}
BIO_TYPES = {
    0: "any",
    1: "right thumb",
    2: "right index finger",
    3: "right middle finger",
    4: "right ring finger",
    5: "right little finger",
    6: "left thumb",
    7: "left index finger",
    8: "left middle finger",
    9: "left ring finger",
    10: "left little finger",
    11: "right iris",
    12: "right retina",
    13: "left iris",
    14: "left retina",
    15: "full face",
    16: "right hand",
    17: "left hand",
}
"""What a biometric reader is to scan; from memory."""
BIO_FORMATS = {0: "any", 1: "raw fingerprint image", 2: "fingerprint template"}
"""From memory."""
DIRECTIONS = {0: "forward", 1: "backward"}
"""Which way a card was read; from memory."""
EXTENDED_MODES = {0: "mode settings", 1: "smart card"}
"""XWR and XRD; from memory."""
KEY_TYPES = {1: "secure channel base key"}
TRANSFER_FLAGS = {1: "interleave ok", 2: "leave secure channel", 4: "separate poll responses"}
TRANSFER_STATUS = {
    0: "ok",
    1: "processed",
    2: "rebooting",
    3: "finishing",
    -1: "abort",
    -2: "unrecognised",
    -3: "malformed",
}
ONLY_ZERO = {0: "standard"}

RECEIVE_BUFFER, COMBINED_MESSAGE = 10, 11
"""Capabilities whose compliance and number octets are the low and high octet of a size."""

CAPABILITIES = {
    1: "contact status",
    2: "output control",
    3: "card data format",
    4: "LED control",
    5: "audible output",
    6: "text output",
    7: "time keeping (obsolete)",
    8: "check characters",
    9: "communication security",
    10: "receive buffer",
    11: "largest combined message",
    12: "smart card",
    13: "readers",
    14: "biometrics",
    15: "secure PIN entry",
    16: "OSDP version",
}
"""PDCAP function codes (Annex B)."""

COMPLIANCE: dict[int, dict[int, str]] = {
    1: {1: "unsupervised", 2: "configurable normally open or closed", 3: "supervised", 4: "custom end of line"},
    2: {1: "on and off", 2: "on and off, inverted drive", 3: "on and off, timed", 4: "timed and inverted drive"},
    3: {1: "bits", 2: "BCD characters", 3: "bits or BCD characters"},
    4: {1: "on and off", 2: "timed", 3: "timed, bi-colour", 4: "timed, tri-colour"},
    5: {1: "on and off", 2: "timed"},
    8: {0: "checksum only", 1: "CRC"},
    16: {0: "unspecified", 1: "IEC 60839-11-5", 2: "SIA OSDP 2.2"},
}
"""Compliance levels in words, by function code, where known; level 0 otherwise means "not there"."""


def capability_records(data: bytes) -> list[tuple[int, int, int]]:
    """The whole records of a PDCAP payload: function, compliance, number, an octet each (sheet 5.5)."""
    return [(data[at], data[at + 1], data[at + 2]) for at in range(0, len(data) - 2, 3)]


def capability_text(function: int, compliance: int, number: int) -> str:
    """One PDCAP record as a person reads it: `receive buffer 450 octets`, `check characters CRC`."""
    name = CAPABILITIES.get(function, f"unknown function {function}")
    if function in (RECEIVE_BUFFER, COMBINED_MESSAGE):
        return f"{name} {compliance | number << 8} octets"
    if function == 9:
        aes = "AES-128" if compliance & 1 else "none"
        return f"{name} {aes}{', default key usable' if number & 1 else ''}"
    if function == 13:
        return f"{name} {number}"
    word = COMPLIANCE.get(function, {}).get(compliance)
    if word is None:
        word = "none" if compliance == 0 else f"level {compliance}"
    counted = function not in (8, 16) and compliance != 0
    return f"{name} {word}{f', {number} of them' if counted and number > 1 else ''}"


def led_temporary_text(control: int, on: str, off: str, on_colour: str, off_colour: str, timer: str) -> str:
    """The temporary half of an LED record."""
    if control != 2:
        return LED_TEMPORARY.get(control, f"control {control} (not defined)")
    return f"on {on} {on_colour}, off {off} {off_colour}, for {timer}"


def led_permanent_text(control: int, on: str, off: str, on_colour: str, off_colour: str) -> str:
    """The permanent half of an LED record."""
    if control != 1:
        return LED_PERMANENT.get(control, f"control {control} (not defined)")
    return f"on {on} {on_colour}, off {off} {off_colour}"


def keys_text(octets: bytes) -> str:
    """KEYPAD digits as printed on the keys: 0D is #, 7F is * (clause 7.12)."""
    return characters_text(octets.replace(b"\r", b"#").replace(b"\x7f", b"*"))


def characters_text(octets: bytes) -> str:
    r"""Characters as they are, what cannot be printed as \xNN."""
    return "".join(chr(octet) if 0x20 <= octet < 0x7F else f"\\x{octet:02X}" for octet in octets)
