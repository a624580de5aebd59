"""A waveform's readings in words, and beside their limits on the command line."""

from __future__ import annotations

import pytest

from benchtool.commands.measured import scope_object, scope_text
from benchtool.measure.waveform import Waveform, measure_waveform
from benchtool.measure.waveform_readings import CORE, WORDS, in_words


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("scope-idle-v", -0.254, "idle level -254 mV"),
        ("scope-overshoot", 0.155, "overshoot 15.5 %"),
        ("scope-impulses-per-s", 12.0, "impulses a second 12"),
        ("scope-of-no-kind", 1.0, "of-no-kind 1"),
    ],
)
def test_in_words(name: str, value: float, text: str) -> None:
    assert in_words(name, value) == text


def test_every_core_reading_has_words() -> None:
    assert set(WORDS) == set(CORE)


def test_a_quiet_record_is_shown_with_its_limits() -> None:
    figures = measure_waveform(Waveform.of([n * 1e-5 for n in range(2000)], [0.05] * 2000))
    text = scope_text(figures)
    assert text[0].startswith("WAVEFORM")
    # Sheet 1.1: +200 mV or more is one state; 50 mV is undefined.
    assert any("idle" in line and "50 mV" in line and "fail" in line for line in text)
    assert any(row["name"].startswith("idle") and row["verdict"] == "fail" for row in scope_object(figures))
