"""Files of card data as sources: what a file is is found out, damage is counted, and nothing is a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchtool.capture.card_lines import LineRecord
from benchtool.frames.card.pulses import PulseReader
from benchtool.frames.card.read import CardRead, Source
from benchtool.taps.card_address import open_card_source
from benchtool.taps.card_file import KINDS, CardFile, CardOptions, is_capture
from benchtool.taps.card_source import CardSource
from benchtool.taps.tap import TapError

WORKED = "00110010100001111111111111"  # sheet 6.2: site 101, number 4095
FIXTURES = Path(__file__).parent.parent.parent / "fixtures" / "card-lines"


def frames(source: CardSource) -> list[CardRead]:
    """All reads of a source, opened and closed."""
    found: list[CardRead] = []
    with source:
        reader = PulseReader(source.info.source, source.info.where)
        while not source.ended:
            for item in source.read(0):
                if isinstance(item, LineRecord):
                    found += [burst.read for burst in reader.feed(item) if burst.read]
                else:
                    found.append(item)
        found += [burst.read for burst in reader.flush() if burst.read]
    return found


@pytest.mark.parametrize(
    ("name", "source", "count"),
    [
        ("edges.csv", Source.EDGES, 3),
        ("short-pulses.csv", Source.EDGES, 2),
        ("sampled-10us.csv", Source.EDGES, 1),
        ("scope.csv", Source.ANALOG, 1),
        ("converter.txt", Source.CONVERTER, 5),
    ],
)
def test_every_kind_of_file_is_known_by_looking(name: str, source: Source, count: int) -> None:
    reads = frames(open_card_source(str(FIXTURES / name)))
    assert [read.bits.text for read in reads] == [WORKED] * count
    assert {read.source for read in reads} == {source}
    assert all((read.pulses is None) == (source is Source.CONVERTER) for read in reads)


def test_decimal_commas_are_a_table(tmp_path: Path) -> None:
    text = (FIXTURES / "scope.csv").read_text().replace(",", ";").replace(".", ",")
    path = tmp_path / "scope.csv"
    path.write_text(text)
    assert [read.bits.text for read in frames(CardFile(str(path)))] == [WORKED]


def test_times_of_another_manner_are_left_out() -> None:
    reads = frames(open_card_source(str(FIXTURES / "converter.txt")))
    assert [read.t_ns for read in reads] == [0, 3_650_000_000, None, None, None]
    assert [read.built for read in reads] == [False] * 4 + [True]


def test_clock_begins_anew_at_midnight(tmp_path: Path) -> None:
    path = tmp_path / "night.txt"
    path.write_text(f"23:59:59 {WORKED}\n00:00:02 {WORKED}\n")
    assert [read.t_ns for read in frames(CardFile(str(path)))] == [0, 3_000_000_000]


def test_single_bits_make_frames_between_blank_lines(tmp_path: Path) -> None:
    path = tmp_path / "bits.txt"
    path.write_text("\n".join(WORKED) + "\n\n" + "\n".join("0101") + "\n")
    assert [read.bits.text for read in frames(CardFile(str(path)))] == [WORKED, "0101"]


def test_lines_that_gave_no_read_are_counted_without_what_stood_there() -> None:
    source = open_card_source(str(FIXTURES / "converter.txt"))
    frames(source)
    told = " ".join(source.problems)
    assert "line 6 gave no read" in told
    assert "line 8 gave no read: hex without its length" in told
    assert "0CA1FFF" not in told


@pytest.mark.parametrize(
    ("content", "reason", "words"),
    [
        (b"", "foreign", "nothing in it"),
        (b"\x00\x01\x02\x03", "foreign", "neither text nor a capture"),
        (b"# benchtool edges 1\n", "foreign", "without any edge"),
        (b"t,a,b,c,d\n1,0,1,0,1\n2,0,1,0,1\n3,0,1,1,1\n4,1,1,1,1\n", "foreign", "which columns"),
    ],
)
def test_what_is_no_card_data_is_refused_in_one_line(tmp_path: Path, content: bytes, reason: str, words: str) -> None:
    path = tmp_path / "file"
    path.write_bytes(content)
    with pytest.raises(TapError, match=words) as caught, CardFile(str(path)):
        pass
    assert caught.value.reason == reason
    assert "\n" not in str(caught.value)


def test_file_that_is_not_there() -> None:
    with pytest.raises(TapError) as caught, CardFile("/no/such/file"):
        pass
    assert caught.value.reason == "absent"


def test_captures_are_told_from_converter_lines(tmp_path: Path) -> None:
    log = tmp_path / "log.txt"
    log.write_text("0.000 > 53 00 08 00 04 60\n0.025 < 53 80 08 00 04 40\n")
    assert is_capture(str(log))
    for name in ("converter.txt", "edges.csv", "scope.csv"):
        assert not is_capture(str(FIXTURES / name))
    octets = tmp_path / "octets.txt"
    octets.write_text("12.345 32 87 FF C0\n")
    assert not is_capture(str(octets))
    assert not is_capture("/no/such/file")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    content=st.binary(max_size=400) | st.text("01ABx:/,; \n.Dtime", max_size=300).map(str.encode),
    kind=st.none() | st.sampled_from(KINDS[:4]),
)
def test_any_file_is_read_or_refused(tmp_path: Path, content: bytes, kind: str | None) -> None:
    path = tmp_path / "any"
    path.write_bytes(content)
    try:
        reads = frames(CardFile(str(path), CardOptions(kind)))
    except TapError:
        return
    assert all(0 < read.bits.length <= 1 << 20 for read in reads)
