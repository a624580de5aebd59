"""The probe's two state-machine programs, cycle by cycle, on the model of the instructions."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.probe.board_files import load, programs
from tests.probe.pio_model import StateMachine, asm_pio

PROGRAMS: Any = programs()
LOGIC: Any = load("probe_logic")
PASS = 10
MASK = (1 << 30) - 1


def timed(
    levels: list[tuple[int, int]], cycles: int, *, drain: bool = True
) -> tuple[StateMachine, list[tuple[int, int]]]:
    """Run the edge program on levels that begin at (cycle, levels); what it pushed as (ticks, levels)."""
    machine = StateMachine(PROGRAMS.edge_program)
    now = {"levels": 3}
    machine.pins = lambda: now["levels"]
    coming = sorted(levels)
    pushed = []
    while machine.cycle < cycles:
        while coming and coming[0][0] <= machine.cycle:
            now["levels"] = coming.pop(0)[1]
        machine.step()
        if drain:
            while machine.received:
                word = machine.received.popleft()
                pushed.append((~word & MASK, word >> 30))
    return machine, pushed


def test_encoding_of_the_published_example() -> None:
    # Reference sheet 9: rp2.asm_pio_encode("set(0, 1)", 0) = 57345 (0xE001).
    @asm_pio()
    def one() -> None:
        set(pins, 1)  # type: ignore[name-defined,call-overload]  # noqa: F821

    assert one.words == [0xE001]


def test_both_programs_fit_one_block_twice() -> None:
    # 32 instructions a block (reference sheet 9); the self-test's machines run the same words.
    assert len(PROGRAMS.edge_program.words) + len(PROGRAMS.emit_program.words) <= 32


def test_the_clocks_are_whole_parts_of_the_boards() -> None:
    for board_hz in (125_000_000, 150_000_000, 200_000_000):
        for hz in (PROGRAMS.EDGE_HZ, PROGRAMS.EMIT_HZ):
            assert board_hz % hz == 0
            assert board_hz // hz <= 65536, "the divider has 16 bits (reference sheet 9)"
    assert PASS * 1_000_000_000 // PROGRAMS.EDGE_HZ == LOGIC.TICK_NS


def test_every_pass_takes_ten_cycles_whether_something_changed_or_not() -> None:
    machine = StateMachine(PROGRAMS.edge_program)
    machine.pins = lambda: 3 if machine.cycle // 35 % 3 else machine.cycle // 35 % 4
    passes = []
    while machine.cycle < 5000:
        if machine.pc == PROGRAMS.edge_program.wrap_target and not machine._delay:
            passes.append(machine.cycle)
        machine.step()
        machine.received.clear()
    assert {later - sooner for sooner, later in itertools.pairwise(passes)} == {PASS}
    assert len(passes) == 500


def test_the_first_word_is_what_the_lines_are_at_tick_0() -> None:
    for levels in range(4):
        _, pushed = timed([(0, levels)], 200)
        assert pushed == [(0, levels)]


@given(st.lists(st.tuples(st.integers(10, 400), st.integers(0, 3)), max_size=30))
def test_every_level_that_lasts_a_pass_is_told_within_one_tick(steps: list[tuple[int, int]]) -> None:
    at, levels, wanted = 100, [], [(0, 3)]
    for wait, level in steps:
        at += wait
        levels.append((at, level))
        if level != wanted[-1][1]:
            wanted.append((at, level))
    _, pushed = timed(levels, at + 50)
    assert [level for _, level in pushed] == [level for _, level in wanted]
    for (ticks, _), (cycle, _) in zip(pushed[1:], wanted[1:], strict=True):
        # Seen at the first sample after it: 0 to 400 ns late. Two cycles of start and one of the pass lie before.
        assert 0 <= ticks * PASS + 3 - cycle < PASS


@pytest.mark.parametrize("phase", range(PASS))
@pytest.mark.parametrize("width_us", [20, 50, 100])
def test_worst_error_of_a_width_is_400_ns_at_every_phase(phase: int, width_us: int) -> None:
    cycles = width_us * 25
    _, pushed = timed([(203 + phase, 2), (203 + phase + cycles, 3)], 300 + cycles)
    (_, _), (fall, _), (rise, _) = pushed
    assert abs((rise - fall) * LOGIC.TICK_NS - width_us * 1000) <= 400


def test_both_lines_at_once_and_changes_in_following_passes() -> None:
    _, pushed = timed([(100, 0), (110, 1), (120, 3), (130, 0)], 300)
    assert [level for _, level in pushed] == [3, 0, 1, 3, 0]
    ticks = [tick for tick, _ in pushed[1:]]
    assert [later - sooner for sooner, later in itertools.pairwise(ticks)] == [1, 1, 1]


def test_a_full_fifo_drops_words_and_never_time() -> None:
    machine, _ = timed([(100 * step, step % 4) for step in range(1, 20)], 2200, drain=False)
    assert len(machine.received) == 8, "joined: 8 words (reference sheet 9)"
    assert machine.dropped == 12
    assert ~machine.osr & MASK == 2200 // PASS - 1 or ~machine.osr & MASK == 2200 // PASS


def test_the_counter_goes_round() -> None:
    machine = StateMachine(PROGRAMS.edge_program)
    machine.pins = lambda: 3
    machine.run(2)
    machine.osr = 1
    machine.run(30)
    assert machine.osr == 0xFFFFFFFE


@given(
    st.lists(st.sampled_from("01"), min_size=1, max_size=40).map("".join),
    st.integers(5, 300),
    st.integers(5, 2000),
)
def test_what_is_planned_comes_out_to_the_cycle(bits: str, width: int, pause: int) -> None:
    out: list[tuple[int, int]] = []
    machine = StateMachine(PROGRAMS.emit_program, on_output=lambda cycle, levels: out.append((cycle, levels)))
    words = list(LOGIC.plan(width, width + pause, bits))
    machine.run(7)
    assert machine.stalled
    assert out == [], "without words nothing is pulled low"
    while words or machine.to_send or not machine.stalled:
        while words and len(machine.to_send) < 8:
            machine.to_send.append(words.pop(0))
        machine.step()
    assert [levels for _, levels in out] == [level for bit in bits for level in (2 if bit == "1" else 1, 0)]
    begun = [cycle for cycle, _ in out]
    assert [later - sooner for sooner, later in itertools.pairwise(begun)] == ([width, pause] * len(bits))[:-1]
    assert machine.outputs == 0, "the lines are let go"


def test_a_starved_fifo_stretches_a_pause_and_never_a_pulse() -> None:
    # Each pulse's end is a word of its own: with at least one word ahead no pulse waits. This is why the DMA feeds it.
    out: list[tuple[int, int]] = []
    machine = StateMachine(PROGRAMS.emit_program, on_output=lambda cycle, levels: out.append((cycle, levels)))
    words = list(LOGIC.plan(50, 200, "01"))
    machine.to_send.extend(words[:2])
    machine.run(1000)
    machine.to_send.extend(words[2:])
    machine.run(500)
    begun = [cycle for cycle, _ in out]
    assert begun[1] - begun[0] == 50
    assert begun[3] - begun[2] == 50
    assert begun[2] - begun[1] > 150
