"""The virtual bus: stations on a modelled pair, in virtual time, seen by a tap.

Every octet that a station or the tap hears comes out of the line model (`wire`): who is reversed, what noise does
and what a wrong rate reads are never decided here. One talker at a time: a station that wants to talk while the
line is busy waits until it has been idle for one character (two drivers at once are not modelled yet).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.simulate.station import Station
from benchtool.wire.link import Link
from benchtool.wire.uart import ReceivedOctet

NS = 1_000_000_000
_APART_CHARS = 1.5
"""Octets further apart than this are delivered as separate chunks."""


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


class VirtualBus:
    """Runs stations against each other in virtual time.

    `wired` maps node names of the link's pair to stations. The run is repeatable: same seed, same octets.
    """

    def __init__(self, link: Link, wired: Mapping[str, Wired], tap: TapPoint, seed: int) -> None:
        self._link = link
        self._wired = dict(wired)
        self._tap = tap
        self._rng = np.random.Generator(np.random.PCG64([seed, 2]))
        self.now_ns = 0

    def run(self, until_ns: int) -> Iterator[Chunk]:
        """What the tap hears until the virtual time `until_ns`, chunk by chunk."""
        stations = list(self._wired.items())
        free_ns = 0
        heard_until_ns = 0
        while True:
            due = [(wake, index) for index, (_, w) in enumerate(stations) if (wake := w.station.wake_ns()) is not None]
            if not due:
                break
            wake_ns, index = min(due)
            start_ns = max(wake_ns, free_ns)
            if start_ns >= until_ns:
                break
            node, wired = stations[index]
            self.now_ns = start_ns
            octets = wired.station.act(start_ns)
            if octets is None:
                continue
            if start_ns > heard_until_ns:
                yield from self._strays(heard_until_ns, start_ns)
            end_ns = start_ns
            tapped: list[Chunk] = []
            for listener, other in stations:
                if listener == node:
                    continue
                chunks, line_end_ns = self._carry(
                    node, wired, listener, other.settings, other.clock_error, octets, start_ns
                )
                end_ns = max(end_ns, line_end_ns)
                for chunk in chunks:
                    other.station.hear(chunk)
            tapped, line_end_ns = self._carry(node, wired, self._tap.node, self._tap.settings, 0.0, octets, start_ns)
            end_ns = max(end_ns, line_end_ns)
            yield from tapped
            heard_until_ns = max(end_ns, tapped[-1].end_ns if tapped else 0)
            free_ns = heard_until_ns + wired.settings.char_ns
            self.now_ns = end_ns
        yield from self._strays(heard_until_ns, until_ns)
        self.now_ns = until_ns

    def _carry(
        self,
        node: str,
        sender: Wired,
        listener: str,
        heard: LineSettings,
        clock_error: float,
        octets: bytes,
        start_ns: int,
    ) -> tuple[list[Chunk], int]:
        result = self._link.carry(
            node,
            listener,
            octets,
            sender.settings,
            heard,
            sender_clock_error=sender.clock_error,
            listener_clock_error=clock_error,
            rng=self._rng,
        )
        return list(to_chunks(result.octets, start_ns, heard)), start_ns + round(result.end_s * NS)

    def _strays(self, from_ns: int, to_ns: int) -> Iterator[Chunk]:
        if to_ns <= from_ns:
            return iter(())
        strays = self._link.idle_strays(self._tap.node, self._tap.settings, (to_ns - from_ns) / NS, self._rng)
        return to_chunks(strays, from_ns, self._tap.settings)


def to_chunks(octets: Iterable[ReceivedOctet], start_ns: int, settings: LineSettings) -> Iterator[Chunk]:
    """Received octets, timed from `start_ns`, as chunks of octets that follow each other without a pause."""
    apart_s = _APART_CHARS * settings.char_ns / NS
    run: list[ReceivedOctet] = []
    for octet in octets:
        if run and octet.start_s - run[-1].end_s > apart_s:
            yield _chunk(run, start_ns)
            run = []
        run.append(octet)
    if run:
        yield _chunk(run, start_ns)


def _chunk(run: list[ReceivedOctet], start_ns: int) -> Chunk:
    marks = bytes(octet.marks for octet in run)
    return Chunk(
        start_ns + round(run[0].start_s * NS),
        start_ns + round(run[-1].end_s * NS),
        bytes(octet.value for octet in run),
        marks if any(marks) else b"",
    )
