"""Files of card data as sources: what a file is is found out, damage is counted, and nothing is a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchtool.capture.card_lines import LineRecord
from benchtool.frames.card.formats import find_formats
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


CONVERTER_TABLES = {
    "bits": [f"{n}\t26\t{WORKED}" for n in range(10)],
    "numbers": ["time,site code,card number", *(f"{n}.5,101,4095" for n in range(90))],
    "hex": ["Time,Length,Hex", *(f"{n}.5,26,0CA1FFF" for n in range(10))],
    "lengths in brackets": [f"{n}.5 s  [26] {WORKED}" for n in range(10)],
}


@pytest.mark.parametrize("lines", CONVERTER_TABLES.values(), ids=CONVERTER_TABLES)
def test_a_table_of_cards_is_no_scope_record(lines: list[str], tmp_path: Path) -> None:
    """Taken for volts, cards would stand in the levels, which nobody hides."""
    path = tmp_path / "t.csv"
    path.write_text("\n".join(lines))
    with open_card_source(str(path)) as source:
        assert source.info.source is Source.CONVERTER
    found = frames(open_card_source(str(path), CardOptions(row=find_formats("26-bit")[0])))
    assert {read.bits.text for read in found} == {WORKED}


def test_numbers_without_a_heading_are_no_card(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("\n".join(f"{n}.5;101;54095" for n in range(20)))
    source = open_card_source(str(path))
    assert not frames(source)
    assert "several numbers and no heading" in source.problems[0]


def test_no_volts_that_cannot_be(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text("\n".join(f"{n},51234,{n % 2}.5" for n in range(100)))
    with pytest.raises(TapError, match="volts of a reader's lines they cannot be") as told:
        frames(open_card_source(str(path)))
    assert "51234" not in str(told.value)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("time (us),CH1 (V)\n" + "\n".join(f"{5 * n},5.00" for n in range(100)), "one line only"),
        (
            "t [us],wire,state\n1,green,0\n2,green,1\n3,white,0\n4,white,1",
            "called green and white: rename them D0 and D1",
        ),
        ("t,line,level\n1,D1,0\n2,D1,1\n3,D2,0\n4,D2,1", "called d1 and d2: rename them D0 and D1"),
    ],
)
def test_what_is_no_record_of_both_lines_is_told(text: str, told: str, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(text)
    with pytest.raises(TapError, match=told):
        frames(open_card_source(str(path)))


def edge_rows(comma: bool, separator: str) -> str:
    """The worked frame as an edge list: 50 us pulses, 1 ms apart, in seconds."""
    rows = (
        ["Zeit [s]", "Leitung", "Pegel"],
        *(
            [f"{0.04 + n / 1000 + (0 if level == 0 else 5e-5):.7f}", f"D{bit}", str(level)]
            for n, bit in enumerate(WORKED)
            for level in (0, 1)
        ),
    )
    lines = [separator.join(row) for row in rows]
    return "\n".join(line.replace(".", ",") if comma else line for line in lines)


@pytest.mark.parametrize(("comma", "separator"), [(True, ";"), (True, "\t"), (False, ","), (False, ";"), (False, " ")])
def test_edge_lists_with_decimal_commas(comma: bool, separator: str, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(edge_rows(comma, separator).replace("Zeit [s]", "Zeit_[s]" if separator == " " else "Zeit [s]"))
    (read,) = frames(open_card_source(str(path)))
    assert read.bits.text == WORKED
    assert read.pulses is not None
    assert {round(pulse.width_ns, -3) for pulse in read.pulses} == {50_000}


def test_levels_in_words(tmp_path: Path) -> None:
    rows = ["Time[s],D0,D1", "0,H,H"]
    for n, bit in enumerate(WORKED):
        at = 0.04 + n / 1000
        rows += [f"{at:.6f},{'L,H' if bit == '0' else 'H,L'}", f"{at + 5e-5:.6f},H,H"]
    path = tmp_path / "t.csv"
    path.write_text("\n".join(rows))
    assert [read.bits.text for read in frames(open_card_source(str(path)))] == [WORKED]


def test_a_heading_that_names_levels_makes_a_short_table_one(tmp_path: Path) -> None:
    path = tmp_path / "short.csv"
    path.write_text("time_us,line,level\n0,D0,0\n50,D0,1\n")
    assert [read.bits.text for read in frames(open_card_source(str(path)))] == ["0"]
    path.write_text("time,D0,D1\n0,5,5\n1e-6,0,5\n2e-6,5,5\n")
    with pytest.raises(TapError, match="fewer than eight samples"):
        frames(open_card_source(str(path)))
