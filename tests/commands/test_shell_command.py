"""`benchtool shell` from a file or a pipe, and `benchtool` alone without a terminal."""

from __future__ import annotations

import os
import sys
import threading
from io import StringIO
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchtool.commands import shell as shell_command
from benchtool.commands.main import main
from benchtool.screens.shell_typed import for_a_command


def test_lines_of_a_pipe_are_run_and_the_first_failure_is_the_exit_code() -> None:
    lines = "# first\n\nuse sim:demo\nlisten --for 1s\nlisten sim:nowhere\nsite check no.toml\ncard 213,02000\n"
    result = CliRunner().invoke(main, ["shell", "-"], input=lines)
    assert result.exit_code == 2
    assert "sim:demo> listen --for 1s" in result.output
    assert "(listen --for 1s sim:demo)" in result.output
    assert "sim:demo> card ***" in result.output
    assert "site code 213" in result.output


def test_lines_of_a_file_are_run_into_a_log(tmp_path: Path) -> None:
    lines, log = tmp_path / "morning.txt", tmp_path / "visit.log"
    lines.write_text("diagnose sim:demo --for 2s\nquit\nlisten sim:demo\n", encoding="utf-8")
    result = CliRunner().invoke(main, ["shell", str(lines), "--log", str(log)])
    assert result.exit_code == 0, result.output
    kept = log.read_text(encoding="utf-8")
    assert "> diagnose sim:demo --for 2s" in kept
    assert "RESULT" in kept
    assert "> listen" not in kept
    assert CliRunner().invoke(main, ["shell", str(lines), "--log", str(log)]).exit_code == 5


def test_a_command_in_lines_does_not_read_the_lines_after_it() -> None:
    result = CliRunner().invoke(main, ["shell", "-"], input="card -\nports\n")
    assert "> ports" in result.output


def test_lines_that_are_not_there_and_a_missing_terminal_are_told_in_one_line(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["shell", str(tmp_path / "none.txt")])
    assert result.exit_code == 4
    assert len(result.output.splitlines()) == 1
    result = CliRunner().invoke(main, ["shell"])
    assert result.exit_code == 2
    assert "benchtool shell -" in result.output


def test_alone_it_shows_help_without_a_terminal_and_opens_the_prompt_at_one(monkeypatch: pytest.MonkeyPatch) -> None:
    result = CliRunner().invoke(main, [])
    assert result.exit_code == 0
    assert result.output.startswith("Usage: ")
    assert len(result.output.splitlines()) > 20
    begun: list[object] = []
    monkeypatch.setattr(shell_command, "at_terminal", lambda: True)
    monkeypatch.setattr(shell_command, "begin", begun.append)
    assert CliRunner().invoke(main, []).exit_code == 0
    assert begun == [main]


def test_a_group_without_a_command_shows_its_help_in_lines() -> None:
    result = CliRunner().invoke(main, ["site"])
    assert result.exit_code == 2
    assert len(result.output.splitlines()) > 10


@pytest.mark.skipif(os.name != "posix", reason="waits for a terminal with select, which Windows cannot")
def test_nobody_reads_what_is_typed_once_a_command_is_over() -> None:
    reader, writer = os.pipe()
    taken: list[str] = []
    with os.fdopen(reader, "r") as stream, os.fdopen(writer, "wb", buffering=0) as keys:
        keys.write("card 57\nké\n".encode())
        typed = for_a_command(stream)
        assert typed is not None
        with typed:
            thread = threading.Thread(target=lambda: taken.extend(typed))
            thread.start()
            while len(taken) < 2 and thread.is_alive():
                pass
        thread.join(5)
        assert not thread.is_alive()
        keys.write(b"for the prompt\n")
        assert taken == ["card 57\n", "ké\n"]
        assert os.read(reader, 100) == b"for the prompt\n"
    assert for_a_command(StringIO("")) is None
    assert sys.stdin is not typed
