"""The files that are copied onto the board, loaded under CPython: the logic as it is, the rest over a model of rp2."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any

from tests.probe import pio_model

FOLDER = Path(__file__).parents[2] / "docs" / "probe"


@contextmanager
def modules(found: dict[str, Any]) -> Iterator[None]:
    """Modules that stand in for the board's own, meanwhile."""
    kept = {name: sys.modules.get(name) for name in found}
    sys.modules.update(found)
    try:
        yield
    finally:
        for name, module in kept.items():
            if module is None:
                sys.modules.pop(name, None)
            else:
                sys.modules[name] = module


def load(name: str) -> Any:
    """One of the files as a fresh module."""
    spec = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def rp2_module(**more: Any) -> ModuleType:
    """rp2 with the assembler of the model."""
    module = ModuleType("rp2")
    vars(module).update({"asm_pio": pio_model.asm_pio, "PIO": pio_model.Constants, **more})
    return module


def programs() -> Any:
    """probe_pio.py, assembled."""
    with modules({"rp2": rp2_module()}):
        return load("probe_pio")
