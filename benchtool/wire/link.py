"""From octets that nodes send to what another node's receiver makes of them: the whole path a simulated bus needs.

Transmissions of one node alone are computed once without noise and kept. Noise is drawn at the receiver's own clock
ticks, all of them independent: it is taken to reach far above the tick rate, and to come after the cable.
"""

from __future__ import annotations

import math
import zlib
from collections import OrderedDict
from collections.abc import Sequence
from itertools import repeat
from typing import NamedTuple

import numpy as np

from benchtool.capture.settings import LineSettings
from benchtool.wire.comparator import compare, least_change_v, rests_at_mark
from benchtool.wire.disturb import Bursts, draw, mains_bursts, signs
from benchtool.wire.eye import SAFE_SIGMAS, sure_way
from benchtool.wire.pair import Pair
from benchtool.wire.response import Floats
from benchtool.wire.signal import Bools, Signal
from benchtool.wire.together import DEAF_V, Sent, talk_of, volts_together
from benchtool.wire.uart import GridDecoder, ReceivedOctet, UartReceiver, encode
from benchtool.wire.way import IDLE_BITS, PHASES, Way

__all__ = ["Heard", "Link", "Sent", "compare"]

_KEPT_SAMPLES = 4_000_000
_ENTRY_SAMPLES = 200
"""What an entry of the cache weighs beside its samples."""
_STRAY_WINDOWS = 500
_BUSY = 0.5
_LONGER = 16
"""Where noise keeps the receiver busy, stretches are longer: fewer, for the same work in all."""


_Key = tuple[int, bytes, float]
"""The way's number, the octets, the pause between them in bits."""
_Chosen = tuple[str, str, LineSettings, LineSettings, float, float]
"""Driver, listener, what each is set to, and the errors of their clocks."""


class Heard(NamedTuple):
    """What a listener received. Times count from the first start bit's edge at the driver.

    `end_s` is when the end of the last stop bit reaches the listener.
    """

    octets: tuple[ReceivedOctet, ...]
    end_s: float


class _Entry(NamedTuple):
    """What is kept of a transmission. `volts` is None while nothing has needed them."""

    heard: Heard
    margin_v: float
    volts: Floats | None
    start_s: float
    stop_s: float
    receiver: UartReceiver
    trips: float = 0.0
    """Where the shortcut was taken: how likely, at the most, noise at a tick of the idle pair makes it a space."""
    driven: tuple[int, int] = (0, 0)
    """First tick at which the driver is on, and first at which it is off again."""

    @property
    def weight(self) -> int:
        """Samples kept, and what the entry takes beside them."""
        return _ENTRY_SAMPLES + (0 if self.volts is None else len(self.volts))

    @property
    def ticks(self) -> int:
        return int((self.stop_s - self.start_s) / self.receiver.tick_s) + 1


class Link:
    """Carries octets over a pair. `seed` fixes how the receivers' free-running clocks lie to the characters.

    Where the pair surely carries any octets unharmed (`eye`), no voltages are computed; with `whole` they always are.
    """

    def __init__(self, pair: Pair, seed: int, *, whole: bool = False) -> None:
        self.pair = pair
        self.seed = seed
        self.whole = whole
        self._has_bursts = pair.noise.has_impulses or pair.noise.has_mains
        self._ways: dict[_Chosen, Way] = {}
        self._kept: OrderedDict[_Key, _Entry] = OrderedDict()
        self._weight = 0
        self._idle: dict[str, tuple[float, bool]] = {}

    def carry(
        self,
        driver: str,
        listener: str,
        octets: bytes,
        sent: LineSettings,
        heard: LineSettings,
        *,
        sender_clock_error: float = 0.0,
        listener_clock_error: float = 0.0,
        gap_bits: float = 0.0,
        rng: np.random.Generator | None = None,
        t_s: float = 0.0,
    ) -> Heard:
        """What `listener`, set to `heard`, receives when `driver` sends octets with the settings `sent`.

        Noise needs `rng`; without it the pair is silent. `t_s` is the time on the mains' clock, whose zero crossings
        are at multiples of half a period, at the first start bit. The listener's idle state before and after (a
        reversed or undefined one too) is part of the result.
        """
        way = self._way((driver, listener, sent, heard, sender_clock_error, listener_clock_error))
        key = (way.number, octets, gap_bits)
        entry = self._kept.get(key)
        if entry is None:
            entry = self._keep(key, self._compute(way, octets, gap_bits))
        else:
            self._kept.move_to_end(key)
        if rng is None:
            return entry.heard
        noise = self.pair.noise
        harmless = entry.margin_v > SAFE_SIGMAS * noise.rms_v
        if harmless and not self._has_bursts and not entry.trips:
            return entry.heard
        tick_s = entry.receiver.tick_s
        drawn = draw(noise, t_s + entry.start_s, entry.ticks * tick_s, rng)
        tripped = -1
        if harmless and not drawn.impulses and not len(drawn.mains.starts_s):
            tripped = self._first_trip(way, key, entry, rng)
            if tripped < 0:
                return entry.heard
        volts = drawn.onto(self._volts_of(way, key, entry), noise, tick_s, rng)
        before = self.idle_state(listener)
        part = self.pair.node(listener).receiver
        if tripped >= 0:
            _trip(volts, tripped, entry.driven, part.threshold_v - part.hysteresis_v / 2)
        decoder = GridDecoder(heard.format, entry.receiver.oversample, high=before)
        found = decoder.feed(compare(volts, part, before).tobytes())
        return Heard(tuple(entry.receiver.timed(found, entry.start_s)), entry.heard.end_s)

    def carry_together(
        self,
        sent: Sequence[Sent],
        listener: str,
        heard: LineSettings,
        *,
        listener_clock_error: float = 0.0,
        rng: np.random.Generator | None = None,
        t_s: float = 0.0,
    ) -> Heard:
        """What `listener` receives of transmissions that overlap; there is at least one.

        Times count from the origin of the `start_s`; `t_s` is the time there on the mains' clock. `end_s` is when the
        last of all stop bits ends at the listener. Where one driver alone is on, everything is as with `carry`; where
        several are, the voltage is that of the direct-current network, each change delayed, without reflections.
        """
        node = self.pair.node(listener)
        receiver = UartReceiver(heard, clock_error=listener_clock_error)
        talks = [talk_of(self.pair, one, listener) for one in sent]
        text = f"{self.seed} {listener} {[(one.node, one.octets) for one in sent]}"
        phase = zlib.crc32(text.encode()) / 2**32
        start = min(talk.on_s for talk in talks) - (2 * receiver.oversample + phase) * receiver.tick_s
        stop = max(talk.off_s for talk in talks) + IDLE_BITS * receiver.bit_s
        times = start + np.arange(int((stop - start) / receiver.tick_s) + 1) * receiver.tick_s
        volts = volts_together(self.pair, talks, listener, times)
        before = self.idle_state(listener)
        marks = compare(volts, node.receiver, before)
        if rng is not None:
            noise = self.pair.noise
            drawn = draw(noise, t_s + start, len(volts) * receiver.tick_s, rng)
            marks = compare(drawn.onto(volts, noise, receiver.tick_s, rng), node.receiver, before)
        decoder = GridDecoder(heard.format, receiver.oversample, high=before)
        found = receiver.timed(decoder.feed(marks.tobytes()), start)
        return Heard(tuple(found), max(talk.end_s for talk in talks))

    def idle_state(self, listener: str) -> bool:
        """What a listener's comparator says on the undriven pair without noise: True is mark.

        Inside its hysteresis it keeps the last driven state, and every transmission ends with mark.
        """
        return self._idle_of(listener)[1]

    def idle_strays(
        self, listener: str, heard: LineSettings, duration_s: float, rng: np.random.Generator, *, t_s: float = 0.0
    ) -> list[ReceivedOctet]:
        """Octets that noise makes at a listener during a silence; times from its start, `t_s` on the mains' clock.

        Only ticks at which noise first changes the comparator are drawn, with as much time after each as it
        takes until the receiver is idle again. The work is capped: after 500 stretches of two characters' time the rest
        of the silence is taken as quiet.
        """
        noise = self.pair.noise
        idle, state = self._idle_of(listener)
        comparator = self.pair.node(listener).receiver
        half = comparator.hysteresis_v / 2
        trip = comparator.threshold_v + (-half if state else half)
        margin = abs(idle - trip)
        quiet = margin > SAFE_SIGMAS * noise.rms_v
        if quiet and not noise.has_impulses and not noise.has_mains:
            return []
        receiver = UartReceiver(heard)
        tick = receiver.tick_s
        share = 0.0 if quiet else _share_beyond(margin, noise.rms_v)
        bursts = np.sort(rng.uniform(0.0, duration_s, rng.poisson(noise.impulse_rate_hz * duration_s)))
        if not noise.has_impulses:
            bursts = bursts[:0]
        mains = mains_bursts(noise, t_s, duration_s, rng)
        events = np.sort(np.concatenate((bursts, mains.starts_s[mains.starts_s >= 0])))
        size = int(2 * heard.format.bits * receiver.oversample)
        most = _STRAY_WINDOWS
        if share * size > _BUSY:
            size, most = size * _LONGER, -(-most // _LONGER)
        now, origin, before = 0.0, 0.0, state
        decoder: GridDecoder | None = None
        ticks: list[tuple[int, int, int]] = []
        found: list[ReceivedOctet] = []
        for _ in range(most):
            forced = False
            if decoder is None:
                crossing = now + float(rng.geometric(share)) * tick if share else math.inf
                place = int(np.searchsorted(events, now))
                burst = float(events[place]) if place < len(events) else math.inf
                now = origin = min(crossing, burst)
                forced = crossing <= burst
                decoder, ticks, before = GridDecoder(heard.format, receiver.oversample, high=state), [], state
            if now >= duration_s:
                break
            volts = idle + rng.standard_normal(size) * noise.rms_v
            first, last = np.searchsorted(bursts, (now - noise.impulse_s, now + size * tick))
            near = bursts[first:last]
            Bursts(near, signs(len(near), noise.impulse_v, rng), noise.impulse_s).add(volts, now, tick)
            mains.add(volts, now, tick)
            if forced:
                volts[0] = trip + (-1e-9 if state else 1e-9)
            marks = compare(volts, comparator, before)
            before = bool(marks[-1])
            ticks += decoder.feed(marks.tobytes())
            now += size * tick
            if before == state and (decoder.is_idle if state else decoder.is_held_low):
                found += receiver.timed(ticks, origin)
                decoder = None
        if decoder is not None:
            found += receiver.timed(ticks, origin)
        return [octet for octet in found if octet.end_s <= duration_s]

    def _idle_of(self, listener: str) -> tuple[float, bool]:
        known = self._idle.get(listener)
        if known is None:
            node = self.pair.node(listener)
            level = self.pair.levels({})[listener]
            volts = level.difference_v if node.receiver.bears(level.common_v) else DEAF_V
            known = self._idle[listener] = (volts, rests_at_mark(volts, node))
        return known

    def _compute(self, way: Way, octets: bytes, gap_bits: float) -> _Entry:
        receiver = way.receiver
        grid = way.grid(len(octets), gap_bits, zlib.crc32(octets, way.phase) * PHASES >> 32)
        if way.sure is not None and octets:
            values = octets.translate(way.mask)
            told = map(tuple.__new__, repeat(ReceivedOctet), zip(values, repeat(0), grid.begins, grid.ends))
            sound = Heard(tuple(told), grid.end_s)
            return _Entry(sound, math.inf, None, grid.start_s, grid.stop_s, receiver, way.trips, grid.driven)
        entry = _Entry(Heard((), grid.end_s), 0.0, None, grid.start_s, grid.stop_s, receiver)
        volts = self._volts(way, octets, gap_bits, entry)
        part = self.pair.node(way.listener).receiver
        before = self.idle_state(way.listener)
        marks = compare(volts, part, before)
        decoder = GridDecoder(receiver.settings.format, receiver.oversample, high=before)
        found = receiver.timed(decoder.feed(marks.tobytes()), grid.start_s)
        margin = least_change_v(volts, marks, part, before)
        return entry._replace(heard=Heard(tuple(found), grid.end_s), margin_v=margin, volts=volts)

    def _volts(self, way: Way, octets: bytes, gap_bits: float, entry: _Entry) -> Floats:
        signal = encode(octets, way.sent, gap_bits=gap_bits, clock_error=way.sender_error)
        times = entry.start_s + np.arange(entry.ticks) * entry.receiver.tick_s
        volts = self.pair.volts(way.driver, way.listener, signal, times)
        return np.where(self._deaf(way.driver, way.listener, signal, times, volts), DEAF_V, volts)

    def _volts_of(self, way: Way, key: _Key, entry: _Entry) -> Floats:
        """The voltages of an entry, computed when they are first asked for."""
        volts = self._kept[key].volts if key in self._kept else entry.volts
        if volts is None:
            volts = self._volts(way, key[1], key[2], entry)
            self._keep(key, entry._replace(volts=volts))
        return volts

    def _first_trip(self, way: Way, key: _Key, entry: _Entry, rng: np.random.Generator) -> int:
        """The first tick of the idle pair, before or after the driver, at which noise makes a space; -1 for none.

        Ticks at which noise would be enough where the pair is weakest are drawn; each is then as likely to count as its
        own voltage has it.
        """
        on, off = entry.driven
        part, rms_v = self.pair.node(way.listener).receiver, self.pair.noise.rms_v
        count = -1
        while entry.trips:
            count += int(rng.geometric(entry.trips))
            place = count if count < on else off + count - on
            if place >= entry.ticks:
                break
            above = float(self._volts_of(way, key, entry)[place]) - part.threshold_v + part.hysteresis_v / 2
            if rng.random() * entry.trips < _share_beyond(above, rms_v):
                return place
        return -1

    def _way(self, chosen: _Chosen) -> Way:
        way = self._ways.get(chosen)
        if way is None:
            driver, listener, sent, heard, sender_error, listener_error = chosen
            receiver = UartReceiver(heard, clock_error=listener_error)
            sure = None
            if not self.whole and self.idle_state(listener):
                sure = sure_way(self.pair, driver, listener, sent, receiver, sender_clock_error=sender_error)
            sender = self.pair.node(driver).driver
            way = self._ways[chosen] = Way(
                number=len(self._ways),
                phase=zlib.crc32(f"{self.seed} {driver} {listener}".encode()),
                driver=driver,
                listener=listener,
                sent=sent,
                sender_error=sender_error,
                receiver=receiver,
                bit_s=1.0 / (sent.baud * (1.0 + sender_error)),
                lead_s=sender.lead_s,
                hold_s=sender.hold_s,
                delay_s=self.pair.delay_s(driver, listener),
                sure=sure,
                trips=0.0 if sure is None else _share_beyond(sure.idle_margin_v, self.pair.noise.rms_v),
                mask=bytes(value & ((1 << sent.format.data_bits) - 1) for value in range(256)),
                grids={},
            )
        return way

    def _deaf(self, driver: str, listener: str, signal: Signal, times: Floats, volts: Floats) -> Bools:
        """Where the common mode is out of the listener's range."""
        bears = self.pair.node(listener).receiver.bears
        steady: tuple[dict[str, bool], ...] = ({}, {driver: True}, {driver: False})
        if all(bears(self.pair.levels(driving)[listener].common_v) for driving in steady):
            return np.zeros(len(times), dtype=np.bool_)
        common = self.pair.common_volts(driver, listener, signal, times, volts)
        receiver = self.pair.node(listener).receiver
        return (common < receiver.common_low_v) | (common > receiver.common_high_v)

    def _keep(self, key: _Key, entry: _Entry) -> _Entry:
        old = self._kept.pop(key, None)
        self._kept[key] = entry
        self._weight += entry.weight - (old.weight if old is not None else 0)
        while self._weight > _KEPT_SAMPLES and len(self._kept) > 1:
            _, old = self._kept.popitem(last=False)
            self._weight -= old.weight
        return entry


def _share_beyond(margin_v: float, rms_v: float) -> float:
    """How likely Gaussian noise reaches a margin, on one side."""
    if math.isinf(margin_v):
        return 0.0
    return 0.5 * math.erfc(margin_v / rms_v / math.sqrt(2)) if rms_v else 0.5


def _trip(volts: Floats, place: int, driven: tuple[int, int], low_v: float) -> None:
    """Let the voltage be below the turning point at a tick, and at no tick of the idle pair before it."""
    for idle in (slice(0, min(place, driven[0])), slice(driven[1], max(place, driven[1]))):
        np.maximum(volts[idle], low_v, out=volts[idle])
    volts[place] = low_v - 1e-9
