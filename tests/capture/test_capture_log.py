"""The octet log: what a line may look like, what its faults are called, and exact round trips."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchtool.capture.chunk import Chunk, Direction, Gap, Item, LineCounts, LineErrors, Mark, TapInfo
from benchtool.capture.files import CaptureError, Recorder, open_capture
from benchtool.capture.log import LineError, nanoseconds, parse_line, parse_octets, seconds
from benchtool.capture.log_reader import LINE_LIMIT
from benchtool.capture.problems import KEPT
from benchtool.capture.settings import CharFormat, LineSettings
from tests.capture.pcapng_samples import FIXTURES
from tests.strategies import capture_items, tap_infos

CHAR_NS = 1_041_667  # sheet section 2: 10 bits at 9600
F, P, B, O = Mark.FRAMING, Mark.PARITY, Mark.BREAK, Mark.OVERRUN  # noqa: E741  # the letters of the log


def read_text(
    tmp_path: Path, text: str | bytes, settings: LineSettings | None = None
) -> tuple[TapInfo, list[Item], list[str]]:
    path = tmp_path / "pasted.txt"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    with open_capture(path, settings) as capture:
        assert capture.kind == "octet-log"
        items = list(capture)
        return capture.info, items, capture.problems


def refused(tmp_path: Path, text: str | bytes) -> str:
    with pytest.raises(CaptureError) as caught:
        read_text(tmp_path, text)
    assert caught.value.reason == "foreign"
    assert "\n" not in str(caught.value)
    return str(caught.value)


# --- one line ---


@pytest.mark.parametrize(
    ("written", "octets", "marks"),
    [
        ("53 01 08 00", "53010800", ()),
        ("53010800", "53010800", ()),
        ("5301 0800", "53010800", ()),
        ("ff Fe aB", "fffeab", ()),
        ("0x53 0x01 0XfF", "5301ff", ()),
        ("0x530108", "530108", ()),
        ("53,01,08", "530108", ()),
        ("53, 01, 08,", "530108", ()),
        ("53:01:08", "530108", ()),
        ("53-01-08", "530108", ()),
        ("53\t01\t08", "530108", ()),
        ("56/F 00", "5600", (F, 0)),
        ("56 11/P", "5611", (0, P)),
        ("00/B", "00", (B,)),
        ("00/O 01", "0001", (O, 0)),
        ("11/PF 12", "1112", (P | F, 0)),
        ("11/P/F 12", "1112", (P | F, 0)),
        ("11/fpbo", "11", (F | P | B | O,)),
        ("0x56/F,0x11", "5611", (F, 0)),
        ("5301 08/F", "530108", (0, 0, F)),
    ],
)
def test_octets_as_people_write_them(written: str, octets: str, marks: tuple[int, ...]) -> None:
    assert parse_octets(written) == (bytes.fromhex(octets), bytes(marks))


@pytest.mark.parametrize(
    ("written", "fault"),
    [
        ("5", "'5' is not octets in hex"),
        ("530", "'530' is not octets"),
        ("53 G1", "'G1' is not"),
        ("53 01/X", "'01/X' is not"),
        ("5301/F", "a mark belongs to one octet"),
        ("53 /F", "'/F' is not"),
        ("53 01/", "'01/' is not"),
        ("５３", "is not octets"),
        ("53 \x1b[31m", "'·[31m' is not"),
        ("x" * 1000, f"'{'x' * 24}…' is not"),
    ],
)
def test_faults_in_octets(written: str, fault: str) -> None:
    with pytest.raises(LineError) as caught:
        parse_octets(written)
    assert fault in str(caught.value)


@pytest.mark.parametrize(
    ("written", "direction"),
    [
        *[(word, Direction.SENT) for word in (">", "->", "tx", "TX", "Tx:", "out", "sent", "SENT", ">:")],
        *[(word, Direction.RECEIVED) for word in ("<", "<-", "rx", "RX", "rx:", "in", "In", "received")],
        ("", Direction.UNKNOWN),
    ],
)
def test_directions(written: str, direction: Direction) -> None:
    end_ns = 1_500_000_000 + 2 * CHAR_NS
    expected = Chunk(1_500_000_000, end_ns, b"\x53\x01", b"", direction)
    assert parse_line(f"1.5 {written} 53 01", CHAR_NS) == expected
    assert parse_line(f"  1.5\t{written}\t5301 # > a remark 99\r\n", CHAR_NS) == expected


@pytest.mark.parametrize(
    ("written", "t_ns"),
    [
        ("0", 0),
        ("12", 12_000_000_000),
        ("12.", 12_000_000_000),
        (".5", 500_000_000),
        ("0.000000001", 1),
        ("+0.25", 250_000_000),
        ("-0.25", -250_000_000),
        ("1764000000.123456789", 1_764_000_000_123_456_789),  # a float would end in 768
        ("0.1234567899", 123_456_789),
        ("9223372036.854775807", 2**63 - 1),
    ],
)
def test_times_are_exact(written: str, t_ns: int) -> None:
    assert nanoseconds(written) == t_ns
    assert nanoseconds(seconds(t_ns)) == t_ns


@pytest.mark.parametrize(
    "written", ["", ".", "-", "1e3", "12:30:45", "0x10", "nan", "1_0", "9223372036.854775808", "٣"]
)
def test_what_is_no_time(written: str) -> None:
    with pytest.raises(LineError):
        nanoseconds(written)


def test_a_decimal_comma_is_explained() -> None:
    with pytest.raises(LineError, match="write the decimal point as a point"):
        parse_line("0,125 53 01", CHAR_NS)


@pytest.mark.parametrize("line", ["", "   \t\r\n", "# only a remark", "  # 0.1 53 01", "#! tap baud=9600"])
def test_lines_that_hold_nothing(line: str) -> None:
    assert parse_line(line, CHAR_NS) is None


@pytest.mark.parametrize("line", ["1.5", "1.5 <", "1.5 tx # nothing", "1.5 , ,"])
def test_a_time_without_octets_is_a_fault(line: str) -> None:
    with pytest.raises(LineError, match="no octets"):
        parse_line(line, CHAR_NS)


@pytest.mark.parametrize(
    ("line", "item"),
    [
        ("1.5 < #! until 1.5", Chunk(1_500_000_000, 1_500_000_000, b"", b"", Direction.RECEIVED)),
        ("1 53 #! until 2.5", Chunk(1_000_000_000, 2_500_000_000, b"\x53")),
        ("1 53 54 #! until 1 marked", Chunk(1_000_000_000, 1_000_000_000, b"\x53\x54", b"\0\0")),
        ("#! gap 1.5 2.5 adapter pulled out", Gap(1_500_000_000, 2_500_000_000, "adapter pulled out")),
        ("#!gap 1.5 2.5", Gap(1_500_000_000, 2_500_000_000, "")),
        ('#! gap 1 2 "two\\nlines"', Gap(1_000_000_000, 2_000_000_000, "two\nlines")),
        ("#! counts 3 framing=2 overrun=1", LineCounts(3_000_000_000, framing=2, overrun=1)),
    ],
)
def test_remarks_that_carry_more(line: str, item: Item) -> None:
    assert parse_line(line, CHAR_NS) == item


@pytest.mark.parametrize(
    "line", ["#! gap 1", '#! gap 1 2 "open', "#! counts", "#! counts 1 sparks=3", "#! counts 1 framing=-3", "#! fly 1"]
)
def test_remarks_that_cannot_be_read(line: str) -> None:
    with pytest.raises(LineError):
        parse_line(line, CHAR_NS)


# --- a whole log ---


def test_the_example_in_the_fixtures() -> None:
    with open_capture(FIXTURES / "pasted.txt", LineSettings(19200)) as capture:
        items, info = list(capture), capture.info
        assert capture.problems == [
            "line 13: 'ZZ' is not octets in hex, two digits each: line skipped (0.301 rx 53 ZZ)",
            "line 14: the time goes backwards",
        ]
    char_ns = round(10e9 / 19200)
    assert items == [
        Chunk(0, 6 * char_ns, bytes.fromhex("530008000460"), b"", Direction.SENT),
        Chunk(25_000_000, 25_000_000 + 3 * char_ns, b"\x56\x11\x00", bytes((F, P | F, B)), Direction.RECEIVED),
        Chunk(200_000_001, 200_000_001 + 4 * char_ns, bytes.fromhex("01030000")),
        Gap(210_000_000, 300_000_000, "adapter pulled out"),
        LineCounts(300_000_000, framing=3),
        Chunk(250_000_000, 250_000_000 + char_ns, b"\xff"),
    ]
    assert info == TapInfo(str(FIXTURES / "pasted.txt"), LineSettings(19200), LineErrors.MARKED, 1_000_000, 0)


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_line_ends_and_encodings(tmp_path: Path, line_end: str, encoding: str) -> None:
    lines = ["", "# Gerät am Flur", "0.5 < 53 01", "", "0.6\t>\t54", "0.7 55"]
    _, items, problems = read_text(tmp_path, line_end.join(lines).encode(encoding))
    assert [item.octets for item in items if isinstance(item, Chunk)] == [b"\x53\x01", b"\x54", b"\x55"]
    assert problems == []


def test_four_line_ends_are_not_a_pcapng_file(tmp_path: Path) -> None:
    assert len(read_text(tmp_path, b"\n\r\r\n0.5 53 01\n0.6 54\n")[1]) == 2


def test_line_error_capability_is_not_made_up(tmp_path: Path) -> None:
    assert read_text(tmp_path, "0.5 53\n")[0].line_errors is LineErrors.UNAVAILABLE
    assert read_text(tmp_path, "0.5 53/F\n")[0].line_errors is LineErrors.MARKED
    assert read_text(tmp_path, "#! tap line_errors=counted\n0.5 53\n")[0].line_errors is LineErrors.COUNTED
    late = "0.5 53\n" * 20_000 + "0.6 53/F\n0.7 53/F\n"
    info, _, problems = read_text(tmp_path, late)
    assert info.line_errors is LineErrors.UNAVAILABLE
    assert problems == ["line 20001: marks begin only here; the log is treated as blind"]


@pytest.mark.parametrize(
    ("text", "resolution_ns"),
    [
        ("0.123456789 53\n", 1_000_000),
        ("0.123 53\n", 1_000_000),
        ("0.12 53\n0.1 54", 10_000_000),
        ("12 53\n", 1_000_000_000),
        ("#! tap resolution_ns=500\n12 53\n", 500),
    ],
)
def test_time_resolution_is_not_made_up(tmp_path: Path, text: str, resolution_ns: int) -> None:
    assert read_text(tmp_path, text)[0].resolution_ns == resolution_ns


def test_settings_from_header_and_caller(tmp_path: Path) -> None:
    text = '# taken by hand\n#! tap baud=4800 format=8E1 name="flat 3, corridor"\n0 53\n'
    info, items, _ = read_text(tmp_path, text)
    assert info.settings == LineSettings(4800, CharFormat.parse("8E1"))
    assert info.name == "flat 3, corridor"
    assert items == [Chunk(0, round(11e9 / 4800), b"\x53")]
    info, items, _ = read_text(tmp_path, text, LineSettings(19200))
    assert (info.settings, items) == (LineSettings(19200), [Chunk(0, round(10e9 / 19200), b"\x53")])
    assert read_text(tmp_path, "#! tap name=flat 3\n0 53\n")[0].name == "flat 3"


def test_bad_header_is_said(tmp_path: Path) -> None:
    info, items, problems = read_text(tmp_path, "#! tap baud=fast\n0 53\n")
    assert (info.settings, len(items)) == (LineSettings(), 1)
    assert len(problems) == 1
    assert problems[0].startswith("the '#! tap' line: ")


def test_a_recording_of_a_quiet_bus_is_a_log(tmp_path: Path) -> None:
    with Recorder(tmp_path / "quiet.log", TapInfo("sim:quiet")):
        pass
    with open_capture(tmp_path / "quiet.log") as capture:
        assert list(capture) == []
        assert capture.problems == []
        assert capture.info == TapInfo("sim:quiet")


def test_bad_lines_are_counted_past_a_limit(tmp_path: Path) -> None:
    _, items, problems = read_text(tmp_path, "0 53\n" + "nonsense\n" * 1000 + "1 54\n")
    assert len(items) == 2
    assert len(problems) == KEPT + 1
    assert problems[0] == "line 2: 'nonsense' is not a time in seconds: line skipped (nonsense)"
    assert problems[-1] == f"and {1000 - KEPT} further unreadable lines"


def test_problems_are_those_of_one_reading(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("0 53\nnonsense\n")
    with open_capture(tmp_path / "a.txt") as capture:
        first = (list(capture), capture.problems)
        assert (list(capture), capture.problems) == first
        assert len(capture.problems) == 1


def test_an_abandoned_reading_leaves_the_file_usable(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("0 53\n1 54\n" * 10_000)
    with open_capture(tmp_path / "a.txt") as capture:
        iterator = iter(capture)
        next(iterator)
        assert sum(1 for _ in capture) == 20_000
        left = iter(capture)
        next(left)
    del left, iterator


def test_very_long_lines_are_skipped(tmp_path: Path) -> None:
    long = "1 " + "53 " * LINE_LIMIT
    _, items, problems = read_text(tmp_path, f"0 53\n{long}\n2 54\n{'x' * LINE_LIMIT}\n3 55\n{long}")
    assert [item.t_ns for item in items] == [0, 2_000_000_000, 3_000_000_000]
    assert problems[0] == f"line 2 is longer than {LINE_LIMIT} characters: skipped"
    assert [problem.split(":")[0] for problem in problems] == [
        f"line 2 is longer than {LINE_LIMIT} characters",
        "line 4",
        f"line 6 is longer than {LINE_LIMIT} characters",
    ]


def test_what_is_no_log_is_refused_in_one_line(tmp_path: Path) -> None:
    assert "neither a capture nor an octet log: line 1: 'Dear' is not a time" in refused(tmp_path, "Dear all,\nhello\n")
    assert "an octet log line is `0.125 53 01 08 00`" in refused(tmp_path, "Dear all,\n")
    assert "holds only comments" in refused(tmp_path, "# nothing here\n\n")
    assert "binary data" in refused(tmp_path, b"\x7fELF\0\0\0\0")
    assert "line 1" in refused(tmp_path, bytes(range(128, 256)) * 40_000)
    assert "longer than" in refused(tmp_path, "1 " + "53 " * 500_000)


# --- round trip ---


@given(tap_infos(), st.lists(capture_items(), max_size=20))
def test_what_is_written_is_read_again(
    tmp_path_factory: pytest.TempPathFactory, info: TapInfo, items: list[Item]
) -> None:
    path = tmp_path_factory.getbasetemp() / "round.log"
    with Recorder(path, info, overwrite=True) as recorder:
        for item in items:
            recorder.write(item)
    with open_capture(path) as capture:
        assert list(capture) == items
        assert capture.info == info
        assert all(
            "the time goes backwards" in problem or "further" in problem or "begin only" in problem
            for problem in capture.problems
        )


def test_written_lines_look_as_people_write_them(tmp_path: Path) -> None:
    with Recorder(tmp_path / "a.txt", TapInfo("sim:corridor", line_errors=LineErrors.MARKED)) as recorder:
        recorder.write(Chunk(125_000_000, 125_000_000 + 2 * CHAR_NS, b"\x53\xff", b"", Direction.SENT))
        recorder.write(Chunk(1_000_000_001, 1_000_000_001 + 2 * CHAR_NS, b"\x53\xff", b"\x01\x06", Direction.RECEIVED))
        recorder.write(Chunk(-500_000_000, -500_000_000 + CHAR_NS, b"\x00"))
        recorder.write(Gap(2_000_000_000, 3_000_000_000, " odd\nreason"))
    assert (tmp_path / "a.txt").read_text().splitlines()[1:] == [
        '#! tap baud=9600 format=8N1 line_errors=marked resolution_ns=0 anchor_ns=0 name="sim:corridor"',
        "0.125000 > 53 FF",
        "1.000000001 < 53/F FF/PB",
        "-0.500000 00",
        '#! gap 2.000000 3.000000 " odd\\nreason"',
    ]


def test_items_that_break_their_contract_are_refused_by_the_log(tmp_path: Path) -> None:
    with Recorder(tmp_path / "a.log", TapInfo("x")) as recorder:
        for item in (Chunk(0, 0, b"ab", b"\x01"), Chunk(1 << 63, 0, b""), Gap(0, 1 << 63, ""), LineCounts(0, -1)):
            with pytest.raises(ValueError, match=r"marks|beyond|counts"):
                recorder.write(item)


@given(st.one_of(st.text(max_size=60), st.text(alphabet="0123456789.abcFP/<>#! -:x,\ngapountsil=", max_size=60)))
def test_any_line_is_read_or_refused(text: str) -> None:
    for line in text.split("\n"):
        try:
            item = parse_line(line, CHAR_NS)
        except LineError as error:
            assert "\n" not in str(error)  # noqa: PT017  # any outcome is right, if it is one line
        else:
            assert item is None or isinstance(item, Chunk | Gap | LineCounts)
