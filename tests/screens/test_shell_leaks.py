"""No line of a visit's log repeats an answer, a word or a tap that may be a card, a key or a PIN; invented numbers."""

from __future__ import annotations

import os
import signal
import sys
from datetime import datetime
from pathlib import Path

import click
import pytest

from benchtool.commands.main import main
from benchtool.commands.shell import _also
from benchtool.reports.hunt_ask import unrepeated
from benchtool.screens import shell_prompt
from benchtool.screens.shell import Shell
from benchtool.screens.shell_end import minds_signals
from benchtool.screens.shell_log import Lines, Tee, VisitLog
from benchtool.screens.shell_secrets import Scrubber


def own(root: click.Group = main) -> Shell:
    return Shell(root, VisitLog(lambda: datetime(2026, 3, 2)), also=_also(), interactive=False)


@pytest.mark.parametrize("answer", ["pin 7391", "73918", "57:20118", "card 20118", "20118", "7391x", "20118V", "73 91"])
def test_neither_screen_nor_log_repeats_a_wrong_answer(answer: str, capsys: pytest.CaptureFixture[str]) -> None:
    told = unrepeated(f"{answer[:40]!r}: an address from 0 to 255 is wanted, or Enter if nobody knows", answer)
    assert told == "***: an address from 0 to 255 is wanted, or Enter if nobody knows"
    kept: list[str] = []
    scrub = Scrubber(())
    tee = Tee(sys.stdout, Lines(lambda line: kept.append(scrub(line))), hide=scrub.hide)
    tee.typed("address > ", answer)
    tee.write(f"   {answer!r}: an address is wanted\n")  # whatever command asked
    assert not any(number in line for line in kept for number in ("7391", "20118", "91'"))
    assert "an address is wanted" in kept[1]


def test_a_wrong_answer_that_is_no_secret_is_repeated() -> None:
    assert unrepeated("'x9': an address is wanted", "x9") == "'x9': an address is wanted"


def logged(tmp_path: Path, *lines: str) -> str:
    shell = own()
    shell.log.start(tmp_path / "visit.log")
    for line in lines:
        shell.run(line)
    shell.close()
    return (tmp_path / "visit.log").read_text(encoding="utf-8")


def test_the_log_keeps_no_name_that_may_be_a_pin_unless_such_a_file_is_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert "7391" not in logged(tmp_path, "listen 7391.pcapng", "diagnose sim:demo --meter 7391", "notes 73 91")
    Path("7391.pcapng").touch()
    assert own().shown("listen 7391.pcapng") == "listen 7391.pcapng"


def test_words_of_an_action_stay_in_what_is_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = logged(tmp_path, 'simulate reader --port nowhere --transmit --do "1s keys 7391x"')
    assert "write: keys " in kept
    assert "7391" not in kept


def test_a_tap_in_use_is_masked_where_a_log_begins(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shell = own()
    for line in ("use 73918", "set osdp-key 88881234", f"log start {tmp_path / 'visit.log'}", "use"):
        shell.run(line)
    shell.close()
    assert "73918" not in (tmp_path / "visit.log").read_text(encoding="utf-8")


@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
def test_a_closed_terminal_ends_the_log(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shell = own()
    shell.log.start(tmp_path / "visit.log")
    before = {number: signal.getsignal(number) for number in (signal.SIGHUP, signal.SIGTERM)}

    class Hung:
        """A prompt at which the terminal is closed."""

        def prompt(self, text: str) -> str:
            os.kill(os.getpid(), signal.SIGHUP)
            return ""

        history = None

    try:
        with pytest.raises(SystemExit):
            shell_prompt.talk(shell, Hung())  # type: ignore[arg-type]  # only what it uses
        minds_signals(shell)
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    assert shell.leaving
    assert "end of the log" in (tmp_path / "visit.log").read_text(encoding="utf-8")


def test_help_comes_in_pages_at_a_terminal_and_ctrl_c_leaves_the_rest_out(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shell = Shell(main, VisitLog(lambda: datetime(2026, 3, 2)), also=_also())
    monkeypatch.setenv("LINES", "24")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    asked = iter((" ", KeyboardInterrupt()))

    def getchar() -> str:
        key = next(asked)
        if isinstance(key, BaseException):
            raise key
        return key

    monkeypatch.setattr(click, "getchar", getchar)
    shell.run("help")
    assert "quit" in capsys.readouterr().out
    shell.run("help")
    cut = capsys.readouterr().out
    assert "more lines" in cut
    assert cut.count("\n") <= 22
    assert "leave, as Ctrl-D" not in cut
