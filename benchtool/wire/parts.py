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

    def __post_init__(self) -> None:
        half = self.hysteresis_v / 2
        if not self.low_v <= self.threshold_v - half <= self.threshold_v + half <= self.high_v:
            raise ValueError("a receiver's threshold and hysteresis lie inside low_v … high_v")
        if self.unit_loads <= 0:
            raise ValueError("a receiver loads the pair with more than 0 unit loads")

    @property
    def input_ohm(self) -> float:
        """Resistance between its inputs."""
        return UNIT_LOAD_OHM / self.unit_loads

    def defined(self, volts: float) -> bool | None:
        """True for mark, False for space, None where the standard leaves it open (sheet section 1.1)."""
        if volts >= self.high_v:
            return True
        return False if volts <= self.low_v else None


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


@dataclass(frozen=True, slots=True)
class Noise:
    """Differential noise at every receiver's input: Gaussian, and rectangular bursts of either sign."""

    rms_v: float = 0.0
    impulse_rate_hz: float = 0.0
    """Bursts a second on average, at random instants."""
    impulse_v: float = 0.0
    impulse_s: float = 0.0

    def __post_init__(self) -> None:
        if min(self.rms_v, self.impulse_rate_hz, self.impulse_v, self.impulse_s) < 0:
            raise ValueError("no figure of a noise can be negative")

    @property
    def has_impulses(self) -> bool:
        """True if bursts can happen and do anything."""
        return self.impulse_rate_hz > 0 and self.impulse_v > 0 and self.impulse_s > 0
