"""What can be said of OSDP traffic beyond single frames: rules kept and broken, sessions, security findings.

Facts: sheet 5.1 (sequence, BUSY), 5.2 (times), 5.8 (secure channel); clauses are those of SIA OSDP 2.2 as the open
stacks cite them. Where no source gives a rule, the clause is empty and the row says "common practice".
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from typing import NamedTuple


class Level(Enum):
    """How much an event matters; the value is what `--json` prints."""

    NOTE = "note"
    """Allowed, worth knowing."""
    FAULT = "fault"
    """Against the standard, or a sign that something does not work."""
    SECURITY = "security"
    """Somebody on the bus could read, forge or take over."""


class Kind(Enum):
    """What happened; the value is what `--json` prints."""

    REPLY_LATE = "reply-late"
    CHARACTER_GAP = "character-gap"
    IDLE_SHORT = "idle-short"
    OFFLINE = "offline"
    OFFLINE_DAMAGED = "offline-damaged"
    NOT_POLLED = "not-polled"
    BACK = "back-online"
    RESTART = "restart"
    STUCK_AT_ZERO = "stuck-at-zero"
    SEQUENCE_JUMP = "sequence-jump"
    SEQUENCE_REPLY = "sequence-reply"
    ASKED_AGAIN = "asked-again"
    REPEAT_DIFFERS = "repeat-differs"
    REPLY_DIFFERS = "reply-differs"
    UNASKED = "reply-unasked"
    SECOND_REPLY = "second-reply"
    BUSY = "busy"
    BUSY_NUMBERED = "busy-numbered"
    REFUSED = "refused"
    TOO_LONG = "too-long"
    LINE_CHANGE = "line-change"
    LINE_CHANGE_FOR_ALL = "line-change-for-all"
    TRANSFER_DONE = "transfer-done"
    TRANSFER_GAP = "transfer-gap"
    TRANSFER_STOPPED = "transfer-stopped"
    SESSION_OPEN = "session-open"
    SESSION_ENDED = "session-ended"
    SESSION_LOST = "session-lost"
    START_NOT_HEARD = "session-start-not-heard"
    KEY_UNKNOWN = "session-key-unknown"
    KEY_WRONG = "session-key-wrong"
    KEYS_DIFFER = "keys-differ"
    CRYPTOGRAM_WRONG = "cryptogram-wrong"
    MAC_WRONG = "mac-wrong"
    SEALED_WRONG = "sealed-wrong"
    CLEAR_IN_SESSION = "clear-in-session"
    KEY_CHANGED = "key-changed"
    DEFAULT_KEY = "default-key-in-use"
    KEY_UNDER_DEFAULT = "key-sent-under-default-key"
    KEY_IN_CLEAR = "key-sent-in-clear"
    DEFAULT_ACCEPTED = "default-key-still-accepted"
    DEFAULT_SAID = "default-key-said-accepted"
    DEFAULT_REFUSED = "default-key-refused"
    SECRET_IN_CLEAR = "secret-in-clear"
    RANDOM_REPEATED = "random-repeated"


class Row(NamedTuple):
    """One kind of event."""

    level: Level
    title: str
    clause: str
    """Clause of SIA OSDP 2.2 and section of the sheet; "common practice" where nothing was published."""
    mend: str = ""
    """What to do; empty for a note."""


_N, _F, _S = Level.NOTE, Level.FAULT, Level.SECURITY
_TIMING = "5.7; sheet 5.2"
_NUMBERS = "5.9; sheet 5.1"
_CHANNEL = "Annex D; sheet 5.8"
_INSTALLATION_OFF = "switch its installation mode off (its own settings or a command of its maker), then look again"
_MOVE = "on a bench, with nothing else on the pair, where nobody can listen"

KINDS: dict[Kind, Row] = {
    Kind.REPLY_LATE: Row(
        _F,
        "reply later than 200 ms",
        _TIMING,
        "the controller will have asked again: look for a converter or a slow device on the way; update the device",
    ),
    Kind.CHARACTER_GAP: Row(
        _F,
        "more than 20 ms between two characters of a frame",
        _TIMING,
        "the receiver drops such a frame: look for a converter or network link that splits frames, or a busy sender",
    ),
    Kind.IDLE_SHORT: Row(
        _F,
        "less than two characters of silence before a frame",
        _TIMING,
        "give the sender a longer turn-around: the other driver may still be on the line",
    ),
    Kind.OFFLINE: Row(
        _F,
        "no sound reply for 8 s: off-line",
        _TIMING,
        "check supply, wiring, address and bit rate of the device (benchtool diagnose)",
    ),
    Kind.OFFLINE_DAMAGED: Row(
        _F,
        "no sound reply for 8 s: off-line, though something damaged came after most commands",
        _TIMING,
        "it has power and talks: look for a second device at this address, noise, or a fault of the pair to it "
        "(benchtool diagnose)",
    ),
    Kind.NOT_POLLED: Row(
        _F,
        "not asked for 8 s: the device counts itself off-line",
        _TIMING,
        "the controller must ask each device more often than every 8 s; a secure session has lapsed, too",
    ),
    Kind.BACK: Row(_N, "answers again", _TIMING),
    Kind.RESTART: Row(_N, "the controller starts the sequence anew", _NUMBERS),
    Kind.STUCK_AT_ZERO: Row(
        _F,
        "sequence number 0 again and again",
        _NUMBERS,
        "each 0 resets the device and its secure channel: the controller counts wrong (update it), or does not hear "
        "the reply that is heard here (look at the pair at its end)",
    ),
    Kind.SEQUENCE_JUMP: Row(
        _F,
        "a sequence number left out",
        _NUMBERS,
        "frames are lost before this tap, two controllers talk, or the controller counts wrong",
    ),
    Kind.SEQUENCE_REPLY: Row(
        _F,
        "reply with another sequence number than its command",
        _NUMBERS,
        "update or replace the device; two devices at one address look like this, too",
    ),
    Kind.ASKED_AGAIN: Row(_N, "asked again with the same number: the controller heard no sound reply", _NUMBERS),
    Kind.REPEAT_DIFFERS: Row(
        _F,
        "another command under the number of the last one",
        _NUMBERS,
        "the device may answer with its last reply and leave the command undone: update the controller",
    ),
    Kind.REPLY_DIFFERS: Row(
        _F,
        "a repeated command was answered differently",
        _NUMBERS,
        "the device must repeat its last reply: card reads can be lost or doubled; update the device",
    ),
    Kind.UNASKED: Row(
        _F,
        "a reply that nobody asked for",
        _NUMBERS,
        "two devices at one address, or a device that talks by itself: unplug them one by one",
    ),
    Kind.SECOND_REPLY: Row(
        _F,
        "a second reply to one command",
        _NUMBERS,
        "two devices at one address: give one of them another",
    ),
    Kind.BUSY: Row(_N, "busy: the controller has to ask again", _NUMBERS),
    Kind.BUSY_NUMBERED: Row(
        _F,
        "BUSY with a sequence number or a security block",
        _NUMBERS,
        "BUSY carries 0 and is not secured: update the device",
    ),
    Kind.REFUSED: Row(_N, "the device refused a command", "7.3, T47; sheet 5.4"),
    Kind.TOO_LONG: Row(
        _F,
        "longer than the other end said that it can take",
        "5.6; sheet 5.5",
        "send in smaller parts: the frame is dropped or refused",
    ),
    Kind.LINE_CHANGE: Row(_N, "address or bit rate changes", "sheet 5.5"),
    Kind.LINE_CHANGE_FOR_ALL: Row(
        _F,
        "address or bit rate set for every device at once, with more than one on the pair",
        "5.4; sheet 5.1",
        "all of them take the same address: set addresses with one device on the pair, or by its own address",
    ),
    Kind.TRANSFER_DONE: Row(_N, "all parts of a message came through", "sheet 5.5"),
    Kind.TRANSFER_GAP: Row(
        _F,
        "a part does not begin where the last one ended",
        "sheet 5.5",
        "the message is not whole: parts are lost, or the sender counts wrong",
    ),
    Kind.TRANSFER_STOPPED: Row(
        _F,
        "a message in parts was broken off",
        "sheet 5.5",
        "send it again from the beginning; look at the device's status before it",
    ),
    Kind.SESSION_OPEN: Row(_N, "secure session open", _CHANNEL),
    Kind.SESSION_ENDED: Row(_N, "secure session ended", _CHANNEL),
    Kind.SESSION_LOST: Row(
        _N,
        "a frame was missed at this tap: MACs cannot be verified until the session is taken up again or starts anew",
        _CHANNEL,
    ),
    Kind.START_NOT_HEARD: Row(
        _N,
        "secured, but the start of the session was not heard: codes, lengths and times are known, contents are not",
        _CHANNEL,
        "listen while the device is powered up, or the controller is started",
    ),
    Kind.KEY_UNKNOWN: Row(
        _N,
        "secured with a key that is not at hand: codes, lengths and times are known, contents are not",
        _CHANNEL,
        "give the key with --osdp-key FILE or BENCHTOOL_OSDP_KEY",
    ),
    Kind.KEY_WRONG: Row(
        _N,
        "secured, and no key that was given fits: codes, lengths and times are known, contents are not",
        _CHANNEL,
        "look for this device's key: another address's, another site's, or one from before a change was given; a "
        "master key stands after the word master",
    ),
    Kind.KEYS_DIFFER: Row(
        _F,
        "the two ends hold different keys",
        _CHANNEL,
        f"set the device back to its default key and set the key anew, {_MOVE}",
    ),
    Kind.CRYPTOGRAM_WRONG: Row(
        _F,
        "a cryptogram or first MAC does not fit the key that the session is said to use",
        _CHANNEL,
        "an end with another key, a faulty one, or somebody who stands in for it",
    ),
    Kind.MAC_WRONG: Row(
        _S,
        "wrong MAC: the frame was altered or forged, or its sender is out of step",
        _CHANNEL,
        "if it comes again: look for a second controller or device on the pair, then for somebody else",
    ),
    Kind.SEALED_WRONG: Row(
        _F, "the MAC is right, but what it seals is not as the standard has it", _CHANNEL, "update the sender"
    ),
    Kind.CLEAR_IN_SESSION: Row(
        _S,
        "not secured, in the midst of a secure session",
        _CHANNEL,
        "neither end should take it: look who sent it, and whether it was obeyed",
    ),
    Kind.KEY_CHANGED: Row(_N, "a new key was sent to the device", _CHANNEL),
    Kind.DEFAULT_KEY: Row(
        _S,
        "secure session with the default key, which everybody knows",
        _CHANNEL,
        f"set a key of its own in controller and device, {_MOVE}",
    ),
    Kind.KEY_UNDER_DEFAULT: Row(
        _S,
        "a key was sent in a session with the default key: whoever listened has it",
        _CHANNEL,
        f"take this key as known: set the device back to its default key, and set another, {_MOVE}",
    ),
    Kind.KEY_IN_CLEAR: Row(
        _S,
        "a key was sent in the clear: whoever listened has it",
        _CHANNEL,
        f"take this key as known: set another inside a secure session, {_MOVE}",
    ),
    Kind.DEFAULT_ACCEPTED: Row(
        _S,
        "the device still accepts the default key",
        _CHANNEL,
        _INSTALLATION_OFF,
    ),
    Kind.DEFAULT_SAID: Row(
        _S,
        "the device says that it still accepts the default key",
        "Annex B, function 9; sheet 5.5",
        _INSTALLATION_OFF,
    ),
    Kind.DEFAULT_REFUSED: Row(_N, "the device does not accept the default key", _CHANNEL),
    Kind.SECRET_IN_CLEAR: Row(
        _S,
        "card data or typed digits in the clear",
        "Annex D; common practice",
        "switch the secure channel on, with a key of its own, if both ends have it",
    ),
    Kind.RANDOM_REPEATED: Row(
        _S,
        "a random number of the session start came before: an old session can be played back",
        "Annex D; common practice",
        "update or replace the end that sent it",
    ),
}
"""Every kind of event."""


class Event(NamedTuple):
    """Something that happened on the bus."""

    kind: Kind
    t_ns: int
    address: int
    detail: str = ""
    """What this time: figures, names. Never a secret."""
    numbers: Mapping[str, float | int | str] = {}
    """The figures by name, for scripts."""

    @property
    def row(self) -> Row:
        """Level, title, clause and mend."""
        return KINDS[self.kind]

    def text(self) -> str:
        """One line, without the mend."""
        return f"{self.row.title}{f': {self.detail}' if self.detail else ''}"
