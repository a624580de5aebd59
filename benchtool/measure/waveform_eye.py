"""The eye: all bits of all characters laid over each other, from each character's start edge as a receiver counts.

What must stay free is the middle of the bit, outside the receiver's 200 mV either way (sheet section 1.1).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchtool.capture.settings import CharFormat, Parity
from benchtool.measure.waveform_figures import WaveformFigures
from benchtool.measure.waveform_limits import RECEIVER_V
from benchtool.measure.waveform_octets import Burst
from benchtool.measure.waveform_record import Floats, Waveform
from benchtool.wire.uart import ReceivedOctet, parity_bit

_MOST_OCTETS = 600
_PHASES = 96
_LEVELS = 120
_CORE_OCTETS = 3000


class Core(NamedTuple):
    """The middles of the bits. Volts as a receiver of the right polarity sees them."""

    lowest_mark_v: float
    highest_space_v: float
    undefined: float
    """Share of the bits whose middle lies within 200 mV of 0, where a receiver need not know what it is, or beyond."""

    @property
    def height_v(self) -> float:
        """From the highest space to the lowest mark: what is open in mid-bit; negative where it is closed."""
        return self.lowest_mark_v - self.highest_space_v


class Eye(NamedTuple):
    """For a picture: how often the voltage is where, over two bits."""

    phase: Floats
    """Edges of the columns, in bits; 0 and 1 are where bits begin."""
    volts: Floats
    """Edges of the rows."""
    counts: npt.NDArray[np.int64]
    """Shape (rows, columns)."""
    lowest_mark_v: Floats
    """For each phase of one bit (0 to 1) …"""
    highest_space_v: Floats
    bit_phase: Floats
    width: float
    """Share of the bit in which every mark is above +200 mV and every space below -200 mV."""
    bits: int


def _sent(octets: Sequence[ReceivedOctet], form: CharFormat) -> npt.NDArray[np.bool_]:
    """The bits of the characters as received: start, data, parity if any; shape (octets, bits)."""
    values = np.array([octet.value for octet in octets], dtype=np.int64)
    data = (values[:, None] >> np.arange(form.data_bits)) & 1
    start = np.zeros((len(values), 1), dtype=np.int64)
    columns = [start, data]
    if form.parity is not Parity.NONE:
        columns.append(np.array([[parity_bit(octet.value, form.parity)] for octet in octets], dtype=np.int64))
    return np.concatenate(columns, axis=1).astype(np.bool_)


def find_core(waveform: Waveform, bursts: Sequence[Burst], form: CharFormat, bit_s: float) -> Core | None:
    """The middles of start, data and parity bits of all characters without line error; None if there is none."""
    marks: list[Floats] = []
    spaces: list[Floats] = []
    left = _CORE_OCTETS
    for turned in (False, True):
        octets = [o for burst in bursts if burst.reversed_pair is turned for o in burst.octets if not o.marks][:left]
        if not octets:
            continue
        left -= len(octets)
        sent = _sent(octets, form)
        begun = np.array([octet.start_s for octet in octets])
        instants = begun[:, None] + (np.arange(sent.shape[1]) + 0.5) * bit_s
        volts = np.interp(instants.ravel(), waveform.time_s, waveform.difference_v).reshape(sent.shape)
        volts = -volts if turned else volts
        marks.append(volts[sent])
        spaces.append(volts[~sent])
    if not marks:
        return None
    high, low = np.concatenate(marks), np.concatenate(spaces)
    if not len(high) or not len(low):
        return None
    unsure = int((high < RECEIVER_V).sum() + (low > -RECEIVER_V).sum())
    return Core(float(high.min()), float(low.max()), unsure / (len(high) + len(low)))


def find_eye(waveform: Waveform, figures: WaveformFigures) -> Eye | None:
    """The eye of up to 600 characters without line error, evenly chosen; None where no bits were read.

    Talkers with exchanged leads are turned round, so that mark is up for all.
    """
    if figures.bit_s is None or figures.format is None:
        return None
    sound = [place for place, octet in enumerate(figures.octets) if not octet.marks]
    if not sound:
        return None
    picked = [sound[int(place)] for place in np.unique(np.linspace(0, len(sound) - 1, _MOST_OCTETS).astype(np.int64))]
    octets = [figures.octets[place] for place in picked]
    signs = np.array([-1.0 if figures.octet_reversed[place] else 1.0 for place in picked])
    sent = _sent(octets, figures.format)
    begun = np.array([octet.start_s for octet in octets])
    bits = sent.shape[1]
    # From half a bit before each bit to half a bit after the next.
    offsets = (np.arange(2 * _PHASES) + 0.5) / _PHASES - 0.5
    instants = begun[:, None, None] + (np.arange(bits)[None, :, None] + offsets[None, None, :]) * figures.bit_s
    volts = np.interp(instants.ravel(), waveform.time_s, waveform.difference_v).reshape(instants.shape)
    volts *= signs[:, None, None]
    low, high = float(volts.min()), float(volts.max())
    room = 0.05 * max(high - low, 0.1)
    rows = np.linspace(low - room, high + room, _LEVELS + 1)
    columns = np.linspace(-0.5, 1.5, 2 * _PHASES + 1)
    place = np.clip(np.searchsorted(rows, volts, side="right") - 1, 0, _LEVELS - 1)
    flat = place * (2 * _PHASES) + np.arange(2 * _PHASES)
    counts = np.bincount(flat.ravel(), minlength=_LEVELS * 2 * _PHASES).reshape(_LEVELS, 2 * _PHASES)
    half = _PHASES // 2
    inner = volts[:, :, half : half + _PHASES]
    marks = np.where(sent[:, :, None], inner, np.inf).min(axis=(0, 1))
    spaces = np.where(sent[:, :, None], -np.inf, inner).max(axis=(0, 1))
    width = float(np.mean((marks > RECEIVER_V) & (spaces < -RECEIVER_V)))
    return Eye(columns, rows, counts, marks, spaces, offsets[half : half + _PHASES], width, sent.size)
