"""The shell's own words: what holds for the visit, its log, help. Commands have no part in them."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Callable
from pathlib import Path

from benchtool.reports.secret_words import MASK
from benchtool.screens.shell_log import LogError, VisitLog
from benchtool.screens.shell_secrets import looks_secret
from benchtool.screens.shell_visit import SETTINGS, Visit

OWN: dict[str, str] = {
    "use": "use TAP: commands that name no tap take this one; use alone shows it, use - forgets it",
    "set": "set site FILE: the same for --site; also bus, baud, format, osdp-key; set NAME - forgets it",
    "notes": "notes TEXT: your own words into the log; what looks like a card, a key or a PIN is *** there",
    "log": "log start [FILE], log stop: what is typed and printed, with times; log alone tells",
    "again": "the last command once more",
    "help": "help [COMMAND]: all commands, or all about one",
    "quit": "leave, as Ctrl-D",
}
"""The shell's own words."""


class OwnWords:
    """Does what the words say, but `help` and `again`, which need the commands; `say` and `wrong` tell the user.

    `logged` writes a line into the log alone, without what was typed as secret.
    """

    def __init__(
        self,
        visit: Visit,
        log: VisitLog,
        say: Callable[[str], None],
        wrong: Callable[..., int],
        logged: Callable[[str], None],
    ) -> None:
        self._visit, self._visit_log, self._say, self._wrong, self._logged = visit, log, say, wrong, logged

    def use(self, rest: list[str]) -> int:
        """Set the tap, or tell it. The exit code."""
        if len(rest) > 1:
            return self._wrong("use takes one tap, as use sim:demo; one with blanks in quotes")
        if rest == ["-"]:
            self._visit.tap = None
        elif rest:
            self._visit.tap = rest[0]
            if (doubt := _doubt(rest[0])) is not None:
                self._say(f"note: {doubt}")
        for line in self._visit.said():
            self._say(line)
        return 0

    def set(self, rest: list[str]) -> int:
        """Set something else, or tell all. The exit code."""
        if not rest:
            for line in self._visit.said():
                self._say(line)
            return 0
        name = rest[0].removeprefix("--")
        if name == "tap":
            return self.use(rest[1:])
        if name not in SETTINGS or len(rest) != 2:
            known = textwrap.indent("\n".join(f"{key}: {about}" for key, about in SETTINGS.items()), "  ")
            return self._wrong(f"set takes a name and a value, or - to forget it; names:\n{known}")
        if rest[1] == "-":
            self._visit.settings.pop(name, None)
        elif name == "osdp-key" and looks_secret(rest[1]):
            return self._wrong("set osdp-key takes a file, never the key itself")
        else:
            self._visit.settings[name] = rest[1]
            if name in ("site", "osdp-key") and not os.path.isfile(rest[1]):
                self._say("note: there is no such file yet")
        for line in self._visit.said():
            self._say(line)
        return 0

    def note(self, text: str) -> int:
        """Take the user's own words. The exit code."""
        if not text:
            return self._wrong("notes takes your words, as notes reader 3 has a loose lid")
        hidden = self._visit_log.note(text)
        if hidden and not self._visit_log.show_cards:
            words = "a word" if hidden == 1 else f"{hidden} words"
            self._say(
                f"note: {words} of it may be a card, a key or a PIN: {MASK} in the log (log start FILE --show-cards "
                "keeps all)"
            )
        if not self._visit_log.running:
            self._say(f"kept for the log: no log runs yet (log start {self._visit_log.default_name()})")
        return 0

    def log(self, rest: list[str]) -> int:
        """Begin, end or tell the log. The exit code."""
        flags = {word for word in rest[1:] if word.startswith("--")}
        names = [word for word in rest[1:] if not word.startswith("--")]
        match rest[:1]:
            case []:
                self._say(
                    f"a log runs, in {self._visit_log.path}"
                    if self._visit_log.running
                    else "no log runs: log start begins one"
                )
            case ["start"] if len(names) <= 1 and flags <= {"--append", "--show-cards"}:
                path = Path(names[0] if names else self._visit_log.default_name())
                try:
                    self._visit_log.start(path, append="--append" in flags, show_cards="--show-cards" in flags)
                except LogError as error:
                    return self._wrong(str(error), code=5)
                self._say(f"log in {path}: what is typed and printed from now on, closed to other users")
                self._say(
                    "caution: cards, typed digits and PINs are shown in it: keep it as you keep keys"
                    if self._visit_log.show_cards
                    else f"what may be a card, a key or a PIN is {MASK} in it; full screens are not in it"
                )
                for line in self._visit.said():
                    self._logged(line)
            case ["stop"] if len(rest) == 1:
                if not self._visit_log.running:
                    return self._wrong("no log runs")
                self._say(f"the log is in {self._visit_log.path}")
                self._visit_log.stop()
            case _:
                return self._wrong("log start [FILE] [--append] [--show-cards], log stop, or log alone")
        return 0


def _doubt(tap: str) -> str | None:
    """One line where an address names nothing that is there now."""
    if tap.startswith(("sim:", "probe:")):
        return None
    from benchtool.taps.address import open_tap
    from benchtool.taps.tap import TapError

    try:
        open_tap(tap)
    except TapError as error:
        return str(error)
    return None
