"""The devices that a bus was heard to have: how each does just now, not over all the time; what it said it is.

On a bus with damage an address counts as a device once it has answered, or came often: chance frames bear any address.

What counts as slow is a judgement: answers that take more than half of the time that a controller waits, or twenty
times that of the other devices.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from statistics import median
from typing import Any

from benchtool.frames.frame import Frame, Protocol, Role
from benchtool.frames.meaning import HIDDEN, Meaning
from benchtool.frames.osdp.check import HAS_SECURITY_BLOCK, HEADER_LENGTH
from benchtool.frames.osdp.codes import Reply
from benchtool.measure.exchange import REPLY_LIMIT_NS, Exchange, Outcome, is_broadcast
from benchtool.measure.osdp_watch import Seen
from benchtool.measure.tally import SEEN_OFTEN
from benchtool.reports import frame_text, osdp_text

_KEPT = 12
"""Exchanges at one device that its present state is told by."""
_NOT_ASKED_NS = 15_000_000_000
_SLOWER = 20.0
_MOST_DEVICES = 512


class State(Enum):
    """How a device does just now; the value is the word shown."""

    ALIVE = "alive"
    SLOW = "slow"
    UNSTEADY = "unsteady"
    """It answers, but misses some."""
    DAMAGED = "damaged"
    SILENT = "silent"
    NOT_ASKED = "not asked"


SIGNS = {
    State.ALIVE: "+",
    State.SLOW: "~",
    State.UNSTEADY: "?",
    State.DAMAGED: "!",
    State.SILENT: "-",
    State.NOT_ASKED: " ",
}


@dataclass(frozen=True, slots=True)
class DeviceLine:
    """A device as it is drawn."""

    protocol: Protocol
    address: int
    state: State
    identity: str
    """What it said it is; empty where it has not been asked."""
    asked: int
    replies: int
    errors: int
    """Requests that brought no sound reply."""
    latency_ns: int | None
    """Median of its last replies; None where there was none."""
    history: tuple[int | str, ...]
    """Its last exchanges, the newest last: latency in ns, or `silent` or `damaged`."""
    last: str
    """The last thing it told of, with its time; secrets hidden unless asked for."""


def place_of(devices: Sequence[DeviceLine], wanted: tuple[Protocol, int] | None) -> int:
    """Where a device stands in the list; 0 where it is not there."""
    return next((place for place, one in enumerate(devices) if (one.protocol, one.address) == wanted), 0)


class _Device:
    __slots__ = (
        "address",
        "asked_ns",
        "exchanges",
        "heard",
        "identity",
        "identity_text",
        "known",
        "protocol",
        "replies",
        "requests",
        "told",
        "told_text",
        "told_whole",
    )

    def __init__(self, protocol: Protocol, address: int) -> None:
        self.protocol, self.address = protocol, address
        self.requests = self.replies = self.heard = 0
        self.known = False
        self.exchanges: deque[tuple[Outcome, int]] = deque(maxlen=_KEPT)
        self.asked_ns = 0
        self.identity: tuple[Frame, Seen] | None = None
        self.identity_text = ""
        self.told: tuple[Frame, Seen] | None = None
        self.told_text = ""
        self.told_whole = False
        """Whether that text shows secrets."""

    @property
    def latency_ns(self) -> int | None:
        found = [latency for outcome, latency in self.exchanges if outcome is Outcome.ANSWERED]
        return round(median(found)) if found else None


class Devices:
    """Feed it frames and exchanges."""

    def __init__(self) -> None:
        self._devices: dict[int, _Device] = {}
        """By Modbus address, or OSDP address + 256, and so on: hashing an Enum costs too much here."""
        self._known = 0
        self._damage = False

    def __len__(self) -> int:
        return self._known

    def frame(self, frame: Frame, seen: Seen) -> None:
        """A frame came, and so much is known of it."""
        if not frame.ok:
            self._damage = True
            return
        address = frame.address
        if address is None or is_broadcast(frame):
            return
        protocol, role = frame.protocol, frame.role
        if role is Role.UNKNOWN:
            return
        found = self._at(protocol, address)
        if found is None:
            return
        found.heard += 1
        if not found.known and (not self._damage or found.heard >= SEEN_OFTEN):
            self._make_known(found)
        if role is Role.REQUEST:
            found.asked_ns = frame.t_ns
        elif protocol is Protocol.OSDP and (code := _code(frame)) not in _ROUTINE:
            if code == Reply.PDID:
                found.identity, found.identity_text = (frame, seen), ""
            else:
                found.told, found.told_text = (frame, seen), ""

    def addresses(self) -> set[int]:
        """Of those that are known."""
        return {device.address for device in self._devices.values() if device.known}

    def _make_known(self, device: _Device) -> None:
        device.known = True
        self._known += 1

    def exchange(self, exchange: Exchange) -> None:
        """A request, and what became of it."""
        if exchange.outcome is Outcome.BROADCAST:
            return
        found = self._at(exchange.protocol, exchange.address)
        if found is None:
            return
        found.requests += 1
        if exchange.outcome is Outcome.ANSWERED:
            found.replies += 1
        if not found.known and (found.replies or found.requests >= SEEN_OFTEN):
            self._make_known(found)
        found.exchanges.append((exchange.outcome, exchange.latency_ns or 0))

    def _at(self, protocol: Protocol, address: int) -> _Device | None:
        base = 256 if protocol is Protocol.OSDP else 0 if protocol is Protocol.MODBUS_RTU else _OTHERS[protocol]
        found = self._devices.get(base + address)
        if found is None and len(self._devices) < _MOST_DEVICES:
            found = self._devices[base + address] = _Device(protocol, address)
        return found

    def lines(self, now_ns: int, *, show_secrets: bool = False) -> tuple[DeviceLine, ...]:
        """All of them: those that do not answer first, then what else needs attention; else by protocol and address."""
        devices = [device for device in self._devices.values() if device.known]
        latencies = [device.latency_ns for device in devices]
        known = sorted(latency for latency in latencies if latency is not None)
        usual_ns = known[(len(known) - 1) // 2] if len(known) > 1 else None
        made = [
            _line(device, latency_ns, now_ns, usual_ns, show_secrets)
            for device, latency_ns in zip(devices, latencies, strict=True)
        ]
        made.sort(key=lambda one: (_RANKS[one.state], one.protocol.value != "osdp", one.protocol.value, one.address))
        return tuple(made)


_RANKS = {
    State.SILENT: 0,
    State.DAMAGED: 1,
    State.UNSTEADY: 1,
    State.SLOW: 1,
    State.ALIVE: 2,
    State.NOT_ASKED: 2,
}
"""Few ranks: a device that is damaged now and unsteady then keeps its place."""
_OTHERS = {protocol: 1 << (16 + number) for number, protocol in enumerate(Protocol)}
_ROUTINE = frozenset({Reply.PDCAP, Reply.ACK})
"""Replies that tell of nothing that happened."""


def _code(frame: Frame) -> int:
    """The code of a sound OSDP frame: in a secure session it stands behind the security block."""
    octets = frame.octets
    at = HEADER_LENGTH + (octets[HEADER_LENGTH] if octets[HEADER_LENGTH - 1] & HAS_SECURITY_BLOCK else 0)
    return octets[at] if at < len(octets) else -1


def _line(device: _Device, latency_ns: int | None, now_ns: int, usual_ns: int | None, show_secrets: bool) -> DeviceLine:
    if device.told is not None and (not device.told_text or device.told_whole != show_secrets):
        device.told_text = told_words(*device.told, show_secrets=show_secrets)
        device.told_whole = show_secrets
    if device.identity is not None and not device.identity_text:
        device.identity_text = identity_words(*device.identity)
    return DeviceLine(
        device.protocol,
        device.address,
        _state(device, latency_ns or 0, now_ns, usual_ns),
        device.identity_text,
        device.requests,
        device.replies,
        device.requests - device.replies,
        latency_ns,
        tuple(latency if outcome is Outcome.ANSWERED else outcome.value for outcome, latency in device.exchanges),
        device.told_text,
    )


def _state(device: _Device, latency_ns: int, now_ns: int, usual_ns: int | None) -> State:
    if now_ns - device.asked_ns > _NOT_ASKED_NS or not device.exchanges:
        return State.NOT_ASKED
    outcomes = [outcome for outcome, _ in device.exchanges]
    newest = outcomes[-4:]
    damaged, silent = outcomes.count(Outcome.DAMAGED), outcomes.count(Outcome.SILENT)
    if not any(outcome is Outcome.ANSWERED for outcome in newest):
        return State.DAMAGED if any(outcome is Outcome.DAMAGED for outcome in newest) else State.SILENT
    if damaged * 6 >= len(outcomes):
        return State.DAMAGED
    limit_ns = REPLY_LIMIT_NS.get(device.protocol, 1_000_000_000)
    if latency_ns > limit_ns // 2 or (usual_ns is not None and latency_ns > _SLOWER * max(usual_ns, 1_000_000)):
        return State.SLOW
    return State.UNSTEADY if silent * 6 >= len(outcomes) else State.ALIVE


def identity_words(frame: Frame, seen: Seen) -> str:
    """What a device said it is, in short."""
    fields = {field.name: field.text for field in osdp_text.meaning_of(frame, seen).fields}
    wanted = (("oui", "maker"), ("model", "model"), ("version", "version"), ("firmware", "firmware"))
    return ", ".join(f"{word} {fields[name]}" for name, word in wanted if name in fields)


_TOLD = {
    int(Reply.RAW): "card",
    int(Reply.FMT): "card",
    int(Reply.KEYPAD): "keys",
    int(Reply.ISTATR): "inputs",
    int(Reply.LSTATR): "case or power",
    int(Reply.OSTATR): "outputs",
    int(Reply.NAK): "refusal",
}


def told_words(frame: Frame, seen: Seen, *, show_secrets: bool = False) -> str:
    """What a device told of, in short, with its time; a card number or a digit only if asked for."""
    seconds = frame.t_ns / 1e9
    time = f"{seconds:.{1 if seconds < 100 else 0}f} s"
    word = _TOLD.get(_code(frame))
    meaning = osdp_text.meaning_of(frame, seen)
    if word in ("card", "keys"):
        return f"{time}: {word} {_whole(meaning) if show_secrets else _kind(meaning)}"
    if word is None:
        return f"{time}: {meaning.title}"
    shown = ", ".join(
        field.text if field.text.startswith(field.name) else f"{field.name.replace('_', ' ')} {field.text}"
        for field in meaning.fields
        if not field.secret and field.name not in _NOT_TOLD
    )
    # "inputs: input 0 active" says no more than "input 0 active".
    return f"{time}: {shown}" if shown.startswith(word.rstrip("s")) else f"{time}: {word}: {shown}"


_NOT_TOLD = ("sequence", "security_block", "mac")


def card_number(read: dict[str, Any]) -> str:
    """Site code and number of a read as `frame_text.card_reads` gives them; formats without a site code have none."""
    return " ".join(str(read[name]) for name in ("site_code", "card_number") if read[name] is not None)


def _kind(meaning: Meaning) -> str:
    """Which card, or that it was keys, without telling."""
    reads = frame_text.card_reads(meaning)
    bits = next((field.text for field in meaning.fields if field.name == "bit_count"), "")
    what = reads[0]["format"] if reads else f"{bits} bits" if bits else ""
    return f"{what} {HIDDEN}".lstrip()


def _whole(meaning: Meaning) -> str:
    """The card's number first, for a narrow screen cuts the end; else the bits, characters or keys as they came."""
    reads = frame_text.card_reads(meaning)
    if not reads:
        return " ".join(field.text for field in meaning.fields if field.secret and field.name not in _NOT_TOLD)
    return " or ".join(
        f"{card_number(read)} ({read['format']}{'' if read['parity_ok'] else ', parity WRONG'})" for read in reads
    )
