"""Tables of D0 and D1 in the ways programs write them: the same frame comes out, and damage is counted."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchtool.frames.card.pulses import bursts_of
from benchtool.measure.card_analog import line_figures
from benchtool.measure.card_table import read_card_table
from benchtool.measure.card_table_parts import CardTable, TableKind
from benchtool.measure.waveform_record import WaveformError

WORKED = "00110010100001111111111111"  # sheet 6.2: site 101, number 4095
FACTORS = {"s": 1e-6, "ms": 1e-3, "us": 1.0, "ns": 1e3}


def edges_us(
    bits: str = WORKED, width: int = 50, spacing: int = 1000, begin: int = 20_000
) -> list[tuple[int, int, int]]:
    """Time in us, line, level; a few microseconds off here and there, as from a real clock."""
    draw = random.Random(7)
    found = []
    for place, bit in enumerate(WORKED):
        at = 20_000 + place * spacing + draw.randrange(4)
        found += [(at, int(bit), 0), (at + width + draw.randrange(3), int(bit), 1)]
    return found


def changes(edges: list[tuple[int, int, int]]) -> list[tuple[int, int, int]]:
    """Time, D0, D1 after each edge, idle before."""
    levels = [1, 1]
    found = [(0, 1, 1)]
    for at, line, level in edges:
        levels[line] = level
        found.append((at, levels[0], levels[1]))
    return found


def read(folder: Path, text: str, **options: object) -> CardTable:
    path = folder / "table.csv"
    path.write_text(text, encoding="utf-8")
    return read_card_table(path, **options)  # type: ignore[arg-type]  # options of many types


def bits_in(table: CardTable) -> list[str]:
    return [burst.read.bits.text for burst in bursts_of(table.record) if burst.read]


@pytest.mark.parametrize("unit", FACTORS)
@pytest.mark.parametrize("said", [True, False])
def test_logic_capture_in_any_unit_said_or_not(tmp_path: Path, unit: str, said: bool) -> None:
    head = f"Time ({unit}),D0,D1\n" if said else "Time,D0,D1\n"
    rows = "".join(f"{at * FACTORS[unit]:.7g},{a},{b}\n" for at, a, b in changes(edges_us()))
    table = read(tmp_path, head + rows)
    assert table.kind is TableKind.LOGIC
    assert bits_in(table) == [WORKED]
    assert table.record.edges[0].t_ns == pytest.approx(20_000_000, abs=10_000)
    assert bool(table.notes) == (not said and unit != "s")


@pytest.mark.parametrize(
    ("head", "line"),
    [
        ("Time [s];Channel 0;Channel 1", "{t:.6f};{a};{b}"),
        ("t\tdata0\tdata1", "{t:.6f}\t{a}\t{b}"),
        ("Time[s], D1, D0", "{t:.6f}, {b}, {a}"),
        ("nr,time_s,D0,D1,trigger", "{n},{t:.6f},{a},{b},0"),
        ("Sample,Time(s),Ch A,Ch B", "{n},{t:.6f},{a},{b}"),
        ("time D0 D1", "{t:.6f} {a} {b}"),
        ("", "{t:.6f},{a},{b}"),
        ("# made by hand\nTime,ch0,ch1", "{t:.6f},{a}.0,{b}.0"),
    ],
)
def test_columns_in_any_order_and_names(tmp_path: Path, head: str, line: str) -> None:
    rows = [line.format(n=n, t=at * 1e-6, a=a, b=b) for n, (at, a, b) in enumerate(changes(edges_us()))]
    assert bits_in(read(tmp_path, "\n".join([head, *rows]) + "\n")) == [WORKED]


def test_samples_at_a_fixed_rate_have_their_step_as_resolution(tmp_path: Path) -> None:
    edges, rows, levels = edges_us(), [], [1, 1]
    for at in range(0, 60_000, 10):
        while edges and edges[0][0] <= at:
            _, line, level = edges.pop(0)
            levels[line] = level
        rows.append(f"{at},{levels[0]},{levels[1]}")
    table = read(tmp_path, "time_us,D0,D1\n" + "\n".join(rows))
    assert bits_in(table) == [WORKED]
    assert table.record.resolution_ns == 10_000


def test_changes_on_a_coarse_clock_show_their_step(tmp_path: Path) -> None:
    coarse = sorted((round(at / 10) * 10, line, level) for at, line, level in edges_us(width=53, spacing=1013))
    rows = "".join(f"{at},{a},{b}\n" for at, a, b in changes(coarse))
    assert read(tmp_path, "time_us,D0,D1\n" + rows).record.resolution_ns == 10_000


@pytest.mark.parametrize(
    "line",
    [
        "{t},D{line},{level}",
        "{t} D{line} {word}",
        "{t};data{line};{edge}",
        '{t},"ch{line}","{word}"',
        "{t},{line},{level}",
    ],
)
def test_edge_lists_in_numbers_and_words(tmp_path: Path, line: str) -> None:
    rows = [
        line.format(t=at, line=one, level=level, word=("low", "high")[level], edge=("falling", "rising")[level])
        for at, one, level in edges_us()
    ]
    table = read(tmp_path, "\n".join(rows))
    assert table.kind is TableKind.EDGES
    assert bits_in(table) == [WORKED]
    assert "us is taken" in " ".join(table.notes)


def test_inverting_input_is_turned_over_and_told(tmp_path: Path) -> None:
    rows = "".join(f"{at},{1 - a},{1 - b}\n" for at, a, b in changes(edges_us()))
    table = read(tmp_path, "time_us,D0,D1\n" + rows)
    assert bits_in(table) == [WORKED]
    assert any("inverting" in note for note in table.notes)


def test_decimal_commas_and_times_before_a_trigger(tmp_path: Path) -> None:
    rows = [f"{at * 1e-6 - 0.03:.6f};{a};{b}".replace(".", ",") for at, a, b in changes(edges_us())]
    table = read(tmp_path, "\n".join(['"Source";"D0";"D1"', '"Second";"";""', *rows]))
    assert bits_in(table) == [WORKED]
    assert table.record.begin_ns == -30_000_000


def test_bad_lines_are_counted_and_the_rest_is_read(tmp_path: Path) -> None:
    rows = [f"{at},{a},{b}" for at, a, b in changes(edges_us())]
    rows.insert(20, "rubbish")
    rows.insert(30, "12,")
    table = read(tmp_path, "time_us,D0,D1\n" + "\n".join(rows))
    assert bits_in(table) == [WORKED]
    assert any(problem.startswith("2 lines") for problem in table.problems)


def test_times_that_go_back_are_put_in_order_and_told(tmp_path: Path) -> None:
    rows = [f"{at},{a},{b}" for at, a, b in changes(edges_us())]
    rows[10], rows[40] = rows[40], rows[10]
    table = read(tmp_path, "time_us,D0,D1\n" + "\n".join(rows))
    assert bits_in(table) == [WORKED]
    assert any("times go back" in problem for problem in table.problems)


def analog(folder: Path, *, low: float = 0.3, high: float = 5.0, noise: float = 0.02, tau_us: float = 3.0) -> CardTable:
    """A scope's record at 2 us a sample: pulled down at once, pulled up with a time constant."""
    draw = random.Random(3)
    edges, rows, levels, volts = edges_us(), [], [1, 1], [high, high]
    for at in range(0, 60_000, 2):
        while edges and edges[0][0] <= at:
            _, line, level = edges.pop(0)
            levels[line] = level
        for line in (0, 1):
            goal = high if levels[line] else low
            share = 1 - 2.718281828 ** (-2 / tau_us) if levels[line] else 1.0
            volts[line] += (goal - volts[line]) * share
        rows.append(f"{at},{volts[0] + draw.gauss(0, noise):.4f},{volts[1] + draw.gauss(0, noise):.4f}")
    return read(folder, "time_us,D0 (V),D1 (V)\n" + "\n".join(rows))


def test_levels_and_edges_of_a_scope_record(tmp_path: Path) -> None:
    table = analog(tmp_path)
    assert table.kind is TableKind.ANALOG
    assert bits_in(table) == [WORKED]
    assert table.waveform is not None
    for line in line_figures(table.waveform):
        assert line.rest_v == pytest.approx(5.0, abs=0.02)
        assert line.pulse_v == pytest.approx(0.3, abs=0.05)
        assert line.rise_s is not None
        # 10 to 90 % of an exponential takes 2.2 time constants.
        assert line.rise_s == pytest.approx(2.2 * 3e-6, rel=0.15)
        assert line.overshoot_v == 0


def test_low_that_is_hardly_low_is_still_measured(tmp_path: Path) -> None:
    # A ground shift of volts (sheet 6.1): levels come from the record, and no fixed limit hides the pulses.
    table = analog(tmp_path, low=2.6)
    assert bits_in(table) == [WORKED]


def test_line_that_never_moves_is_told(tmp_path: Path) -> None:
    rows = "".join(f"{at},{5.0 if at % 1000 > 100 else 0.2},0.05\n" for at in range(0, 9000, 2))
    table = read(tmp_path, "time_us,D0 (V),D1 (V)\n" + rows)
    assert any("D1 never moves: it rests at 0.05 V, taken as low" in note for note in table.notes)
    assert table.record.high_at_begin[1] is False


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time,a,b,c,d\n" + "1,0,1,0,1\n" * 5, "which columns are D0 and D1"),
        ("", "empty"),
        ("a,b\nc,d\n", "no line of numbers"),
        ("time_us,D0,D1\n1,1,1\n", "fewer than two"),
    ],
)
def test_what_cannot_be_read_is_told_in_one_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(WaveformError, match=words):
        read(tmp_path, text)


def test_columns_can_be_named(tmp_path: Path) -> None:
    rows = "".join(f"{at},0,{b},{a},7\n" for at, a, b in changes(edges_us()))
    table = read(tmp_path, "us,x,green,white,y\n" + rows, columns=("us", "white", "3"))
    assert bits_in(table) == [WORKED]
    with pytest.raises(WaveformError, match="no column 'red'"):
        read(tmp_path, "us,x,green,white,y\n" + rows, columns=("us", "red", "3"))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(text=st.text("0123456789.,;- eD\tlowhigtime\n", max_size=300), kind=st.none() | st.sampled_from(TableKind))
def test_any_table_is_read_or_refused(tmp_path: Path, text: str, kind: TableKind | None) -> None:
    try:
        table = read(tmp_path, text, kind=kind)
    except WaveformError:
        return
    assert sum(burst.edges for burst in bursts_of(table.record)) == len(table.record.edges)
    assert list(table.record.edges) == sorted(table.record.edges, key=lambda edge: edge.t_ns)
