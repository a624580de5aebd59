"""All that can be seen, heard or looked up, with likelihoods: judgements of this project, common practice."""

from __future__ import annotations

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.readings import DOORS, LIVE, SUPPLY, Seen
from benchtool.diagnose.sights import Sight

_ONE_DEVICE = (
    Cause.DEVICE_SILENT,
    Cause.REVERSED_AT_DEVICE,
    Cause.ADDRESS_DUPLICATE,
    Cause.CLOCK_OFF,
    Cause.GROUND_OFFSET,
    Cause.STUB_TOO_LONG,
)
_NOISES = (Cause.NOISE_BROADBAND, Cause.NOISE_IMPULSIVE, Cause.NOISE_MAINS)
_OURS = (Cause.REVERSED_AT_TAP, Cause.BAUD_WRONG, Cause.FORMAT_WRONG)
_FITTED = (
    Cause.TERMINATOR_MISSING_ONE,
    Cause.TERMINATOR_MISSING_BOTH,
    Cause.TERMINATOR_EXCESS,
    Cause.TERMINATOR_MISPLACED,
)
_OPEN_BOX = f"{LIVE} Open no enclosure with mains in it."

SIGHTS: tuple[Sight, ...] = (
    Sight(
        "who-is-dead",
        "Who does not work?",
        "Ask the users, or look at the controller's own list: each reader is shown on-line or off-line there.",
        (
            ("one", "one reader or device, all others work"),
            ("several", "several, others work"),
            ("all", "all of them"),
            ("at-times", "it comes and goes"),
            ("none", "all work; it is the line that is in doubt"),
        ),
        (0.1, 0.2, 0.1, 0.4, 0.2),
        {
            Cause.HEALTHY: (0.15, 0.05, 0.05, 0.15, 0.6),
            **dict.fromkeys(_ONE_DEVICE, (0.65, 0.1, 0.02, 0.18, 0.05)),
            **dict.fromkeys(_OURS, (0.3, 0.15, 0.1, 0.2, 0.25)),
            **dict.fromkeys(_NOISES, (0.1, 0.15, 0.05, 0.6, 0.1)),
            Cause.DEVICE_RESETTING: (0.3, 0.05, 0.02, 0.58, 0.05),
            Cause.DEVICE_SLOW: (0.4, 0.05, 0.02, 0.43, 0.1),
            Cause.CONDUCTOR_OPEN: (0.35, 0.4, 0.2, 0.05, 0.0),
            Cause.PAIR_SHORTED: (0.05, 0.15, 0.78, 0.02, 0.0),
            Cause.CONDUCTOR_TO_GROUND: (0.1, 0.25, 0.35, 0.2, 0.1),
            Cause.TWO_CONTROLLERS: (0.05, 0.2, 0.3, 0.4, 0.05),
            Cause.DRIVER_HELD_LATE: (0.15, 0.25, 0.25, 0.3, 0.05),
            Cause.NONE_OF_THESE: (0.2, 0.15, 0.4, 0.2, 0.05),
        },
        0.5,
        heard_too=True,
    ),
    Sight(
        "reader@",
        "What does the reader at {place} do when a card is held to it?",
        "Look at its light, then hold any card to it and listen. A reader with power mostly beeps by itself, even "
        "where its bus is dead; some wait for the controller.",
        (
            ("dark", "no light, no beep: it looks dead"),
            ("mute", "its light is on, no beep"),
            ("beeps", "its light is on, and it beeps"),
            ("restarts", "it goes dark or starts anew by itself"),
        ),
        (0.03, 0.32, 0.62, 0.03),
        {
            Cause.DEVICE_SILENT: (0.45, 0.25, 0.25, 0.05),
            Cause.DEVICE_RESETTING: (0.08, 0.12, 0.25, 0.55),
        },
        0.5,
        DOORS,
    ),
    Sight(
        "controller",
        "What do the lamps of the controller's bus port do?",
        "Most controllers have one lamp for what they send and one for what comes, or one for both; its own screen can "
        "tell too.",
        (
            ("both", "both blink: it asks, and is answered"),
            ("asks", "it asks only; hardly anything comes back"),
            ("dark", "dark: it is off, or has no devices listed"),
        ),
        (0.72, 0.25, 0.03),
        {
            Cause.HEALTHY: (0.95, 0.02, 0.03),
            Cause.PAIR_SHORTED: (0.05, 0.9, 0.05),
            Cause.NONE_OF_THESE: (0.3, 0.2, 0.5),
        },
        1.0,
        heard_too=True,
    ),
    Sight(
        "controller-power",
        "Has the controller light and supply?",
        "Look at its lights and its screen; where it is dark, measure DC volts at its own supply terminals.",
        (
            ("lit", "its lights are on, and it has its supply"),
            ("dark", "no light at all, or no supply at its terminals"),
        ),
        (0.98, 0.02),
        {Cause.NONE_OF_THESE: (0.5, 0.5)},
        0.5,
        f"{SUPPLY} Open no enclosure with mains in it.",
        heard_too=True,
    ),
    Sight(
        "changed",
        "What was done just before it began?",
        "Ask the users, and whoever worked there last.",
        (
            ("nothing", "nothing that anybody knows of"),
            ("cable", "wires were touched: a repair, building work"),
            ("device", "a device was added, moved or replaced"),
            ("settings", "addresses, rates or the controller were set anew"),
        ),
        (0.6, 0.18, 0.14, 0.08),
        {
            **dict.fromkeys(
                (Cause.CONDUCTOR_OPEN, Cause.PAIR_SHORTED, Cause.CONDUCTOR_TO_GROUND), (0.38, 0.5, 0.1, 0.02)
            ),
            **dict.fromkeys((*_FITTED, Cause.BIAS_MISSING, Cause.STUB_TOO_LONG), (0.35, 0.3, 0.32, 0.03)),
            **dict.fromkeys((Cause.DEVICE_RESETTING, Cause.DEVICE_SILENT), (0.68, 0.1, 0.14, 0.08)),
            Cause.REVERSED_AT_DEVICE: (0.15, 0.3, 0.5, 0.05),
            Cause.ADDRESS_DUPLICATE: (0.1, 0.05, 0.6, 0.25),
            Cause.BUS_OVERLOADED: (0.2, 0.1, 0.65, 0.05),
            Cause.TWO_CONTROLLERS: (0.25, 0.1, 0.35, 0.3),
            Cause.DEVICE_SLOW: (0.4, 0.05, 0.3, 0.25),
        },
        1.0,
    ),
    Sight(
        "when",
        "When is it worst?",
        "Ask the users. Stand there while a lock releases, a lamp or a motor starts.",
        (
            ("always", "always the same"),
            ("chance", "now and then, nobody knows when"),
            ("loads", "when a lock, lamp or motor switches"),
        ),
        (0.6, 0.35, 0.05),
        {
            Cause.DEVICE_RESETTING: (0.1, 0.4, 0.5),
            Cause.NOISE_IMPULSIVE: (0.1, 0.45, 0.45),
            Cause.NOISE_BROADBAND: (0.45, 0.35, 0.2),
            Cause.NOISE_MAINS: (0.5, 0.25, 0.25),
        },
        1.0,
    ),
    Sight(
        "rate-set",
        "How is the bus set, against what we listen with?",
        "Read rate and character format off the controller's settings or the site's list, and compare with --baud and "
        "--format.",
        (
            ("same", "the same as we listen with"),
            ("rate", "another rate"),
            ("format", "the same rate, another format"),
        ),
        (0.96, 0.02, 0.02),
        {Cause.BAUD_WRONG: (0.1, 0.88, 0.02), Cause.FORMAT_WRONG: (0.12, 0.02, 0.86)},
        3.0,
    ),
    Sight(
        "settings@",
        "How is {place} set, against the site's list?",
        "Read address and rate off the device: its switches, its label, or its configuration.",
        (
            ("listed", "as the list says"),
            ("address", "to another address than the list's"),
            ("twice", "as the list says, but another device has that address too"),
            ("rate", "to another rate or format"),
        ),
        (0.96, 0.01, 0.01, 0.02),
        {Cause.ADDRESS_DUPLICATE: (0.3, 0.01, 0.67, 0.02), Cause.DEVICE_SILENT: (0.75, 0.14, 0.01, 0.1)},
        4.0,
    ),
    Sight(
        "still-answers@",
        "Unplug the bus from {place}, and listen: does that address still answer?",
        "Listen again for 20 seconds while it is unplugged (benchtool listen in a second window), then plug it in "
        "again.",
        (("yes", "yes, it still answers"), ("no", "no, it is silent now")),
        (0.01, 0.99),
        {Cause.ADDRESS_DUPLICATE: (0.9, 0.1)},
        6.0,
        f"{LIVE} Its door may not answer meanwhile: warn the users.",
    ),
    Sight(
        "controllers",
        "How many controllers, converters and service tools are on this pair?",
        "Follow the pair through its enclosures, and ask who else works on it.",
        (("one", "one"), ("more", "two or more")),
        (0.94, 0.06),
        {Cause.TWO_CONTROLLERS: (0.12, 0.88)},
        5.0,
        _OPEN_BOX,
    ),
    Sight(
        "terminators",
        "Where are terminators fitted (resistors, switches, jumpers)?",
        "Look at both ends of the pair first, then at every device: a 120 ohm resistor in the terminals, or a switch "
        "marked so.",
        (
            ("ends", "one at each end, no more"),
            ("one", "at one end only"),
            ("none", "nowhere"),
            ("more", "more than two"),
            ("elsewhere", "two, but not both at the ends"),
        ),
        (0.86, 0.04, 0.03, 0.04, 0.03),
        {
            Cause.TERMINATOR_MISSING_ONE: (0.1, 0.8, 0.04, 0.03, 0.03),
            Cause.TERMINATOR_MISSING_BOTH: (0.06, 0.06, 0.83, 0.02, 0.03),
            Cause.TERMINATOR_EXCESS: (0.1, 0.02, 0.02, 0.82, 0.04),
            Cause.TERMINATOR_MISPLACED: (0.12, 0.04, 0.02, 0.05, 0.77),
        },
        8.0,
        _OPEN_BOX,
    ),
    Sight(
        "end-boxes",
        "Open the last box at each end of the pair: is a terminator in it?",
        "The last box is the one that the pair enters and does not leave. Follow the cable to be sure that nothing "
        "comes after it: what looks like the end often is not.",
        (("both", "yes, at both ends"), ("one", "at one end only"), ("neither", "at neither end")),
        (0.93, 0.05, 0.02),
        {
            Cause.TERMINATOR_MISSING_ONE: (0.06, 0.9, 0.04),
            Cause.TERMINATOR_MISSING_BOTH: (0.03, 0.07, 0.9),
            Cause.TERMINATOR_MISPLACED: (0.06, 0.88, 0.06),
        },
        6.0,
        _OPEN_BOX,
    ),
    Sight(
        "branches",
        "How are the devices joined to the pair?",
        "Follow the cables: the pair goes in and out at each device's terminals, or a branch leads to it.",
        (
            ("chain", "the pair goes in and out at each"),
            ("short", "some by a branch of up to 3 m"),
            ("long", "one or more by a branch of up to 20 m, or in a star"),
            ("far", "one or more by a branch of over 20 m"),
        ),
        (0.75, 0.2, 0.04, 0.01),
        {Cause.STUB_TOO_LONG: (0.05, 0.1, 0.25, 0.6)},
        8.0,
        _OPEN_BOX,
    ),
    Sight(
        "how-many",
        "How many devices are on the pair?",
        "Count them, or read the site's list. An old receiver is one unit load each, a new one an eighth.",
        (("few", "up to 32"), ("many", "more than 32, or old ones besides other loads")),
        (0.96, 0.04),
        {Cause.BUS_OVERLOADED: (0.25, 0.75)},
        4.0,
    ),
    Sight(
        "quiet",
        "Does the damage stop while one suspect after the other is off: lock, lift, lamp, motor, power supply?",
        "Listen for a minute with each off. What feeds on mains is switched by those who may.",
        (("stops", "yes, with one of them"), ("stays", "no")),
        (0.03, 0.97),
        {
            Cause.NOISE_IMPULSIVE: (0.6, 0.4),
            Cause.NOISE_MAINS: (0.6, 0.4),
            Cause.NOISE_BROADBAND: (0.45, 0.55),
            Cause.DEVICE_RESETTING: (0.3, 0.7),
        },
        15.0,
        "Switching loads may release doors: keep escape routes clear, and people informed.",
    ),
)
"""In the order of docs/hunt.md."""

_SIGHTS = {sight.name: sight for sight in SIGHTS}


def sight_of(name: str) -> Sight:
    """The sight by name; KeyError if there is none."""
    return _SIGHTS[name]


def seen_words(one: Seen) -> str:
    """What was seen, for people."""
    return f"{one.name}: {sight_of(one.sight).says(one.answer)}"
