"""One sentence for each cause: what it is, and where."""

from __future__ import annotations

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.observed import Observed

SUMMARIES: dict[Cause, str] = {
    Cause.HEALTHY: "Nothing wrong was found: devices answer, and no damage was seen.",
    Cause.REVERSED_AT_TAP: "The two data wires are swapped between the bus and our adapter: our own clip, most likely.",
    Cause.REVERSED_AT_DEVICE: "The two data wires are swapped at {place}.",
    Cause.CONDUCTOR_OPEN: "One data wire, or both, is open: {place}.",
    Cause.PAIR_SHORTED: "The two data wires touch, or something between them is shorted.",
    Cause.CONDUCTOR_TO_GROUND: "One data wire touches the common wire, the shield or earth.",
    Cause.TERMINATOR_MISSING_ONE: "One of the two terminators is missing.",
    Cause.TERMINATOR_MISSING_BOTH: "Both terminators are missing.",
    Cause.TERMINATOR_EXCESS: "There are three terminators or more.",
    Cause.TERMINATOR_MISPLACED: "A terminator sits somewhere along the pair instead of at its end.",
    Cause.BIAS_MISSING: "No bias holds the idle pair: between transmissions it floats.",
    Cause.BIAS_WEAK: "The bias is too weak for the terminators and devices on the pair.",
    Cause.STUB_TOO_LONG: "A branch off the pair is too long for this rate and these drivers.",
    Cause.BUS_OVERLOADED: "More loads hang on the pair than a driver can feed.",
    Cause.LINE_TOO_LONG: "The pair is too long for this bit rate.",
    Cause.GROUND_OFFSET: "The common wire of {place} lies many volts off that of the others.",
    Cause.NOISE_BROADBAND: "Noise between the wires damages octets at random.",
    Cause.NOISE_IMPULSIVE: "Bursts of noise damage octets now and then, as switched coils and contacts make them.",
    Cause.NOISE_MAINS: "Noise locked to the mains damages octets, 100 or 120 times a second.",
    Cause.BAUD_WRONG: "The bus does not run at {baud} bit/s.",
    Cause.FORMAT_WRONG: "The bus runs with another character format than {format} (parity or stop bits).",
    Cause.CLOCK_OFF: "The bit clock of {place} is a few per cent off.",
    Cause.ADDRESS_DUPLICATE: "Two devices answer at {place}.",
    Cause.TWO_CONTROLLERS: "Two controllers poll the same pair.",
    Cause.DEVICE_SILENT: "The device at {place} does not answer.",
    Cause.DEVICE_SLOW: "The device at {place} answers too late.",
    Cause.DEVICE_RESETTING: "The device at {place} restarts again and again, as if its supply dropped under load.",
    Cause.DRIVER_HELD_LATE: "The driver of {place} holds the pair too long and collides with the next talker.",
    Cause.SEQUENCE_FAULTS: "Wires are sound, but {place} and the controller disagree on sequence numbers or state.",
    Cause.NONE_OF_THESE: "What was found fits none of the causes that benchtool knows.",
}


_UNHEARD: dict[Cause, str] = {
    Cause.HEALTHY: "Nothing wrong was found in what was measured; nothing was listened to.",
    Cause.REVERSED_AT_TAP: "The two data wires are swapped where it was measured: the leads or the clip, most likely.",
    Cause.NOISE_BROADBAND: "Noise between the wires, enough to damage octets at random.",
    Cause.NOISE_IMPULSIVE: "Bursts of noise between the wires now and then, as switched coils and contacts make them.",
    Cause.NOISE_MAINS: "Noise between the wires that is locked to the mains.",
    Cause.BAUD_WRONG: "A device, or the controller, is set to another bit rate than the others.",
    Cause.FORMAT_WRONG: "A device, or the controller, is set to another character format (parity or stop bits).",
    Cause.SEQUENCE_FAULTS: "A device and the controller disagree on sequence numbers or state; no reading shows it.",
}
"""The same where nothing was listened to."""


_MOST_QUIET = 5


def summary(cause: Cause, place: str, observed: Observed) -> str:
    """The sentence with its place filled in."""
    if cause is Cause.NONE_OF_THESE and observed.symptoms is not None and observed.octets == 0:
        return "Nothing at all was heard: no octet came."
    if cause is Cause.NONE_OF_THESE and observed.looks_like:
        return f"No frame of the protocols looked for, but the traffic {observed.looks_like}."
    if observed.symptoms is None and cause in _UNHEARD:
        return _UNHEARD[cause]
    quiet = [str(one.address) for one in observed.addresses if one.silent and not one.answered]
    if cause is Cause.HEALTHY and quiet:
        word = "address" if len(quiet) == 1 else "addresses"
        some = ", ".join(quiet[:_MOST_QUIET]) + (", …" if len(quiet) > _MOST_QUIET else "")
        return f"No damage was seen, but nothing came from {word} {some} yet: listen longer."
    if cause is Cause.BAUD_WRONG and observed.sender_baud is not None:
        return f"The bus runs at {observed.sender_baud} bit/s; our receiver is set to {observed.baud}."
    if cause is Cause.FORMAT_WRONG and observed.sender_format:
        return f"The bus runs in {observed.sender_format}; our receiver is set to {observed.format}."
    if cause is Cause.SEQUENCE_FAULTS and unheard(observed):
        who = place if place.startswith("address") else "a device"
        return f"The controller goes on as if it had not heard {who}: they disagree, or replies do not reach it whole."
    if place.startswith(("address", "segment")):
        where = place
    else:
        where = "somewhere on the pair" if cause is Cause.CONDUCTOR_OPEN else "one address"
        if observed.symptoms is None and cause is not Cause.CONDUCTOR_OPEN:
            return _of_some_device(SUMMARIES[cause])
    return SUMMARIES[cause].format(place=where, baud=observed.baud, format=observed.format)


def unheard(observed: Observed) -> bool:
    """Whether the controller asked again although we heard the reply: then the wires need not be sound at its end."""
    return any(one.heard and one.cause is Cause.SEQUENCE_FAULTS and one.log < 0 for one in observed.leans)


def _of_some_device(sentence: str) -> str:
    """A sentence of a device of which no address is known."""
    for words, instead in _SOME:
        sentence = sentence.replace(words, instead)
    return sentence.format(place="one of the devices")


_SOME = (
    ("The device at {place}", "One of the devices"),
    ("Two devices answer at {place}", "Two devices have one address"),
)
