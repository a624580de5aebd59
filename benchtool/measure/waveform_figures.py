"""What `measure_waveform` found: figures, each beside its limit, and the flat numbers that the diagnosis weighs."""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.capture.settings import CharFormat
from benchtool.frames.frame import Frame
from benchtool.measure import waveform_limits as limits
from benchtool.measure.waveform_baud import nearest_baud, usual_baud
from benchtool.measure.waveform_limits import Check, Verdict, verdict
from benchtool.measure.waveform_octets import Polarity
from benchtool.measure.waveform_shape import Shape
from benchtool.wire.uart import ReceivedOctet

_WEAK_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class TalkerFigures:
    """One talker: bursts of like levels. Volts, seconds."""

    mark_v: float
    space_v: float
    common_v: float | None
    reversed_pair: bool
    octets: int
    bursts: int
    baud: float | None
    """From this talker's edges alone."""
    shape: Shape | None

    @property
    def swing_v(self) -> float:
        """From space to mark, never negative."""
        return abs(self.mark_v - self.space_v)


@dataclass(frozen=True, slots=True)
class WaveformFigures:
    """Volts, seconds, metres, shares from 0 to 1. None: cannot be seen in this record.

    Volts are as the leads gave them: with reversed leads mark is negative.
    """

    duration_s: float
    samples: int
    velocity: float
    """Share of the speed of light that metres were reckoned with."""
    polarity: Polarity
    idle_v: float | None
    idle_s: float
    """How long the pair was seen with nobody talking."""
    mark_v: float | None
    """Level of the main talker (the one with most octets) …"""
    space_v: float | None
    common_idle_v: float | None
    common_driven_v: float | None
    common_low_v: float | None
    """Extremes against the probes' ground, the outermost thousandth left out …"""
    common_high_v: float | None
    common_step_v: float | None
    """How far the common mode moves from space to mark: 0 with two sound wires."""
    wire_swing_v: tuple[float, float] | None
    """Swing of A and of B against ground."""
    noise_idle_v: float | None
    noise_driven_v: float | None
    impulses: int
    impulse_v: float
    impulse_s: float
    impulses_per_s: float | None
    mains_locked: float | None
    mains_hz: float | None
    hum_v: float | None
    hum_common_v: float | None
    baud: float | None
    """Measured."""
    baud_given: int | None
    jitter_s: float | None
    jitter_peak_s: float | None
    lengthened_s: float | None
    """How much longer a positive run is than its bits."""
    glitches: int
    """Runs much shorter than a bit that were left out."""
    format: CharFormat | None
    octets: tuple[ReceivedOctet, ...]
    frames: tuple[Frame, ...]
    """Times count from `start_s`, in nanoseconds."""
    octet_reversed: tuple[bool, ...]
    """For each octet whether its talker has mark negative."""
    lowest_mark_v: float | None
    """In mid-bit, of all characters without line error, turned round where leads are reversed …"""
    highest_space_v: float | None
    undefined_share: float | None
    """Share of these bits that are not beyond 200 mV on their side."""
    start_s: float
    """The record's first instant."""
    talkers: tuple[TalkerFigures, ...]
    """The one with most octets first."""
    shape: Shape | None
    """The main talker's edge."""
    contention_share: float | None
    """Share of the characters' time at which the level stood between the two states."""
    lead_s: float | None
    """How long mark was driven before the first start bit; None where idle and mark are too alike."""
    hold_s: float | None
    """How long mark was driven on after the last stop bit."""
    notes: tuple[str, ...]

    @property
    def swing_v(self) -> float | None:
        """From space to mark of the main talker, never negative."""
        return None if self.mark_v is None or self.space_v is None else abs(self.mark_v - self.space_v)

    @property
    def eye_v(self) -> float | None:
        """What is open in mid-bit, between the lowest mark and the highest space."""
        if self.lowest_mark_v is None or self.highest_space_v is None:
            return None
        return self.lowest_mark_v - self.highest_space_v

    @property
    def asymmetry(self) -> float | None:
        """(|mark| - |space|) over the swing: 0 for a driver with two equal halves, 1 if space is 0 V."""
        if self.mark_v is None or self.space_v is None or not self.swing_v:
            return None
        return (abs(self.mark_v) - abs(self.space_v)) / self.swing_v

    @property
    def bit_s(self) -> float | None:
        """Length of a bit as measured."""
        return None if self.baud is None else 1.0 / self.baud

    @property
    def usual_baud(self) -> int | None:
        """The usual rate within 3 % of the measured one."""
        return None if self.baud is None else usual_baud(self.baud)

    @property
    def edge_s(self) -> float | None:
        """10 to 90 % of an edge of the main talker."""
        return None if self.shape is None else self.shape.edge_s

    @property
    def ring_m(self) -> float | None:
        """Distance between the mismatches that ring: a quarter of the way that the wave makes in a period."""
        worst = self._worst(lambda shape: shape.overshoot if shape.ring_s is not None else 0.0)
        return None if worst is None or worst.ring_s is None else self.metres(worst.ring_s / 2)

    @property
    def overshoot(self) -> float | None:
        """The greatest of all talkers, as a share of the swing."""
        worst = self._worst(lambda shape: shape.overshoot)
        return None if worst is None else worst.overshoot

    @property
    def step_share(self) -> float | None:
        """The greatest second step of all talkers, as a share of the swing."""
        worst = self._worst(lambda shape: shape.step_share)
        return None if worst is None else worst.step_share

    @property
    def step_m(self) -> float | None:
        """How far away that which brings the second step lies."""
        worst = self._worst(lambda shape: shape.step_share)
        return None if worst is None or worst.step_s is None else self.metres(worst.step_s)

    def metres(self, delay_s: float) -> float:
        """How far away a mismatch lies whose echo comes after `delay_s`: half of the way."""
        return delay_s * self.velocity * 299_792_458.0 / 2

    def _worst(self, key: object) -> Shape | None:
        # The figures are shares of a swing: without one they say nothing.
        least = _WEAK_SHARE * max((talker.swing_v for talker in self.talkers), default=0.0)
        shapes = [talker.shape for talker in self.talkers if talker.shape is not None and talker.swing_v >= least]
        return max(shapes, key=key, default=None)  # type: ignore[call-overload, no-any-return]

    def checks(self) -> tuple[Check, ...]:
        """Every figure that has a limit, and the plain ones, in the order in which somebody reads them."""
        return _checks(self)

    def as_readings(self) -> dict[str, float]:
        """Flat numbers for the diagnosis; what cannot be seen is left out."""
        from benchtool.measure.waveform_readings import readings

        return readings(self)


def share_of(time_s: float | None, bit_s: float | None) -> float | None:
    """A time as a share of the bit; None where either is unknown."""
    return None if time_s is None or bit_s is None else time_s / bit_s


def _checks(figures: WaveformFigures) -> tuple[Check, ...]:
    bit_s = figures.bit_s
    # Mark and space are the main talker's, which may be the one whose wires are exchanged.
    main = figures.talkers[0].reversed_pair if figures.talkers else figures.polarity is Polarity.REVERSED
    turned = -1.0 if main else 1.0
    mark = None if figures.mark_v is None else turned * figures.mark_v
    space = None if figures.space_v is None else turned * figures.space_v
    edge_share = share_of(figures.edge_s, bit_s)
    limited = figures.shape is not None and figures.shape.limited
    off = None if figures.baud is None else figures.baud / (figures.baud_given or nearest_baud(figures.baud)) - 1
    standard = "TIA-485"
    found = [
        Check("idle, A minus B", figures.idle_v, "V", "+200 mV or more", verdict(figures.idle_v, 0.2, None), standard),
        Check("mark", mark, "V", "1.5 to 5 V", verdict(mark, *limits.DRIVEN_V), standard),
        Check(
            "space",
            space,
            "V",
            "-1.5 to -5 V",
            verdict(None if space is None else -space, *limits.DRIVEN_V),
            standard,
        ),
        Check(
            "weakest level of any talker",
            weakest(figures),
            "V",
            "200 mV or more at a receiver",
            verdict(weakest(figures), limits.RECEIVER_V, None),
            standard,
        ),
        Check("asymmetry of mark and space", figures.asymmetry, "%", "", Verdict.UNKNOWN),
        Check("common mode, idle", figures.common_idle_v, "V", "", Verdict.UNKNOWN),
        Check(
            "common mode, driven",
            figures.common_driven_v,
            "V",
            "-1 to +3 V by a driver of the same ground",
            verdict(figures.common_driven_v, *limits.DRIVER_COMMON_V),
            standard,
        ),
        Check(
            "common mode, lowest",
            figures.common_low_v,
            "V",
            "-7 V or more",
            verdict(figures.common_low_v, -7.0, None),
            standard,
        ),
        Check(
            "common mode, highest",
            figures.common_high_v,
            "V",
            "+12 V or less",
            verdict(figures.common_high_v, None, 12.0),
            standard,
        ),
        Check("edge, 10 to 90 %", figures.edge_s, "s", "", Verdict.UNKNOWN),
        Check(
            "edge as a share of the bit",
            edge_share,
            "%",
            "30 % or less",
            Verdict.UNKNOWN
            if limited and (edge_share or 0) > limits.EDGE_SHARE
            else verdict(edge_share, None, limits.EDGE_SHARE),
            standard,
        ),
        Check("overshoot", figures.overshoot, "%", "", Verdict.UNKNOWN),
        Check("ringing comes from a mismatch at", figures.ring_m, "m", "", Verdict.UNKNOWN),
        Check("second step", figures.step_share, "%", "", Verdict.UNKNOWN),
        Check("second step comes from", figures.step_m, "m", "", Verdict.UNKNOWN),
        Check("settled after", None if figures.shape is None else figures.shape.settle_s, "s", "", Verdict.UNKNOWN),
        Check("noise, idle", figures.noise_idle_v, "V", "", Verdict.UNKNOWN),
        Check("noise, driven", figures.noise_driven_v, "V", "", Verdict.UNKNOWN),
        Check("mains hum between the wires", figures.hum_v, "V", "", Verdict.UNKNOWN),
        Check("mains hum of both wires", figures.hum_common_v, "V", "", Verdict.UNKNOWN),
        Check("bit rate", figures.baud, "bit/s", "", Verdict.UNKNOWN),
        Check(
            "bit rate off" if figures.baud_given is None else f"bit rate off the {figures.baud_given} bit/s given",
            off,
            "%",
            "2 % or less",
            verdict(None if off is None else abs(off), None, limits.BAUD_SHARE),
            "Modbus serial line guide",
        ),
        Check("jitter of edges", share_of(figures.jitter_s, bit_s), "%", "", Verdict.UNKNOWN),
        Check("eye in mid-bit", figures.eye_v, "V", "400 mV or more", verdict(figures.eye_v, 0.4, None), standard),
        Check(
            "bits not beyond 200 mV in their middle",
            figures.undefined_share,
            "%",
            "none",
            verdict(figures.undefined_share, None, 0.0),
            standard,
        ),
        Check("time between the states in characters", figures.contention_share, "%", "", Verdict.UNKNOWN),
    ]
    return tuple(found)


def weakest(figures: WaveformFigures) -> float | None:
    """The smallest magnitude of mark and space over all talkers, negative where a level is on the wrong side of 0."""
    levels = []
    for talker in figures.talkers:
        turned = -1.0 if talker.reversed_pair else 1.0
        levels += [turned * talker.mark_v, -turned * talker.space_v]
    return min(levels, default=None)
