"""Sentences of the screen in fewer words, for where the whole one does not fit: cautions, measurements, findings.

A short caution keeps what must not be touched and who must be warned; the whole one stands on the page that `w` opens.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from benchtool.diagnose.readings import DOORS, EARTH, LIVE, STOPPED, SUPPLY, UNPOWERED

MOST = 54
"""Columns of a short caution: with the sign before it and the key behind it that makes 60."""

_CAUTIONS = {
    f"{LIVE} {STOPPED}": "Signal terminals only, no mains. Doors may stop: warn.",
    f"{LIVE} Its door may not answer meanwhile: warn the users.": "Signal terminals only, no mains. Warn at its door.",
    LIVE: "Powered: touch signal terminals only, no mains parts.",
    UNPOWERED: "All power off: doors may unlock; warn, keep exits free",
    f"{SUPPLY} {DOORS}": "Live supply: probes only, no mains. Lock opens a door.",
    DOORS: "A released lock opens a door: keep escape routes free.",
    EARTH: "One hand, insulated probes. AC or tens of volts: stop.",
    "Use one hand and insulated probes. Do not join the two commons before you know why they differ.": (
        "One hand, insulated probes; do not join the commons."
    ),
    "Switching loads may release doors: keep escape routes clear, and people informed.": (
        "Switching may release doors: keep exits clear, warn."
    ),
    "While rates differ, doors may not answer: do it when the building is not in use.": (
        "Doors may not answer meanwhile: do it out of hours."
    ),
}

_STEPS = {
    "ab-ohms": "Power off: ohms between the data wires at the controller's end.",
    "ab-ohms-far": "Power off: ohms between the data wires at the far end.",
    "a-ground-ohms": "Power off: ohms from the wire on our + to the common, at the controller.",
    "b-ground-ohms": "Power off: ohms from the wire on our - to the common, at the controller.",
    "ab-idle": "Powered, polling stopped: DC volts, red on our + lead, black on our - lead.",
    "a-idle": "Polling stopped: DC volts, red on our + lead, black on the common wire.",
    "b-idle": "Polling stopped: DC volts, red on our - lead, black on the common wire.",
    "ab-idle@": "At address {at}, powered, polling stopped: DC volts, red on its A, black on its B.",
    "supply@": "At address {at} (12 or 24 V): its supply, card held or lock released.",
    "ground-volts@": "DC volts from the common at address {at} to the controller's common.",
}


def short_caution(caution: str) -> str:
    """The caution in at most `MOST` columns; as it is where no shorter one is known."""
    return _CAUTIONS.get(caution, caution)


def short_step(name: str, do: str) -> str:
    """What to measure in few words; as it is where no fewer are known. `name`: as readings are typed."""
    kind, mark, at = name.partition("@")
    short = _STEPS.get(kind + mark)
    return do if short is None else short.format(at=at)


_ENDS = re.compile(r"(?<=[.!?]) (?=[A-Z\"“])")


def by_sentences(text: str) -> Sequence[str]:
    """The text whole, then with one sentence less each, down to the first alone."""
    parts = _ENDS.split(text)
    return [" ".join(parts[:count]) for count in range(len(parts), 0, -1)]
