"""`benchtool watch` as it is called: what it refuses in one line, and what it prints at the end."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchtool.commands.main import main

pytestmark = pytest.mark.skipif(os.name != "posix", reason="drives a pseudo-terminal")


class Terminal:
    """The command in a pseudo-terminal of its own."""

    def __init__(self, *arguments: str, term: str = "xterm", folder: Path) -> None:
        self.master, slave = pty.openpty()
        environment = {**os.environ, "TERM": term, "COLUMNS": "80", "LINES": "24"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchtool", "watch", *arguments],
            stdin=slave, stdout=slave, stderr=slave, cwd=folder, env=environment,
        )  # fmt: skip
        os.close(slave)
        self.text = ""

    def read(self, until: str = "") -> str:
        """What has come until `until` stands in it; until the end where that is empty."""
        give_up = time.monotonic() + 30
        while not until or until not in self.text:
            if time.monotonic() > give_up or not select.select([self.master], [], [], 10)[0]:
                self.process.kill()
                raise AssertionError(f"{until!r} did not come: {self.text[-2000:]}")
            try:
                piece = os.read(self.master, 65536)
            except OSError:  # the other end has gone
                break
            if not piece:
                break
            self.text += piece.decode("utf-8", "replace")
        return self.text

    def end(self) -> int:
        self.read()
        os.close(self.master)
        return self.process.wait(20)


@pytest.mark.parametrize("end", ["q", "\x03", signal.SIGTERM, signal.SIGHUP])
def test_each_way_to_end_it_sums_up_and_gives_the_terminal_back(end: str | signal.Signals, tmp_path: Path) -> None:
    terminal = Terminal("sim:demo", "--speed", "16", "--record", "a.pcapng", folder=tmp_path)
    terminal.read("osdp")
    if isinstance(end, str):
        os.write(terminal.master, end.encode())
    else:
        terminal.process.send_signal(end)
    assert terminal.end() == 0
    after = terminal.text[terminal.text.rindex("\x1b[?1049l") :]
    assert "sound frames: " in after
    assert "recorded in a.pcapng" in after
    assert "Traceback" not in terminal.text
    heard = CliRunner().invoke(main, ["listen", str(tmp_path / "a.pcapng")])
    assert "osdp" in heard.output


def test_a_dumb_terminal_is_refused_in_one_line(tmp_path: Path) -> None:
    terminal = Terminal("sim:demo", term="dumb", folder=tmp_path)
    assert terminal.end() == 2
    assert "cannot be drawn on" in terminal.text
    assert "prints lines, --still" in " ".join(terminal.text.split())
    assert len(terminal.text.strip().splitlines()) <= 2


def test_a_still_picture_of_a_long_capture_tells_how_far_it_has_been_read(tmp_path: Path) -> None:
    lines = (f"{at / 50} 53 01 08 00 05 60 8B 33\n" for at in range(5000))
    (tmp_path / "long.log").write_text("".join(lines))
    terminal = Terminal("long.log", "--still", "80x24", folder=tmp_path)
    assert terminal.end() == 0
    progress, _, picture = terminal.text.rpartition("  \r")  # the progress is wiped before the picture
    shares = [int(share) for share in re.findall(r"reading: (\d+)%", progress)]
    assert len(shares) > 5
    assert shares == sorted(shares)
    assert picture.lstrip().startswith("long.log  9600 8N1")


def test_a_recording_that_cannot_be_made_ends_it_before_the_screen(tmp_path: Path) -> None:
    (tmp_path / "a.pcapng").write_text("kept")
    terminal = Terminal("sim:demo", "--record", "a.pcapng", folder=tmp_path)
    assert terminal.end() != 0
    assert "is there already; add --overwrite" in terminal.text
    assert "\x1b[?1049h" not in terminal.text


def test_phantoms_of_noise_are_not_in_the_summary() -> None:
    result = CliRunner().invoke(main, ["listen", "sim:demo?fault=noise-broadband&level=1&for=60"])
    table = result.output[result.output.index("address      asked") :]
    rows = [line.split()[1] for line in table.splitlines() if line.startswith("osdp ")]
    # The scenario's readers are 1 to 5; chance frames bear other addresses.
    assert rows == ["1", "2", "3", "4", "5"]
    assert "not counted as devices" in table
