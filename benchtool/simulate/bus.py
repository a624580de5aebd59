"""The virtual bus: stations on a modelled pair, in virtual time, seen by a tap.

Every octet that a station or the tap hears comes out of the line model (`wire`): who is reversed, what noise does, what
two talkers at once make of each other and what a wrong rate reads are never decided here. Nobody listens before it
talks, but for a controller that waits for a reply. Limits (docs/scenarios.md): who takes part in a collision hears
nothing of it; each group of transmissions is received apart from the one before; strays reach the tap only.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.simulate.heard import NS, moved, to_chunks
from benchtool.simulate.station import Station
from benchtool.wire.link import Heard, Link, Sent

__all__ = ["NS", "TapPoint", "VirtualBus", "Wired", "to_chunks"]

_KEPT = 4096


@dataclass(frozen=True, slots=True)
class Wired:
    """A station and how its line circuit is set."""

    station: Station
    settings: LineSettings
    clock_error: float = 0.0


@dataclass(frozen=True, slots=True)
class TapPoint:
    """The listening tap: its node on the pair and what its receiver is set to."""

    node: str
    settings: LineSettings


class _Talk(NamedTuple):
    """A transmission: who, what, and when its first start bit begins and its last stop bit ends."""

    node: str
    wired: Wired
    octets: bytes
    start_ns: int
    end_ns: int


class VirtualBus:
    """Runs stations against each other in virtual time.

    `wired` maps node names of the link's pair to stations. The run is repeatable: same seed, same octets. Listening
    changes nothing: the stations say the same at the same times whatever the tap is set to.
    """

    def __init__(self, link: Link, wired: Mapping[str, Wired], tap: TapPoint, seed: int) -> None:
        self._link = link
        self._stations = list(wired.items())
        self._tap = tap
        self._rng = np.random.Generator(np.random.PCG64([seed, 2]))
        self._tap_rng = np.random.Generator(np.random.PCG64([seed, 3]))
        self._made: dict[tuple[str, str, bytes], tuple[Heard, list[Chunk]]] = {}
        self._hold_ns = {node: round(link.pair.node(node).driver.hold_s * NS) for node in wired}
        self._held: dict[str, int] = {}
        self._heard_until_ns = 0
        self._idle_ns = 0
        self.now_ns = 0

    @property
    def stations(self) -> dict[str, Station]:
        """Who is on the bus, by node name."""
        return {node: wired.station for node, wired in self._stations}

    def run(self, until_ns: int) -> Iterator[Chunk]:
        """What the tap hears until the virtual time `until_ns`, chunk by chunk; a last transmission is heard out."""
        group: list[_Talk] = []
        self._heard_until_ns = 0
        while True:
            due = self._next(group)
            end_ns = max(talk.end_ns for talk in group) if group else 0
            start_ns = until_ns if due is None else max(due[0], self._idle_ns)
            if group and (start_ns >= end_ns or start_ns >= until_ns):
                yield from self._deliver(group)
                group = []
                continue
            if due is None or start_ns >= until_ns:
                break
            node, wired = self._stations[due[1]]
            octets = wired.station.act(start_ns)
            if octets is not None:
                group.append(_Talk(node, wired, octets, start_ns, start_ns + _lasts_ns(octets, wired)))
        yield from self._strays(self._heard_until_ns, until_ns)
        self.now_ns = max(self.now_ns, until_ns)

    def _next(self, group: list[_Talk]) -> tuple[int, int] | None:
        """When the next station acts, and which; those that hold back while others talk come after the group."""
        found: tuple[int, int] | None = None
        for index, (node, wired) in enumerate(self._stations):
            wake_ns = wired.station.wake_ns()
            if wake_ns is None:
                continue
            if group:
                wake_ns = self._not_before(wake_ns, node, wired, group)
            elif wired.station.defers():
                wake_ns = max(wake_ns, self._idle_ns + wired.settings.char_ns)
            if found is None or wake_ns < found[0]:
                found = wake_ns, index
        return found

    def _not_before(self, wake_ns: int, node: str, wired: Wired, group: list[_Talk]) -> int:
        for talk in group:
            if talk.node == node:
                wake_ns = max(wake_ns, talk.end_ns + wired.settings.char_ns)
        if wired.station.defers():
            # It has heard a character by now.
            for talk in group:
                if talk.node != node and talk.start_ns + wired.settings.char_ns <= wake_ns < talk.end_ns:
                    wake_ns = talk.end_ns
        return wake_ns

    def _deliver(self, group: list[_Talk]) -> Iterator[Chunk]:
        """Let everybody hear a transmission, or several that overlap."""
        start_ns = group[0].start_ns
        self.now_ns = start_ns
        yield from self._strays(self._heard_until_ns, start_ns)
        self._heard_until_ns = max(self._heard_until_ns, start_ns)
        alone = len(group) == 1 and not self._held_by_others(group)
        talkers = {talk.node for talk in group}
        for node, wired in self._stations:
            if node in talkers or not any(wired.station.wants(talk.octets) for talk in group):
                continue
            chunks, _ = self._heard(group, alone, node, wired.settings, wired.clock_error, self._rng)
            for chunk in chunks:
                wired.station.hear(chunk)
        tapped, line_end_ns = self._heard(group, alone, self._tap.node, self._tap.settings, 0.0, self._tap_rng)
        for chunk in tapped:
            late_ns = max(0, self._heard_until_ns - chunk.t_ns)
            self._heard_until_ns = chunk.end_ns + late_ns
            yield chunk._replace(t_ns=chunk.t_ns + late_ns, end_ns=self._heard_until_ns) if late_ns else chunk
        self._held = {node: until_ns for node, until_ns in self._held.items() if until_ns > line_end_ns}
        for talk in group:
            self._held[talk.node] = talk.end_ns + self._hold_ns[talk.node]
        self._heard_until_ns = max(self._heard_until_ns, line_end_ns, *self._held.values())
        self.now_ns = self._idle_ns = max(talk.end_ns for talk in group)

    def _held_by_others(self, group: list[_Talk]) -> list[str]:
        """Whose drivers still hold the pair when the group begins, though they have said all."""
        talkers = {talk.node for talk in group}
        begin_ns = group[0].start_ns - round(self._link.pair.node(group[0].node).driver.lead_s * NS)
        return [node for node, until_ns in self._held.items() if until_ns > begin_ns and node not in talkers]

    def _heard(
        self,
        group: list[_Talk],
        alone: bool,
        listener: str,
        settings: LineSettings,
        clock_error: float,
        rng: np.random.Generator,
    ) -> tuple[list[Chunk], int]:
        """The chunks that a listener makes of a group, and when the line falls silent there."""
        start_ns = group[0].start_ns
        if not alone:
            held = [
                Sent(node, 0.0, b"", settings, 0.0, (self._held[node] - start_ns) / NS)
                for node in self._held_by_others(group)
            ]
            sent = [
                Sent(
                    talk.node, (talk.start_ns - start_ns) / NS, talk.octets, talk.wired.settings, talk.wired.clock_error
                )
                for talk in group
            ]
            result = self._link.carry_together(
                [*held, *sent], listener, settings, listener_clock_error=clock_error, rng=rng, t_s=start_ns / NS
            )
            chunks = moved(to_chunks(result.octets, 0, settings), start_ns)
            return chunks, start_ns + round(result.end_s * NS)
        talk = group[0]
        result = self._link.carry(
            talk.node,
            listener,
            talk.octets,
            talk.wired.settings,
            settings,
            sender_clock_error=talk.wired.clock_error,
            listener_clock_error=clock_error,
            rng=rng,
            t_s=start_ns / NS,
        )
        chunks = self._chunks((talk.node, listener, talk.octets), result, settings)
        return moved(chunks, start_ns), start_ns + round(result.end_s * NS)

    def _chunks(self, key: tuple[str, str, bytes], result: Heard, heard: LineSettings) -> list[Chunk]:
        """The chunks of a transmission that begins at 0; kept, as most are heard alike again and again."""
        known = self._made.get(key)
        if known is not None and known[0] is result:
            return known[1]
        chunks = list(to_chunks(result.octets, 0, heard))
        if len(self._made) >= _KEPT:
            self._made.clear()
        self._made[key] = (result, chunks)
        return chunks

    def _strays(self, from_ns: int, to_ns: int) -> Iterator[Chunk]:
        if to_ns <= from_ns:
            return iter(())
        strays = self._link.idle_strays(
            self._tap.node, self._tap.settings, (to_ns - from_ns) / NS, self._tap_rng, t_s=from_ns / NS
        )
        return to_chunks(strays, from_ns, self._tap.settings)


def _lasts_ns(octets: bytes, wired: Wired) -> int:
    return round(len(octets) * wired.settings.char_ns / (1 + wired.clock_error))
