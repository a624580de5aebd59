"""Watch OSDP traffic: follow secure sessions, hold the standard's rules against it, tell each breach as an event.

Feed it what the tap delivers and what the decoder makes of it, in order. Other protocols pass by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from benchtool.capture.chunk import Chunk, Direction, Gap, Item, TapInfo
from benchtool.frames.frame import Frame, Protocol, Reason
from benchtool.frames.osdp import check
from benchtool.frames.osdp.check import BROADCAST
from benchtool.frames.osdp.codes import Command
from benchtool.frames.osdp.events import Event, Kind
from benchtool.frames.osdp.header import parse
from benchtool.frames.osdp.keys import KeyRing
from benchtool.measure.osdp_contents import Contents
from benchtool.measure.osdp_rules import Rules

if TYPE_CHECKING:
    from benchtool.frames.osdp.channel import Follower
    from benchtool.frames.osdp.channel_state import ChannelFigures, Sight

CHARACTER_GAP_NS = 20_000_000
_OF_THE_DEVICE = (Kind.DEFAULT_REFUSED, Kind.DEFAULT_SAID, Kind.DEFAULT_ACCEPTED)
"""What stays true of a device when its address changes; other events belong to the address at which they came."""
_NUMBERS = frozenset({Kind.SEQUENCE_REPLY, Kind.SEQUENCE_JUMP, Kind.REPEAT_DIFFERS})
"""What may be wrong with a sequence number."""
_KEEP_GAPS = 64
_OSDP, _OK = Protocol.OSDP, Reason.OK


class Seen(NamedTuple):
    """What is known of one frame beyond itself."""

    sight: Sight | None
    """How it stands to the secure channel; None where no session was ever seen at its address."""
    events: tuple[Event, ...]


NOTHING = Seen(None, ())


def _one_cause(rules: list[Event], channel: Sequence[Event]) -> list[Event]:
    """The events of one frame together. The MAC covers the sequence number: where both are wrong, that is told once."""
    wrong = next((event for event in channel if event.kind is Kind.MAC_WRONG), None)
    number = next((event for event in rules if event.kind in _NUMBERS), None)
    if wrong is None or number is None:
        return [*rules, *channel]
    detail = f"{wrong.detail}; its sequence number does not fit either" + (
        f" ({number.detail})" if number.detail else ""
    )
    told = wrong._replace(detail=detail)
    return [
        *(event for event in rules if event.kind not in _NUMBERS),
        *(told if event is wrong else event for event in channel),
    ]


@dataclass(frozen=True, slots=True)
class EventCount:
    """How often an event came."""

    kind: Kind
    address: int
    count: int
    first: Event


@dataclass(frozen=True, slots=True)
class WatchFigures:
    """What was seen so far."""

    events: tuple[EventCount, ...]
    channels: tuple[ChannelFigures, ...]
    not_judged: tuple[Kind, ...] = ()
    """Rules that the tap's times are too coarse for, where OSDP was heard."""


class OsdpWatch:
    """One a tap. With `others_only`, what we sent ourselves is followed and raises no event: for who stands in."""

    def __init__(self, info: TapInfo, keys: KeyRing | None = None, *, others_only: bool = False) -> None:
        self._others_only = others_only
        self._keys = KeyRing() if keys is None else keys
        self._rules = Rules(info.settings, info.resolution_ns)
        self._contents = Contents()
        self._gap_limit_ns = CHARACTER_GAP_NS + info.resolution_ns
        self._follower: Follower | None = None
        self._gaps: list[tuple[int, int]] = []
        """Long silences between chunks: when the last octet before ended, when the next began."""
        self._end_ns: int | None = None
        self._not_heard = False
        self._heard = False
        """Whether any sound OSDP frame was heard."""
        self._cut: Frame | None = None
        self._counts: dict[tuple[Kind, int], EventCount] = {}

    def item(self, item: Item) -> None:
        """Take an item as the tap delivered it, before the frames that are made of it."""
        if isinstance(item, Chunk):
            if self._not_heard:
                # Only now: what the decoder held when the gap began was still to come.
                self._gap()
            if self._end_ns is not None and item.t_ns - self._end_ns > self._gap_limit_ns:
                self._gaps.append((self._end_ns, item.t_ns))
                del self._gaps[:-_KEEP_GAPS]
            self._end_ns = item.end_ns
        elif isinstance(item, Gap):
            self._not_heard = True

    def _gap(self) -> None:
        self._not_heard = False
        self._end_ns = None
        self._rules.gap()
        self._cut = None
        if self._follower is not None:
            self._follower.damaged()

    def frame(self, frame: Frame) -> Seen:
        """Take the next frame, sound or not."""
        if frame.reason is not _OK:
            return self._damaged(frame)
        self._cut = None
        if frame.protocol is not _OSDP:
            return NOTHING
        octets = frame.octets
        header = parse(octets)
        if header is None or header.code is None:
            return NOTHING
        self._heard = True
        sight = None
        if header.security_block is not None or self._follower is not None or header.code == Command.KEYSET:
            sight = self._follow().feed(frame, header)
        code, data, sealed = header.code, octets[header.data_start : header.data_end], False
        known = True
        if sight is not None and header.security_block is not None:
            sealed = True
            known = sight.opened is not None
            data = sight.opened.data if sight.opened is not None else b""
        events = self._rules.feed(frame, header, code, data if known else None)
        if sight is not None and sight.events:
            events = _one_cause(events, sight.events)
        if known:
            events += self._contents.feed(
                frame.t_ns, header.address, header.reply, code, data, length=len(octets), clear=not sealed
            )
        if self._gaps:
            events += self._gap_inside(frame)
        if self._others_only and frame.direction is Direction.SENT:
            # That a device is off-line shows when it is asked once more.
            events = [event for event in events if event.kind in (Kind.OFFLINE, Kind.OFFLINE_DAMAGED)]
        if events:
            self._count(events)
        return Seen(sight, tuple(events))

    def close(self, now_ns: int) -> tuple[Event, ...]:
        """The listening ends at `now_ns`."""
        events = self._rules.close(now_ns)
        self._count(events)
        return tuple(events)

    def figures(self) -> WatchFigures:
        """Counts of all events, and every secure channel."""
        channels = self._follower.figures() if self._follower is not None else ()
        blind = (Kind.IDLE_SHORT,) if self._heard and not self._rules.judges_idle else ()
        return WatchFigures(tuple(self._counts.values()), channels, blind)

    def _follow(self) -> Follower:
        if self._follower is None:
            # Loads the cryptography only where there is something to decrypt.
            from benchtool.frames.osdp.channel import Follower

            self._follower = Follower(self._keys)
        return self._follower

    def _damaged(self, frame: Frame) -> Seen:
        cut, self._cut = self._cut, None
        joined = cut.octets + frame.octets if cut is not None else b""
        self._rules.damaged()
        if self._follower is not None:
            self._follower.damaged()
        if cut is not None and frame.t_ns - cut.end_ns > self._gap_limit_ns and check.check_ok(joined):
            event = self._gap_event(cut, frame.t_ns - cut.end_ns)
            self._count([event])
            return Seen(None, (event,))
        if frame.protocol is _OSDP and frame.reason is Reason.TRUNCATED:
            self._cut = frame
        return NOTHING

    def _gap_inside(self, frame: Frame) -> list[Event]:
        found = [
            self._gap_event(frame, began - ended)
            for ended, began in self._gaps
            if frame.t_ns < ended and began < frame.end_ns
        ]
        self._gaps = [span for span in self._gaps if span[1] >= frame.end_ns]
        return found

    def _gap_event(self, frame: Frame, gap_ns: int) -> Event:
        milliseconds = gap_ns / 1e6
        return Event(
            Kind.CHARACTER_GAP,
            frame.t_ns,
            frame.address or 0,
            f"{milliseconds:.0f} ms",
            {"gap": gap_ns / 1e9},
        )

    def _count(self, events: list[Event]) -> None:
        for event in events:
            if event.kind is Kind.DEFAULT_REFUSED:
                # What was heard weighs more than what the device says of itself.
                self._contents.default_refused(event.address)
                self._counts.pop((Kind.DEFAULT_SAID, event.address), None)
            if event.kind is Kind.LINE_CHANGE and event.address != BROADCAST:
                self._moved(event.address, int(event.numbers["address"]))
            key = event.kind, event.address
            found = self._counts.get(key)
            if found is None:
                self._counts[key] = EventCount(event.kind, event.address, 1, event)
            else:
                self._counts[key] = EventCount(event.kind, event.address, found.count + 1, found.first)

    def _moved(self, old: int, new: int) -> None:
        """A device took a new address."""
        if old == new or new >= BROADCAST:
            return
        self._contents.moved(old, new)
        for kind in _OF_THE_DEVICE:
            one = self._counts.pop((kind, old), None)
            if one is not None:
                there = self._counts.get((kind, new))
                count = one.count + (there.count if there is not None else 0)
                self._counts[kind, new] = EventCount(kind, new, count, one.first._replace(address=new))
