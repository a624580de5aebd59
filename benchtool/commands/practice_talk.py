"""The conversation of practice: what is typed, done and said, at a terminal or from a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import click

from benchtool.commands.outputs import write_text
from benchtool.commands.practice_game import NEXT, Game, RefusedError, near
from benchtool.commands.practice_run import Practice
from benchtool.commands.site_ask import Asker
from benchtool.reports.folded import columns, fold

WORDS = ("listen", "measure", "scope", "look", "try", "hint", "name", "causes", "kinds", "explain", "replay",
         "help", "quit")  # fmt: skip
_LEAVES = ("quit", "q", "exit", ".")


class SilentAsker:
    """Lines of standard input, with nothing printed for them: for `--json`."""

    def ask(self, prompt: str, choices: Sequence[str] = (), kept: str = "") -> str:
        """The next line; EOFError at the end. Somebody who types is still asked, on standard error."""
        if sys.stdin.isatty():
            click.echo(prompt, nl=False, err=True)
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        return line.rstrip("\r\n")


def say(lines: Sequence[str], *, err: bool = False) -> None:
    """Print lines no wider than the terminal, broken between words."""
    click.echo("\n".join(fold(lines, columns())), err=err)


class Talk:
    """Takes commands until the learner leaves.

    `scope_file`: where `scope` writes its record; `ended`: called once, as soon as the answer stands: whatever happens
    to the terminal afterwards, the score is kept; `did`: called with each line that counted, as soon as it is done.
    """

    def __init__(
        self,
        game: Game,
        points: str,
        scope_file: str | None,
        tell: Callable[[Sequence[str]], None],
        ended: Callable[[], None] = lambda: None,
        did: Callable[[str], None] = lambda step: None,
    ) -> None:
        self._game, self._points, self._scope_file, self._tell = game, points, scope_file, tell
        self._ended, self._did = ended, did
        self._kept = self._explained = self._scoped = False

    def play(self, asker: Asker) -> None:
        """Until the learner leaves; after the answer `replay` still goes. EOFError where nobody types any more.

        The first Ctrl-C at the prompt empties the line, as everywhere; the second leaves.
        """
        choices = [*WORDS, *self._game.sentences()]
        broken = warned = False
        while True:
            try:
                typed = asker.ask("practice> ", choices)
            except KeyboardInterrupt:
                if broken:
                    return
                broken = True
                self._tell(["Ctrl-C again, or quit, leaves."])
                continue
            broken = False
            # What is pasted may be several lines.
            for line in typed.splitlines():
                word, _, rest = line.strip().partition(" ")
                word, rest = _whole(word.lower()), rest.strip().lower()
                if word in _LEAVES:
                    if self._game.over or warned:
                        return
                    warned = True
                    self._tell(
                        ["You have not named it. explain tells what it was (score 0); quit again leaves it open."]
                    )
                elif word:
                    warned = False
                    self._line(word, rest)

    def resume(self, steps: Sequence[str]) -> None:
        """Do again what was done before the installation was left, and tell it in short."""
        rows = []
        scope_file, self._scope_file = self._scope_file, None
        for step in steps:
            word, _, rest = step.partition(" ")
            standing = self._game.standing
            lines = self._done(word, rest)
            if word == "name" and self._game.standing == standing:
                lines = self._done(word, rest)  # was asked at which device, and named again without
            last = (lines or [""])[-1]
            rows.append(f"- {word} {last}" if word in ("measure", "look", "try") else f"- {step}")
            if word == "name":
                rows[-1] += ": wrong"
            elif word == "hint":
                rows[-1] += f": {last.removeprefix(NEXT)}"
        self._scope_file = scope_file
        if rows:
            self._tell([f"Going on where you left it, {self._game.minutes:g} min of work so far:", *rows])

    def _line(self, word: str, rest: str) -> None:
        """Do one line, and tell what it cost."""
        before, standing = self._game.minutes, self._game.standing
        try:
            lines = self._done(word, rest)
            if self._game.over and not self._kept:
                self._kept = True
                self._ended()
            elif self._game.standing != standing and not self._game.over:
                self._did(f"{word} {rest}".rstrip())
            spent = self._game.minutes - before
            self._tell([*lines, f"({spent:g} min, {self._game.minutes:g} so far)"] if spent else lines)
            if self._game.over and not self._explained:
                self._explain()
        except KeyboardInterrupt:
            self._tell(["", "Stopped."])

    def _explain(self) -> None:
        lines = self._game.explain()
        lines += self._game.missed()
        self._explained = True
        self._tell([*lines, "replay shows benchtool's own hunt; quit leaves.", *self._game.result()])

    def _done(self, word: str, rest: str) -> list[str]:
        game = self._game
        if word in ("help", "?"):
            return game.helped(rest) if rest else [*game.help, self._points]
        if word == "causes":
            return game.causes_lines()
        if word == "kinds":
            return game.kinds_lines()
        if word == "replay":
            return game.replay() if game.over else ["Name the cause first, or explain: the replay gives it away."]
        if word not in WORDS:
            return [f"that is nothing to do here{near(word, WORDS)} help tells what there is"]
        if game.over:
            return ["It is over: replay, help, causes or quit."]
        if word == "scope":
            return self._scope(rest)
        without: dict[str, Callable[[], list[str]]] = {
            "listen": game.listen,
            "hint": game.hint,
            "explain": game.give_up,
        }
        with_what: dict[str, Callable[[str], list[str]]] = {
            "measure": game.measure,
            "look": game.look,
            "try": game.attempt,
            "name": game.name,
        }
        try:
            if word in with_what:
                return with_what[word](rest)
            return without[word]() if not rest else [f"{word} takes nothing behind it: {word}"]
        except RefusedError as error:
            return str(error).splitlines()

    def _scope(self, rest: str) -> list[str]:
        if not isinstance(self._game, Practice):
            return ["at data lines the scope's readings are measure d0-traffic and measure d1-traffic"]
        if self._scope_file is not None and not self._scoped and Path(self._scope_file).exists():
            return [f"{self._scope_file}: there is such a file by now; begin again with another --scope-file"]
        try:
            lines, taken = self._game.scope(rest)
        except RefusedError as error:
            return str(error).splitlines()
        if self._scope_file is not None:
            write_text(self._scope_file, taken.csv())
            self._scoped = True
            lines = [
                *lines,
                f"written: {self._scope_file}; benchtool diagnose --waveform {self._scope_file} measures it",
            ]
        return lines


def _whole(word: str) -> str:
    """The word that a beginning of two letters or more can only mean."""
    found = [one for one in WORDS if one.startswith(word)]
    return found[0] if len(found) == 1 and len(word) > 1 else word
