"""Talking to the probe, and what it saw as pieces of a record: its own program at the other end, in virtual time."""

from __future__ import annotations

import itertools
import os
import pty
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.capture.card_lines import LineRecord
from benchtool.frames.card.pulses import PulseReader
from benchtool.taps import probe_emit
from benchtool.taps.card_address import open_card_source
from benchtool.taps.live import SourceLostError
from benchtool.taps.probe import Ask, ProbeLink, RefusedError
from benchtool.taps.probe_emit import Emitted, ProbeEmitter, why_not
from benchtool.taps.probe_port import open_probe_port
from benchtool.taps.probe_source import ProbeSource
from benchtool.taps.tap import TapError
from tests.probe.logic_board import LOGIC, LogicBoard
from tests.taps.fakes import MS, FakeClock

CARD = "00110010100001111111111111"
"""26-bit, site code 101, number 4095 (reference sheet 6.2)."""


class Port:
    """The probe's program behind a port that loses what it is told to."""

    def __init__(self, clock: FakeClock, **board: Any) -> None:
        self.clock = clock
        self.began_ns = clock.time_ns
        self.board = LogicBoard(lambda: (clock.time_ns - self.began_ns) // MS, **board)
        self.probe = LOGIC.Probe(self.board)
        self.to_us: Callable[[bytes], bytes] = lambda octets: octets
        self.to_probe: Callable[[bytes], bytes] = lambda octets: octets
        self.dead = ""
        self.closed = 0

    def read(self, timeout_s: float) -> bytes:
        end_ns = self.clock.time_ns + round(timeout_s * 1e9)
        while True:
            if self.dead == "gone":
                raise SourceLostError("the device hung up")
            if not self.dead:
                self.probe.step()
            said, self.board.said = self.to_us(bytes(self.board.said)), bytearray()
            if said or self.clock.time_ns >= end_ns:
                return said
            self.clock.time_ns += MS

    def write(self, octets: bytes) -> None:
        if self.dead == "gone":
            raise SourceLostError("no such device")
        self.board.to_probe += self.to_probe(octets)

    def close(self) -> None:
        self.closed += 1

    @property
    def ticks(self) -> int:
        """Now, on the probe's clock."""
        return (self.clock.time_ns - self.began_ns) // MS * 2500

    def show(self, bits: str, *, later: int = 0, width: int = 125, spacing: int = 2500) -> None:
        for number, bit in enumerate(bits):
            self.board.pulse(self.ticks + later + number * spacing, int(bit), width)


@pytest.fixture
def port() -> Port:
    return Port(FakeClock())


def opened(port: Port, kind: type[Any] = ProbeLink) -> Any:
    made = kind("probe:/dev/x", clock=port.clock, opener=lambda _: port)
    made.open()
    return made


def run(source: ProbeSource, port: Port, ms: int) -> list[LineRecord]:
    end_ns = port.clock.time_ns + ms * MS
    pieces: list[LineRecord] = []
    while port.clock.time_ns < end_ns:
        for item in source.read(0.05):
            assert isinstance(item, LineRecord)
            pieces.append(item)
    return pieces


def bits_of(pieces: list[LineRecord]) -> list[str]:
    reader = PulseReader()
    return [burst.read.bits.text for piece in pieces for burst in reader.feed(piece) if burst.read is not None]


def test_hello_levels_counters_and_test(port: Port) -> None:
    link = opened(port)
    assert link.facts["program"] == LOGIC.PROGRAM
    assert link.tick_ns == 400
    assert link.ask(Ask.LEVELS) == "z"
    assert link.ask(Ask.TEST) == "sound"
    assert link.ask(Ask.COUNTERS) == "edges=0 overruns=0 damaged=0"
    link.close()
    link.close()
    assert port.closed == 1


def test_a_link_that_listens_has_no_way_to_emit(port: Port) -> None:
    link = opened(port)
    assert not hasattr(link, "send")
    assert {ask.value for ask in Ask} == {"hello", "levels", "counters", "test"}


def test_a_failed_self_test_is_refused_with_its_word() -> None:
    link = opened(Port(FakeClock(), test="edges"))
    with pytest.raises(RefusedError, match="edges=4"):
        link.ask(Ask.TEST)


def test_a_command_or_answer_lost_on_the_way_is_repeated_and_done_once(port: Port) -> None:
    emitter = opened(port, ProbeEmitter)
    losses = [True, False, True, False, False]
    port.to_probe = lambda octets: octets[:9] if losses.pop(0) else octets
    lost_answers = [b"A "]

    def lose(octets: bytes) -> bytes:
        if lost_answers and b" A " in octets:
            lost_answers.pop()
            return b""
        return octets

    port.to_us = lose
    assert emitter.send(CARD, 50, 1000) == Emitted(CARD, True), "what was lost is told"
    assert len(port.board.plans) == 1, "nothing is emitted twice"
    assert emitter.send(CARD, 50, 1000) == Emitted(CARD, False)
    assert len(port.board.plans) == 2


def test_nobody_answers() -> None:
    port = Port(FakeClock())
    port.dead = "silent"
    with pytest.raises(TapError, match="no probe answers at /dev/x"):
        opened(port)
    assert port.closed == 1


def test_a_board_without_the_program(port: Port) -> None:
    port.dead = "silent"
    port.board.said += b"Traceback (most recent call last):\r\nSyntaxError: invalid syntax\r\n>>> "
    with pytest.raises(TapError, match="the probe's program does not run: copy the files"):
        opened(port)


def test_another_version(port: Port, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(LOGIC, "PROTOCOL", 2)
    with pytest.raises(TapError, match="does not speak version 1"):
        opened(port)


@pytest.mark.parametrize("address", ["probe:", "  ", "probe: "])
def test_no_port_is_named(address: str) -> None:
    with pytest.raises(TapError, match="which port"):
        ProbeLink(address)


def test_ports_that_are_none(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("")
    for device, words in ((str(tmp_path / "none"), "there is no device"), (str(file), "is no serial device")):
        with pytest.raises(TapError, match=words):
            open_probe_port(device)


def test_the_address_opens_the_source() -> None:
    source = open_card_source("probe:/dev/ttyACM9")
    assert isinstance(source, ProbeSource)
    assert source.ended
    with pytest.raises(TapError, match="there is no device"):
        source.open()


def test_a_frame_comes_out_of_the_source_whole_and_pieces_follow_each_other(port: Port) -> None:
    source = opened(port, ProbeSource)
    assert source.info.sees_pulses
    assert source.info.resolution_ns == 400
    pieces = run(source, port, 1500)
    port.show(CARD, later=25_000)
    pieces += run(source, port, 2000)
    assert bits_of(pieces) == [CARD]
    for sooner, later in itertools.pairwise(pieces):
        assert later.begin_ns == sooner.end_ns
        assert later.high_at_begin == (True, True)
    assert any(not piece.edges for piece in pieces), "a piece without edges ends the frame"
    assert source.problems == []
    assert not source.ended
    assert source.now_ns >= pieces[-1].end_ns
    source.close()
    assert source.ended


def test_a_lost_line_is_a_gap_and_never_quiet(port: Port) -> None:
    source = opened(port, ProbeSource)
    run(source, port, 1100)
    port.show(CARD, later=25_000)
    state = [0]

    def lose_second(octets: bytes) -> bytes:
        kept = b""
        for line in octets.splitlines(keepends=True):
            state[0] += b" E " in line
            kept += b"" if b" E " in line and state[0] == 2 else line
        return kept

    port.to_us = lose_second
    pieces = run(source, port, 3000)
    gaps = [
        (sooner.end_ns, later.begin_ns)
        for sooner, later in itertools.pairwise(pieces)
        if later.begin_ns != sooner.end_ns
    ]
    assert len(gaps) == 1
    assert gaps[0][0] < gaps[0][1]
    assert any("lost" in problem for problem in source.problems)
    assert CARD not in bits_of(pieces)


def test_what_the_probe_lost_is_a_gap(port: Port) -> None:
    source = opened(port, ProbeSource)
    run(source, port, 1100)
    port.board.lost = 77
    port.board.coming.append((port.ticks, 3))
    run(source, port, 1500)
    assert any("lost 77 changes" in problem for problem in source.problems)
    port.show(CARD)
    assert bits_of(run(source, port, 2000)) == [CARD]


def test_the_probe_begins_anew(port: Port) -> None:
    source = opened(port, ProbeSource)
    before = run(source, port, 3000)
    port.began_ns = port.clock.time_ns
    port.board.coming = [(0, 3)]
    port.probe = LOGIC.Probe(port.board)
    port.probe.hello()
    port.show(CARD, later=50_000)
    after = run(source, port, 2000)
    assert bits_of(after) == [CARD]
    assert after[0].begin_ns > before[-1].end_ns
    assert any("began anew" in problem for problem in source.problems)


def test_the_probe_is_pulled_out_or_falls_silent(port: Port) -> None:
    source = opened(port, ProbeSource)
    run(source, port, 1100)
    port.dead = "silent"
    with pytest.raises(TapError, match="has said nothing for"):
        run(source, port, 6000)
    port.dead = "gone"
    with pytest.raises(TapError, match="has gone: the device hung up"):
        run(source, port, 100)


@settings(max_examples=30)
@given(st.integers(0, 2**32), st.integers(60, 2000))
def test_whatever_is_lost_on_the_way_what_is_told_as_seen_is_true(seed: int, one_in: int) -> None:
    port = Port(FakeClock())
    source = opened(port, ProbeSource)
    random = Random(seed)
    true = set()
    for number in range(4):
        for place in range(26):
            line, at = random.randrange(2), port.ticks + 500_000 + number * 500_000 + place * 2500
            port.board.pulse(at, line)
            true |= {(at * 400, line, False), ((at + 125) * 400, line, True)}
    port.to_us = lambda octets: bytes(
        octet if random.randrange(one_in) else random.randrange(256) for octet in octets if random.randrange(one_in)
    )
    pieces = run(source, port, 1200)
    port.to_us = lambda octets: octets
    pieces += run(source, port, 1200)
    origin_ns = source._pieces._origin_ns
    assert origin_ns is not None
    told = {(edge.t_ns + origin_ns, edge.line, edge.high) for piece in pieces for edge in piece.edges}
    assert told <= true, "every change told is one that was"
    for piece in pieces:
        inside = {one for one in true if piece.begin_ns < one[0] - origin_ns < piece.end_ns}
        assert inside <= told, "within what is told as seen no change is missing"


def test_emitting(port: Port) -> None:
    emitter = opened(port, ProbeEmitter)
    for bits in (CARD, "1" * probe_emit.MOST_BITS, "0"):
        assert emitter.send(bits, 20, 200) == Emitted(bits, False)
    emitter.stop()
    assert port.board.stopped == 1


def test_lines_that_do_not_follow() -> None:
    assert opened(Port(FakeClock(), follows=False), ProbeEmitter).send(CARD, 50, 1000) == Emitted("", False)


def test_limits_here_are_those_of_the_probe(port: Port) -> None:
    assert probe_emit.MOST_BITS == LOGIC.MOST_BITS
    assert probe_emit.WIDTH_US == LOGIC.WIDTHS
    assert probe_emit.SPACING_US == LOGIC.SPACINGS
    assert probe_emit.LEAST_PAUSE_US == LOGIC.LEAST_PAUSE
    emitter = opened(port, ProbeEmitter)
    for width, spacing, bits in (
        (4, 100, "1"), (5, 20, "1"), (10_000, 100_000, "1"), (10_001, 100_000, "1"), (50, 54, "1"), (50, 55, "1"),
        (50, 100_001, "1"), (50, 100, ""), (50, 100, "2"), (50, 100, "1" * 201), (50, 100, "1" * 200),
    ):  # fmt: skip
        assert (why_not(bits, width, spacing) is None) == (LOGIC.why_not(width, spacing, bits) is None)
        if why_not(bits, width, spacing) is not None:
            with pytest.raises(ValueError, match=r"the probe|pulses of"):
                emitter.send(bits, width, spacing)


def test_a_probe_that_refuses_or_never_says_done(port: Port, monkeypatch: pytest.MonkeyPatch) -> None:
    emitter = opened(port, ProbeEmitter)
    monkeypatch.setattr(port.board, "emitting", lambda: True)
    with pytest.raises(TapError, match="did not say that the frame is out"):
        emitter.send(CARD, 50, 1000)
    with pytest.raises(TapError, match="did not emit: busy"):
        emitter.send(CARD, 50, 1000)


def test_a_port_through_pyserial() -> None:
    port = open_probe_port("loop://")
    port.write(b"!0000")
    assert port.read(1.0) == b"!0000"
    assert port.read(0) == b""
    port.close()
    with pytest.raises(SourceLostError):
        port.write(b"x")
    with pytest.raises(TapError, match="is not an address"):
        open_probe_port("nope://x")


def test_a_device_that_hangs_up() -> None:
    ours, theirs = pty.openpty()
    name = os.ttyname(theirs)
    port = open_probe_port(name)
    port.write(b"?0001")
    assert os.read(ours, 10) == b"?0001"
    os.close(ours)
    with pytest.raises(SourceLostError):
        port.read(5.0)
    with pytest.raises(SourceLostError):
        port.write(b"x")
    port.close()
    port.close()
    os.close(theirs)
