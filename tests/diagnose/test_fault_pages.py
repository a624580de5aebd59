"""What docs/faults/ says of the simulated bus is counted again here: if the bus changes much, the page must."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import pytest

from benchtool.diagnose.evidence import Evidence, Gatherer
from benchtool.frames.decoder import BusDecoder
from benchtool.measure.tally import AddressFigures, Tally
from benchtool.taps.simulated import SimulatedTap

PAGES = Path(__file__).parent.parent.parent / "docs" / "faults"


@lru_cache(maxsize=1)
def heard(address: str) -> Evidence:
    """Everything that a simulated bus gives, listened to from beginning to end."""
    with SimulatedTap(f"sim:{address}") as tap:
        tally = Tally(tap.info)
        tally.begin(tap.now_ns)
        gatherer = Gatherer(tally)
        decoder = BusDecoder(tap.info.settings, tap.info.resolution_ns)
        while not tap.ended:
            for item in tap.read(0):
                frames = decoder.feed(item)
                gatherer.item(item)
                for frame in frames:
                    gatherer.frame(frame)
        now_ns = tap.now_ns
        for frame in decoder.close():
            gatherer.frame(frame)
        gatherer.close(now_ns)
    return gatherer.evidence(decoder.counters)


def asked(evidence: Evidence) -> dict[int, AddressFigures]:
    return {row.address: row for row in evidence.figures.addresses if row.requests}


def some_never_answer(evidence: Evidence) -> tuple[list[int], list[int]]:
    """Addresses that answer every request, and those that answer none."""
    rows = asked(evidence).values()
    return [r.address for r in rows if r.answered == r.requests], [r.address for r in rows if r.answered == 0]


def sums(evidence: Evidence) -> tuple[int, int, int]:
    """Requests, answered, damaged over all addresses."""
    rows = asked(evidence).values()
    return sum(r.requests for r in rows), sum(r.answered for r in rows), sum(r.damaged for r in rows)


Counts = Callable[[Evidence], tuple[int, ...]]

COUNTED: list[tuple[str, str, str, Counts]] = [
    (
        "bias-missing",
        "demo?fault=bias-missing",
        r"(\d+) stray octets in 20 s beside (\d+) sound frames",
        lambda e: (e.strays, e.figures.sound),
    ),
    (
        "bias-weak",
        "demo?fault=bias-weak&ohm=6800",
        r"(\d+) stray octets beside (\d+) sound frames in 20 s",
        lambda e: (e.strays, e.figures.sound),
    ),
    (
        "noise-mains",
        "demo?fault=noise-mains",
        r"(\d+) stray octets, a hundred a second in silences, and (\d+) sound frames in 20 s",
        lambda e: (e.strays, e.figures.sound),
    ),
    (
        "noise-impulsive",
        "demo?fault=noise-impulsive&count=8",
        r"(\d+) damaged frames or strays beside (\d+) sound frames in 20 s",
        lambda e: (e.figures.damaged, e.figures.sound),
    ),
    (
        "noise-broadband",
        "demo?fault=noise-broadband&level=0.4",
        r"(\d+) of (\d+) requests answered with damage",
        lambda e: (sums(e)[2], sums(e)[0]),
    ),
    (
        "two-controllers",
        "demo?fault=two-controllers",
        r"(\d+) of (\d+) requests answered",
        lambda e: (sums(e)[1], sums(e)[0]),
    ),
    (
        "clock-off",
        "demo?fault=clock-off&at=4",
        r"(\d+) of (\d+) replies damaged",
        lambda e: (asked(e)[4].damaged, asked(e)[4].requests),
    ),
    (
        "line-too-long-for-rate",
        "demo?fault=line-too-long-for-rate",
        r"(\d+) of (\d+) replies of the last address damaged",
        lambda e: (asked(e)[5].damaged, asked(e)[5].requests),
    ),
    (
        "address-duplicate",
        "demo?fault=address-duplicate&at=2",
        r"a stray octet right after (\d+) of its (\d+) replies",
        lambda e: (e.strays_seen.after_reply, asked(e)[2].requests),
    ),
    (
        "driver-held-late",
        "demo?fault=driver-held-late&at=2",
        r"(\d+) of (\d+) requests",
        lambda e: (asked(e)[3].answered, asked(e)[3].requests),
    ),
    (
        "device-resetting",
        "demo?fault=device-resetting&at=3",
        r"(\d+) of (\d+) requests unanswered",
        lambda e: (asked(e)[3].silent, asked(e)[3].requests),
    ),
]


@pytest.mark.parametrize(("page", "address", "says", "counts"), COUNTED, ids=[row[0] for row in COUNTED])
def test_counts_on_a_page_are_about_what_the_simulated_bus_gives(
    page: str, address: str, says: str, counts: Counts
) -> None:
    text = " ".join((PAGES / f"{page}.md").read_text(encoding="utf-8").split())
    found = re.search(says, text)
    assert found is not None, says
    for shown, counted in zip(found.groups(), counts(heard(address)), strict=True):
        # Where there is noise another draw gives other numbers; a page need not follow each.
        assert counted == pytest.approx(int(shown), rel=0.3, abs=5)


@pytest.mark.parametrize(
    ("page", "address", "well", "silent"),
    [
        ("conductor-open", "demo?fault=conductor-open&at=4", [1, 2, 3], [4, 5]),
        ("pair-shorted", "demo?fault=pair-shorted&at=3", [1, 2], [3, 4, 5]),
        ("conductor-to-ground", "demo?fault=conductor-to-ground&at=3&which=b", [1, 2], [3, 4, 5]),
        ("conductor-to-ground", "demo?fault=conductor-to-ground&at=3&which=a", [1, 2, 3, 4, 5], []),
        ("ground-offset", "demo?fault=ground-offset&at=3&level=14", [1, 2, 4, 5], [3]),
        ("clock-off", "demo?fault=clock-off&at=3&percent=-5", [1, 2, 4, 5], [3]),
        ("bus-overloaded", "longline?fault=bus-overloaded&count=1000", [1, 2, 3], [4]),
        ("terminator-excess", "longline?fault=terminator-excess&count=6", [1, 2, 3], [4]),
        ("stub-too-long", "longline?fault=stub-too-long&at=3&metres=200", [1, 2, 3, 4], []),
        ("bias-weak", "demo?fault=bias-weak&ohm=2200", [1, 2, 3, 4, 5], []),
    ],
)
def test_who_answers_is_what_the_simulated_bus_gives(
    page: str, address: str, well: list[int], silent: list[int]
) -> None:
    assert (well, silent) == some_never_answer(heard(address))
    assert "On the simulated" in (PAGES / f"{page}.md").read_text(encoding="utf-8")


def test_long_branch_lets_the_controller_ask_a_device_in_bouts() -> None:
    seen = asked(heard("longline?fault=stub-too-long&at=3&metres=400"))
    assert heard("longline?fault=stub-too-long&at=3&metres=400").figures.damaged == 0
    assert seen[4].requests < 0.5 * seen[1].requests
