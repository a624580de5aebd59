"""The program in a terminal of our own: keys go in through a pipe, escape sequences come out into a buffer."""

from __future__ import annotations

import io
import threading
import time

import pytest
from click.testing import CliRunner
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output.vt100 import Vt100_Output

from benchtool.commands.main import main
from benchtool.screens.watch_app import make_app, run_app
from benchtool.screens.watch_keys import KEYS
from benchtool.screens.watch_look import Look
from tests.screens.watching import Watching, watching


def run(screen: Watching, keys: str, *, plain: bool = False) -> str:
    """Type the keys, the last of which must end it; what went to the terminal."""
    written = io.StringIO()
    output = Vt100_Output(written, lambda: Size(24, 80), term="xterm")
    with create_pipe_input() as pipe:
        app = make_app(screen.desk, screen.glyphs, input=pipe, output=output, plain=plain)
        pipe.send_text(keys)
        run_app(app)
    return written.getvalue()


@pytest.mark.parametrize("end", ["q", "\x03"])
def test_it_paints_and_is_left_by_q_and_by_ctrl_c(end: str) -> None:
    screen = watching()
    screen.run(5)
    text = run(screen, end)
    assert "not recording" in text
    assert "silent" in text
    assert text.index("\x1b[?1049h") < text.index("\x1b[?1049l"), "the terminal is given back as it was"


def test_keys_reach_the_desk_and_a_line_is_taken() -> None:
    screen = watching()
    screen.run(5)
    run(screen, "mab-ohms 61\rq")
    screen.pump.step()
    assert [reading.name for reading in screen.model.by_hand.readings] == ["ab-ohms"]
    run(screen, " \x1b[A\x1b[Aq")
    assert screen.look.held
    assert screen.look.selected == screen.model.rows.end - 3


def test_ctrl_c_ends_it_while_something_is_typed_and_q_is_a_letter_there() -> None:
    screen = watching()
    screen.run(2)
    run(screen, "tquiet\rtq\x03")
    screen.pump.step()
    assert [note.text for note in screen.model.notes] == ["quiet"]


def test_without_colour_no_colour_is_sent() -> None:
    screen = watching("sim:demo?fault=noise-broadband")
    screen.run(5)
    assert "\x1b[0;1;31m" in run(screen, "q") or ";31" in run(screen, "q")
    assert ";31" not in run(screen, "q", plain=True)


def test_threads_listen_diagnose_and_end() -> None:
    screen = watching("sim:bench")
    screen.pump.worker.start()
    screen.pump.start()
    with screen.model.lock:
        pass
    screen.pump.finish()
    assert screen.pump.broken is None
    assert not [one for one in threading.enumerate() if one.name in ("listening", "diagnosis") and one.is_alive()]


def test_every_key_does_something_and_is_in_the_help() -> None:
    screen = watching()
    screen.run(3)
    screen.press("?")
    text = " ".join(screen.look.text)
    for key in KEYS:
        for deed in key.deeds:
            assert callable(getattr(screen.desk, f"_{deed}")), deed
        if Look().page in key.pages:
            assert key.help in text


def test_without_a_terminal_it_says_what_else_there_is() -> None:
    result = CliRunner().invoke(main, ["watch", "sim:demo"])
    assert result.exit_code == 2
    assert "needs a terminal" in result.output


def test_still_prints_one_picture() -> None:
    begun = time.monotonic()
    result = CliRunner().invoke(main, ["watch", "sim:demo", "--for", "8s", "--still", "80x24"])
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert len(lines) == 24
    assert max(map(len, lines)) <= 80
    assert "4 of 5 devices answer" in result.output
    assert time.monotonic() - begun < 30


def test_still_of_a_wrong_size_and_a_tap_that_is_not_there() -> None:
    assert CliRunner().invoke(main, ["watch", "sim:demo", "--still", "big"]).exit_code == 2
    assert CliRunner().invoke(main, ["watch", "no.pcapng", "--still", "80x24"]).exit_code == 3
