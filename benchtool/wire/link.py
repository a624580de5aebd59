"""From one node's octets to what another node's receiver makes of them: the whole path a simulated bus needs.

Noise-free transmissions are computed once and kept. Noise is drawn at the receiver's own clock ticks, all of them
independent: it is taken to reach far above the tick rate, and to come after the cable.
"""

from __future__ import annotations

import math
import zlib
from collections import OrderedDict
from typing import NamedTuple

import numpy as np

from benchtool.capture.settings import LineSettings
from benchtool.wire.pair import Pair
from benchtool.wire.parts import Node, Receiver
from benchtool.wire.response import Floats
from benchtool.wire.signal import Bools
from benchtool.wire.uart import GridDecoder, ReceivedOctet, UartReceiver, encode

_SAFE_SIGMAS = 7.0
"""Noise is not drawn where it would need more than this to change a decision: 1.3e-12 a decision."""
_IDLE_BITS = 12
_KEPT_SAMPLES = 4_000_000
_ENTRY_SAMPLES = 200
"""What an entry of the cache weighs beside its samples."""
_STRAY_WINDOWS = 500

_Key = tuple[str, str, bytes, LineSettings, LineSettings, float, float, float]


class Heard(NamedTuple):
    """What a listener received. Times count from the first start bit's edge at the driver.

    `end_s` is when the end of the last stop bit reaches the listener.
    """

    octets: tuple[ReceivedOctet, ...]
    end_s: float


class _Entry(NamedTuple):
    heard: Heard
    margin_v: float
    volts: Floats
    start_s: float
    receiver: UartReceiver


def compare(volts: Floats, receiver: Receiver, before: bool) -> Bools:
    """The comparator's output (True is mark) for voltages in order of time; inside the hysteresis it keeps its state.

    `before` is its state before the first.
    """
    half = receiver.hysteresis_v / 2
    high = volts > receiver.threshold_v + half
    clear = high | (volts < receiver.threshold_v - half)
    if clear.all():
        return high
    places = np.where(clear, np.arange(len(volts)), -1)
    np.maximum.accumulate(places, out=places)
    return np.asarray(np.where(places < 0, before, high[places]))


def _margin(volts: Floats, marks: Bools, receiver: Receiver, before: bool) -> float:
    """The smallest voltage that would change any of the comparator's answers; there is at least one."""
    half = receiver.hysteresis_v / 2
    low, high = receiver.threshold_v - half, receiver.threshold_v + half
    stay = np.where(marks, volts - low, high - volts)
    changed = np.concatenate(([marks[0] != before], marks[1:] != marks[:-1]))
    turn = np.where(marks, volts - high, low - volts)
    return float(np.min(np.where(changed, turn, stay)))


class Link:
    """Carries octets over a pair. `seed` fixes how the receivers' free-running clocks lie to the characters."""

    def __init__(self, pair: Pair, seed: int) -> None:
        self.pair = pair
        self.seed = seed
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
    ) -> Heard:
        """What `listener`, set to `heard`, receives when `driver` sends octets with the settings `sent`.

        Noise needs `rng`; without it the pair is silent. The listener's idle state before and after (a reversed or
        undefined one too) is part of the result.
        """
        key = (driver, listener, octets, sent, heard, sender_clock_error, listener_clock_error, gap_bits)
        entry = self._kept.get(key)
        if entry is None:
            entry = self._compute(key)
            self._keep(key, entry)
        else:
            self._kept.move_to_end(key)
        noise = self.pair.noise
        if rng is None:
            return entry.heard
        window_s = len(entry.volts) * entry.receiver.tick_s
        bursts = rng.poisson(noise.impulse_rate_hz * (window_s + noise.impulse_s)) if noise.has_impulses else 0
        if not bursts and entry.margin_v > _SAFE_SIGMAS * noise.rms_v:
            return entry.heard
        volts = entry.volts
        volts = volts + rng.standard_normal(len(volts)) * noise.rms_v if noise.rms_v else volts.copy()
        starts = rng.uniform(-noise.impulse_s, window_s, bursts)
        self._add_bursts(volts, starts, entry.receiver.tick_s, rng)
        before = self.idle_state(listener)
        decoder = GridDecoder(heard.format, entry.receiver.oversample, high=before)
        found = decoder.feed(compare(volts, self.pair.node(listener).receiver, before).tobytes())
        return Heard(tuple(entry.receiver.timed(found, entry.start_s)), entry.heard.end_s)

    def idle_state(self, listener: str) -> bool:
        """What a listener's comparator says on the undriven pair without noise: True is mark.

        Inside its hysteresis it keeps the last driven state, and every transmission ends with mark.
        """
        return self._idle_of(listener)[1]

    def idle_strays(
        self, listener: str, heard: LineSettings, duration_s: float, rng: np.random.Generator
    ) -> list[ReceivedOctet]:
        """Octets that noise makes at a listener during a silence; times from its start.

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
        quiet = margin > _SAFE_SIGMAS * noise.rms_v
        if quiet and not noise.has_impulses:
            return []
        receiver = UartReceiver(heard)
        tick = receiver.tick_s
        share = 0.0 if quiet else 0.5 * math.erfc(margin / noise.rms_v / math.sqrt(2)) if noise.rms_v else 0.5
        bursts = np.sort(rng.uniform(0.0, duration_s, rng.poisson(noise.impulse_rate_hz * duration_s)))
        if not noise.has_impulses:
            bursts = bursts[:0]
        size = int(2 * heard.format.bits * receiver.oversample)
        now, origin, before = 0.0, 0.0, state
        decoder: GridDecoder | None = None
        ticks: list[tuple[int, int, int]] = []
        found: list[ReceivedOctet] = []
        for _ in range(_STRAY_WINDOWS):
            forced = False
            if decoder is None:
                crossing = now + float(rng.geometric(share)) * tick if share else math.inf
                place = int(np.searchsorted(bursts, now))
                burst = float(bursts[place]) if place < len(bursts) else math.inf
                now = origin = min(crossing, burst)
                forced = crossing <= burst
                decoder, ticks, before = GridDecoder(heard.format, receiver.oversample, high=state), [], state
            if now >= duration_s:
                break
            volts = idle + rng.standard_normal(size) * noise.rms_v
            first, last = np.searchsorted(bursts, (now - noise.impulse_s, now + size * tick))
            self._add_bursts(volts, bursts[first:last] - now, tick, rng)
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
            volts = self.pair.idle_volts(listener)
            known = self._idle[listener] = (volts, _resting(volts, node))
        return known

    def _add_bursts(self, volts: Floats, starts: Floats, tick: float, rng: np.random.Generator) -> None:
        noise = self.pair.noise
        for start in starts:
            first = max(0, math.ceil(start / tick))
            last = max(0, math.ceil((start + noise.impulse_s) / tick))
            volts[first:last] += noise.impulse_v if rng.random() < 0.5 else -noise.impulse_v

    def _compute(self, key: _Key) -> _Entry:
        driver, listener, octets, sent, heard, sender_error, listener_error, gap_bits = key
        node = self.pair.node(listener)
        signal = encode(octets, sent, gap_bits=gap_bits, clock_error=sender_error)
        receiver = UartReceiver(heard, clock_error=listener_error)
        sender = self.pair.node(driver).driver
        delay = self.pair.delay_s(driver, listener)
        phase = zlib.crc32(f"{self.seed} {driver} {listener}".encode() + octets) / 2**32
        start = -sender.lead_s - (2 * receiver.oversample + phase) * receiver.tick_s
        stop = signal.duration_s + delay + sender.hold_s + _IDLE_BITS * receiver.bit_s
        times = start + np.arange(int((stop - start) / receiver.tick_s) + 1) * receiver.tick_s
        volts = self.pair.volts(driver, listener, signal, times)
        before = self.idle_state(listener)
        marks = compare(volts, node.receiver, before)
        decoder = GridDecoder(heard.format, receiver.oversample, high=before)
        found = receiver.timed(decoder.feed(marks.tobytes()), start)
        margin = _margin(volts, marks, node.receiver, before)
        return _Entry(Heard(tuple(found), signal.duration_s + delay), margin, volts, start, receiver)

    def _keep(self, key: _Key, entry: _Entry) -> None:
        self._kept[key] = entry
        self._weight += len(entry.volts) + _ENTRY_SAMPLES
        while self._weight > _KEPT_SAMPLES and len(self._kept) > 1:
            _, old = self._kept.popitem(last=False)
            self._weight -= len(old.volts) + _ENTRY_SAMPLES


def _resting(volts: float, node: Node) -> bool:
    half = node.receiver.hysteresis_v / 2
    if volts > node.receiver.threshold_v + half:
        return True
    return volts >= node.receiver.threshold_v - half and not node.reversed_pair
