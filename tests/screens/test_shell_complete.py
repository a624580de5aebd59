"""Words of a line, what they mean, what Tab offers for them, and how the visit fills them in."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prompt_toolkit.completion import CompleteEvent
from prompt_toolkit.document import Document

from benchtool.commands.main import COMMANDS, main
from benchtool.commands.shell import _also
from benchtool.screens.shell_complete import ShellCompleter
from benchtool.screens.shell_own import OWN
from benchtool.screens.shell_tree import meaning_of
from benchtool.screens.shell_visit import Visit, filled
from benchtool.screens.shell_words import joined, quoted, split, texts


def offered(line: str) -> list[str]:
    """The lines that Tab would make of this one."""
    completer = ShellCompleter(main, OWN, lambda: ["/dev/ttyUSB7"], _also())
    found = completer.get_completions(Document(line), CompleteEvent(completion_requested=True))
    return [line[: len(line) + one.start_position] + one.text for one in found]


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("dia", "diagnose"),
        ("benchtool dia", "benchtool diagnose"),
        ("ag", "again"),
        ("site com", "site compare"),
        ("calculate dr", "calculate drop"),
        ("listen sim:demo --fo", "listen sim:demo --format"),
        ("survey sim:demo --direction ", "survey sim:demo --direction adapter"),
        ("survey sim:demo --direction=ad", "survey sim:demo --direction=adapter"),
        ("simulate ", "simulate card"),
        ("simulate ", "simulate controller"),
        ("simulate card --wid", "simulate card --width"),
        ("listen ", "listen /dev/ttyUSB7"),
        ("listen s", "listen sim:"),
        ("listen sim:de", "listen sim:demo"),
        ("listen sim:demo", "listen sim:demo?fault="),
        ("listen sim:demo?fa", "listen sim:demo?fault="),
        ("use sim:demo?fault=pair-reversed-at-t", "use sim:demo?fault=pair-reversed-at-tap"),
        ("use sim:demo?fault=healthy,noise-b", "use sim:demo?fault=healthy,noise-broadband"),
        ("reads sim:card?fault=d0-o", "reads sim:card?fault=d0-open"),
        ("diagnose --meter ab-o", "diagnose --meter ab-ohms="),
        ("diagnose --tried swap-clip=b", "diagnose --tried swap-clip=better"),
        ("reads x.csv --expect 37", 'reads x.csv --expect "37-bit 16+19"'),
        ("set si", "set site"),
        ("log s", "log start"),
        ("help lis", "help listen"),
        ("help site che", "help site check"),
    ],
)
def test_tab_offers_what_may_stand_there(line: str, wanted: str) -> None:
    assert wanted in offered(line)


def test_tab_offers_files_with_blanks_in_quotes_and_goes_into_folders(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "north wing").mkdir()
    (tmp_path / "north wing" / "visit.pcapng").touch()
    (tmp_path / ".hidden").touch()
    begun = offered("listen nor")
    assert begun == [f'listen "north wing{os.sep}']
    assert offered(begun[0]) == [f'listen "north wing{os.sep}visit.pcapng"']
    assert offered("log start ") == [f'log start "north wing{os.sep}']
    assert offered("log start .") == ["log start .hidden"]


def test_an_option_given_is_not_offered_again_unless_it_may_be_repeated() -> None:
    lines = offered("listen sim:demo --json --only 5 --")
    assert not any(line.endswith(" --json") for line in lines)
    assert any(line.endswith(" --only") for line in lines)


@given(st.text(max_size=40))
def test_any_line_is_split_completed_and_understood_without_an_error(line: str) -> None:
    words = split(line)
    assert all(before.end <= after.start for before, after in pairwise(words))
    completer = ShellCompleter(main, OWN, list, _also())
    list(completer._completions(line))
    meaning_of(main, texts(words), _also())


@given(st.lists(st.text(min_size=1, max_size=12), min_size=1, max_size=5), st.booleans())
def test_words_put_into_quotes_are_read_back(words: list[str], backslash: bool) -> None:
    line = " ".join(quoted(word, backslash=backslash) for word in words)
    assert [word.text for word in split(line, backslash=backslash)] == words


@given(st.lists(st.text("abc '\"\\", min_size=1, max_size=8), min_size=1, max_size=4))
def test_quotes_are_read_as_posix_shells_read_them(words: list[str]) -> None:
    # Independent: Python's shlex, POSIX rules, on lines that it has quoted itself.
    line = shlex.join(words)
    assert [word.text for word in split(line, backslash=True)] == shlex.split(line)
    assert shlex.split(joined(words)) == words


def test_first_offers_import_no_command() -> None:
    code = (
        "import sys; from benchtool.commands.main import main; from benchtool.screens.shell_tree import commands_in; "
        "rows = commands_in(main); "
        "print(len(rows), sorted(m for m in sys.modules if m.startswith('benchtool.commands.')))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split(" ", 1)[0] == str(len(COMMANDS))
    assert done.stdout.split(" ", 1)[1].strip() == "['benchtool.commands.main', 'benchtool.commands.plain']"


VISIT = Visit("sim:bench", {"site": "depot.toml", "bus": "yard", "baud": "19200"})


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("listen --for 1s", "listen --for 1s sim:bench --site depot.toml --bus yard"),
        ("listen sim:demo", "listen sim:demo --site depot.toml --bus yard"),
        ("listen /dev/ttyUSB0", "listen /dev/ttyUSB0 --site depot.toml --bus yard --baud 19200"),
        ("listen --site other.toml --bus x", "listen --site other.toml --bus x sim:bench"),
        ("explore", "explore sim:bench"),
        ("survey --addresses 1-5", "survey --addresses 1-5 sim:bench"),
        ("reads", "reads sim:bench"),
        ("site check", "site check depot.toml"),
        ("site check other.toml", "site check other.toml"),
        ("site set if-1 metres 80.5", "site set depot.toml if-1 metres 80.5"),
        ("site set other.toml if-1 metres 80.5", "site set other.toml if-1 metres 80.5"),
        ("site compare", "site compare depot.toml sim:bench --bus yard"),
        ("site compare sim:demo", "site compare depot.toml sim:demo --bus yard"),
        ("site compare other.toml", "site compare other.toml sim:bench --bus yard"),
        ("site new", "site new"),
        ("calculate feeds", "calculate feeds depot.toml"),
        # A site code is no record; what transmits names its port itself; help is help.
        ("card --site 101 --number 4095", "card --site 101 --number 4095"),
        ("simulate reader --transmit", "simulate reader --transmit"),
        ("listen --help", "listen --help"),
        ("ports", "ports"),
        ("nonsense", "nonsense"),
    ],
)
def test_what_a_line_does_not_name_is_filled_in(line: str, wanted: str) -> None:
    words = line.split()
    assert filled(words, meaning_of(main, words, _also()), VISIT) == wanted.split()


def test_a_visit_without_settings_changes_nothing() -> None:
    for line in ("listen", "site check", "site compare a.toml", "diagnose --meter ab-ohms=61"):
        words = line.split()
        assert filled(words, meaning_of(main, words, _also()), Visit()) == words
