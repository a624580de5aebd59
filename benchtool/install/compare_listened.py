"""Listens for what the record can be held against: identities, capabilities, check values, keys; one a tap.

Facts: sheet 5.1 (check kind in the control octet), 5.5 (PDID, PDCAP), 5.8 (secure channel).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from benchtool.capture.chunk import LineErrors
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.frames.frame import Frame, Protocol
from benchtool.frames.osdp.check import BROADCAST
from benchtool.frames.osdp.codes import Reply
from benchtool.frames.osdp.events import KINDS, Kind, Level
from benchtool.frames.osdp.header import parse
from benchtool.frames.osdp.keys import KeySource
from benchtool.frames.osdp.words import capability_records
from benchtool.install.compare_found import AsFound, FoundDevice, Identity, KeyUse, Way
from benchtool.measure.osdp_watch import Seen, WatchFigures
from benchtool.measure.tally import AddressFigures, Figures

LEAST_CLEAR = 20
"""So many replies in the clear, with no session, are a device that talks in the clear (judgement)."""
_PROTOCOLS = (Protocol.OSDP, Protocol.MODBUS_RTU, Protocol.MODBUS_ASCII, Protocol.TABLE)
_ACCEPTS = (Kind.DEFAULT_ACCEPTED, Kind.DEFAULT_SAID, Kind.DEFAULT_KEY)


class _Of:
    """What is gathered of one OSDP address."""

    def __init__(self) -> None:
        self.identities: dict[Identity, None] = {}
        self.capabilities: tuple[tuple[int, int, int], ...] | None = None
        self.replies = [0, 0]
        """With a checksum, with a CRC."""
        self.requests = [0, 0]
        self.clear = 0
        self.doubled = 0
        self.moved_to: int | None = None


class Listener:
    """Feed it every frame with what the watch saw in it, then ask for what was found."""

    def __init__(self) -> None:
        self._at: dict[int, _Of] = {}

    def frame(self, frame: Frame, seen: Seen) -> None:
        """Take the next frame."""
        if not frame.ok or frame.protocol is not Protocol.OSDP:
            return
        header = parse(frame.octets)
        if header is None or header.code is None or header.broadcast:
            return
        at = self._at.setdefault(header.address, _Of())
        (at.replies if header.reply else at.requests)[header.uses_crc] += 1
        at.doubled += any(event.kind is Kind.SECOND_REPLY for event in seen.events)
        if not header.reply:
            return
        code, data = header.code, frame.octets[header.data_start : header.data_end]
        if header.security_block is not None:
            opened = seen.sight.opened if seen.sight is not None else None
            if opened is None or opened.fault is not None:
                return
            data = opened.data
        else:
            at.clear += 1
        if code == Reply.PDID and len(data) == 12:
            at.identities[identity_of(data)] = None
        elif code == Reply.PDCAP:
            at.capabilities = tuple(capability_records(data))
        elif code == Reply.COM and len(data) == 5 and data[0] != header.address and data[0] < BROADCAST:
            self._moved(at, data[0])

    def _moved(self, at: _Of, new: int) -> None:
        """A device takes a new address: what it said of itself goes with it."""
        there = self._at.setdefault(new, _Of())
        there.identities, at.identities = {**there.identities, **at.identities}, {}
        there.capabilities = at.capabilities or there.capabilities
        there.moved_to = None
        at.moved_to = new

    def found(
        self,
        tap: str,
        settings: LineSettings,
        figures: Figures,
        noticed: WatchFigures,
        *,
        proved_baud: int | None = None,
        alike: Iterable[LineSettings] = (),
        searched: bool = False,
        sets_line: bool = True,
    ) -> AsFound:
        """What was found.

        `proved_baud`: the rate that damaged frames prove where none is sound. `searched`: whether the settings were
        found by trying others, and `alike` those that read the bus as well. `sets_line`: whether `settings` are those
        of the receiver at the bus; not so behind a device server, or in a log that does not say.
        """
        frames = {one.value: count for one, count in figures.proved.items() if one is not Protocol.TABLE}
        protocol = max(frames, key=lambda name: frames[name], default=None)
        rows = [row for row in figures.addresses if row.protocol.value == protocol]
        sound = sum(frames.values())
        sure = sound > 0 and sets_line
        alike = tuple(alike)
        listened_ns = max(0, figures.elapsed_ns - figures.deaf_ns)
        return AsFound(
            tap=tap,
            way=Way.LISTENED,
            protocol=protocol,
            frames=frames,
            baud=settings.baud if sure and all(one.baud == settings.baud for one in alike) else proved_baud,
            set_to=settings.baud,
            format=settings.format if sure else None,
            parity_seen=sure and _parity_seen(settings.format, figures, alike),
            stops_seen=searched and sure and not any(_same_but_stops(settings, one) for one in alike),
            seconds=listened_ns / 1e9,
            octets=figures.octets,
            devices=tuple(self._device(row, settings.baud, noticed) for row in rows if not _for_all(row)),
        )

    def _device(self, row: AddressFigures, baud: int, noticed: WatchFigures) -> FoundDevice:
        found = FoundDevice(
            address=row.address,
            baud=baud,
            requests=row.requests,
            answered=row.answered,
            failed=row.silent + row.damaged,
            damaged=row.damaged,
            unasked=row.unasked,
        )
        at = self._at.get(row.address)
        if row.protocol is not Protocol.OSDP or at is None:
            return found
        kinds = {one.kind for one in noticed.events if one.address == row.address}
        security = sorted(
            (kind for kind in kinds if KINDS[kind].level is Level.SECURITY), key=lambda kind: list(KINDS).index(kind)
        )
        accepts = True if kinds & set(_ACCEPTS) else False if Kind.DEFAULT_REFUSED in kinds else None
        return replace(
            found,
            identities=tuple(at.identities),
            capabilities=at.capabilities,
            with_crc=at.replies[True],
            with_checksum=at.replies[False],
            asked_with_crc=at.requests[True],
            asked_with_checksum=at.requests[False],
            key=_key(at, row.address, noticed),
            takes_default=accepts,
            unsafe=tuple(KINDS[kind].title for kind in security),
            doubled=at.doubled,
            moved_to=at.moved_to,
        )


def identity_of(data: bytes) -> Identity:
    """PDID taken apart: 12 octets (sheet 5.5)."""
    return Identity(data[:3].hex().upper(), data[3], data[4], int.from_bytes(data[5:9], "little"))


def _for_all(row: AddressFigures) -> bool:
    return row.address == (BROADCAST if row.protocol is Protocol.OSDP else 0)


def _key(at: _Of, address: int, noticed: WatchFigures) -> KeyUse | None:
    channel = next((one for one in noticed.channels if one.address == address), None)
    if channel is None:
        return KeyUse.NONE if at.clear >= LEAST_CLEAR else None
    if channel.key is KeySource.DEFAULT and channel.sessions:
        return KeyUse.DEFAULT
    if channel.key is not None and channel.sessions:
        return KeyUse.OWN
    if channel.verified or channel.unreadable or channel.sessions:
        return None if channel.claimed_default is None else KeyUse.DEFAULT if channel.claimed_default else KeyUse.OWN
    return KeyUse.NONE if at.clear >= LEAST_CLEAR else None


def _parity_seen(used: CharFormat, figures: Figures, alike: tuple[LineSettings, ...]) -> bool:
    """Whether a wrong parity would have shown: errors are seen, hardly any came, and no other parity read as well."""
    if figures.line_errors is LineErrors.UNAVAILABLE or any(
        (one.format.parity, one.format.data_bits) != (used.parity, used.data_bits) for one in alike
    ):
        return False
    wrong = figures.marks.get("framing", 0) + figures.marks.get("parity", 0)
    return figures.sound > figures.damaged and 20 * wrong <= figures.octets


def _same_but_stops(settings: LineSettings, other: LineSettings) -> bool:
    mine, theirs = settings.format, other.format
    return (
        settings.baud == other.baud
        and (mine.data_bits, mine.parity) == (theirs.data_bits, theirs.parity)
        and mine.stop_bits != theirs.stop_bits
    )
