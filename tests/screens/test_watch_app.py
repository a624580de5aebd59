"""The program in a terminal of our own: keys go in through a pipe, escape sequences come out into a buffer."""

from __future__ import annotations

import asyncio
import io
import threading
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.layout.controls import BufferControl
from prompt_toolkit.output import DummyOutput
from prompt_toolkit.output.vt100 import Vt100_Output

from benchtool.commands.main import main
from benchtool.screens.watch_app import make_app, run_app
from benchtool.screens.watch_keys import KEYS
from benchtool.screens.watch_look import Look
from benchtool.screens.watch_rows import Filter
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
    for wrong in ("big", "39x10", "40x9", "500x5", "1000x20"):
        result = CliRunner().invoke(main, ["watch", "sim:demo", "--still", wrong])
        assert result.exit_code == 2
        assert "40x10 to 999x999" in " ".join(result.output.split())
    assert CliRunner().invoke(main, ["watch", "no.pcapng", "--still", "80x24"]).exit_code == 3


def typed(screen: Watching, *keys: str) -> list[str]:
    """What stands in the line after each of these, typed one after the other; the last must leave it."""
    stood: list[str] = []
    with create_pipe_input() as pipe:
        app = make_app(screen.desk, screen.glyphs, input=pipe, output=DummyOutput())
        buffer = next(one for one in app.layout.find_all_controls() if isinstance(one, BufferControl)).buffer
        looked = iter(keys)

        def next_keys() -> None:
            stood.append(buffer.text)
            if (more := next(looked, None)) is not None:
                pipe.send_text(more)
                asyncio.get_running_loop().call_later(0.13, next_keys)

        app.pre_run_callables.append(next_keys)
        app.run()
    return stood


def test_a_line_brings_back_its_own_earlier_lines_and_no_secret() -> None:
    screen = watching()
    screen.run(2)
    up = "\x1b[A"
    stood = typed(
        screen, "d@4 keys 7391#\r", f"t{up}", "\x15pin 7391 is wrong\r", f"t{up}", "\x15\x1b", f"f{up}", "errors\r",
        f"m{up}", "\x15ab-ohms 61\r", f"m{up}", "\x15\x1b", "ferrors\r", "f", f"\x15{up}", "\x03",
    )  # fmt: skip
    assert not any("7391" in text for text in stood)
    assert "ab-ohms 61" in stood, "a line of no secrets comes back"


def test_enter_takes_what_stands_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    screen = watching()
    screen.run(2)
    typed(screen, "r", "\r", "q")
    screen.pump.step()
    screen.pump.stop_recording()
    (file,) = screen.pump.recorded
    assert file.path.startswith("watch-")
    screen.look.filter = Filter.parse("errors 3")
    typed(screen, "f", "\r", "q")
    assert screen.look.filter.all, "nothing typed shows everything, as its hint says"


def test_the_first_letter_takes_the_place_of_a_name_that_stands_there(tmp_path: Path) -> None:
    screen = watching()
    screen.run(2)
    name = str(tmp_path / "visit.pcapng")
    assert "watch-" in typed(screen, "r", f"{name}\r", "q")[1]
    screen.pump.step()
    screen.pump.stop_recording()
    assert [file.path for file in screen.pump.recorded] == [name]
