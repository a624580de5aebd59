"""What hangs on a pair: drivers, receivers, nodes, terminators, bias networks, noise.

Facts: TIA-485 levels and unit loads, sheet sections 1.1 and 1.2; bias networks 1.7. Defaults without a figure there
say so.
"""

from __future__ import annotations

from dataclasses import dataclass, field

UNIT_LOAD_OHM = 12_000.0
"""Input resistance of one unit load between the wires (sheet section 1.1: at least 12 kilohm)."""


@dataclass(frozen=True, slots=True)
class Driver:
    """A driver as a voltage source behind a resistance, while it is enabled; nothing at all while it is not.

    The default gives 2.5 V into 54 ohm and 5 V open: inside 1.5 … 5 V and 1.5 … 6 V (sheet section 1.1); common
    practice for 5 V parts.
    """

    open_volts: float = 5.0
    """Magnitude of the differential voltage without load."""
    output_ohm: float = 54.0
    rise_ns: float = 100.0
    """10 to 90 % of an edge. TIA-485 allows 30 % of a bit; no single published value."""
    lead_s: float = 20e-6
    """How long it drives mark before the first start bit; depends on the software, no published value."""
    hold_s: float = 5e-6
    """How long it goes on driving mark after the last stop bit; no published value."""
    common_v: float = 2.5
    """Middle of its two outputs against its own 0 V (sheet 1.1: -1 to +3 V)."""

    def __post_init__(self) -> None:
        if self.open_volts <= 0 or self.output_ohm <= 0 or self.rise_ns <= 0:
            raise ValueError("a driver's voltage, resistance and rise time are above 0")
        if self.lead_s < 0 or self.hold_s < 0:
            raise ValueError("a driver's lead and hold times cannot be negative")


@dataclass(frozen=True, slots=True)
class Receiver:
    """A comparator with one real threshold inside the window that the standard leaves undefined.

    It turns to mark above `threshold_v + hysteresis_v / 2` and to space below `threshold_v - hysteresis_v / 2`.
    """

    low_v: float = -0.2
    """At or below it every part of this sort reads space."""
    high_v: float = 0.2
    """At or above it every part of this sort reads mark."""
    threshold_v: float = 0.0
    hysteresis_v: float = 0.05
    """From memory: common parts have 25 to 70 mV."""
    unit_loads: float = 1.0
    common_low_v: float = -7.0
    """Below this common mode, against its own 0 V, it no longer works (sheet 1.1)."""
    common_high_v: float = 12.0

    def __post_init__(self) -> None:
        half = self.hysteresis_v / 2
        if not self.low_v <= self.threshold_v - half <= self.threshold_v + half <= self.high_v:
            raise ValueError("a receiver's threshold and hysteresis lie inside low_v … high_v")
        if self.unit_loads <= 0:
            raise ValueError("a receiver loads the pair with more than 0 unit loads")
        if self.common_low_v >= self.common_high_v:
            raise ValueError("a receiver's common mode range begins below its end")

    @property
    def input_ohm(self) -> float:
        """Resistance between its inputs."""
        return UNIT_LOAD_OHM / self.unit_loads

    def defined(self, volts: float) -> bool | None:
        """True for mark, False for space, None where the standard leaves it open (sheet section 1.1)."""
        if volts >= self.high_v:
            return True
        return False if volts <= self.low_v else None

    def bears(self, common_v: float) -> bool:
        """Whether it works at this common mode."""
        return self.common_low_v <= common_v <= self.common_high_v


FAILSAFE = Receiver(-0.2, -0.05, threshold_v=-0.125, hysteresis_v=0.03)
"""A receiver that reads an idle or shorted pair as mark without bias (sheet section 1.7, failsafe vocabulary)."""


@dataclass(frozen=True, slots=True)
class Node:
    """A transceiver on the pair. `reversed_pair` means that its two leads are exchanged."""

    name: str
    position_m: float
    driver: Driver = field(default_factory=Driver)
    receiver: Receiver = FAILSAFE
    reversed_pair: bool = False
    connected: bool = True
    """False: its leads hang in the air; it neither loads the pair nor hears it."""
    stub_m: float = 0.0
    """Length of the cable from the trunk, at `position_m`, to it."""
    ground_v: float = 0.0
    """Its 0 V against the pair's reference ground."""

    def __post_init__(self) -> None:
        if self.stub_m < 0:
            raise ValueError("a stub's length cannot be negative")


@dataclass(frozen=True, slots=True)
class Terminator:
    """A resistor across the pair."""

    position_m: float
    ohm: float = 120.0

    def __post_init__(self) -> None:
        if self.ohm <= 0:
            raise ValueError("a terminator has more than 0 ohm")


@dataclass(frozen=True, slots=True)
class Bias:
    """A pull-up on the wire that is positive when idle and an equal pull-down on the other."""

    position_m: float
    pull_ohm: float
    """Each of the two."""
    supply_v: float = 5.0

    def __post_init__(self) -> None:
        if self.pull_ohm <= 0:
            raise ValueError("a bias resistor has more than 0 ohm")


WIRES = ("a", "b")
"""`a` is the wire that is the more positive at mark and idle."""


@dataclass(frozen=True, slots=True)
class Break:
    """A place where a conductor is open: wire `a`, `b` or `both`."""

    position_m: float
    wire: str = "both"

    def __post_init__(self) -> None:
        if self.wire not in (*WIRES, "both"):
            raise ValueError(f"wire {self.wire!r}: a, b or both")


@dataclass(frozen=True, slots=True)
class Short:
    """A fault between the two wires."""

    position_m: float
    ohm: float = 1.0

    def __post_init__(self) -> None:
        if self.ohm <= 0:
            raise ValueError("a short has more than 0 ohm")


@dataclass(frozen=True, slots=True)
class Leak:
    """A fault from one wire to ground, or to something that is `ground_v` against it."""

    position_m: float
    wire: str = "a"
    ohm: float = 1.0
    ground_v: float = 0.0

    def __post_init__(self) -> None:
        if self.wire not in WIRES:
            raise ValueError(f"wire {self.wire!r}: a or b")
        if self.ohm <= 0:
            raise ValueError("a leak has more than 0 ohm")


@dataclass(frozen=True, slots=True)
class Noise:
    """Differential noise at every receiver's input: Gaussian, and rectangular bursts of either sign.

    Bursts come at random, and, with `mains_hz`, at every zero crossing of the mains: twice a period.
    """

    rms_v: float = 0.0
    impulse_rate_hz: float = 0.0
    """Bursts a second on average, at random instants."""
    impulse_v: float = 0.0
    impulse_s: float = 0.0
    mains_hz: float = 0.0
    """Frequency of the mains whose zero crossings make bursts; 0 for none."""
    mains_v: float = 0.0
    mains_s: float = 0.0
    """How long each of them lasts."""
    mains_jitter_s: float = 100e-6
    """Standard deviation of their instants; no published value."""

    def __post_init__(self) -> None:
        figures = (self.rms_v, self.impulse_rate_hz, self.impulse_v, self.impulse_s)
        if min(*figures, self.mains_hz, self.mains_v, self.mains_s, self.mains_jitter_s) < 0:
            raise ValueError("no figure of a noise can be negative")

    @property
    def has_impulses(self) -> bool:
        """True if bursts can happen and do anything."""
        return self.impulse_rate_hz > 0 and self.impulse_v > 0 and self.impulse_s > 0

    @property
    def has_mains(self) -> bool:
        """True if bursts locked to the mains happen and do anything."""
        return self.mains_hz > 0 and self.mains_v > 0 and self.mains_s > 0
