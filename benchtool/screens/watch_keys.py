"""The keys of the screen: one table for what a key does, what stands at the bottom, and the help. No terminal here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from benchtool.screens.watch_glyphs import Glyphs, fit
from benchtool.screens.watch_look import Ask, Look, Page
from benchtool.screens.watch_view import KEY, TEXT, Styled


class Need(Enum):
    """What a key needs of the tap; the value says what is so where that is missing."""

    SIMULATED = "Listening cannot transmit: cards, keys and faults are for a simulated bus (benchtool watch sim:demo)."
    VIRTUAL = "A live bus comes as fast as it comes; Space holds the picture of the traffic."
    RATE = "The rate and format cannot be set here."


@dataclass(frozen=True, slots=True)
class Key:
    """A key, or a few that belong together."""

    names: tuple[str, ...]
    """As the terminal library calls them; each has its deed, in order."""
    deeds: tuple[str, ...]
    """Methods of `Desk`."""
    shown: str
    label: str
    help: str
    pages: tuple[Page, ...] = (Page.BUS,)
    needs: Need | None = None


_TEXTS = (Page.FRAME, Page.DEVICE, Page.WHY, Page.HELP)

KEYS: tuple[Key, ...] = (
    Key(("?",), ("help",), "?", "help", "This page.", (Page.BUS, Page.FRAME, Page.DEVICE, Page.WHY)),
    Key(("q",), ("leave",), "q", "quit", "End; what was heard is summed up in the terminal. Ctrl-C does the same."),
    Key((" ",), ("hold",), "Space", "hold", "Hold the traffic to read it, or let it run on. Nothing is lost."),
    Key(
        ("up", "down", "pageup", "pagedown", "home", "end"),
        ("up", "down", "page_up", "page_down", "oldest", "to_newest"),
        "↑↓",
        "move",
        "Move by a line; PgUp, PgDn by a screen; Home to the oldest, End to the newest. Moving holds the traffic.",
    ),
    Key(("enter",), ("open",), "Enter", "open", "Open the selected line to its last bit, or the selected device."),
    Key(("w",), ("why",), "w", "why", "The whole diagnosis: findings, evidence, what to do, what was not seen."),
    Key(
        ("m",),
        ("ask_measured",),
        "m",
        "result",
        "Type a reading (ab-ohms 61) or what an action brought (swap-clip better): it is weighed at once. -ab-ohms, or "
        "ab-ohms -, takes it back.",
    ),
    Key(("f",), ("ask_filter",), "f", "only", "Show only errors, events, addresses, or lines with certain words."),
    Key(("s",), ("ask_search",), "s", "find", "Look for words in the traffic, from the selected line back in time."),
    Key((",", "."), ("older_match", "newer_match"), ",.", "next", "The next older, or newer, line found."),
    Key(("tab",), ("switch",), "Tab", "device", "The arrow keys move among the devices, or in the traffic again."),
    Key(("t",), ("ask_note",), "t", "note", "Write a note with this moment; it is kept beside a recording."),
    Key(("r",), ("record",), "r", "record", "Begin to record the raw truth, or end it. Only you may read the file."),
    Key(
        ("b",),
        ("ask_line",),
        "b",
        "rate",
        "Set another bit rate or format (19200 8E1) without leaving.",
        needs=Need.RATE,
    ),
    Key(
        ("d",),
        ("ask_do",),
        "d",
        "do",
        "On a simulated bus: card 26-bit 57 20118, @4 keys 12#, tamper on, fault noise-mains, fault healthy.",
        needs=Need.SIMULATED,
    ),
    Key(("p",), ("pause",), "p", "pause", "Stop the played or simulated bus, or go on.", needs=Need.VIRTUAL),
    Key(
        ("-", "+"), ("slower", "faster"), "-+", "speed", "Play slower or faster, up to full speed.", needs=Need.VIRTUAL
    ),
    Key(("c",), ("count_anew",), "c", "anew", "Counts, devices, findings and readings begin anew: after a mend, say."),
    Key(
        ("escape", "backspace", "q"),
        ("back", "back", "back"),
        "Esc",
        "back",
        "Back to the bus, from a page.",
        _TEXTS,
    ),
    Key(
        ("up", "down", "pageup", "pagedown", "home", "end"),
        ("scroll_up", "scroll_down", "scroll_page_up", "scroll_page_down", "scroll_top", "scroll_end"),
        "↑↓",
        "scroll",
        "Scroll a page.",
        _TEXTS,
    ),
    Key(("left", "right"), ("older_line", "newer_line"), "←→", "older/newer", "The line beside it.", (Page.FRAME,)),
    Key(("m",), ("ask_measured",), "m", "result", "Type a reading.", (Page.WHY,)),
)


def fitting(look: Look, lacks: Mapping[Need, str]) -> list[Key]:
    """The keys that do something now."""
    return [key for key in KEYS if look.page in key.pages and key.needs not in lacks]


def lacking(name: str, look: Look, lacks: Mapping[Need, str]) -> str:
    """Why a key that would do something elsewhere does nothing at this tap; empty for any other."""
    needs = [key.needs for key in KEYS if name in key.names and look.page in key.pages]
    return next((lacks[need] for need in needs if need is not None and need in lacks), "")


def most_rows(height: int) -> int:
    """How many rows the keys may take."""
    return 1 if height < 14 else 2 if height < 20 else 3


def key_bar(
    look: Look, width: int, rows: int, glyphs: Glyphs, lacks: Mapping[Need, str], *, recording: bool
) -> list[Styled]:
    """The keys that fit the moment, over at most so many rows; those that do not fit are in the help."""
    if look.ask is not None:
        words = [("Enter", "takes it"), ("Esc", "leaves it as it was")]
        if look.ask in (Ask.DO, Ask.MEASURED, Ask.FILTER):
            words.insert(1, ("Tab", "fills in"))
    else:
        words = [(glyphs.text(key.shown), _label(key, look, recording)) for key in fitting(look, lacks)]
    lines: list[Styled] = [[]]
    used = 0
    for shown, label in words:
        size = len(shown) + len(label) + 3
        if used + size - 2 > width:
            if len(lines) == rows:
                break
            lines.append([])
            used = 0
        lines[-1] += [(KEY, shown), (TEXT, f" {label}  ")]
        used += size
    for line in lines:
        line[-1] = (TEXT, line[-1][1].rstrip())
        taken = sum(len(text) for _, text in line)
        line.append((TEXT, " " * max(0, width - taken)))
    return lines


def _label(key: Key, look: Look, recording: bool) -> str:
    if key.deeds == ("hold",) and look.held:
        return "run"
    if key.deeds == ("record",) and recording:
        return "stop"
    return key.label


_HELP = (
    "The first line says what is listened to, how the receiver is set, the bus time and the recording. Below it: how "
    "the bus does now, what is most probably wrong and how sure that is, and what to measure next, with its caution.",
    "",
    "busy      one sign a second: the higher, the more octets were on the wire; {nothing} silence, {deaf} not heard",
    "damaged   under each second how many frames and spans were damaged (# for ten and more)",
    "",
    "DEVICE    + alive, ~ slow, ? unsteady (misses some replies), ! damaged replies, - silent; what fails stands first",
    "recent    its last exchanges, newest last; the higher the later; {nothing} no reply, {damaged} damaged",
    "TRAFFIC   ! something is wrong with the line, * an event or a note, > selected; an arrow -> goes to a device, <- "
    "comes from it. Card numbers, digits and keys are hidden (start with --show-cards to see them).",
    "",
    "If the bus is faster than the screen, lines pass by unseen, and the heading says how many: they are in the memory "
    "(the last {memory} lines), in the counts and in the recording all the same.",
    "",
    "Listening never transmits. Measure and work only where you may, and mind the cautions.",
)


def help_text(glyphs: Glyphs, memory: int, lacks: Mapping[Need, str]) -> tuple[str, ...]:
    """The help: all keys first, with those that do nothing at this tap and why, then what the screen's parts mean."""
    lines = ["KEYS"]
    lines += [f"  {key.shown:<6} {key.label:<12} {key.help}" for key in fitting(Look(), lacks)]
    lines.append(f"  {'Esc':<6} {'back':<12} Back to the bus, from a page such as this one; q does the same there.")
    without = [key for key in KEYS if key.needs in lacks]
    if without:
        lines += ["", "NOT HERE"]
        lines += [f"  {key.shown:<6} {key.label:<12} {lacks[key.needs]}" for key in without if key.needs is not None]
    lines += ["", "THE SCREEN"]
    signs = {"nothing": glyphs.nothing, "deaf": glyphs.deaf, "damaged": glyphs.damaged, "memory": memory}
    return (*lines, *(text.format(**signs) for text in _HELP))


def ask_label(ask: Ask, width: int, short: str, glyphs: Glyphs) -> str:
    """What stands before the place to type: at least half of the row stays free."""
    text = ask.value if len(ask.value) <= width // 2 + 8 else short
    return fit(text, min(len(text), width - 8), glyphs)


def names(keys: Sequence[Key] = KEYS) -> list[tuple[str, str, tuple[Page, ...]]]:
    """Every key by its name with its deed and its pages."""
    return [(name, deed, key.pages) for key in keys for name, deed in zip(key.names, key.deeds, strict=True)]
