"""Where independent peers are found: node packages for MicroPython and for an emulator of the PIO, or `micropython`.

BENCHTOOL_NODE_MODULES names a folder of packages, else `.venv/peers/node_modules` beside the repository's virtual
environment is looked into (.ci/run fills it where it can). BENCHTOOL_MICROPYTHON names a micropython program.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

_ROOT = Path(__file__).parents[2]
MICROPYTHON_PACKAGE = "@micropython/micropython-webassembly-pyscript"
EMULATOR_PACKAGE = "rp2040js"


def node_package(name: str) -> Path | None:
    """The folder of a node package; None without it or without node."""
    if shutil.which("node") is None:
        return None
    places = [os.environ.get("BENCHTOOL_NODE_MODULES"), str(_ROOT / ".venv" / "peers" / "node_modules")]
    return next((Path(place) / name for place in places if place and (Path(place) / name).is_dir()), None)


def micropython_program() -> str | None:
    """A micropython on this machine, by variable or path."""
    return shutil.which(os.environ.get("BENCHTOOL_MICROPYTHON") or "micropython")
