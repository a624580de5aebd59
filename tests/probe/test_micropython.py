"""probe_logic.py does the same under CPython and under MicroPython, octet for octet."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.probe.board_files import FOLDER
from tests.probe.peers import MICROPYTHON_PACKAGE, micropython_program, node_package

HERE = Path(__file__).parent
RUN = "import sys; sys.path[:0] = [{!r}, {!r}]; import vectors; vectors.main()"


def printed(words: list[str]) -> list[str]:
    done = subprocess.run(words, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout.splitlines()


@pytest.fixture(scope="module")
def expected() -> list[str]:
    return printed([sys.executable, "-c", RUN.format(str(FOLDER), str(HERE))])


def test_the_vectors_reach_what_they_are_for(expected: list[str]) -> None:
    text = "\n".join(expected)
    assert len(expected) > 600
    for part in (
        " E ",
        " B ",
        " I ",
        " O ",
        " S ",
        " A ",
        " N ",
        "busy",
        "sound",
        "unknown",
        "width",
        "words",
        "'stop'",
    ):
        assert part in text, part
    assert sum(line.startswith("line") and "[]" not in line for line in expected) > 60
    assert sum(line.startswith("line") and "[]" in line for line in expected) > 60


@pytest.mark.peer
@pytest.mark.skipif(micropython_program() is None, reason="no micropython (BENCHTOOL_MICROPYTHON names one)")
def test_micropython_on_this_machine(expected: list[str]) -> None:
    program = micropython_program()
    assert program is not None
    assert printed([program, "-c", RUN.format(str(FOLDER), str(HERE))]) == expected


@pytest.mark.peer
@pytest.mark.skipif(
    node_package(MICROPYTHON_PACKAGE) is None, reason=f"no node, or no {MICROPYTHON_PACKAGE} (tests/probe/peers.py)"
)
def test_micropython_for_webassembly(expected: list[str]) -> None:
    files = [*(str(FOLDER / name) for name in ("main.py", "probe_pio.py", "probe_logic.py")), str(HERE / "vectors.py")]
    script = str(HERE / "peer_micropython.mjs")
    assert printed(["node", script, str(node_package(MICROPYTHON_PACKAGE)), *files]) == expected
