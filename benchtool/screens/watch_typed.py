"""What is typed at the live screen: the words that are known, what to type, and what a line means. No terminal here."""

from __future__ import annotations

import re
from functools import reduce

from benchtool.capture.rates import DEVICE_RATES
from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.diagnose.readings import ACTIONS, METER, MOST_OHM, ByHand, Reading, kind_of, parse_reading, parse_tried
from benchtool.reports.hunt_ask import unrepeated
from benchtool.screens.watch_diagnosis import Found
from benchtool.screens.watch_look import Ask
from benchtool.simulate.faults import FAULTS
from benchtool.simulate.osdp_actions import usage

_VERBS = tuple(line.split()[0] for line in usage(controller=False))
DEEDS = (*_VERBS, "fault")
"""What can be done on a simulated bus."""
_ACTIONS = tuple(f"{action.name}ADDRESS" if action.name.endswith("@") else action.name for action in ACTIONS)


def words(ask: Ask | None) -> list[str]:
    """Words that can be filled in."""
    if ask is Ask.DO:  # a blank where more is wanted
        return [*(f"{verb} " for verb in DEEDS), *FAULTS]
    if ask is Ask.MEASURED:
        names = (*(kind.name for kind in METER), *(action.name for action in ACTIONS))
        return [*(name if name.endswith("@") else f"{name} " for name in names), "better", "same"]
    return ["errors", "events"] if ask is Ask.FILTER else []


def hint(ask: Ask | None, found: Found | None, settings: LineSettings) -> str:
    """What can be typed; what is worth most now where that is known."""
    if ask is Ask.MEASURED:
        steps = [] if found is None else [step.name for step in found.diagnosis.next if step.name]
        if steps:
            return (
                f"Most worth now: {', '.join(steps)}; of an action type better or same. w tells how; -ab-ohms takes a "
                "reading back."
            )
        return "benchtool diagnose --readings lists all that can be given; -ab-ohms takes a reading back."
    if ask is Ask.DO:
        return f"{', '.join(_VERBS)} (after @ADDRESS), or fault and one of: {', '.join(FAULTS)}"
    if ask is Ask.FILTER:
        return "errors, events, addresses (5 or 3,4), words of the line (poll); several narrow it; nothing: all"
    if ask is Ask.LINE:
        return f"Now {settings}. Usual rates: {', '.join(map(str, sorted(DEVICE_RATES)))}"
    return ""


def result(text: str) -> ByHand:
    """`ab-ohms 61`, `ab-ohms=61`, `swap-clip better`; ValueError with the mend."""
    name, _, value = text.replace("=", " ", 1).partition(" ")
    line = f"{name}={value.strip()}"
    kind = _NAME.sub("", name.lower())
    if value.strip().lower() in ("better", "same"):
        return ByHand(tried=(parse_tried(line),))
    if any(action.name.rstrip("@") == kind for action in ACTIONS):
        raise ValueError(f"{name}: what did it bring? {name} better, or {name} same")
    if not any(one.name.rstrip("@") == kind for one in METER):
        readings = ", ".join(f"{one.name}ADDRESS" if one.name.endswith("@") else one.name for one in METER)
        raise ValueError(f"no such reading; there are {readings}; or, with better or same: {', '.join(_ACTIONS)}")
    return ByHand(readings=(parse_reading(line),))


_NAME = re.compile(r"@.*")


def reading_words(reading: Reading) -> str:
    """A reading as a meter shows it: `ab-ohms 61 kohm`."""
    unit = kind_of(reading.kind).unit
    if unit != "ohm" or not 1_000 <= reading.value < MOST_OHM:
        return reading.text()
    size, factor = ("Mohm", 1e6) if reading.value >= 1e6 else ("kohm", 1e3)
    return f"{reading.name} {reading.value / factor:.4g} {size}"


def not_a_deed(text: str) -> str:
    """Why what was typed is nothing that can be done, in the words of the hint; empty where it may be."""
    said = [word for word in text.lower().split() if not word.startswith("@")]
    return "" if said[:1] and said[0] in DEEDS else f"no such thing to do; there are {', '.join(DEEDS)}"


def withdrawn(text: str) -> str:
    """The name of the reading or action that `-ab-idle@5` or `ab-idle@5 -` takes back; empty where none is."""
    text = text.strip().lower()
    if text[:1] == "-":
        return text[1:].strip()
    name, _, rest = text.replace("=", " ", 1).partition(" ")
    return name if rest.strip() == "-" else ""


def without_secrets(told: str, ask: Ask | None, text: str) -> str:
    """What is said of a typed line, without what in it may be a card, a key or a PIN; a file's name is none."""
    if not told or (ask is Ask.RECORD and re.search(r"[./\\]", text)):
        return told
    text = re.sub(r"\b[0-9]{2}-bit\b", "", text)  # the name of a format
    pieces = re.findall(r"[0-9A-Za-z]+", text)
    return reduce(unrepeated, (piece for piece in pieces if not piece.isalpha()), unrepeated(told, text))


def line(text: str) -> tuple[int | None, CharFormat | None]:
    """`19200`, `9600 8E1`, `8E1`: rate and format, None where nothing is said; ValueError with the mend."""
    baud, char_format = None, None
    for word in text.replace(",", " ").split():
        if word.isascii() and word.isdigit():
            baud = int(word[:10])
            if not 50 <= baud <= 20_000_000:
                raise ValueError(f"{word}: a bit rate is 50 to 20 000 000 bit/s.")
        else:
            char_format = CharFormat.parse(word)
    return baud, char_format
