"""What talkers do besides talking: two at once, mark driven before the first start bit or after the last stop bit."""

from __future__ import annotations

import numpy as np

from benchtool.measure.waveform_levels import Idle, Talker
from benchtool.measure.waveform_octets import Burst
from benchtool.measure.waveform_record import Floats, Waveform


def between_states(
    waveform: Waveform,
    bursts: list[Burst],
    talkers: tuple[Talker, ...],
    edges: Floats,
    bit_s: float,
) -> float | None:
    """Share of the instants inside characters, away from edges, at which the level is between its talker's states.

    The outermost levels count: what two make that talk at once lies between them.
    """
    between = seen = 0
    padded = np.concatenate(([-np.inf], edges, [np.inf]))
    for talker in talkers:
        begun = np.array([octet.start_s for place in talker.bursts for octet in bursts[place].octets])
        # Middles of the first nine bits: start and data; what follows may be idle already.
        instants = (begun[:, None] + (np.arange(9) + 0.5)[None, :] * bit_s).ravel()
        place = np.searchsorted(edges, instants)
        away = np.minimum(instants - padded[place], padded[place + 1] - instants) > 0.2 * bit_s
        instants = instants[away]
        if not len(instants):
            continue
        volts = np.interp(instants, waveform.time_s, waveform.difference_v)
        low, high = np.quantile(volts, (0.04, 0.96))
        off = np.abs(volts - (low + high) / 2)
        half = (high - low) / 2
        between += int((off < 0.4 * half).sum())
        seen += len(instants)
    return between / seen if seen else None


def lead_and_hold(
    waveform: Waveform,
    bursts: list[Burst],
    talker: Talker,
    edges: Floats,
    idle: Idle,
    bit_s: float,
    char_bits: float,
) -> tuple[float | None, float | None]:
    """How long the talker drives mark before its bursts (median) and after them; None where idle is too much like mark.

    After them: what every fourth burst exceeds, since drivers of one level may be several and one of them holds.
    """
    if idle.level_v is None or not idle.spans:
        return None, None
    apart = abs(talker.mark_v - idle.level_v)
    if apart < max(0.25 * talker.swing_v / 2, 6 * (idle.noise_v or 0.0)):
        return None, None
    edge_at = (talker.mark_v + idle.level_v) / 2
    upper = talker.mark_v > idle.level_v
    time, volts = waveform.time_s, waveform.difference_v
    leads, holds = [], []
    for place in talker.bursts:
        burst = bursts[place]
        if not burst.octets:
            continue
        begun, ended = burst.octets[0].start_s, burst.octets[-1].start_s + char_bits * bit_s
        before = float(edges[bursts[place - 1].end - 1]) + char_bits * bit_s if place else float(time[0])
        followed = place + 1 < len(bursts)
        after = float(edges[bursts[place + 1].first]) if followed else float(time[-1])
        low, high = np.searchsorted(time, (before, begun - 0.05 * bit_s))
        part = (volts[low:high] > edge_at) == upper
        if len(part) and not part.all():
            leads.append(begun - float(time[low + int(np.flatnonzero(~part)[-1])]))
        low, high = np.searchsorted(time, (ended - 0.5 * bit_s, after))
        part = (volts[low:high] > edge_at) == upper
        if len(part) and not part.all():
            holds.append(float(time[low + int(np.argmin(part))]) - ended)
        elif len(part) and followed:
            holds.append(after - ended)
    return (
        max(0.0, float(np.median(leads))) if leads else None,
        max(0.0, float(np.quantile(holds, 0.75, method="higher"))) if holds else None,
    )
