"""What each cause means in words, what it is confused with, how to mend it, and what to measure next.

Readings come from the sheet's sections 1.1, 1.7 and 1.8 (idle above +200 mV, two terminators 52 to 70 ohm); the
order of work is common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.diagnose.finding import Cause, Step

LIVE = "Devices stay powered for this: touch nothing but the signal terminals, and keep off mains parts."
UNPOWERED = (
    "Take power off the whole bus first, and warn the users: doors may unlock or stay locked. Escape routes must stay "
    "open; follow local codes, and leave mains work to licensed people."
)

IDLE_AT_DEVICE = Step(
    "At that device's terminals, bus powered, measure DC volts between the two data wires.",
    (
        "more than +0.2 V, same sign as at a device that works: the wires are the right way round",
        "the opposite sign: the two wires are swapped at that device",
        "0 V, or far from the others: a wire is open or loose on the way",
    ),
    LIVE,
)
POWER_AT_DEVICE = Step(
    "Measure the supply at the device's own terminals, with a card held to the reader or the lock released.",
    (
        "within the device's rating (a 12 V device usually wants at least 10.8 V: common practice): power is not it",
        "low or collapsing under load: the supply or its cable",
    ),
    "A released lock opens a door. Keep escape routes clear, and people informed.",
)
SETTINGS_AT_DEVICE = Step(
    "Read the address and bit rate set at the device (switches, label, configuration), against the list.",
    (
        "different from the list: set it right, and ask again",
        "another device has this address: the two answer at once or each keeps the other silent",
    ),
)
SWAP_AT_DEVICE = Step(
    "Swap the two data wires at that device only, and listen again for 20 seconds.",
    ("it answers now: they were reversed; leave it so, correct the drawing", "still silent: put them back"),
    LIVE,
)
SWAP_AT_TAP = Step(
    "Swap the two leads of our own clip, and listen again for 20 seconds.",
    ("frames come sound: our clip was reversed; nothing on the bus needs touching", "no change: put them back"),
    LIVE,
)
IDLE_AT_TAP = Step(
    "Where we are clipped on, bus powered and quiet, measure DC volts between the two data wires.",
    (
        "above +0.2 V, the wire on our + lead the more positive: polarity and bias are right",
        "below -0.2 V: the pair is reversed here",
        "between -0.2 and +0.2 V: no bias, or not enough: the idle line is undefined and picks up noise",
    ),
    LIVE,
)
OHMS = Step(
    "With power off and one controller's plug pulled, measure ohms between the two data wires at one end.",
    (
        "52 to 70 ohm: two terminators, as it should be (a long cable adds a little: 300 m of AWG 24 reads 70 ohm)",
        "about 120 ohm: one terminator is missing",
        "several hundred ohm or open: both are missing",
        "about 40 ohm or less: too many",
    ),
    UNPOWERED,
)
LOWER_RATE = Step(
    "Set controller, devices and benchtool to a quarter of the bit rate, and listen again.",
    ("errors gone: reflections or too long a line for the rate", "errors stay: noise, a bad joint or a bad driver"),
    "While rates differ, doors may not answer: do it when the building is not in use.",
)
NOISE_HUNT = Step(
    "Listen again for a minute while one suspect after the other is off: lock, lift, lamp ballast, power supply.",
    (
        "damage stops with one of them: reroute the pair, or suppress that load (diode or varistor at the coil)",
        "no change: check shield (earthed at one end only) and the common wire between the devices",
    ),
    "Switching loads may release doors: keep escape routes clear, and people informed.",
)
OTHER_RATES = Step(
    "Listen at the other usual rates: --baud 9600, 19200, 38400, 57600, 115200.",
    ("sound frames at one of them: that is the rate of the bus", "none: another protocol, or the line itself"),
)
SCOPE = Step(
    "Look at the pair with an oscilloscope, both wires against the common wire.",
    (
        "clean square bits of at least 1.5 V between the wires: the drivers are right, look at rate and protocol",
        "rounded, ringing or small bits: look at cable, terminators and loads",
    ),
    LIVE,
)
CONTROLLER_ON = Step(
    "See that the controller is on and polls (its lamps, its own screen), and that our clip is on the right pair.",
    ("its bus lamp is dark, or it has no devices listed: nobody talks, start there", "it polls: go on"),
)
CLIP = Step(
    "Where we are clipped on, bus powered, measure AC or DC volts between the two wires, and to the common wire.",
    (
        "more than 0.2 V, or a restless reading: there is traffic, look at our clip's contacts and the adapter",
        "0 V throughout: a dead or shorted pair, or the wrong one",
    ),
    LIVE,
)
NOTHING_HEARD = (CONTROLLER_ON, CLIP)
"""Even at a wrong rate or with swapped wires octets come: silence means that nobody talks, or that we hear nothing."""


@dataclass(frozen=True, slots=True)
class Advice:
    """Words for one cause."""

    could_also_be: tuple[str, ...]
    todo: tuple[str, ...]
    steps: tuple[Step, ...]


ADVICE: dict[Cause, Advice] = {
    Cause.HEALTHY: Advice(
        ("a fault that did not show while we listened", "a missing terminator, where rate and length hide it"),
        ("Nothing needs mending. Prove the terminators with an ohmmeter before the covers go on.",),
        (OHMS,),
    ),
    Cause.REVERSED_AT_TAP: Advice(
        ("the pair swapped between us and the rest of the bus, at a joint or in a plug",),
        (
            "Swap our clip's two leads.",
            "If the clip is right by the labels, trust the voltmeter, not the letters A and B.",
        ),
        (SWAP_AT_TAP, IDLE_AT_TAP),
    ),
    Cause.REVERSED_AT_DEVICE: Advice(
        ("the device unpowered, at another address or bit rate, or dead", "one wire open on the way to it"),
        (
            "If the voltmeter shows the opposite sign there, swap the two data wires at that device, and listen again.",
            "Correct the drawing and the labels.",
        ),
        (IDLE_AT_DEVICE, SWAP_AT_DEVICE, POWER_AT_DEVICE),
    ),
    Cause.DEVICE_SILENT: Advice(
        ("its two data wires reversed, or one of them open", "an address in the list with no device behind it"),
        (
            "Check the device's supply at its own terminals, then its address and bit rate, then its data wires.",
            "Only then swap the device.",
        ),
        (IDLE_AT_DEVICE, POWER_AT_DEVICE, SETTINGS_AT_DEVICE),
    ),
    Cause.TERMINATOR_MISSING: Advice(
        ("noise that always hits the same place", "a stub or a cable too long for the rate"),
        ("Fit a terminator (120 ohm for usual cable) at each physical end of the pair, none elsewhere.",),
        (OHMS, LOWER_RATE),
    ),
    Cause.NOISE: Advice(
        ("a loose joint", "bias missing, so that the idle line floats", "a missing terminator on a long, fast pair"),
        (
            "Keep the pair away from mains and lock cables; shield earthed at one end only.",
            "Fit suppression at locks and relays; check bias and the common wire.",
        ),
        (IDLE_AT_TAP, NOISE_HUNT, OHMS),
    ),
    Cause.BAUD_WRONG: Advice(
        ("another character format", "a protocol that benchtool does not know, at the right rate"),
        ("Set benchtool to the rate found, and listen again.",),
        (OTHER_RATES,),
    ),
    Cause.NONE_OF_THESE: Advice(
        ("more than one fault at a time", "a protocol or a character format that benchtool does not know"),
        ("Measure before touching anything; note what each reading is.",),
        (IDLE_AT_TAP, OTHER_RATES, SCOPE),
    ),
}
