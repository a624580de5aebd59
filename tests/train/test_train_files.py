"""Files of the training: lines written come back, and readings are laid down as the diagnosis takes them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchtool.diagnose.finding import Cause
from benchtool.diagnose.model import INDEX, all_sets
from benchtool.diagnose.shown import METER_SHOWS
from benchtool.train.__main__ import METERED, lines_each, metered, read, write, write_draws
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
    write_draws(path, [SHORT, PAIR, SOUND], METER_SHOWS)
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


def test_lines_for_the_meter_are_shared_out_by_set_and_come_out_the_same_again() -> None:
    sizes = lines_each(METERED, METER_SHOWS)
    assert metered(3, 1.0, 0).causes == ()
    assert metered(3, 1.0, METERED[0] - 1).causes == ()
    assert metered(3, 1.0, METERED[0]).causes == all_sets().members[1]
    last = metered(3, 1.0, int(sizes.sum()) - 1).causes
    assert last == all_sets().members[int(np.flatnonzero(sizes)[-1])]
    # Lines that differ only in what no meter shows are not drawn: others speak for them.
    assert sizes[all_sets().index((Cause.NOISE_MAINS,))] == 0
    assert sizes[all_sets().index((Cause.NOISE_MAINS, Cause.BIAS_MISSING))] == 0
    assert sizes[all_sets().index((Cause.GROUND_OFFSET, Cause.BIAS_MISSING))] == METERED[2]
    one = metered(3, 1.0, METERED[0] + 7)
    assert one == metered(3, 1.0, METERED[0] + 7)
    assert not any(name.startswith("scope") for name in one.readings)


def test_a_bus_of_one_device_has_no_other_to_measure_at() -> None:
    found = [metered(3, 1.0, number).readings for number in range(60)]
    alone = [readings for readings in found if "ab-idle@other" not in readings]
    assert 0 < len(alone) < len(found)
    assert all("ab-idle@that" in readings and "supply@other" not in readings for readings in alone)
