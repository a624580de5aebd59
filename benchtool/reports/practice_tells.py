"""How each fault of a bus mostly shows, in one sentence for a learner.

From the pages of docs/faults, "How it looks": the sheet's figures and simulated runs that are named there.
"""

from __future__ import annotations

from benchtool.diagnose.finding import Cause

TELLS: dict[Cause, str] = {
    Cause.HEALTHY: "every request has its reply, nothing is damaged, silences are silent; 52 to 70 ohm between the "
    "wires, more than +0.2 V when idle",
    Cause.REVERSED_AT_TAP: "no sound frame at all, an idle line that reads as a permanent 0, and below -0.2 V between "
    "our leads when idle",
    Cause.REVERSED_AT_DEVICE: "one address never answers, and the idle voltage at its terminals has the opposite sign",
    Cause.CONDUCTOR_OPEN: "all addresses beyond one point fail, all before it are well; 120 ohm at both ends",
    Cause.PAIR_SHORTED: "silence, or silence beyond the short; a few ohm between the wires, and about 0 V when idle",
    Cause.CONDUCTOR_TO_GROUND: "far less than 100 kilohm from one data wire to the common wire, which reads 0 V",
    Cause.TERMINATOR_MISSING_ONE: "about 120 ohm instead of 52 to 70, and about twice the usual idle voltage",
    Cause.TERMINATOR_MISSING_BOTH: "several hundred ohm or open, and an idle voltage far above the usual",
    Cause.TERMINATOR_EXCESS: "40 ohm with three, 30 with four, and a low idle voltage",
    Cause.TERMINATOR_MISPLACED: "a meter shows nothing; a look at both ends does, or on a fast pair the same bits of "
    "the same frames that fail",
    Cause.BIAS_MISSING: "octets in silences beside sound frames, and an idle voltage within 0.2 V of nothing",
    Cause.BIAS_WEAK: "an idle voltage above 0 and below +0.2 V; now and then an octet in a silence",
    Cause.STUB_TOO_LONG: "a meter shows nothing; a look at the branches does, or ringing after each edge",
    Cause.BUS_OVERLOADED: "below 52 ohm though there are two terminators, both wires near 0 V when idle, and small "
    "levels from every talker",
    Cause.LINE_TOO_LONG: "the farther a device, the more it fails; more than 70 ohm, and slow edges at the far end",
    Cause.GROUND_OFFSET: "one address is silent or badly damaged, and its common wire lies volts off the controller's",
    Cause.NOISE_BROADBAND: "damage at all addresses alike, hardly ever twice the same, octets of any value in silences",
    Cause.NOISE_IMPULSIVE: "most frames sound, now and then one damaged at any address, hardly two alike; single "
    "octets FF, FE, F8 in silences (a short dip of the line)",
    Cause.NOISE_MAINS: "very many octets in silences, at times that keep step with 100 or 120 Hz",
    Cause.BAUD_WRONG: "no sound frame at all; of all octet values only a few, or fewer octets than were sent",
    Cause.FORMAT_WRONG: "octets that come, but about half of them, or all, with a parity or framing error",
    Cause.CLOCK_OFF: "one address damaged again and again in the same octets, late in the octet; or silent",
    Cause.ADDRESS_DUPLICATE: "one address answers damaged, or twice, and still answers with one device unplugged",
    Cause.TWO_CONTROLLERS: "requests closer together than any reply, sequence numbers that jump at all addresses",
    Cause.DEVICE_SILENT: "one address is asked and never answers, nor leaves anything where its reply is due",
    Cause.DEVICE_SLOW: "one address takes many times as long as the others, or is counted as not asked for",
    Cause.DEVICE_RESETTING: "one address falls silent for a while, comes back and begins afresh; its supply drops",
    Cause.DRIVER_HELD_LATE: "the first octets after one talker are damaged, whoever comes next; a scope shows the pair "
    "driven on for many bits after a last character",
    Cause.SEQUENCE_FAULTS: "all check values pass, and sequence numbers jump or repeat at one address",
}

_WITHOUT_NUMBERS: dict[Cause, str] = {
    Cause.TWO_CONTROLLERS: "requests closer together than any reply, and replies damaged or missing at every address",
    Cause.DEVICE_RESETTING: "one address falls silent for a while and comes back; its supply drops",
}
"""Where the protocol has no sequence numbers, as Modbus RTU."""


def tells(cause: Cause, *, numbered: bool = True) -> str:
    """How a fault mostly shows; `numbered`: on a bus whose frames carry sequence numbers."""
    return TELLS[cause] if numbered else _WITHOUT_NUMBERS.get(cause, TELLS[cause])


SIGNS: dict[Cause, tuple[str, ...]] = {
    Cause.HEALTHY: ("failed-exchanges", "damage"),
    Cause.REVERSED_AT_TAP: ("damage", "same-spans", "marks-framing"),
    Cause.REVERSED_AT_DEVICE: ("silent-worst", "dead-count"),
    Cause.CONDUCTOR_OPEN: ("dead-count", "silent-rest", "silent-worst"),
    Cause.PAIR_SHORTED: ("dead-count", "load"),
    Cause.CONDUCTOR_TO_GROUND: ("damage", "failed-exchanges"),
    Cause.BIAS_MISSING: ("strays", "strays-high", "octets-before"),
    Cause.BIAS_WEAK: ("strays", "strays-high"),
    Cause.STUB_TOO_LONG: ("damaged-worst", "bits-turned"),
    Cause.BUS_OVERLOADED: ("damage", "failed-exchanges"),
    Cause.LINE_TOO_LONG: ("damaged-worst", "bits-turned", "damage"),
    Cause.GROUND_OFFSET: ("silent-worst", "damaged-worst"),
    Cause.NOISE_BROADBAND: ("damage", "bits-per-frame", "strays"),
    Cause.NOISE_IMPULSIVE: ("strays-high", "damage", "strays"),
    Cause.NOISE_MAINS: ("mains", "damage", "strays"),
    Cause.BAUD_WRONG: ("damage", "marks-framing"),
    Cause.FORMAT_WRONG: ("sound-with-parity", "sound-with-framing", "marks-parity"),
    Cause.CLOCK_OFF: ("damaged-worst", "bits-late", "marks-framing"),
    Cause.ADDRESS_DUPLICATE: ("damaged-worst", "second-replies", "unasked"),
    Cause.TWO_CONTROLLERS: ("cut-in", "odd-steps", "sequence-jumps", "outages"),
    Cause.DEVICE_SILENT: ("silent-worst", "dead-count"),
    Cause.DEVICE_SLOW: ("late", "latency-apart", "unasked"),
    Cause.DEVICE_RESETTING: ("outages", "sequence-restarts", "silent-worst"),
    Cause.DRIVER_HELD_LATE: ("in-slot", "first-wrong", "damaged-worst"),
    Cause.SEQUENCE_FAULTS: ("sequence-wrong", "sequence-mismatches", "sequence-repeats"),
}
"""Symptoms that listening shows, by which a person knows the fault, the most telling first; none where it is silent."""
