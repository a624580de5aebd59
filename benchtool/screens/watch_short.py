"""Sentences of the screen in fewer words, for where the whole one does not fit: cautions, measurements, findings.

A short caution keeps what must not be touched and who must be warned; the whole one stands on the page that `w` opens.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from benchtool.diagnose.readings import DOORS, EARTH, LIVE, STOPPED, SUPPLY, UNPOWERED
from benchtool.screens.watch_words import rows_of

MOST = 54
"""Columns of a short caution: with the sign before it and the key behind it that makes 60."""

_CAUTIONS = {
    f"{LIVE} {STOPPED}": "Touch no mains. Doors may stop answering: warn people.",
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


def by_sentences(text: str) -> list[str]:
    """The text whole, then with one sentence less each, down to the first alone."""
    parts = _ENDS.split(text)
    return [" ".join(parts[:count]) for count in range(len(parts), 0, -1)]


class Sentences(NamedTuple):
    """What a snapshot says in whole sentences, from the top; named as there."""

    state: str
    finding: str
    finding_short: str
    do_head: str
    do: str
    do_name: str
    caution: str


def finding_forms(shot: Sentences, whole: str) -> list[str]:
    """The finding, longest form first; `whole` stands behind what is not."""
    longest, *others = by_sentences(shot.finding)
    return [longest, *(text + whole for text in others), shot.finding_short]


def step_forms(shot: Sentences, whole: str, *, cautioned: bool) -> list[str]:
    """The next measurement; `cautioned`: whether its caution has a row of its own."""
    if not shot.do:
        return ["Next: nothing to measure yet."]
    name = f" [{shot.do_name}]" if shot.do_name else ""
    if shot.caution and not cautioned:
        name += " (caution: w)"
    longest, short = (
        # Written for a command line; here the rate is set with a key.
        f"{shot.do_head}{name}: {do}".replace("--baud ", "b and then ")
        for do in (shot.do, short_step(shot.do_name, shot.do))
    )
    return [longest] if longest == short else [longest, short + whole, short]


def caution_forms(shot: Sentences, whole: str) -> list[str]:
    """The caution."""
    short = f"! {short_caution(shot.caution)}"
    return [f"! {shot.caution}", short + whole, short]


def shared_out(texts: Sequence[Sequence[str]], rows: int, width: int) -> list[tuple[str, int]]:
    """Of each text, given in forms from the longest to the shortest, the form that is shown, and in how many rows.

    Each has a row at least. What is left goes to the shortest forms first, then to the longest, in the order given.
    """
    given = [1] * len(texts)
    free = rows - len(texts)
    for place_of_form in (-1, 0):
        for place, forms in enumerate(texts):
            more = len(rows_of(forms[place_of_form], width)) - given[place]
            # The first is not left out for what comes after it.
            more = min(more, free) if place == 0 else more
            if 0 < more <= free:
                given[place], free = given[place] + more, free - more
    # What fits in no form is cut in as many rows as are left over.
    for place, forms in enumerate(texts):
        more = min(free, max(0, len(rows_of(forms[-1], width)) - given[place]))
        given[place], free = given[place] + more, free - more
    return [
        (next((form for form in forms if len(rows_of(form, width)) <= most), forms[-1]), most)
        for forms, most in zip(texts, given, strict=True)
    ]


def cut_to(text: str, rows: int, width: int, cut: str) -> list[str]:
    """A text in so many rows; `cut` tells that there is more, and how to see it."""
    parts = list(rows_of(text, width))
    if len(parts) <= rows:
        return parts + [""] * (rows - len(parts))
    last = " ".join(parts[rows - 1 :])
    return [*parts[: rows - 1], last[: max(0, width - len(cut))].rstrip() + cut if cut else last]
