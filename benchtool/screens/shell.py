"""The shell: all commands at one prompt, through a whole visit, with what holds for it and a log of it.

Each line is run in this process by the commands themselves. Nothing that a command does ends the shell: neither its
exit code, nor Ctrl-C, nor a fault of ours.
"""

from __future__ import annotations

import difflib
import io
import os
import re
import shutil
import sys
import traceback
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import TextIO, cast

import click

from benchtool.reports.folded import columns, fold
from benchtool.reports.secret_words import MASK, masked_note
from benchtool.screens.shell_log import Lines, Tee, VisitLog
from benchtool.screens.shell_own import OWN, OwnWords
from benchtool.screens.shell_secrets import Judged, Scrubber, judge, looks_secret
from benchtool.screens.shell_tree import Also, Meaning, commands_in, meaning_of
from benchtool.screens.shell_typed import for_a_command
from benchtool.screens.shell_visit import Visit, filled
from benchtool.screens.shell_words import REDIRECTIONS, joined, quoted, split, texts

PROGRAM = "benchtool"
STOPPED = 130
USAGE = 2
_OUR_FAULT = 70
"""As sysexits.h has it for an error within the program."""
_CODES = {
    1: "done, and something is wrong",
    USAGE: "the line or a value in it is wrong",
    3: "the tap cannot be opened or read",
    4: "a file is not what it should be",
    5: "a file could not be written",
    _OUR_FAULT: "a fault of benchtool",
    STOPPED: "stopped before there was a result",
}
_LONGEST_TAP = 40
_NOTES = re.compile(rf"^\s*(?:{PROGRAM}\s+)?notes?\b")
"""What stands before a note, in a line that begins one."""
_OF_PRACTICE = frozenset({"name", "replay", "hint", "measure", "scope", "look", "try", "kinds", "causes", "explain"})
"""What people go on typing when practice is over (commands of these names come first)."""


class Shell:
    """Runs lines. `interactive`: a person types them at a terminal, and commands may read what is typed."""

    def __init__(self, root: click.Group, log: VisitLog, *, also: Also | None = None, interactive: bool = True) -> None:
        self._root = root
        self.log = log
        self.visit = Visit()
        self.leaving = False
        self._also = also or {}
        self._interactive = interactive
        self._last: str | None = None
        self._warned = False
        self._scrub = Scrubber(())
        """Takes what was typed as secret out of what the shell itself says, for the log."""
        self._own = OwnWords(self.visit, log, self._say, self._wrong, self._logged)

    def prompt(self) -> str:
        """What stands before what is typed: the tap in use, and whether a log runs."""
        tap = self.visit.tap
        shown = PROGRAM if tap is None else tap if len(tap) <= _LONGEST_TAP else f"{tap[: _LONGEST_TAP - 3]}..."
        return f"{shown}{' [log]' if self.log.running else ''}> "

    def harmless(self, line: str) -> bool:
        """Whether a line may be kept in the history file: nothing in it may be a card, a key or a PIN."""
        words = _without_program(texts(split(line)))
        if not words or words[0] == "notes":
            return False
        if words[0] in OWN:
            return not any(map(looks_secret, words))
        judged = self._judged(words)
        return judged is not None and judged.harmless

    def shown(self, line: str) -> str:
        """The line as it may be shown."""
        words = _without_program(texts(split(line)))
        if words[:1] == ["notes"]:
            return masked_note(line.strip())[0]
        if words and words[0] in OWN:
            return " ".join(MASK if looks_secret(word) else quoted(word) for word in words)
        judged = self._judged(words)
        return MASK if judged is None else judged.line

    def run(self, line: str) -> int:
        """Run one line; its exit code."""
        if line.strip().startswith("#"):
            return 0
        parts = split(line)
        words = _without_program(texts(parts))
        if not words:
            return 0
        if parts[-1].open_quote:
            return self._wrong(f"a quote ({parts[-1].open_quote}) is not closed")
        if words == ["again"]:
            if self._last is None:
                return self._wrong("there is no command to repeat yet")
            self._say(f"again: {self.shown(self._last)}")
            return self.run(self._last)
        if words[0] != "quit":
            self._warned = False
        if words[0] in OWN:
            return self._run_own(words, line)
        if any(part.bare and part.text in REDIRECTIONS for part in parts):
            return self._wrong(
                "one command a line, without | or >: --record, --save and --report write files, or log start"
            )
        if words[0] == "shell":
            return self._wrong("this is the shell already")
        return self._run_command(words, line)

    def leave(self) -> None:
        """End, unless notes would be lost: then say so, once."""
        if self.log.waiting and not self._warned:
            self._warned = True
            self._say(
                f"{len(self.log.waiting)} note(s) are in no log: log start FILE keeps them; quit again drops them"
            )
            return
        self.leaving = True

    def close(self) -> None:
        """End the log."""
        if self.log.running:
            path = self.log.path
            self.log.stop()  # before anything is said: the terminal may be gone
            click.echo(_fitted(f"the log is in {path}", sys.stdout))

    # ---- commands

    def _judged(self, words: list[str]) -> Judged | None:
        """None where it cannot be judged: then all of it is hidden."""
        try:
            meaning = meaning_of(self._root, words, self._also)
        except Exception:  # a command that cannot be loaded: told when it is run
            return None
        return judge(words, meaning)

    def _run_command(self, words: list[str], line: str) -> int:
        try:
            meaning = meaning_of(self._root, words, self._also)
        except Exception as error:
            return self._end(self._our_fault(error))
        judged = judge(words, meaning)
        self.log.typed(line.strip() if self.log.show_cards else judged.line)
        if meaning.command is None and not meaning.names:
            return self._wrong(self._unknown(words))
        self._last = line
        whole = filled(words, meaning, self.visit)
        if whole != words:
            judged = judge(whole, meaning_of(self._root, whole, self._also))
            self._say(f"({judged.line})")
        # A group alone shows its usage: nothing is wrong with that, though the code of a script's line says so.
        return self._end(self._execute(whole, judged), tells=not (meaning.is_group and not meaning.given))

    def _execute(self, words: list[str], judged: Judged) -> int:
        with self._streams(judged):
            try:
                self._root.main(args=words, prog_name=PROGRAM)
            except SystemExit as ended:
                return ended.code if isinstance(ended.code, int) else int(ended.code is not None)
            except KeyboardInterrupt:
                return STOPPED
            except Exception as error:
                if isinstance(error, BrokenPipeError) or isinstance(error.__cause__, BrokenPipeError):
                    raise
                return self._our_fault(error)
        return 0

    @contextmanager
    def _streams(self, judged: Judged) -> Iterator[None]:
        """Standard streams for one command: output into the log too, input that is given back."""
        with ExitStack() as stack:
            before = sys.stdin
            stack.callback(setattr, sys, "stdin", before)
            if not self._interactive:
                sys.stdin = io.StringIO("")
            elif (typed := for_a_command(before)) is not None:
                sys.stdin = cast(TextIO, stack.enter_context(typed))
            if not self.log.running:
                yield
                return
            if judged.output_hidden and not self.log.show_cards:
                self.log.left_out()
                yield
                return
            scrub = Scrubber(() if self.log.show_cards else judged.hidden)
            for stream, redirect in ((sys.stdout, redirect_stdout), (sys.stderr, redirect_stderr)):
                lines = Lines(lambda line: self.log.printed(scrub(line)))
                stack.callback(lines.close)
                tee = Tee(stream, lines, shows=self.log.show_cards, hide=scrub.hide)
                stack.enter_context(redirect(cast(TextIO, tee)))
            yield

    def _our_fault(self, error: Exception) -> int:
        # The error's own words may hold what was typed as a card: only its kind and place are told.
        place = traceback.extract_tb(error.__traceback__)[-1]
        click.echo(
            f"benchtool: this is a fault of benchtool, not yours: {type(error).__name__} in "
            f"{Path(place.filename).name}, line {place.lineno}; the shell goes on",
            err=True,
        )
        return _OUR_FAULT

    def _end(self, code: int, *, tells: bool = True) -> int:
        if code and tells:
            words = f"exit code {code}" + (f": {_CODES[code]}" if code in _CODES else "")
            click.echo(f"({words})", err=True)
            self.log.ended(words)
        if self.log.trouble is not None:
            trouble, self.log.trouble = self.log.trouble, None
            click.echo(f"benchtool: {trouble}", err=True)
        return code

    def _unknown(self, words: list[str]) -> str:
        """What is wrong with a first word that is no command; what was typed is not repeated: it may be a card."""
        if words[0].startswith(("sim:", "/dev/", "COM")) or "://" in words[0] or os.path.isfile(words[0]):
            return "that is a tap: use TAP keeps it for this visit, listen TAP or diagnose TAP looks at it"
        if words[0] in _OF_PRACTICE:
            last = texts(split(self._last or ""))
            ended = _without_program(last)[:1] == ["practice"]
            return f"that is a word of practice{', which has ended' if ended else ''}: practice begins one"
        if looks_secret(words[0]):
            return "that is no command: a card is explained by card VALUE; help lists the commands"
        names = [name for name, _ in commands_in(self._root)]
        near = difflib.get_close_matches(words[0], [*names, *OWN], 1)
        return f"that is no command: did you mean {near[0]}?" if near else "that is no command: help lists them"

    # ---- the shell's own words

    def _run_own(self, words: list[str], line: str) -> int:
        name, *rest = words
        if name == "notes":
            return self._own.note(_NOTES.sub("", line, count=1).strip())
        self.log.typed(line.strip() if self.log.show_cards else self.shown(line))
        # Kept until another is set: the tap in use is said again later.
        if secret := [word for word in rest if looks_secret(word)]:
            for word in secret:
                self._scrub.hide(word)
        match name:
            case "use":
                return self._own.use(rest)
            case "set":
                return self._own.set(rest)
            case "log":
                return self._own.log(rest)
            case "help":
                return self._help(rest)
            case "quit":
                self.leave()
                return 0
        return self._wrong(f"{name} takes nothing behind it")

    def _help(self, rest: list[str]) -> int:
        if rest and rest[0] in OWN:
            self._say(OWN[rest[0]])
            return 0
        if rest:
            meaning = meaning_of(self._root, rest, self._also)
            if meaning.command is None or not meaning.names:
                return self._wrong(self._unknown(rest))
            return self._run_help(meaning)
        formatter = click.HelpFormatter()
        with formatter.section("Commands (help COMMAND, or COMMAND --help, tells all about one)"):
            formatter.write_dl(commands_in(self._root))
        with formatter.section("Words of this prompt"):
            formatter.write_dl(list(OWN.items()))
        self._in_pages(formatter.getvalue().strip("\n").split("\n"))
        return 0

    def _in_pages(self, lines: list[str]) -> None:
        """Print lines, as many at a time as a terminal has rows; Ctrl-C leaves the rest out. A pipe gets all."""
        rows = len(lines)
        if self._interactive and sys.stdin.isatty() and sys.stdout.isatty():
            rows = max(5, shutil.get_terminal_size().lines - 2)
        while lines:
            click.echo("\n".join(lines[:rows]))
            lines = lines[rows:]
            if lines:
                asks = f"-- {len(lines)} more lines: any key; Ctrl-C leaves them out --"
                click.echo(asks, nl=False)
                try:
                    click.getchar()
                except (KeyboardInterrupt, EOFError):
                    return
                finally:
                    click.echo(f"\r{' ' * len(asks)}\r", nl=False)

    def _run_help(self, meaning: Meaning) -> int:
        words = [*meaning.names, "--help"]
        return self._end(self._execute(words, Judged(joined(words), (), False)))

    def _say(self, line: str) -> None:
        click.echo(_fitted(line, sys.stdout))
        self._logged(line)

    def _logged(self, line: str) -> None:
        self.log.printed(line if self.log.show_cards else self._scrub(line))

    def _wrong(self, message: str, *, code: int = USAGE) -> int:
        click.echo(_fitted(f"benchtool: {message}", sys.stderr), err=True)
        self._logged(f"benchtool: {message}")
        return code


def _fitted(text: str, stream: TextIO) -> str:
    """Text for a stream: no word is broken at a terminal's edge; for a pipe it stays as it is."""
    return "\n".join(fold(text.split("\n"), columns())) if stream.isatty() else text


def _without_program(words: list[str]) -> list[str]:
    """A line copied from a page begins with the program's name; `note` is taken for `notes`."""
    words = words[1:] if words[:1] == [PROGRAM] else words
    return ["notes", *words[1:]] if words[:1] == ["note"] else words
