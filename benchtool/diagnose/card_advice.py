"""What each cause of wrong card reads is, what it is confused with, how to mend it: for a person on a ladder.

Figures: reference sheet 6.1 (pulses, pull-up, cable, ground shift), 6.6 (keys), 6.7 (faults). The order of work is
common practice. docs/card-faults.md has a section for each cause.
"""

from __future__ import annotations

from typing import NamedTuple

from benchtool.diagnose.card_finding import CardCause
from benchtool.diagnose.readings import DOORS, SUPPLY

OFF = (
    "Before any wire is moved, take power off reader and controller, and warn the users: a door may unlock or stay "
    "locked. Escape routes must stay open; follow local codes, and leave mains work to licensed people."
)
FED = f"Caution: {SUPPLY} {DOORS}"


class CardAdvice(NamedTuple):
    """Words for one cause."""

    summary: str
    """One sentence: what it is."""
    could_also_be: tuple[str, ...]
    """What looks alike; each reads on after "Could also be:"."""
    todo: tuple[str, ...]
    """How to mend it, in the order of work; whole sentences."""


_CABLE = (
    "Look first at the terminals and plugs at both ends, then at joints; pull gently at the core.",
    "If nothing shows, take a spare core of the same cable.",
)

CARD_ADVICE: dict[CardCause, CardAdvice] = {
    CardCause.HEALTHY: CardAdvice(
        "The lines carry what a sound reader sends.",
        ("a fault that did not show in these reads", "the controller set otherwise than was told"),
        ("Nothing needs mending at the lines. If the door stays shut, look at the card's rights in the controller.",),
    ),
    CardCause.LINES_SWAPPED: CardAdvice(
        "D0 and D1 are changed over somewhere between reader and controller: every bit arrives inverted.",
        ("a setting that inverts or reverses bits in a converter", "parity bits of the opposite sense"),
        (OFF, "Change D0 and D1 over at one end only, and correct the drawing.", "Read the same card again."),
    ),
    CardCause.BITS_REVERSED: CardAdvice(
        "The last bit comes first: by a setting of reader or converter, or by the tool that wrote the bits down.",
        ("D0 and D1 swapped: both fail parity; a printed number splits them",),
        ("Set the bit order of the reader or converter to most significant bit first.", "Read the same card again."),
    ),
    CardCause.D0_OPEN: CardAdvice(
        "No pulse comes on D0: only the ones of each card arrive.",
        ("D0 held low by a short: measure its volts", "a reader whose D0 output is burnt"),
        (OFF, *_CABLE, "If the core is whole from end to end, the reader's D0 output is dead: replace the reader."),
    ),
    CardCause.D1_OPEN: CardAdvice(
        "No pulse comes on D1: only the zeros of each card arrive.",
        ("D1 held low by a short: measure its volts", "a reader whose D1 output is burnt"),
        (OFF, *_CABLE, "If the core is whole from end to end, the reader's D1 output is dead: replace the reader."),
    ),
    CardCause.D0_STUCK_LOW: CardAdvice(
        "D0 is held near 0 V all the time: a short to 0 V, or an output or input burnt through.",
        ("D0 open: it rests high", "a reader with inverted polarity: then both lines rest low"),
        (
            OFF,
            "Take D0 off the reader: if its volts come back, the reader's output is burnt.",
            "If not, take it off the controller and measure ohms to 0 V at both ends: the cable, or the controller.",
            "Look for a loose strand, a crushed cable, damp in a joint.",
        ),
    ),
    CardCause.D1_STUCK_LOW: CardAdvice(
        "D1 is held near 0 V all the time: a short to 0 V, or an output or input burnt through.",
        ("D1 open: it rests high", "a reader with inverted polarity: then both lines rest low"),
        (
            OFF,
            "Take D1 off the reader: if its volts come back, the reader's output is burnt.",
            "If not, take it off the controller and measure ohms to 0 V at both ends: the cable, or the controller.",
            "Look for a loose strand, a crushed cable, damp in a joint.",
        ),
    ),
    CardCause.GROUND_MISSING: CardAdvice(
        "Reader and controller have no common 0 V: pulses have no way back, and nothing or hum arrives.",
        ("a reader without supply", "noise from a cable beside"),
        (
            OFF,
            "Join the reader's 0 V to the controller's 0 V, also where the reader has a supply of its own. Measure "
            "between them first: if there are tens of volts, or AC, do not join them, and call an electrician.",
        ),
    ),
    CardCause.GROUND_SHIFT: CardAdvice(
        "The supply current lifts the reader's 0 V so far that its low is no longer low at the controller "
        "(100 mA through 10 ohm is 1 V).",
        ("a reader that is off, where nothing arrives", "pulses that are too short, where some arrive"),
        (
            OFF,
            "Remake the 0 V terminals; take a second core, or a thicker one, for 0 V.",
            "Or feed the reader from a supply beside it, its 0 V joined to the controller's.",
            "Published for the cable: AWG 22 up to 61 m, AWG 20 up to 91 m, AWG 18 up to 153 m.",
        ),
    ),
    CardCause.PARITY_ONE_WRONG: CardAdvice(
        "One and the same parity bit is wrong on every card: the reader or converter forms it otherwise.",
        ("another layout of the same length", "one bad card: read others"),
        ("Look at the reader's parity setting.", "Compare with the number printed on the card, then set the format."),
    ),
    CardCause.PARITY_SENSE_WRONG: CardAdvice(
        "Both parity bits are sent in the opposite sense: even for odd, and odd for even.",
        ("D0 and D1 swapped: then the number is wrong too", "the bit order reversed"),
        ("Set the parity sense at the reader, or the format's parity at the controller.",),
    ),
    CardCause.LAYOUT_OTHER: CardAdvice(
        "The length is right, but the bits are laid out otherwise or carry no parity: it is another format.",
        ("damage, which changes from read to read of one card", "cards of two sorts"),
        (
            "Find the layout: benchtool formats infer, with several cards and the numbers printed on them.",
            "Set the controller to that format.",
        ),
    ),
    CardCause.LENGTH_OTHER: CardAdvice(
        "Frames are whole, but of another length than the controller is set to, or than any format known here.",
        ("bits lost or doubled: then lengths differ from read to read", "cards of two sorts, where some are right"),
        (
            "Set the controller to the format of these cards, or the reader to the controller's.",
            "A length that no format here has: benchtool formats infer finds its layout from several cards and the "
            "numbers printed on them; give the table it writes with --table.",
        ),
    ),
    CardCause.BITS_LOST: CardAdvice(
        "Single bits do not arrive: a loose terminal, a bad joint, or a receiver that misses pulses.",
        ("pulses that are too short for the receiver", "a reader that starts anew while reading"),
        (OFF, "Remake the terminals of D0, D1 and 0 V at both ends.", "Then read the same card ten times."),
    ),
    CardCause.BITS_DOUBLED: CardAdvice(
        "Single pulses are counted twice: a contact that bounces, ringing, or an input without hysteresis.",
        (
            "two readers on one pair",
            "noise from a cable beside",
            "sound reads here all the same: a bounce below 10 us within a pulse is joined to it here, and doubles the "
            "bit at a controller that counts falls",
        ),
        (
            OFF,
            "Remake terminals and plugs; keep D0 and D1 off cables of locks, motors and mains.",
            "If it stays, fit the 1 kOhm pull-up at the controller, and a shielded cable with its shield on one end.",
        ),
    ),
    CardCause.PULSES_SHORT: CardAdvice(
        "Pulses are shorter at the controller than the 20 us published: set so, or eaten by a long or thin cable with "
        "too much resistance.",
        ("bits lost at a loose terminal", "0 V lifted by the supply current"),
        (
            "Set a wider pulse at the reader, 50 to 100 us.",
            "Measure the loop of D0 and 0 V with power off: tens of ohms are too much; shorten the cable, or take a "
            "thicker one. " + OFF,
        ),
    ),
    CardCause.PULL_UP_WEAK: CardAdvice(
        "The lines rise too slowly: the pull-up is weak or missing, so pulses get long, and run together on a long "
        "cable.",
        ("a reader set to wide pulses, above the published 100 us: set it to 50 to 100 us",),
        (OFF, "Fit 1 kOhm from D0 to +5 V and from D1 to +5 V at the controller (as reader manuals show)."),
    ),
    CardCause.NOISE: CardAdvice(
        "Pulses come that no reader sent: noise on the cable, often on both lines at once.",
        ("no common 0 V", "a reader that starts anew"),
        (
            OFF,
            "Keep the cable off those of locks, motors and mains; shield on 0 V at one end; a diode across the lock.",
            "Use the 1 kOhm pull-up at the controller: a weak one lets noise in.",
        ),
    ),
    CardCause.TWO_READERS: CardAdvice(
        "Two readers are on one pair: now and then both send at once.",
        ("pulses counted twice", "a second frame soon after the first"),
        (OFF, "Give each reader its own input, or a module that joins two readers."),
    ),
    CardCause.KEYPAD_BURSTS: CardAdvice(
        "These are keys of a keypad, 4, 6 or 8 bits each, not cards.",
        ("a card cut short: then the bits are no keys",),
        ("Set the controller's input to a keypad with that many bits a key, or the reader to send the PIN at once.",),
    ),
    CardCause.CLOCK_AND_DATA: CardAdvice(
        "The reader sends clock and data: one line beats evenly, the other carries bits while it does.",
        ("a serial output",),
        ("Set the reader to data lines (D0 and D1), or the controller's input to clock and data.",),
    ),
    CardCause.SERIAL_OUTPUT: CardAdvice(
        "The reader's wires carry a serial output (such as RS-485 or characters on one line), not D0 and D1; a device "
        "that speaks only when it is polled stays silent here.",
        ("a reader that is off, where nothing comes", "clock and data"),
        (
            "Set the reader to data lines, or wire it to a serial input.",
            "Listen on it as on a bus: benchtool listen, then benchtool find-settings.",
        ),
    ),
    CardCause.POLARITY_INVERTED: CardAdvice(
        "Both lines rest low and go high for a bit: the reader's outputs are inverted.",
        ("both lines short to 0 V: then no pulse comes",),
        ("Set the reader's output polarity to normal (idle high), or take an inverting stage out.",),
    ),
    CardCause.BROWN_OUT: CardAdvice(
        "The reader's supply gives way while it reads, and it starts anew in the middle of a frame.",
        ("bits lost at a loose terminal", "noise"),
        (
            FED,
            "Measure the supply at the reader while it reads and the lock is released; it must stay within the "
            "reader's limits.",
            "Take a thicker cable or a supply of its own for reader and lock. Supply mains is for licensed people.",
        ),
    ),
    CardCause.READER_SILENT: CardAdvice(
        "The lines rest as they should, and nothing comes: the reader is off, dead, or does not see the card.",
        ("no common 0 V", "both data wires open", "a device that speaks only when it is polled"),
        (
            FED,
            "Does its lamp light and does it beep with a card? If not, measure its supply at its own terminals.",
            "Try a card of the right technology; then another reader in its place.",
        ),
    ),
    CardCause.NONE_OF_THESE: CardAdvice(
        "What was seen fits none of the causes in the list.",
        ("two faults at once: one cause at a time is weighed here",),
        (
            "Measure again what does not fit the reads: another terminal or range is a common slip.",
            "Mend what is surely wrong first, and read again.",
            "Record the lines, and look at the pulses.",
        ),
    ),
}
