"""What each cause is confused with and how to mend it, in words for a person on a ladder.

Figures come from the sheet: levels and unit loads 1.1 and 1.2, length 1.3, stubs 1.4, bias 1.7, meter 1.8, clocks 2,
Modbus wiring 3.4, OSDP timing 5.1. The order of work is common practice. docs/faults/ has a page for each cause.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchtool.diagnose import steps
from benchtool.diagnose.finding import Cause, Step
from benchtool.diagnose.readings import DOORS, EARTH, LIVE, SUPPLY, UNPOWERED, action_of
from benchtool.diagnose.steps import NOTHING_HEARD

__all__ = ["ADVICE", "AT_ITS_END", "NOTHING_HEARD", "UNHEARD", "Advice"]


_OFF = f"Caution: {UNPOWERED}"
_ON = f"Caution: {LIVE}"
_EARTH = f"Caution: {EARTH}"
_FED = f"Caution: {SUPPLY} {DOORS}"
_RATES = f"Caution: {action_of('lower-baud').caution}"


@dataclass(frozen=True, slots=True)
class Advice:
    """Words for one cause."""

    could_also_be: tuple[str, ...]
    """What looks alike; each reads on after "Could also be:"."""
    todo: tuple[str, ...]
    """How to mend it, in the order of work; whole sentences."""
    steps: tuple[Step, ...]
    """What to measure or try where nothing better can be worked out."""


ADVICE: dict[Cause, Advice] = {
    Cause.HEALTHY: Advice(
        ("a fault that did not show while we listened", "a missing terminator, where rate and length hide it"),
        ("Nothing needs mending. Prove the terminators with an ohmmeter before the covers go on.",),
        (steps.OHMS,),
    ),
    Cause.REVERSED_AT_TAP: Advice(
        ("the pair swapped between us and the rest of the bus, at a joint or in a plug",),
        (
            "Swap our clip's two leads.",
            "If the clip is right by the labels, trust the voltmeter, not the letters A and B.",
        ),
        (steps.SWAP_AT_TAP, steps.IDLE_AT_TAP),
    ),
    Cause.REVERSED_AT_DEVICE: Advice(
        ("the device unpowered, at another address or bit rate, or dead", "one wire open on the way to it"),
        (
            _ON,
            "If the voltmeter shows the opposite sign there, swap the two data wires at that device, and listen again.",
            "Correct the drawing and the labels.",
        ),
        (steps.IDLE_AT_DEVICE, steps.SWAP_AT_DEVICE, steps.POWER_AT_DEVICE),
    ),
    Cause.CONDUCTOR_OPEN: Advice(
        (
            "several devices without supply, or dead",
            "a device whose two wires are swapped",
            "a missing terminator: an ohmmeter reads 120 ohm for both, but only an open wire does so at both ends",
        ),
        (
            "Look first at the last device that answers and the first that does not: terminal screws, plugs, joints.",
            _OFF,
            "If nothing shows, with power off open the pair half way, and measure ohms in both directions; halve "
            "again until the break lies between two neighbours.",
            "Pull gently at each core: a core can be broken inside sound insulation. Remake the joint, or take a spare "
            "pair.",
        ),
        (steps.OHMS_AT_BOTH_ENDS, steps.IDLE_AT_DEVICE),
    ),
    Cause.PAIR_SHORTED: Advice(
        ("a bus on which nobody talks, or a clip that makes no contact", "a device whose input is burnt through"),
        (
            _OFF,
            "With power off, measure ohms between the data wires; take off the lead resistance (hold the probes "
            "together). What is left is the cable out and back to the short: 0.17 ohm a metre for AWG 24.",
            "Unplug one device after the other: if the reading rises, it was that one. If not, halve the cable.",
            "Look for a loose strand at a terminal, a crushed cable, a screw through it. Remake the end or the cable.",
        ),
        (steps.OHMS_AT_BOTH_ENDS, steps.CONTROLLER_ON),
    ),
    Cause.CONDUCTOR_TO_GROUND: Advice(
        (
            "the common wire of a device many volts off",
            "too many loads",
            "an input burnt by lightning or a wrong supply",
        ),
        (
            _OFF,
            "With power off, measure each data wire to the shield: 100 kilohm or more is sound. To the common wire a "
            "sound pair reads far less, a few hundred ohm to some kilohm through bias and devices, but the same on "
            "both wires.",
            "Unplug one device after the other, then halve the cable, until the reading rises.",
            "Look for a shield strand at a terminal, a staple or a nail, water in a box. Cut back, and remake it.",
        ),
        (steps.OHMS_TO_SHIELD, steps.SCOPE),
    ),
    Cause.TERMINATOR_MISSING_ONE: Advice(
        (
            "a stub or a cable too long for the rate",
            "a wire open between the ends",
            "noise that always hits the same place",
        ),
        (
            "Find the two physical ends of the pair: the cable, not the list of addresses, says which they are.",
            _OFF,
            "Fit a terminator (120 ohm for usual cable) at the end that has none, and none elsewhere.",
        ),
        (steps.OHMS, steps.LOWER_RATE),
    ),
    Cause.TERMINATOR_MISSING_BOTH: Advice(
        ("one terminator missing", "a stub or a cable too long for the rate"),
        (
            _OFF,
            "Find the two physical ends of the pair, and fit a terminator (120 ohm for usual cable) at each.",
            "Then check that the bias still holds the idle pair above +0.2 V: terminators pull it down.",
        ),
        (steps.OHMS, steps.LOWER_RATE),
    ),
    Cause.TERMINATOR_EXCESS: Advice(
        ("bias too weak for two terminators", "too many loads", "a partial short between the wires"),
        (
            _OFF,
            "Look at every device and converter for a terminator switch or jumper: often they come switched on.",
            "Leave on only the two at the physical ends. Ohms between the wires should rise to 52 to 70.",
        ),
        (steps.OHMS, steps.IDLE_AT_TAP),
    ),
    Cause.TERMINATOR_MISPLACED: Advice(
        ("one terminator missing (the ohmmeter tells: about 60 ohm here, 120 there)", "a stub too long for the rate"),
        (
            "Follow the cable to its physical end: what runs on beyond the terminator is an open stub.",
            _OFF,
            "Move the terminator to that end. A controller in mid-cable gets none.",
        ),
        (steps.OHMS, steps.LOWER_RATE),
    ),
    Cause.BIAS_MISSING: Advice(
        ("bias too weak", "noise on a sound pair", "a wire open on the way to the bias"),
        (
            "If all receivers have a built-in failsafe, 0 V when idle is by design: leave it.",
            _OFF,
            "Else fit bias at one place only, usually the controller: equal resistors, one from the wire positive when "
            "idle to +5 V, one from the other wire to common, 450 to 650 ohm each (often a switch or jumper).",
            "Measure again: the idle pair should be above +0.2 V everywhere.",
        ),
        (steps.IDLE_AT_TAP, steps.NOISE_HUNT),
    ),
    Cause.BIAS_WEAK: Advice(
        ("bias missing", "a terminator too many, which pulls the idle voltage down", "noise on a sound pair"),
        (
            "Count the terminators with an ohmmeter first: a third one lowers the idle voltage by a third.",
            _OFF,
            "Then lower both bias resistors equally: with 5 V and two terminators, 720 ohm each give just 0.2 V, "
            "560 ohm 0.25 V. Keep bias at one place.",
        ),
        (steps.IDLE_AT_TAP, steps.OHMS),
    ),
    Cause.STUB_TOO_LONG: Advice(
        ("a terminator missing or misplaced", "a pair too long for the rate"),
        (
            _OFF,
            "Run the pair through the device, in and out, so that no branch is left; or move the device to the pair.",
            _RATES,
            "If the branch must stay, lower the bit rate, or use devices with slower edges: a branch may be as long as "
            "a tenth of the way that an edge travels while it rises (0.6 m for 25 ns, 2.3 m for 100 ns).",
            "A branch gets no terminator of its own. Where a star cannot be avoided, use a repeater for each arm.",
        ),
        (steps.UNPLUG_DEVICE, steps.LOWER_RATE),
    ),
    Cause.BUS_OVERLOADED: Advice(
        ("terminators too many", "a weak or dying driver", "one wire leaking to ground"),
        (
            "Add up the unit loads from the data sheets: 32 at most, bias resistors count as about 4.",
            "Check that there are only two terminators, and bias at one place.",
            "Use devices of 1/8 unit load, or split the pair with a repeater.",
        ),
        (steps.OHMS, steps.SCOPE),
    ),
    Cause.LINE_TOO_LONG: Advice(
        ("a terminator missing", "thin or wrong cable", "too many loads"),
        (
            _RATES,
            "Lower the bit rate on every part of the bus: metres times bit/s should stay below 100 million, "
            "and the pair below 1200 m.",
            "If the rate must stay, put a repeater half way, or use thicker twisted pair of 120 ohm.",
        ),
        (steps.LOWER_RATE, steps.OHMS),
    ),
    Cause.GROUND_OFFSET: Advice(
        ("one wire touching ground", "a weak driver at that device", "noise coupled into a long pair"),
        (
            _EARTH,
            "Measure first between the two commons, DC and AC: tens of volts, or AC, point to an earth fault. Then "
            "stop, and let an electrician find it.",
            "Run a third wire beside the pair that joins the commons of all devices, earthed at one point only.",
            "Where buildings or earths differ, use an isolated repeater instead of joining them.",
        ),
        (steps.GROUND_VOLTS, steps.SCOPE),
    ),
    Cause.NOISE_BROADBAND: Advice(
        ("a loose joint", "bias missing, so that the idle line floats", "a missing terminator on a long, fast pair"),
        (
            "Keep the pair away from mains, lock and motor cables; cross them at right angles. Use twisted pair.",
            "Earth the shield at one end only, and check the common wire between the devices.",
            "Check bias: above +0.2 V on the idle pair.",
        ),
        (steps.IDLE_AT_TAP, steps.NOISE_HUNT, steps.OHMS),
    ),
    Cause.NOISE_IMPULSIVE: Advice(
        (
            "a loose joint that makes and breaks",
            "a device that restarts",
            "a second controller that polls now and then",
        ),
        (
            "Note the times of damage, and see what switches then: lock, relay, door motor, lift, lamp.",
            "Fit suppression at the coil itself: a diode for DC (cathode to +), a varistor or resistor and capacitor "
            "for AC. A diode makes a lock release more slowly: check that it still does what it must.",
            "Feed locks from a supply of their own, and run their cables apart from the pair.",
        ),
        (steps.NOISE_HUNT, steps.IDLE_AT_TAP),
    ),
    Cause.NOISE_MAINS: Advice(
        ("the common wire of a device off by AC volts", "other noise", "bias missing, so that the idle line hums"),
        (
            "See where the pair runs beside mains, dimmers, lamp ballasts or drives, and move it.",
            "Earth the shield at one end only: at both ends it carries mains current. Check the common wire.",
            _FED,
            "Swap the supply of a device for a battery for a minute: if the damage stops, it was the supply.",
        ),
        (steps.NOISE_HUNT, steps.GROUND_VOLTS),
    ),
    Cause.BAUD_WRONG: Advice(
        ("another character format", "a protocol that benchtool does not know, at the right rate"),
        ("Set benchtool to the rate found, and listen again.",),
        (steps.OTHER_RATES,),
    ),
    Cause.FORMAT_WRONG: Advice(
        ("a device's bit clock a few per cent off", "a bit rate a few per cent off", "noise"),
        (
            "Set benchtool to the format of the bus (--format 8N1, 8E1, 8O1 or 8N2), and listen again.",
            "If it is one device that differs, set its parity and stop bits like the others'.",
        ),
        (steps.OTHER_FORMATS, steps.OTHER_RATES),
    ),
    Cause.CLOCK_OFF: Advice(
        ("a weak signal from that device", "a stub or a long cable to it", "another character format there"),
        (
            _RATES,
            "If the bus runs faster than 9600, try a lower bit rate on all of it: a divider can hit 9600 within 0.2 % "
            "and miss 115200 by 3.5 %.",
            "If the device stays off by more than 2 %, replace it: its oscillator is wrong or drifts with temperature.",
        ),
        (steps.UNPLUG_DEVICE, steps.LOWER_RATE),
    ),
    Cause.ADDRESS_DUPLICATE: Advice(
        ("a driver held too long by the device before", "a second controller", "a weak signal from that device"),
        (
            "Unplug the device that should have the address: if the address still answers, there is a second one.",
            "Give the second one a free address. New devices often come set to address 0 or 1.",
        ),
        (steps.UNPLUG_AND_ASK, steps.SETTINGS_AT_DEVICE),
    ),
    Cause.TWO_CONTROLLERS: Advice(
        ("a service tool left on the bus", "two devices with one address", "impulsive noise"),
        (
            "Find the second one: a spare controller, a converter with its software running, a tool left clipped on.",
            "Leave one controller polling. A spare must stay silent until it takes over.",
        ),
        (steps.CONTROLLERS, steps.UNPLUG_DEVICE),
    ),
    Cause.DEVICE_SILENT: Advice(
        ("its two data wires reversed, or one of them open", "an address in the list with no device behind it"),
        (
            _FED,
            "Check the device's supply at its own terminals, then its address and bit rate, then its data wires.",
            "Only then swap the device.",
        ),
        (steps.IDLE_AT_DEVICE, steps.POWER_AT_DEVICE, steps.SETTINGS_AT_DEVICE),
    ),
    Cause.DEVICE_SLOW: Advice(
        (
            "a converter or gateway between us and it that adds the time",
            "a device that restarts, or is short of supply",
        ),
        (
            "An OSDP device must answer within 200 ms; a controller may give up earlier. Look in its settings for a "
            "reply delay, and set it to the least.",
            "Give the controller a longer time-out for it, if it can; else update or replace the device.",
        ),
        (steps.UNPLUG_DEVICE, steps.POWER_AT_DEVICE),
    ),
    Cause.DEVICE_RESETTING: Advice(
        ("a loose plug or joint at that device", "impulsive noise from its lock", "a device with a fault of its own"),
        (
            _FED,
            "Measure the supply at the device's own terminals while its lock, lamp or sounder is on: it must stay "
            "within its rating.",
            "Shorten or thicken its supply cable (22 AWG loses 2.6 V on 100 m at 250 mA), or feed the lock separately.",
            "Fit the diode or varistor at the lock's coil. If the supply stays up, replace the device.",
        ),
        (steps.POWER_AT_DEVICE, steps.LISTEN_LONGER),
    ),
    Cause.DRIVER_HELD_LATE: Advice(
        ("two devices with one address", "a reply that comes too soon after the request", "a weak or missing bias"),
        (
            "Set the turnaround or driver-release time of that device or converter to the least; better a converter "
            "that switches by itself.",
            "Give the others more time: a longer reply delay, a longer pause between polls. OSDP wants two characters.",
        ),
        (steps.UNPLUG_DEVICE, steps.SCOPE),
    ),
    Cause.SEQUENCE_FAULTS: Advice(
        ("two devices with one address", "a device that restarts", "a second controller"),
        (
            "The wires are sound: leave them alone.",
            "Restart the device, then the controller, so that both begin with sequence number 0.",
            "If it comes back, update both; show their makers the recording.",
        ),
        (steps.POWER_AT_DEVICE, steps.CONTROLLERS),
    ),
    Cause.NONE_OF_THESE: Advice(
        ("more than one fault at a time", "a protocol or a character format that benchtool does not know"),
        ("Measure before touching anything; note what each reading is.",),
        (steps.IDLE_AT_TAP, steps.OTHER_RATES, steps.SCOPE),
    ),
}

AT_ITS_END = (
    "Clip on at the controller's end and listen there: if these replies come damaged, mend the line; if they come "
    "sound, go on."
)
"""First to be done where the controller may not hear what we hear, instead of leaving the wires alone."""

UNHEARD: dict[str, str] = {
    "a fault that did not show while we listened": "a fault that these readings cannot show",
    "Nothing needs mending. Prove the terminators with an ohmmeter before the covers go on.": (
        "Nothing that was measured needs mending. Whether the devices talk, only listening tells."
    ),
    "Swap our clip's two leads.": "Swap the two leads of the probe or the clip, and measure again.",
    "If the voltmeter shows the opposite sign there, swap the two data wires at that device, and listen again.": (
        "If the voltmeter shows the opposite sign there, swap the two data wires at that device, and measure again."
    ),
    "Set benchtool to the rate found, and listen again.": (
        "Read the bit rate set at the controller and at the devices, and set those that differ like the others."
    ),
    "Set benchtool to the format of the bus (--format 8N1, 8E1, 8O1 or 8N2), and listen again.": (
        "Read the parity and stop bits set at the controller and at the devices."
    ),
    "a protocol that benchtool does not know, at the right rate": "the right rate, and something else wrong",
    "Note the times of damage, and see what switches then: lock, relay, door motor, lift, lamp.": (
        "See what switches when it fails: lock, relay, door motor, lift, lamp."
    ),
    "If it comes back, update both; show their makers the recording.": "If it comes back, update both.",
}
"""What to say instead where nothing was listened to."""
