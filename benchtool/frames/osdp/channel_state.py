"""What is known of a secure session that is followed from the outside: of a frame, of a device, in words.

Facts: sheet 5.8. Used by `channel`, which does the following.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from benchtool.frames.osdp.channel_bridge import Place
from benchtool.frames.osdp.events import Event, Kind
from benchtool.frames.osdp.keys import Key, KeySource
from benchtool.frames.osdp.secure import Chain, Fault, Opened, SessionKeys


class Standing(Enum):
    """How a frame stands to its device's secure channel; the value is what `--json` prints."""

    CLEAR = "clear"
    HANDSHAKE = "handshake"
    """CHLNG, CCRYPT, SCRYPT or RMAC_I."""
    VERIFIED = "verified"
    """The MAC is right; data is decrypted."""
    NO_KEY = "no-key"
    """No key at hand fits the session."""
    START_NOT_HEARD = "start-not-heard"
    LOST = "lost"
    """A frame before it was missed, so that nothing can be said of its MAC."""
    REFUSED = "refused"
    """The MAC is wrong, or a frame that has to be secured is not."""


class Sight(NamedTuple):
    """What is known of one frame."""

    standing: Standing
    opened: Opened | None = None
    """Code and data where the frame was opened; None for clear and unreadable frames."""
    key: KeySource | None = None
    events: tuple[Event, ...] = ()


class State(Enum):
    """How far a device's session has come."""

    NONE = "none"
    STARTING = "starting"
    OPEN = "open"
    UNREADABLE = "unreadable"
    """Secured, but key or start are missing."""
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class ChannelFigures:
    """What was seen of one device's secure channel."""

    address: int
    state: State
    key: KeySource | None
    """Of the last session whose key was found."""
    claimed_default: bool | None
    """Which key the last start named: the default key or not; None where no start was heard."""
    sessions: int
    """Session starts that the device accepted."""
    verified: int
    refused: int
    unreadable: int
    bridged: int
    """Frames that were missed and could be made up for."""


class Device:
    """What is remembered of one address."""

    __slots__ = (
        "bridged", "chain", "client", "cuid", "damages", "default_refused", "had_own_key", "handshake", "key", "keys",
        "kind", "last_ns", "last_opened", "last_sent", "place", "refused", "refused_run", "rnd_a", "rnd_b", "said",
        "sequence", "server", "sessions", "start", "state", "unreadable", "verified",
    )  # fmt: skip

    def __init__(self) -> None:
        self.state = State.NONE
        self.handshake = 0
        """Security block type of the last frame of a start, 0 when none is under way."""
        self.start: set[bytes] = set()
        """The frames of the last start: the same octets again are a repeat."""
        self.kind: int | None = None
        self.rnd_a = self.rnd_b = self.cuid = self.client = self.server = b""
        self.key: Key | None = None
        self.keys: SessionKeys | None = None
        self.chain: Chain | None = None
        self.place = Place(None)
        self.sequence: int | None = None
        """Of the last frame of the start."""
        self.last_sent = [b"", b""]
        self.last_opened: list[Opened | None] = [None, None]
        self.last_ns = 0
        self.damages = 0
        self.had_own_key = False
        self.default_refused = False
        """Whether it was heard to refuse the default key, and has not taken it since."""
        self.said: set[Kind] = set()
        self.refused_run = 0
        self.sessions = self.verified = self.refused = self.unreadable = self.bridged = 0

    def drop(self, state: State) -> None:
        """No session any more, or none that can be read."""
        self.state = state
        self.chain = self.keys = None
        self.handshake = 0
        self.last_sent = [b"", b""]
        self.refused_run = 0
        self.said.clear()


CLEAR = Sight(Standing.CLEAR)
UNREAD = {
    State.NONE: Standing.START_NOT_HEARD,
    State.STARTING: Standing.NO_KEY,
    State.UNREADABLE: Standing.NO_KEY,
    State.LOST: Standing.LOST,
}
FAULT_WORDS = {
    Fault.CUT_OFF: "the MAC is missing",
    Fault.WRONG_DIRECTION: "a security block that belongs to the other direction",
    Fault.BLOCKS: "encrypted data that is not in blocks of 16 octets",
    Fault.PADDING: "the decrypted data does not end in its padding",
    Fault.NO_DATA: "a security block for encrypted data, without data",
    Fault.DATA_IN_CLEAR: "data in the clear under a security block without encryption",
}
