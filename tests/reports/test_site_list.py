"""Any record can be listed, whole or by entry, and its list before closing made: nothing is asked of what it holds."""

from __future__ import annotations

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from benchtool.install.closing import State, last_ticks, points_of, state_of
from benchtool.install.load import load
from benchtool.install.record import Bus, Device, Record, Site, Tick
from benchtool.install.save import to_text
from benchtool.install.view import view_of
from benchtool.reports.site_closing_text import list_lines, point_values, summary_lines
from benchtool.reports.site_list import entry_lines, site_lines
from tests.record_values import instances


@settings(max_examples=40)
@given(instances(Record))
def test_any_record_can_be_listed(record: Record) -> None:
    view = view_of(load(to_text(record)))
    text = "\n".join(site_lines(view))
    for named in view.entries:
        if named.kind in ("bus", "device", "reader", "lock", "sensor"):
            assert named.id in text
        assert named.id in entry_lines(view, named)[0]


def chains() -> st.SearchStrategy[Record]:
    """Pairs of which enough is known that bands are computed for many."""
    device = st.builds(
        Device,
        id=st.sampled_from([f"d{n}" for n in range(9)]),
        kind=st.sampled_from(["controller", "interface", "reader", "junction"]),
        metres=st.sampled_from([0.0, 5.0, 80.0]),
        stub_m=st.sampled_from([None, 0.0, 2.0]),
        terminator=st.booleans(),
        bias_ohm=st.sampled_from([0.0, 560.0]),
        after=st.sampled_from([None, None, None, "d0", "d1"]),
        fed_by=st.sampled_from([None, "d0", "d1"]),
    )
    devices = st.lists(device, max_size=6, unique_by=lambda one: one.id).map(tuple)
    bus = st.builds(Bus, id=st.just("b"), cable=st.just("c"), device=devices)
    cable = load('schema = 1\n[site]\nname = "x"\n[[cable]]\nid = "c"\nawg = 24\n').record.cable
    return bus.map(lambda one: Record(schema=1, site=Site(name="x"), bus=(one,), cable=cable))


@given(st.one_of(instances(Record), chains()), st.lists(st.text(max_size=8), max_size=3))
def test_any_record_has_a_list_before_closing(record: Record, readings: list[str]) -> None:
    view = view_of(load(to_text(record)))
    points = points_of(view)
    assert len({point.item for point in points}) == len(points)
    ticks = last_ticks(record) | {
        point.item: Tick(item=point.item, at="now", reading=reading)
        for point, reading in zip(points, readings, strict=False)
    }
    text = "\n".join(list_lines(points, ticks))
    assert all(point.words in text for point in points)
    done = sum(state_of(point, ticks) is State.DONE for point in points)
    assert f"{done} of {len(points)} points" in summary_lines(points, ticks)[0]
    json.dumps([point_values(point, ticks) for point in points], allow_nan=False)
