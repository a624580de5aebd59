"""The shell: lines run by the commands, the visit's settings filled in, its log, and a prompt fed with keys."""

from __future__ import annotations

import os
import stat
import sys
from datetime import datetime, timedelta
from pathlib import Path

import click
import pytest
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

from benchtool.commands.main import main
from benchtool.commands.shell import _also
from benchtool.commands.site_ask import TerminalAsker
from benchtool.screens.shell import STOPPED, Shell
from benchtool.screens.shell_complete import ShellCompleter
from benchtool.screens.shell_history import VisitHistory, user_folder
from benchtool.screens.shell_log import HEAD, VisitLog
from benchtool.screens.shell_own import OWN
from benchtool.screens.shell_prompt import open_prompt, talk

BEGIN = datetime(2026, 3, 2, 8, 15)


class Clock:
    """Each look at it is a second later."""

    def __init__(self) -> None:
        self.looks = 0

    def __call__(self) -> datetime:
        self.looks += 1
        return BEGIN + timedelta(seconds=self.looks)


@click.group()
def toy() -> None:
    """Commands that end in each way a command can end."""


@toy.command("ask")
def ask() -> None:
    with create_pipe_input() as given:
        given.send_text("61\r4711882\r")
        asker = TerminalAsker(given, DummyOutput())
        asker.ask("ab-ohms > ")
        asker.ask("number > ")


@toy.command("crash")
def crash() -> None:
    raise RuntimeError("card 1234567")


@toy.command("interrupt")
def interrupt() -> None:
    raise KeyboardInterrupt


@toy.command("code")
@click.argument("code", type=int)
def code_(code: int) -> None:
    sys.exit(code)


@toy.command("draw")
def draw() -> None:
    for step in range(3):
        click.echo(f"\rstep {step} ", nl=False)
    click.echo("\r" + " " * 10 + "\r\x1b[1mdone\x1b[0m")


def shell(root: click.Group = main) -> Shell:
    return Shell(root, VisitLog(Clock()), also=_also(), interactive=False)


def test_a_line_runs_as_on_the_command_line_and_may_be_copied_from_a_page(capsys: pytest.CaptureFixture[str]) -> None:
    own = shell()
    assert own.run("benchtool listen sim:demo --for 1s") == 0
    assert "0 octets" not in (first := capsys.readouterr().out)
    assert "tap sim:demo" in first
    assert own.run("again") == 0
    assert first in capsys.readouterr().out
    assert own.run("  ") == own.run("# a remark") == 0


def test_exit_codes_crashes_and_interrupts_are_told_and_the_shell_goes_on(capsys: pytest.CaptureFixture[str]) -> None:
    own = shell(toy)
    assert own.run("code 3") == 3
    assert "(exit code 3: the tap cannot be opened or read)" in capsys.readouterr().err
    assert own.run("crash") == 70
    told = capsys.readouterr().err
    assert "a fault of benchtool, not yours: RuntimeError in test_shell.py" in told
    assert "1234567" not in told
    assert own.run("interrupt") in (1, STOPPED)  # click's own group says 1
    assert shell(main).run("listen sim:nowhere") == 2
    assert "no scenario 'nowhere'" in capsys.readouterr().err
    assert not own.leaving


@pytest.mark.parametrize("group", ["site", "calculate", "formats"])
def test_a_group_alone_shows_its_usage_and_no_exit_code(
    group: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = shell()
    own.run(f"log start {tmp_path / 'v.log'}")
    own.run(group)
    own.close()
    told = capsys.readouterr()
    assert f"Usage: benchtool {group} [OPTIONS] COMMAND" in told.out + told.err
    for text in (told.out + told.err, (tmp_path / "v.log").read_text(encoding="utf-8")):
        assert "exit code" not in text
    assert own.run(f"{group} nonsense") == 2
    assert "(exit code 2: the line or a value in it is wrong)" in capsys.readouterr().err


def test_a_note_is_taken_by_either_word(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = shell()
    own.run(f"log start {tmp_path / 'v.log'}")
    for line in ("note the lid notes nothing", "benchtool notes  two", "notes three"):
        assert own.run(line) == 0
        assert own.shown(line) == line
    assert own.run("note") == 2
    own.close()
    kept = [line[9:] for line in (tmp_path / "v.log").read_text(encoding="utf-8").splitlines() if line[9:10] == "#"]
    assert kept == ["# the lid notes nothing", "# two", "# three"]
    capsys.readouterr()


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("lisen sim:demo", "did you mean listen?"),
        ("0013961168", "a card is explained by card VALUE"),
        ("sim:demo", "that is a tap"),
        ("shell", "this is the shell already"),
        ("listen sim:demo | less", "without |"),
        ('card "213', "is not closed"),
        ("again", "no command to repeat"),
        ("name device-silent@4", "that is a word of practice: practice begins one"),
        ("set colour red", "names:"),
        ("set osdp-key 00112233445566778899AABBCCDDEEFF", "never the key itself"),
        ("log begin", "log start"),
        ("log stop", "no log runs"),
    ],
)
def test_what_is_wrong_with_a_line_is_told_without_repeating_a_number(
    line: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert shell().run(line) == 2
    told = capsys.readouterr().err
    assert says in told
    assert "0013961168" not in told
    assert "00112233" not in told


def test_after_practice_its_words_tell_that_it_has_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("BENCHTOOL_HOME", str(tmp_path))
    own = shell()
    assert own.run("practice --seed 3") == 0
    for line in ("replay", "name healthy"):
        assert own.run(line) == 2
        assert "which has ended: practice begins one" in capsys.readouterr().err


def test_the_tap_in_use_is_taken_where_none_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    own = shell()
    assert own.prompt() == "benchtool> "
    own.run("use sim:bench")
    assert own.prompt() == "sim:bench> "
    own.run("listen --for 1s")
    assert "tap sim:bench" in capsys.readouterr().out
    own.run("listen sim:demo --for 1s")
    assert "tap sim:demo" in capsys.readouterr().out
    own.run("use -")
    assert own.run("listen --for 1s") == 2


def test_a_tap_that_is_not_there_is_taken_with_a_note(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = shell()
    own.run(f"use {tmp_path / 'visit.pcapng'}")
    assert "note: no such file" in capsys.readouterr().out
    assert own.visit.tap is not None


def test_log_holds_what_was_typed_and_printed_with_times(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    own = shell(toy)
    own.run("notes arrived, lid of reader 3 loose")
    own.run("log start")
    own.run("draw")
    own.run("code 3")
    own.run("log stop")
    own.run("draw")
    capsys.readouterr()
    (path,) = tmp_path.glob("visit-20260302-0815.log")
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith(HEAD)
    assert lines[1] == "08:15:01 # arrived, lid of reader 3 loose"
    begin = next(at for at, line in enumerate(lines) if line.endswith("> draw"))
    # A line drawn over, and wiped, is in the log as it stood last; colours are not.
    assert lines[begin + 1] == "           done"
    assert any(line.endswith("= exit code 3: the tap cannot be opened or read") for line in lines)
    assert sum(line.endswith("> draw") for line in lines) == 1
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_notes_that_hold_a_card_are_masked_in_the_log_unless_cards_are_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = shell()
    own.run("notes PIN 4711 works")  # waits for a log
    assert "***" in capsys.readouterr().out
    own.run(f"log start {tmp_path / 'v.log'}")
    own.run("notes card 213,02000 opens, supply 9.1 V")
    assert own.shown("notes card 213,02000") == "notes card ***"
    own.run("log stop")
    own.run(f"log start {tmp_path / 'all.log'} --show-cards")
    own.run("notes card 213,02000")
    own.close()
    log = (tmp_path / "v.log").read_text(encoding="utf-8")
    assert "# PIN *** works" in log
    assert "# card *** opens, supply 9.1 V" in log
    assert "02000" not in log
    assert "# card 213,02000" in (tmp_path / "all.log").read_text(encoding="utf-8")


def test_answers_to_a_commands_questions_are_in_the_log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = shell(toy)
    own.run(f"log start {tmp_path / 'v.log'}")
    own.run("ask")
    own.close()
    log = (tmp_path / "v.log").read_text(encoding="utf-8")
    assert "           ab-ohms > 61\n           number > ***\n" in log
    assert "ab-ohms" not in capsys.readouterr().out


def test_words_of_the_shell_are_not_broken_in_a_narrow_terminal(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    own = shell()
    for line in ("set", "set soup", "log", "notes 4711", "help notes", "use a b", "help soup", "quit"):
        own.run(line)
    told = capsys.readouterr()
    assert max(map(len, (told.out + told.err).splitlines())) <= 40
    assert "did you mean" not in told.out


def test_a_file_that_is_there_is_never_replaced(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log, other = tmp_path / "v.log", tmp_path / "depot.toml"
    other.write_text("schema = 1\n", encoding="utf-8")
    own = shell()
    assert own.run(f"log start {log}") == 0
    assert own.run(f"log start {log}") == 5
    own.run("log stop")
    assert own.run(f"log start {log}") == 5
    assert "--append goes on in it" in capsys.readouterr().err
    assert own.run(f"log start {log} --append") == 0
    own.close()
    assert log.read_text(encoding="utf-8").count(HEAD) == 2
    assert own.run(f"log start {other} --append") == 5
    assert other.read_text(encoding="utf-8") == "schema = 1\n"
    assert own.run(f"log start {tmp_path / 'no' / 'v.log'}") == 5


def test_streams_are_as_they_were_after_each_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = sys.stdin, sys.stdout, sys.stderr
    own = shell(toy)
    own.run(f"log start {tmp_path / 'v.log'}")
    for line in ("draw", "crash", "code 3"):
        own.run(line)
        assert (sys.stdin, sys.stdout, sys.stderr) == before
    own.close()


def test_notes_without_a_log_hold_leaving_back_once(capsys: pytest.CaptureFixture[str]) -> None:
    own = shell()
    own.run("notes something")
    own.run("quit")
    assert not own.leaving
    own.run("quit")
    assert own.leaving


def typed(keys: str, history: VisitHistory, own: Shell) -> None:
    with create_pipe_input() as given:
        given.send_text(keys)
        talk(own, open_prompt(history, ShellCompleter(main, OWN, list, _also()), given, DummyOutput()))


def test_prompt_takes_keys_until_it_is_left(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = shell()
    history = VisitHistory(tmp_path / "data" / "history", own.harmless)
    # Ctrl-C (03) empties the line; Ctrl-D (04) on an empty line leaves.
    typed("use sim:bench\rcard 213,02000\rlisten --fo\x03listen --for 1s\r\x04", history, own)
    out = capsys.readouterr().out
    assert "tap sim:bench" in out
    assert "site code 213" in out
    assert len(out.splitlines()[0]) <= 79
    assert len(out.splitlines()[1]) <= 79
    assert own.leaving
    path = tmp_path / "data" / "history"
    assert path.read_text(encoding="utf-8") == "use sim:bench\nlisten --for 1s\n"
    if os.name == "posix":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700


def test_earlier_lines_come_back_and_secrets_only_while_the_shell_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    history = VisitHistory(tmp_path / "history", shell().harmless)
    typed("use sim:demo\rcard 213,02000\rcard 213,02000\r\x04", history, shell())
    assert history.get_strings() == ["use sim:demo", "card 213,02000"]
    later = VisitHistory(tmp_path / "history", shell().harmless)
    assert list(later.load_history_strings()) == ["use sim:demo"]


def test_history_that_cannot_be_written_is_told_and_the_shell_goes_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "data").write_text("a file where the folder should be", encoding="utf-8")
    own = shell()
    typed("use sim:demo\rhelp\r\x04", VisitHistory(tmp_path / "data" / "history", own.harmless), own)
    captured = capsys.readouterr()
    assert captured.err.count("the history is not kept") == 1
    assert "Words of this prompt" in captured.out


def test_history_keeps_the_newest_lines(tmp_path: Path) -> None:
    path = tmp_path / "history"
    path.write_text("".join(f"use sim:demo?seed={at}\n" for at in range(1500)), encoding="utf-8")
    history = VisitHistory(path, lambda line: True)
    assert next(iter(history.load_history_strings())) == "use sim:demo?seed=1499"
    assert len(path.read_text(encoding="utf-8").splitlines()) == 1000


def test_folder_of_the_user_is_where_the_system_keeps_such_things() -> None:
    # XDG Base Directory Specification: $XDG_DATA_HOME, an absolute path, or ~/.local/share.
    assert user_folder({"HOME": "/home/u"}, "linux") == Path("/home/u/.local/share/benchtool")
    assert user_folder({"HOME": "/home/u", "XDG_DATA_HOME": "/d"}, "linux") == Path("/d/benchtool")
    assert user_folder({"HOME": "/home/u", "XDG_DATA_HOME": "d"}, "linux") == Path("/home/u/.local/share/benchtool")
    assert user_folder({"HOME": "/h", "APPDATA": "/h/Roaming"}, "win32") == Path("/h/Roaming/benchtool")


def test_what_was_wrong_with_a_line_is_in_the_log_once_and_what_was_typed_is_not(tmp_path: Path) -> None:
    own = shell()
    own.run(f"log start {tmp_path / 'v.log'}")
    assert own.run("57:20118") == 2
    own.run("log stop")
    kept = (tmp_path / "v.log").read_text()
    assert kept.count("benchtool: that is no command") == 1
    assert "20118" not in kept
