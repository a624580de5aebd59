"""What Tab offers: commands, options, choices, taps, simulated faults, readings, serial ports, files.

All of it comes from where the commands themselves have it, and is looked up when it is asked for, never before.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import NamedTuple

import click
from prompt_toolkit.completion import CompleteEvent, Completer, Completion
from prompt_toolkit.document import Document

from benchtool.screens.shell_tree import FILES, TAPS, Also, Meaning, commands_in, meaning_of
from benchtool.screens.shell_visit import SETTINGS
from benchtool.screens.shell_words import Word, quoted, split, texts

_READINGS = ("meter", "tried")
_MOST_FILES = 500


class Offer(NamedTuple):
    """One thing that may be typed."""

    text: str
    about: str = ""
    more: bool = False
    """Whether it goes on behind it: a folder, or `fault=`."""


class ShellCompleter(Completer):
    """Completes lines of the commands under `root` and of the shell's own words (`own`: name and what it does).

    `ports` gives the names of serial adapters. Nothing that goes wrong here may end a line that is being typed: then
    nothing is offered.
    """

    def __init__(self, root: click.Group, own: Mapping[str, str], ports: Callable[[], list[str]], also: Also) -> None:
        self._root, self._own, self._ports, self._also = root, own, ports, also

    def get_completions(self, document: Document, complete_event: CompleteEvent) -> Iterable[Completion]:
        """For the word before the cursor."""
        try:
            yield from self._completions(document.text_before_cursor)
        except Exception:
            return

    def _completions(self, line: str) -> Iterator[Completion]:
        words = split(line)
        if not words or words[-1].end < len(line) or (line[-1].isspace() and words[-1].bare):
            words.append(Word("", len(line), len(line), True))
        last = words[-1]
        before = texts(words[:-1])
        if before[:1] == ["benchtool"]:
            before = before[1:]
        for offer in self.offers(before, last.text):
            text = quoted(offer.text, closed=not offer.more)
            yield Completion(text, last.start - len(line), display=_shown(offer.text), display_meta=offer.about)

    def offers(self, before: list[str], begun: str) -> Iterator[Offer]:
        """What may stand where `begun` stands, behind the words `before`."""
        if not before:
            known = [*commands_in(self._root), *self._own.items()]
            yield from _beginning(begun, (Offer(name, about) for name, about in sorted(known)))
        elif before[0] in self._own:
            yield from self._for_own(before, begun)
        else:
            yield from self._for_command(meaning_of(self._root, before, self._also), begun)

    def _for_own(self, before: list[str], begun: str) -> Iterator[Offer]:
        match before:
            case ["use"]:
                yield from self._taps(begun)
            case ["set"]:
                yield from _beginning(begun, (Offer(name, about) for name, about in SETTINGS.items()))
            case ["set", "site" | "osdp-key"]:
                yield from files(begun)
            case ["log"]:
                yield from _beginning(begun, (Offer("start", "begin a log"), Offer("stop", "end it")))
            case ["log", "start", *_]:
                if begun.startswith("-"):
                    yield from _beginning(begun, (Offer("--append"), Offer("--show-cards")))
                else:
                    yield from files(begun)
            case ["help", *rest]:
                yield from self.offers(rest, begun)

    def _for_command(self, meaning: Meaning, begun: str) -> Iterator[Offer]:
        command = meaning.command
        if command is None:
            return
        if meaning.waiting is not None:
            yield from self._values(meaning.waiting, begun)
            return
        if isinstance(command, click.Group) and not begun.startswith("-"):
            yield from _beginning(begun, (Offer(name, about) for name, about in commands_in(command)))
            return
        name, equals, value = begun.partition("=")
        if equals and name.startswith("--"):
            for option in _options(command):
                if name in option.opts:
                    yield from (Offer(f"{name}={one.text}", one.about, one.more) for one in self._values(option, value))
            return
        argument = meaning.next_argument
        if argument is not None and not begun.startswith("-"):
            yield from self._values(argument, begun)
            if len(meaning.names) == 1:
                further = (names[-1] for names in self._also if names[:-1] == meaning.names)
                yield from _beginning(begun, map(Offer, further))
        if begun.startswith("-") or not begun:
            free = [one for one in _options(command) if one.multiple or not meaning.has(one)]
            longest = [max(one.opts, key=len) for one in free]
            yield from _beginning(begun, (Offer(name, one.help or "") for name, one in zip(longest, free, strict=True)))
            yield from _beginning(begun, [Offer("--help", "all about this command")])

    def _values(self, parameter: click.Parameter, begun: str) -> Iterator[Offer]:
        kind, name = parameter.type, parameter.name
        if isinstance(kind, click.Choice):
            yield from _beginning(begun, (Offer(str(one)) for one in kind.choices))
        elif name in TAPS:
            yield from self._taps(begun)
        elif name in _READINGS:
            yield from _beginning(begun, _readings(name))
        elif name == "format_name" or name == "expect":
            from benchtool.frames.card.formats import FORMATS

            yield from _beginning(begun, (Offer(row.name, f"{row.length} bits") for row in FORMATS))
        elif isinstance(kind, click.Path | click.File) or name in FILES:
            yield from files(begun)

    def _taps(self, begun: str) -> Iterator[Offer]:
        if begun.startswith("sim:"):
            yield from simulated(begun)
            return
        yield from _beginning(begun, (Offer(name, "serial adapter") for name in self._ports()))
        yield from _beginning(begun, [Offer("sim:", "a simulated bus", more=True)])
        yield from files(begun)


def _options(command: click.Command) -> list[click.Option]:
    return [one for one in command.params if isinstance(one, click.Option) and not one.hidden]


def _beginning(begun: str, offers: Iterable[Offer]) -> Iterator[Offer]:
    yield from (one for one in offers if one.text.startswith(begun))


def _readings(name: str) -> Iterator[Offer]:
    from benchtool.diagnose.readings import ACTIONS, METER

    for kind in METER if name == "meter" else ():
        yield Offer(f"{kind.name}=", "", more=True)
    for action in ACTIONS if name == "tried" else ():
        yield from (Offer(f"{action.name}={result}") for result in ("better", "same"))


def simulated(begun: str) -> Iterator[Offer]:
    """Scenarios; behind `?fault=` or `&fault=` the faults there are, also after a comma."""
    scenario, question, rest = begun.partition("?")
    is_card = scenario.startswith("sim:card")
    if not question:
        from benchtool.simulate.scenario import names

        for name in [*names(), "card"]:
            about = "a reader's data lines" if name == "card" else "a simulated bus"
            yield from _beginning(begun, [Offer(f"sim:{name}", about)])
        if scenario.removeprefix("sim:") in (*names(), "card"):
            yield Offer(f"{begun}?fault=", "with a fault", more=True)
        return
    key, equals, value = rest.rpartition("&")[2].partition("=")
    if not equals:
        yield from _fault_option(begun, key)
        return
    if key != "fault":
        return
    done, _, last = value.rpartition(",")
    kept = begun[: len(begun) - len(last)]
    taken = set(done.split(","))
    yield from (
        Offer(kept + name, about) for name, about in _faults(is_card) if name.startswith(last) and name not in taken
    )


def _fault_option(begun: str, key: str) -> Iterator[Offer]:
    if "fault=".startswith(key):
        yield Offer(begun[: len(begun) - len(key)] + "fault=", "with a fault", more=True)


def _faults(is_card: bool) -> list[tuple[str, str]]:
    if is_card:
        from benchtool.simulate.card_faults import CARD_FAULTS

        return [(name, "") for name in CARD_FAULTS]
    from benchtool.simulate.faults import FAULTS

    return [(name, fault.about) for name, fault in FAULTS.items()]


def files(begun: str) -> Iterator[Offer]:
    """Files and folders whose path begins so; hidden ones only where a dot is typed."""
    folder, name = os.path.split(begun)
    try:
        with os.scandir(os.path.expanduser(folder) or ".") as entries:
            found = sorted(entries, key=lambda entry: entry.name)
    except OSError:
        return
    for entry in found[:_MOST_FILES]:
        if entry.name.startswith(name) and (name.startswith(".") or not entry.name.startswith(".")):
            is_folder = entry.is_dir()
            path = os.path.join(folder, entry.name)
            yield Offer(path + os.sep if is_folder else path, "folder" if is_folder else "file", more=is_folder)


def _shown(text: str) -> str:
    """The last part of a long path: what tells one offer from the next."""
    head, tail = os.path.split(text.rstrip(os.sep))
    return text if not head or text.startswith(("sim:", "/dev/")) else tail + text[len(text.rstrip(os.sep)) :]
