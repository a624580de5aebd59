"""Files of the training: lines written come back, and readings are laid down as the diagnosis takes them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import INDEX, all_sets
from benchtool.train.__main__ import read, write, write_draws
from benchtool.train.sample import Sample

SHORT = Sample(1, (Cause.PAIR_SHORTED,), None, 80.0, 9600, {"damage": None}, {"ab-ohms": 1.0, "ab-idle": 0.01})
SOUND = Sample(2, (), None, 40.0, 19200, {"damage": 0.25}, {"ab-ohms": 100.0, "supply@that": 12.0})
PAIR = Sample(3, (Cause.DEVICE_SILENT, Cause.BIAS_MISSING), 5, 60.0, 9600, {}, {"ab-ohms": float("inf")})


def test_lines_come_back_as_written(tmp_path: Path) -> None:
    path = tmp_path / "drawn.jsonl"
    write(path, iter((SHORT, SOUND)))
    assert read(path) == [SHORT, SOUND]


def test_readings_are_sorted_by_set_on_their_scale(tmp_path: Path) -> None:
    path = tmp_path / "draws.npz"
    write_draws(path, [SHORT, PAIR, SOUND])
    with np.load(path) as held:
        columns = [str(name) for name in held["columns"]]
        values, rows, lengths = held["values"], held["set"], held["length_m"]
    assert columns == ["ab-idle", "ab-ohms", "supply@that"]
    # In whichever order a pair was drawn, it is one set.
    assert list(rows) == [0, 1 + INDEX[Cause.PAIR_SHORTED], all_sets().index((Cause.BIAS_MISSING, Cause.DEVICE_SILENT))]
    assert list(lengths) == [40, 80, 60]
    # Ohms as powers of ten, volts as they are, and nothing where nothing could be read.
    assert values[:2, 1] == pytest.approx([2.0, 0.0])
    assert values[0, 2] == 12
    assert values[1, 0] == pytest.approx(0.01)
    assert np.isnan(values[0, 0])
    assert np.isnan(values[2]).all()
