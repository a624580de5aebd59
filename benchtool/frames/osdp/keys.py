"""The keys of OSDP secure channels that somebody holds: read from text, looked up by address. Never printed.

Text: one key a line, 32 hexadecimal digits, after the device address it belongs to, after `*` (or nothing) for every
address, or after `master` for a master key, of which each device's key is made with its cUID (sheet 5.8).
"""

from __future__ import annotations

import re
from enum import Enum
from typing import NamedTuple

from benchtool.frames.osdp.check import BROADCAST

_LINE = re.compile(r"(?:(\*|master|[0-9]{1,3})\s*[\s=:]\s*)?((?:[0-9a-f]{2}[ :-]?){15}[0-9a-f]{2})", re.ASCII)


class KeySource(Enum):
    """Where the key of a session came from; the value is what `--json` prints."""

    DEFAULT = "default"
    """SCBK-D, which every device is made with: tried unasked."""
    GIVEN = "given"
    """From the user, for this address or for all."""
    MASTER = "master"
    """From the user's master key and the device's cUID."""
    LEARNED = "learned"
    """Read on the bus itself, in a KEYSET that could be read."""


KEY_WORDS = {
    KeySource.DEFAULT: "the default key",
    KeySource.GIVEN: "a key that was given",
    KeySource.MASTER: "a key made from the master key given",
    KeySource.LEARNED: "a key that was read on the bus",
}


class Key(NamedTuple):
    """One key with its source. The key's octets are secret: `repr` shows the source only."""

    octets: bytes
    source: KeySource

    def __repr__(self) -> str:
        return f"Key({self.source.value})"


class KeyText(ValueError):  # noqa: N818  # what is wrong, not a failure of the program
    """A line of key text is not a key. The text of the line is not repeated, for it may hold one."""


class KeyRing:
    """All keys at hand. The default key is always among them, last."""

    def __init__(self) -> None:
        self._given: dict[int | None, list[bytes]] = {}
        self._masters: list[bytes] = []
        self._learned: dict[int | None, list[bytes]] = {}

    @classmethod
    def parse(cls, text: str) -> KeyRing:
        """From a key file's text (a line each, `#` begins a comment) or an environment variable (`;` also ends a line).

        KeyText says which line is wrong.
        """
        ring = cls()
        found = 0
        for number, line in enumerate(re.split(r"[\n;]", text.lstrip("\ufeff")), 1):
            bare = line.split("#", 1)[0].strip().lower()
            if not bare:
                continue
            match = _LINE.fullmatch(bare)
            if match is None or ((match[1] or "").isdigit() and int(match[1]) >= BROADCAST):
                raise KeyText(
                    f"line {number} is not a key: write 32 hexadecimal digits, after a device address (0 to 126), "
                    "'*' or 'master' where need be"
                )
            key = bytes.fromhex(re.sub("[ :-]", "", match[2]))
            found += 1
            if match[1] == "master":
                ring._masters.append(key)
            else:
                ring.give(key, None if match[1] in (None, "*") else int(match[1]))
        if not found:
            raise KeyText("there is no key in it: write 32 hexadecimal digits on a line")
        return ring

    def give(self, key: bytes, address: int | None = None) -> None:
        """Add a key for an address, or for all."""
        self._given.setdefault(address, []).append(key)

    def learn(self, key: bytes, address: int) -> None:
        """A key that was read on the bus; the newest is tried first."""
        known = self._learned.setdefault(address, [])
        if key in known:
            known.remove(key)
        known.insert(0, key)
        del known[4:]

    def moved(self, old: int, new: int) -> None:
        """A device has a new address: its keys go with it."""
        for held in (self._given, self._learned):
            if old in held:
                known = held.setdefault(new, [])
                known[:0] = [key for key in held[old] if key not in known]

    @property
    def given(self) -> int:
        """How many keys the user gave, master keys included."""
        return len(self._masters) + sum(len(keys) for keys in self._given.values())

    def for_address(self, address: int, cuid: bytes | None = None) -> list[Key]:
        """Keys to try for a device, likeliest first; master keys count only with its cUID (8 octets)."""
        from benchtool.frames.osdp.secure import DEFAULT_KEY, derived_key

        keys = [Key(key, KeySource.GIVEN) for key in self._given.get(address, [])]
        keys += [Key(key, KeySource.LEARNED) for key in self._learned.get(address, [])]
        if cuid is not None:
            keys += [Key(derived_key(key, cuid), KeySource.MASTER) for key in self._masters]
        keys += [Key(key, KeySource.GIVEN) for key in self._given.get(None, [])]
        keys.append(Key(DEFAULT_KEY, KeySource.DEFAULT))
        # A default key given by hand is still the default key.
        return [Key(key, KeySource.DEFAULT if key == DEFAULT_KEY else source) for key, source in keys]

    def __repr__(self) -> str:
        return f"KeyRing({self.given} given)"
