"""Pictures of waveforms: that they are drawn, say what they must in words, and hide what must be hidden."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from benchtool.capture.settings import LineSettings
from benchtool.frames.osdp.build import build_frame
from benchtool.measure.waveform import Waveform, WaveformFigures, find_eye, measure_waveform
from benchtool.reports.waveform_plot import edge_svg, eye_svg, record_svg, waveform_part, write_picture
from benchtool.wire.uart import encode

REQUEST = bytes.fromhex("1103006B00037687")
"""sheet 3.3 (READ)"""


def shot(*bursts: bytes, common: bool = True, per_bit: int = 40) -> tuple[Waveform, WaveformFigures]:
    """Bursts 30 bits apart at 9600 bit/s."""
    line = LineSettings(9600)
    signals = [encode(octets, line) for octets in bursts]
    starts = np.cumsum([30 / 9600, *(signal.duration_s + 30 / 9600 for signal in signals)])
    time = np.arange(0, starts[-1], 1 / 9600 / per_bit)
    volts = np.full(len(time), 0.25)
    for signal, start in zip(signals, starts, strict=False):
        driven = (time > start - 1e-4) & (time < start + signal.duration_s)
        volts = np.where(driven, np.where(signal.marks_at(time - start), 2.4, -2.4), volts)
    waveform = Waveform.of(time, volts, np.full(len(time), 2.5) if common else None)
    return waveform, measure_waveform(waveform)


def words(svg: str) -> list[str]:
    ElementTree.fromstring(svg)
    return [re.sub(r"<[^>]+>", "", text).strip() for text in re.findall(r"<text[^>]*>(.*?)</text>", svg, re.DOTALL)]


def test_the_record_shows_the_octets_in_words() -> None:
    waveform, figures = shot(REQUEST)
    said = words(record_svg(waveform, figures))
    assert [text for text in said if text in {f"{octet:02X}" for octet in REQUEST}] == [f"{o:02X}" for o in REQUEST]
    assert "A - B, V" in said
    assert any("B broken line" in text for text in said)


def test_without_ground_there_is_no_picture_of_the_wires() -> None:
    waveform, figures = shot(REQUEST, common=False)
    assert not any("B broken line" in text for text in words(record_svg(waveform, figures)))


def card() -> bytes:
    """A card read of 26 invented bits."""
    data = bytes([0, 1, 26, 0, 0x35, 0x64, 0xC0, 0x00])
    return build_frame(5, 0x50, data, sequence=1, reply=True)


def test_card_data_is_not_drawn_unless_asked_for() -> None:
    waveform, figures = shot(card())
    assert any(frame.ok for frame in figures.frames)
    hidden, shown = (words(record_svg(waveform, figures, show_secrets=secrets)) for secrets in (False, True))
    assert not {"35", "64", "C0"} & set(hidden)
    assert {"35", "64"} <= set(shown)


def test_a_burst_without_card_data_is_preferred() -> None:
    poll = build_frame(5, 0x60, sequence=1)
    waveform, figures = shot(card(), poll)
    said = words(record_svg(waveform, figures))
    assert "60" in said
    assert "35" not in said


def test_the_edge_names_the_first_echo_and_its_distance() -> None:
    time = np.arange(0, 0.02, 2e-8)
    signal = encode(REQUEST, LineSettings(9600))
    levels = np.where(signal.marks_at(time - 0.005), 1.0, -1.0)
    late = np.where(signal.marks_at(time - 0.005 - 2e-6), 1.0, -1.0)
    figures = measure_waveform(Waveform.of(time, 1.6 * levels + 0.8 * late))
    assert figures.step_share == pytest.approx(1 / 3, abs=0.02)
    # 2 us there and back at 0.66 of the speed of light: 198 m (sheet 1.5, 5.054 ns/m)
    assert figures.step_m == pytest.approx(198, rel=0.02)
    assert any(re.fullmatch(r"\+33%, 19\d m", text) for text in words(edge_svg(figures)))


def test_nothing_to_draw() -> None:
    time = np.linspace(0, 0.01, 500)
    waveform = Waveform.of(time, np.full(500, 0.25))
    figures = measure_waveform(waveform)
    part = waveform_part(waveform, figures)
    assert [plot.title for plot in part.plots] == ["The record"]
    assert "No characters" in part.plots[0].caption
    with pytest.raises(ValueError, match="no edge"):
        edge_svg(figures)


def test_the_report_gets_pictures_captions_and_checks() -> None:
    waveform, figures = shot(REQUEST)
    part = waveform_part(waveform, figures)
    assert [plot.title for plot in part.plots] == ["The record", "The mean edge", "The eye"]
    assert "8 octets at 9600 bit/s, 8N1" in part.plots[0].caption
    assert "4.8 V" in part.plots[2].caption
    assert part.checks == figures.checks()
    assert sum(len(plot.svg) for plot in part.plots) < 400_000


def test_the_eye_says_where_a_receiver_looks() -> None:
    waveform, figures = shot(REQUEST)
    eye = find_eye(waveform, figures)
    assert eye is not None
    assert "bits; a receiver looks at 0.5" in words(eye_svg(eye))


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_files(tmp_path: Path, kind: str) -> None:
    waveform, figures = shot(REQUEST)
    written = write_picture(tmp_path / f"scope.{kind}", waveform, figures)
    assert [path.name for path in written] == [f"scope.{kind}", f"scope-edge.{kind}", f"scope-eye.{kind}"]
    first = b"\x89PNG" if kind == "png" else b"<?xml"
    assert all(path.read_bytes().startswith(first) for path in written)


def test_other_kinds_of_file_are_refused(tmp_path: Path) -> None:
    waveform, figures = shot(REQUEST)
    with pytest.raises(ValueError, match=r"neither \.png nor \.svg"):
        write_picture(tmp_path / "scope.bmp", waveform, figures)


def test_long_records_are_drawn_by_their_extremes() -> None:
    waveform, figures = shot(*[REQUEST] * 4, per_bit=400)
    volts = waveform.difference_v.copy()
    volts[150] = 40.0
    spiked = Waveform.of(waveform.time_s, volts)
    drawn = record_svg(spiked, figures)
    assert len(drawn) < 200_000
    # The axis reaches to the spike.
    assert "40" in words(drawn)
