"""Poor terminals get plain stand-ins, never an error."""

from __future__ import annotations

import io
import os
import subprocess
import sys

import click
import pytest

from benchtool.commands.plain import STAND_INS, fold_long_lines, make_plain


def test_stand_ins_are_plain_themselves() -> None:
    assert all(text.isascii() for text in STAND_INS.values())


def test_a_poor_stream_gets_stand_ins() -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    make_plain(stream, {})
    stream.write("number ••• …, 60 Ω, ☃")
    stream.flush()
    assert raw.getvalue() == b"number *** ..., 60 ohm, ?"
    make_plain(io.StringIO(), {})


def test_the_demo_runs_on_a_poor_terminal() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchtool", "demo"],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "latin-1"},
        check=True,
    )
    assert b"number ***" in done.stdout
    assert done.stderr == b""


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def narrow(monkeypatch: pytest.MonkeyPatch) -> _Terminal:
    """A terminal of 40 columns."""
    monkeypatch.setenv("COLUMNS", "40")
    stream = _Terminal()
    fold_long_lines(stream)
    return stream


def test_long_lines_are_folded_between_words_below_where_they_begin(narrow: _Terminal) -> None:
    click.echo("  to do: switch the secure channel on, with a key of its own, if both ends have it", file=narrow)
    lines = narrow.getvalue().splitlines()
    assert len(lines) > 1
    assert all(len(one) <= 40 and one.startswith("  ") for one in lines)
    assert " ".join(" ".join(lines).split()).startswith("to do: switch the secure channel on, with a key of its own")


@pytest.mark.parametrize(
    "text",
    [
        "a line as long as forty columns and no m\n",
        '{"a value of JSON": "that is copied into a script, so it stays whole"}\n',
        "benchtool diagnose visit.pcapng --meter ab-ohms=61 --tried swap-ab=better\n",
        "\x1b[2J painted by a screen that knows by itself how wide the terminal is\n",
        "\rdrawn over and over: 12 of 60 seconds are done, and so many octets\r",
        "a question that is not yet at its end, and waits for what is typed behind it: ",
    ],
)
def test_what_must_stay_whole_is_not_folded(narrow: _Terminal, text: str) -> None:
    narrow.write(text)
    assert narrow.getvalue() == text


def test_what_follows_on_a_line_begun_is_not_folded(narrow: _Terminal) -> None:
    narrow.write("name: ")
    narrow.write("typed by somebody who has a great deal to say about it\n")
    assert narrow.getvalue() == "name: typed by somebody who has a great deal to say about it\n"


def test_an_empty_text_begins_no_line(narrow: _Terminal) -> None:
    # click writes one, to learn whether a stream takes text, before the first line: an error has no other.
    with pytest.raises(TypeError):
        narrow.write(b"")  # type: ignore[arg-type]
    narrow.write("")
    click.echo("benchtool: sim:nosuch: no scenario 'nosuch'; there are: bench, demo", file=narrow)
    assert all(len(one) <= 40 for one in narrow.getvalue().splitlines())


def test_a_line_behind_a_wiped_progress_line_is_folded(narrow: _Terminal) -> None:
    click.echo("\r" + " " * 30 + "\r", nl=False, file=narrow)
    click.echo("note: the line is set to 9600 8N1, with which most frames were sound frames", file=narrow)
    assert all(len(one) <= 40 for one in narrow.getvalue().rpartition("\r")[2].splitlines())


def test_in_a_locale_of_ascii_signs_are_stood_in_for_and_names_are_not() -> None:
    octets = io.BytesIO()
    stream = io.TextIOWrapper(octets, encoding="utf-8")
    make_plain(stream, {"LC_ALL": "C"})
    click.echo("bit 1 P━━─ → Büro", file=stream)
    stream.flush()
    assert octets.getvalue().decode() == "bit 1 P==- -> Büro\n"


def test_pipes_get_lines_as_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    stream = io.StringIO()
    fold_long_lines(stream)
    click.echo("one two three four five six seven eight nine ten eleven", file=stream)
    assert stream.getvalue().count("\n") == 1
