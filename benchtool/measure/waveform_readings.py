"""The figures of a waveform as flat numbers, for the diagnosis to weigh; and how far apart two readings may lie.

Names begin with `scope-`; the unit is at the end: v or m; a share or a number has none. What cannot be seen is left
out.
"""

from __future__ import annotations

import math

from benchtool.measure.waveform_baud import rate_off
from benchtool.measure.waveform_figures import WaveformFigures, share_of, weakest
from benchtool.measure.waveform_limits import quantity
from benchtool.measure.waveform_octets import Polarity

CORE = (
    "scope-idle-v",
    "scope-swing-least-v",
    "scope-swing-most-v",
    "scope-asymmetry",
    "scope-reversed",
    "scope-overshoot",
    "scope-step-share",
    "scope-edge-share-of-bit",
    "scope-common-high-v",
    "scope-common-low-v",
    "scope-wire-balance",
    "scope-noise-v",
    "scope-impulses-per-s",
    "scope-mains-locked",
    "scope-contention-share",
    "scope-hold-bits",
    "scope-baud-spread",
    "scope-rate-off",
    "scope-common-spread-v",
)
"""Those that each say something of their own; the others follow from them, or say where, or are for people."""

WORDS: dict[str, tuple[str, str]] = {
    "scope-idle-v": ("idle level", "V"),
    "scope-swing-least-v": ("smallest swing of any talker", "V"),
    "scope-swing-most-v": ("greatest swing of any talker", "V"),
    "scope-asymmetry": ("asymmetry of mark and space", "%"),
    "scope-reversed": ("share of talkers that are reversed", "%"),
    "scope-overshoot": ("overshoot", "%"),
    "scope-step-share": ("second step of an edge", "%"),
    "scope-edge-share-of-bit": ("edge, as a share of the bit", "%"),
    "scope-common-high-v": ("highest common mode", "V"),
    "scope-common-low-v": ("lowest common mode", "V"),
    "scope-wire-balance": ("unbalance of the two wires' swings", "%"),
    "scope-noise-v": ("noise while idle", "V"),
    "scope-impulses-per-s": ("impulses a second", ""),
    "scope-mains-locked": ("share of impulses locked to the mains", "%"),
    "scope-contention-share": ("time between the states in characters", "%"),
    "scope-hold-bits": ("driver held after its last character", "bits"),
    "scope-baud-spread": ("spread of the talkers' rates", "%"),
    "scope-rate-off": ("greatest distance of a talker's rate from the usual one", "%"),
    "scope-common-spread-v": ("common mode of one talker above another's", "V"),
}
"""Each of them in words, with its unit."""

SPREAD: dict[str, tuple[float, float]] = {
    "scope-reversed": (0.0, 0.05),
    "scope-asymmetry": (0.05, 0.03),
    "scope-wire-balance": (0.05, 0.05),
    "scope-ring-m": (0.1, 2.0),
    "scope-step-m": (0.1, 2.0),
    "scope-overshoot": (0.15, 0.02),
    "scope-step-share": (0.15, 0.02),
    "scope-edge-share-of-bit": (0.2, 0.01),
    "scope-settle-share-of-bit": (0.2, 0.02),
    "scope-noise-v": (0.12, 0.006),
    "scope-noise-driven-v": (0.25, 0.02),
    "scope-impulses-per-s": (0.4, 5.0),
    "scope-mains-locked": (0.1, 0.15),
    "scope-hum-v": (0.1, 0.02),
    "scope-hum-common-v": (0.1, 0.1),
    "scope-baud": (0.002, 0.0),
    "scope-baud-spread": (0.05, 0.002),
    "scope-rate-off": (0.05, 0.002),
    "scope-contention-share": (0.2, 0.01),
    "scope-hold-bits": (0.1, 0.5),
    "scope-lead-bits": (0.1, 0.5),
    "scope-jitter-share-of-bit": (0.2, 0.005),
    "scope-undefined-share": (0.2, 0.02),
    "scope-line-errors": (0.2, 0.05),
    "scope-glitches": (0.3, 1.0),
    "scope-talkers": (0.0, 0.3),
}
"""Standard deviation of a reading: this share of it, and this much (judgements: what probes and samples leave open)."""
_VOLTS_SPREAD = (0.04, 0.03)
"""An eight-bit oscilloscope with its probe: 3 to 4 %, and a step of the converter."""


def in_words(name: str, value: float) -> str:
    """A reading as a person says it."""
    return f"{words(name)} {shown(name, value)}"


def words(name: str) -> str:
    """What a reading is."""
    return WORDS.get(name, (name.removeprefix("scope-"), ""))[0]


def shown(name: str, value: float) -> str:
    """A reading's figure, rounded, with its unit."""
    unit = WORDS.get(name, ("", _unit(name)))[1]
    return quantity(value, unit)


def _unit(name: str) -> str:
    """By the end of its name, as the head of this module says."""
    if name == "scope-baud":
        return "bit/s"
    if "share" in name or name == "scope-line-errors":
        return "%"
    return {"v": "V", "m": "m"}.get(name.rpartition("-")[2], "")


def spread(name: str, value: float) -> float:
    """Standard deviation of a reading of that name."""
    relative, absolute = SPREAD.get(name, _VOLTS_SPREAD)
    return math.hypot(relative * value, absolute)


def readings(figures: WaveformFigures) -> dict[str, float]:
    """Every figure that could be seen, by name."""
    bit_s = figures.bit_s
    swings = [talker.swing_v for talker in figures.talkers]
    found: dict[str, float | None] = {
        "scope-idle-v": figures.idle_v,
        "scope-swing-v": figures.swing_v,
        "scope-mark-v": figures.mark_v,
        "scope-space-v": figures.space_v,
        "scope-asymmetry": figures.asymmetry,
        "scope-weakest-v": weakest(figures),
        "scope-swing-least-v": min(swings, default=None),
        "scope-swing-most-v": max(swings, default=None),
        "scope-talkers": float(len(figures.talkers)),
        "scope-common-idle-v": figures.common_idle_v,
        "scope-common-v": figures.common_driven_v,
        "scope-common-low-v": figures.common_low_v,
        "scope-common-high-v": figures.common_high_v,
        "scope-common-step-v": figures.common_step_v,
        "scope-edge-share-of-bit": share_of(figures.edge_s, bit_s),
        "scope-overshoot": figures.overshoot,
        "scope-ring-m": figures.ring_m,
        "scope-step-share": figures.step_share,
        "scope-step-m": figures.step_m,
        "scope-settle-share-of-bit": share_of(None if figures.shape is None else figures.shape.settle_s, bit_s),
        "scope-noise-v": figures.noise_idle_v if figures.noise_idle_v is not None else figures.noise_driven_v,
        "scope-noise-driven-v": figures.noise_driven_v,
        "scope-impulses-per-s": figures.impulses_per_s,
        "scope-impulse-v": figures.impulse_v,
        "scope-mains-locked": figures.mains_locked,
        "scope-hum-v": figures.hum_v,
        "scope-hum-common-v": figures.hum_common_v,
        "scope-baud": figures.baud,
        "scope-jitter-share-of-bit": share_of(figures.jitter_s, bit_s),
        "scope-contention-share": figures.contention_share,
        "scope-eye-v": figures.eye_v,
        "scope-undefined-share": figures.undefined_share,
        "scope-line-errors": float(sum(octet.marks != 0 for octet in figures.octets)) / max(1, len(figures.octets)),
        "scope-lead-bits": share_of(figures.lead_s, bit_s),
        "scope-hold-bits": share_of(figures.hold_s, bit_s),
        "scope-glitches": float(figures.glitches),
        "scope-reversed": {Polarity.NORMAL: 0.0, Polarity.REVERSED: 1.0, Polarity.MIXED: 0.5}.get(figures.polarity),
    }
    if figures.wire_swing_v is not None:
        a, b = figures.wire_swing_v
        found["scope-wire-balance"] = (a - b) / (a + b) if a + b > 0 else None
    rates = [talker.baud for talker in figures.talkers if talker.baud is not None]
    if len(rates) > 1:
        found["scope-baud-spread"] = (max(rates) - min(rates)) / min(rates)
    if rates:
        found["scope-rate-off"] = max(abs(rate_off(rate, figures.baud_given)) for rate in rates)
    commons = [talker.common_v for talker in figures.talkers if talker.common_v is not None]
    if len(commons) > 1:
        found["scope-common-spread-v"] = max(commons) - min(commons)
    return {name: value for name, value in found.items() if value is not None}
