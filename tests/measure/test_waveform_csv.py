"""Tables as oscilloscopes and circuit simulators write them: the same samples must come out of all of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchtool.measure import waveform_csv
from benchtool.measure.waveform import Waveform, WaveformError, read_waveform

TIME = np.array([-3e-6, -1e-6, 0.0, 1e-6, 2.5e-6, 4e-6, 7e-6, 8e-6, 9e-6, 1.1e-5])
A = np.array([2.6, 2.6, 2.6, 3.8, 3.8, 1.2, 1.2, 3.8, 2.6, 2.6])
B = np.array([2.4, 2.4, 2.4, 1.2, 1.2, 3.8, 3.8, 1.2, 2.4, 2.4])


def table(head: str, row: Callable[[float, float, float], str], end: str = "\n") -> str:
    return head + "".join(row(*sample) + end for sample in zip(TIME, A, B, strict=True))


def plain(separator: str, scale_t: float = 1.0, scale_v: float = 1.0) -> Callable[[float, float, float], str]:
    return lambda t, a, b: separator.join(f"{value:.9e}" for value in (t * scale_t, a * scale_v, b * scale_v))


def comma(t: float, a: float, b: float) -> str:
    return ";".join(f"{value:.6f}".replace(".", ",") for value in (t * 1e3, a * 1e3, b * 1e3))


def read(tmp_path: Path, text: str | bytes, **options: object) -> Waveform:
    path = tmp_path / "scope.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_waveform(path, **options)  # type: ignore[arg-type]


BOTH_WIRES = {
    "simulator": table("time,v(a),v(b)\n", plain(",")),
    "windows line ends": table("time,a,b\r\n", plain(","), "\r\n"),
    "byte order mark": "\ufeff" + table("time,a,b\n", plain(",")),
    "no heading": table("", plain(" ")),
    "tabs": table("time\tV(bus_a)\tV(bus_b)\n", plain("\t")),
    "time before each voltage": table("", lambda t, a, b: f" {t:.9e} {a:.9e}  {t:.9e} {b:.9e} "),
    "the same with names": table(" time v(n1a) time v(n1b)\n", lambda t, a, b: f" {t:.9e} {a:.9e}  {t:.9e} {b:.9e} "),
    "decimal comma": table("Zeit [ms];A [mV];B [mV]\n", comma),
    "a line of units": table("Time,Channel A,Channel B\n(us),(V),(V)\n\n", plain(",", 1e6)),
    "units in names": table("time_us,a_mv,b_mv\n", plain(",", 1e6, 1e3)),
    "words for units": table("time (microseconds),A (volts),B (volts)\n", plain(",", 1e6)),
    "lines before the heading": table("Model,X1\nRecord,12\ntime,A,B\n", plain(",")),
    "a comment sign": table("# time a b\n", plain(" ")),
    "differential names": table("t,D+,D-\n", plain(",")),
    "p and n": table("time,line_p,line_n\n", plain(",")),
    "two channels": table("Time (s),CH1 (V),CH2 (V)\n", plain(",")),
    "trailing separator": table("time,a,b,\n", plain(","), ",\n"),
    "quotes": table('"time","a","b"\n', lambda t, a, b: f'"{t:.9e}","{a:.9e}","{b:.9e}"'),
    "one line that is no sample": table("time,a,b\n", plain(",")).replace("\n0.0", "\noverload\n0.0", 1),
    "an empty cell in a line more": table("time,a,b\n", plain(",")) + "1.0e-5,,2.4\n",
}


@pytest.mark.parametrize("name", BOTH_WIRES)
def test_both_wires(tmp_path: Path, name: str) -> None:
    waveform = read(tmp_path, BOTH_WIRES[name])
    assert waveform.time_s == pytest.approx(TIME, abs=1e-12)
    assert waveform.difference_v == pytest.approx(A - B)
    assert waveform.common_v is not None
    assert waveform.common_v == pytest.approx((A + B) / 2)


@pytest.mark.parametrize("head", ["time,a-b\n", "t,diff\n", "time,V(a,b)\n", "time,v(a)-v(b)\n", "time,x\n", ""])
def test_the_difference_alone(tmp_path: Path, head: str) -> None:
    separator = ";" if "a,b" in head else ","
    text = table(head.replace("time,", f"time{separator}"), lambda t, a, b: f"{t:.9e}{separator}{a - b:.9e}")
    waveform = read(tmp_path, text)
    assert waveform.difference_v == pytest.approx(A - B)
    assert waveform.common_v is None


def test_a_counted_first_column_is_no_time(tmp_path: Path) -> None:
    rows = "".join(f"{n}\t{t:.9e}\t{a:.9e}\t{b:.9e}\n" for n, (t, a, b) in enumerate(zip(TIME, A, B, strict=True)))
    for head in ("", "Index   time   v(a)   v(b)\n--------------------\n"):
        assert read(tmp_path, head + rows).time_s == pytest.approx(TIME)


def test_what_is_given_goes_before_what_is_said(tmp_path: Path) -> None:
    text = table("time (us),a (mV),b (mV)\n", plain(","))
    waveform = read(tmp_path, text, time_unit="s", volt_unit="V")
    assert waveform.time_s == pytest.approx(TIME)
    assert waveform.difference_v == pytest.approx(A - B)


@pytest.mark.parametrize("columns", [["time", "v(b)", "v(a)"], ["1", "3", "2"], ["time", "B", "a"]])
def test_columns_by_name_or_number(tmp_path: Path, columns: list[str]) -> None:
    waveform = read(tmp_path, table("time,v(a),v(b)\n", plain(",")), columns=columns)
    assert waveform.difference_v == pytest.approx(B - A)


def test_two_columns_named_are_time_and_difference(tmp_path: Path) -> None:
    waveform = read(tmp_path, table("time,v(a),v(b)\n", plain(",")), columns=["time", "v(a)"])
    assert waveform.difference_v == pytest.approx(A)


def test_more_than_one_pair_is_said(tmp_path: Path) -> None:
    rows = "".join(f"{t:.9e},{a:.9e},{b:.9e},1,0\n" for t, a, b in zip(TIME, A, B, strict=True))
    waveform = read(tmp_path, "time,v(a1),v(b1),v(a2),v(b2)\n" + rows)
    assert waveform.difference_v == pytest.approx(A - B)
    assert "v(a1)" in waveform.notes[0]
    assert "more than one pair" in waveform.notes[0]


def test_what_cannot_be_volts_is_taken_as_millivolts_and_said(tmp_path: Path) -> None:
    waveform = read(tmp_path, table("time,a,b\n", plain(",", 1, 1e3)))
    assert waveform.difference_v == pytest.approx(A - B)
    assert any("millivolts" in note for note in waveform.notes)


def test_left_out_lines_are_counted(tmp_path: Path) -> None:
    waveform = read(tmp_path, BOTH_WIRES["one line that is no sample"])
    assert any("1 lines are no samples" in note for note in waveform.notes)


REFUSED = [
    ("", "empty"),
    ("hello\nworld\n", "no line of numbers"),
    ("1,2\n2,3\n", "only 2 lines"),
    ("time,x,y,z\n" + "1e-6,1,2,3\n" * 9, "name time, A and B"),
    (table("time,a,b\n", plain(",", 1e6)), "give the time unit"),
    (b"\xff\xfet\x00i\x00", "UTF-16"),
    (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "no text"),
    ("1e-6,nan\n" * 12, "usable samples"),
]


@pytest.mark.parametrize(("text", "words"), REFUSED, ids=[words for _, words in REFUSED])
def test_what_is_no_waveform_is_refused_in_one_line(tmp_path: Path, text: str | bytes, words: str) -> None:
    if words == "give the time unit":
        # Milliseconds apart if they were seconds: no serial line can be seen so.
        text = table("", plain(",", 1e6))
    with pytest.raises(WaveformError, match=words) as caught:
        read(tmp_path, text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"time_unit": "h"}, "write s, ms, us or ns"),
        ({"volt_unit": "A"}, "write V or mV"),
        ({"columns": ["time"]}, "two columns"),
        ({"columns": ["time", "q"]}, "no column 'q'; there are time, v\\(a\\), v\\(b\\)"),
        ({"columns": ["9", "2"]}, "no column '9'"),
    ],
)
def test_options_that_cannot_be_are_refused(tmp_path: Path, options: dict[str, object], words: str) -> None:
    with pytest.raises(WaveformError, match=words):
        read(tmp_path, BOTH_WIRES["simulator"], **options)


def test_a_missing_file_is_the_systems_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        read_waveform(tmp_path / "none.csv")


def test_files_are_read_in_pieces(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waveform_csv, "_PIECE", 37)
    waveform = read(tmp_path, BOTH_WIRES["simulator"].rstrip("\n"))
    assert waveform.difference_v == pytest.approx(A - B)


def test_a_line_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(waveform_csv, "_PIECE", 64)
    with pytest.raises(WaveformError, match="one line is longer"):
        read(tmp_path, "time,a\n" + "1e-6,2\n" * 12 + "7" * 1000)


def test_arrays_are_put_in_order() -> None:
    order = np.array([3, 1, 2, 0, 4, 5, 7, 6, 8, 9, 9])
    waveform = Waveform.of_wires(TIME[order], A[order], B[order])
    assert waveform.time_s.tolist() == TIME.tolist()
    assert waveform.difference_v == pytest.approx(A - B)
    assert any("sorted" in note for note in waveform.notes)
    wires = waveform.wires_v
    assert wires is not None
    assert wires[0] == pytest.approx(A)
    assert wires[1] == pytest.approx(B)


def test_arrays_that_do_not_fit_are_refused() -> None:
    with pytest.raises(WaveformError, match="differ in number"):
        Waveform.of(TIME, A[:-1])
    with pytest.raises(WaveformError, match="two wires differ"):
        Waveform.of_wires(TIME, A, B[:-1])
    with pytest.raises(WaveformError, match="at least 8"):
        Waveform.of(TIME[:5], A[:5])
