"""Poor terminals get plain stand-ins, never an error."""

from __future__ import annotations

import io
import os
import subprocess
import sys

from benchtool.commands.plain import STAND_INS, make_plain


def test_stand_ins_are_plain_themselves() -> None:
    assert all(text.isascii() for text in STAND_INS.values())


def test_a_poor_stream_gets_stand_ins() -> None:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding="ascii")
    make_plain(stream)
    stream.write("number ••• …, 60 Ω, ☃")
    stream.flush()
    assert raw.getvalue() == b"number *** ..., 60 ohm, ?"
    make_plain(io.StringIO())


def test_the_demo_runs_on_a_poor_terminal() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchtool", "demo"],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "latin-1"},
        check=True,
    )
    assert b"number ***" in done.stdout
    assert done.stderr == b""
