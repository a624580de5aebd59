"""`benchtool practice` run with piped answers, its progress kept in a folder of the test's own."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchtool.commands.main import main


def practise(*words: str, typed: str = "") -> Result:
    """Run it."""
    return CliRunner().invoke(main, ["practice", *words], input=typed)


def at_home(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    """What it keeps, and what it writes, goes into that folder."""
    monkeypatch.setenv("BENCHTOOL_HOME", str(folder / "home"))
    monkeypatch.chdir(folder)
