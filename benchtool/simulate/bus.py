"""The virtual bus: stations on a modelled pair, in virtual time, seen by a tap.

Every octet that a station or the tap hears comes out of the line model (`wire`): who is reversed, what noise does
and what a wrong rate reads are never decided here. Limits (docs/scenarios.md): one talker at a time, a station that
wants to talk while the line is busy waits until it has been idle for one character; each transmission is received
apart from the one before; stray octets between transmissions reach the tap only.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.simulate.station import Station
from benchtool.wire.link import Heard, Link
from benchtool.wire.uart import ReceivedOctet

NS = 1_000_000_000
_APART_CHARS = 1.5
"""Octets further apart than this are delivered as separate chunks."""
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
        self.now_ns = 0

    def run(self, until_ns: int) -> Iterator[Chunk]:
        """What the tap hears until the virtual time `until_ns`, chunk by chunk; a last transmission is heard out."""
        stations = self._stations
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
            yield from self._strays(heard_until_ns, start_ns)
            heard_until_ns = max(heard_until_ns, start_ns)
            end_ns = start_ns
            for listener, other in stations:
                if listener == node:
                    continue
                chunks, line_end_ns = self._carry(
                    node, wired, listener, other.settings, other.clock_error, octets, start_ns, self._rng
                )
                end_ns = max(end_ns, line_end_ns)
                for chunk in chunks:
                    other.station.hear(chunk)
            tapped, line_end_ns = self._carry(
                node, wired, self._tap.node, self._tap.settings, 0.0, octets, start_ns, self._tap_rng
            )
            for chunk in tapped:
                late_ns = max(0, heard_until_ns - chunk.t_ns)
                heard_until_ns = chunk.end_ns + late_ns
                yield chunk._replace(t_ns=chunk.t_ns + late_ns, end_ns=heard_until_ns) if late_ns else chunk
            heard_until_ns = max(heard_until_ns, line_end_ns)
            free_ns = max(end_ns, line_end_ns) + wired.settings.char_ns
            self.now_ns = end_ns
        yield from self._strays(heard_until_ns, until_ns)
        self.now_ns = max(self.now_ns, until_ns)

    def _carry(
        self,
        node: str,
        sender: Wired,
        listener: str,
        heard: LineSettings,
        clock_error: float,
        octets: bytes,
        start_ns: int,
        rng: np.random.Generator,
    ) -> tuple[list[Chunk], int]:
        result = self._link.carry(
            node,
            listener,
            octets,
            sender.settings,
            heard,
            sender_clock_error=sender.clock_error,
            listener_clock_error=clock_error,
            rng=rng,
        )
        chunks = self._chunks((node, listener, octets), result, heard)
        return [
            Chunk(start_ns + t_ns, start_ns + end_ns, values, marks) for t_ns, end_ns, values, marks, _ in chunks
        ], start_ns + round(result.end_s * NS)

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
        strays = self._link.idle_strays(self._tap.node, self._tap.settings, (to_ns - from_ns) / NS, self._tap_rng)
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
