"""Damage alone or in clusters, and the timeline."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from benchtool.measure.clustering import SLOTS, ClusterCounter, Clusters


def counted(row: list[bool], step_ns: int = 20_000_000) -> ClusterCounter:
    counter = ClusterCounter()
    for index, damaged in enumerate(row):
        counter.add(index * step_ns, damaged)
    return counter


def independent(share: float, count: int) -> list[bool]:
    rng = random.Random(5)
    return [rng.random() < share for _ in range(count)]


def bursts(count: int) -> list[bool]:
    rng = random.Random(6)
    row: list[bool] = []
    while len(row) < count:
        row += [False] * rng.randint(50, 250) + [True] * 14
    return row[:count]


def dispersion(clusters: Clusters) -> float:
    assert clusters.dispersion is not None
    return clusters.dispersion


def test_independent_damage_has_a_dispersion_of_about_one() -> None:
    for share in (0.05, 0.3, 0.8):
        assert 0.85 < dispersion(counted(independent(share, 16_000)).clusters()) < 1.15


def test_bursts_have_far_more_and_damage_in_step_far_less() -> None:
    assert dispersion(counted(bursts(8000)).clusters()) > 5
    assert dispersion(counted([index % 4 == 0 for index in range(800)]).clusters()) < 0.1


def test_runs_are_counted() -> None:
    found = counted([False, True, True, True, False, True]).clusters()
    assert (found.frames, found.damaged, found.followed, found.longest) == (6, 4, 2, 3)
    assert found.dispersion is None


def test_nothing_or_only_damage_has_no_dispersion() -> None:
    assert counted([False] * 200).clusters().dispersion is None
    assert counted([True] * 200).clusters().dispersion is None


@given(st.lists(st.tuples(st.integers(0, 10**12), st.booleans()), max_size=60), st.integers(0, 2**62))
def test_the_timeline_holds_every_frame(rows: list[tuple[int, bool]], begin: int) -> None:
    counter = ClusterCounter()
    now = begin
    for after, damaged in rows:
        now += after
        counter.add(now, damaged)
    found = counter.timeline()
    assert sum(found.sound) == sum(not damaged for _, damaged in rows)
    assert sum(found.damaged) == sum(damaged for _, damaged in rows)
    assert len(found.sound) == len(found.damaged) <= SLOTS
    if rows:
        assert now - rows[0][0] - begin < found.slot_ns * SLOTS
        assert found.begin_ns == begin + rows[0][0]


def test_a_longer_capture_widens_the_slots_only() -> None:
    short, long = counted([False] * 100).timeline(), counted([False] * 10_000).timeline()
    assert long.slot_ns > short.slot_ns
    assert len(long.sound) > SLOTS / 2
