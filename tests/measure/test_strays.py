"""Stray octets at the edges of frames and alone."""

from __future__ import annotations

from itertools import pairwise

from benchtool.capture.chunk import Mark
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.measure.kept import Sampler
from benchtool.measure.strays import StrayCounter

CHAR = 1_041_667


def stray(begin: int, value: int = 0, mark: int = 0) -> Frame:
    marks = bytes((mark,)) if mark else b""
    return Frame(
        Protocol.UNKNOWN, begin, begin + CHAR, bytes((value,)), Reason.NOT_RECOGNISED, Role.UNKNOWN, None, marks
    )


def sound(begin: int, role: Role = Role.REPLY) -> Frame:
    return Frame(Protocol.OSDP, begin, begin + 8 * CHAR, bytes(8), Reason.OK, role)


def test_places_and_values() -> None:
    counter = StrayCounter(CHAR, 0)
    reply, request = sound(0), sound(0, Role.REQUEST)
    counter.add(stray(reply.end_ns + CHAR), reply)
    counter.add(stray(request.end_ns, 0xFF, Mark.FRAMING), request)
    counter.add(stray(100 * CHAR, 0x35), reply)
    counter.before(sound(102 * CHAR))
    counter.add(stray(200 * CHAR, 0x80), None)
    counter.add(stray(300 * CHAR, 0x80), None)
    counter.before(sound(400 * CHAR))
    found = counter.figures()
    assert (found.spans, found.after_reply, found.after_request, found.before, found.alone) == (5, 1, 1, 1, 2)
    assert (found.zeros, found.high, found.marked) == (1, 3, 1)


def test_one_that_waits_counts_as_alone() -> None:
    counter = StrayCounter(CHAR, 0)
    counter.add(stray(100 * CHAR), None)
    assert counter.figures().alone == 1
    assert counter.figures().alone == 1


def test_coarse_times_widen_the_edge() -> None:
    fine, coarse = StrayCounter(CHAR, 0), StrayCounter(CHAR, 16_000_000)
    for counter in (fine, coarse):
        counter.add(stray(sound(0).end_ns + 10 * CHAR), sound(0))
    assert (fine.figures().after_reply, coarse.figures().after_reply) == (0, 1)


def test_a_sampler_keeps_evenly_and_little() -> None:
    sampler = Sampler(64)
    for time in range(10_000):
        sampler.add(time)
    times = sampler.times()
    assert 32 <= len(times) <= 64
    steps = {b - a for a, b in pairwise(times)}
    assert len(steps) <= 2
    assert max(steps) <= 512
