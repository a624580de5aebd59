"""Things to measure or try that belong to a cause, where nothing better can be worked out: readings and what they mean.

Readings come from the sheet's sections 1.1, 1.4, 1.7 and 1.8 (idle above +200 mV, two terminators 52 to 70 ohm, 100
kilohm to the shield); the order of work is common practice.
"""

from __future__ import annotations

from benchtool.diagnose.finding import Step
from benchtool.diagnose.readings import DOORS, LIVE, UNPOWERED

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
    DOORS,
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
UNPLUG_DEVICE = Step(
    "Unplug the bus from that device, and listen again for 20 seconds.",
    ("the rest is well now: that device or its cable spoils the bus", "no change: plug it in again"),
    LIVE,
)
UNPLUG_AND_ASK = Step(
    "Unplug the device that is meant to have that address, and listen again for 20 seconds.",
    (
        "the address still answers: a second device has the same address, find and renumber it",
        "the address is silent now: only one device has it; look at its wires and supply",
    ),
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
OHMS_AT_BOTH_ENDS = Step(
    "With power off, measure ohms between the two data wires at one end of the pair, then at the other.",
    (
        "52 to 70 ohm at both: the pair is whole",
        "about 120 ohm at both: a wire is open between them; each end sees only its own terminator",
        "a few ohms: the two wires touch; 0.17 ohm is one metre of AWG 24 (out and back)",
    ),
    UNPOWERED,
)
OHMS_TO_SHIELD = Step(
    "With power off, measure ohms from each data wire to the common wire and to the shield.",
    (
        "100 kilohm or more on both wires: nothing touches",
        "much less on one wire: that wire touches the shield, the common wire or earth, or an input is burnt",
    ),
    UNPOWERED,
)
GROUND_VOLTS = Step(
    "Measure volts, DC and then AC, between the common wire at that device and the common wire at the controller.",
    (
        "below 1 V: the grounds are together",
        "more than about 7 V: beyond what a receiver must bear (-7 to +12 V)",
        "tens of volts, or AC: an earth fault is possible; touch nothing more and call an electrician",
    ),
    "Use one hand and insulated probes. Do not join the two commons before you know why they differ.",
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
OTHER_FORMATS = Step(
    "Listen with the other usual character formats: --format 8N1, 8E1, 8O1, 8N2.",
    ("framing and parity errors stop: that is the format of the bus", "they stay: the rate, or the line itself"),
)
LISTEN_LONGER = Step(
    "Listen for ten minutes (--for 10m) while the doors are used.",
    (
        "the same address drops out, most often when a lock or lamp switches: its supply",
        "nothing drops out: it happened once; leave a recording running",
    ),
)
SCOPE = Step(
    "Look at the pair with an oscilloscope, both wires against the common wire.",
    (
        "clean square bits of at least 1.5 V between the wires: the drivers are right, look at rate and protocol",
        "rounded, ringing or small bits: look at cable, terminators and loads",
    ),
    LIVE,
)
AT_CONTROLLER = Step(
    "Clip on at the controller's end of the pair, and listen there as well.",
    (
        "the replies come damaged there: the line between spoils them",
        "they come sound there, too: the controller does not take them; look at its settings and numbers",
    ),
    LIVE,
)
CONTROLLERS = Step(
    "Count the controllers, converters and service tools that are clipped or wired to this pair.",
    (
        "one: the requests come from it alone; look at its configuration for a second polling task",
        "two or more: leave only one polling",
    ),
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
