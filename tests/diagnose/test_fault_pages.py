"""What docs/faults/ says of the simulated bus is counted again here: if the bus changes, the page must."""

from __future__ import annotations

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


def damaged_of(address: int) -> Callable[[Evidence], str]:
    return lambda e: f"{asked(e)[address].damaged} of {asked(e)[address].requests} replies"


COUNTED: list[tuple[str, str, Callable[[Evidence], str]]] = [
    (
        "bias-missing",
        "demo?fault=bias-missing",
        lambda e: f"{e.strays} stray octets in 20 s beside {e.figures.sound} sound frames",
    ),
    (
        "bias-weak",
        "demo?fault=bias-weak&ohm=6800",
        lambda e: f"{e.strays} stray octets beside {e.figures.sound} sound frames in 20 s",
    ),
    (
        "noise-mains",
        "demo?fault=noise-mains",
        lambda e: f"{e.strays} stray octets, a hundred a second in silences, and {e.figures.sound} sound frames",
    ),
    (
        "noise-impulsive",
        "demo?fault=noise-impulsive&count=8",
        lambda e: f"{e.figures.damaged} damaged frames or strays beside {e.figures.sound} sound frames in 20 s",
    ),
    (
        "noise-broadband",
        "demo?fault=noise-broadband&level=0.4",
        lambda e: (
            f"{sum(r.damaged for r in asked(e).values())} of {sum(r.requests for r in asked(e).values())} requests "
            "answered with damage"
        ),
    ),
    (
        "two-controllers",
        "demo?fault=two-controllers",
        lambda e: (
            f"{sum(r.answered for r in asked(e).values())} of {sum(r.requests for r in asked(e).values())} requests "
            "answered"
        ),
    ),
    ("clock-off", "demo?fault=clock-off&at=4", damaged_of(4)),
    ("line-too-long-for-rate", "demo?fault=line-too-long-for-rate", damaged_of(5)),
    (
        "address-duplicate",
        "demo?fault=address-duplicate&at=2",
        lambda e: f"a stray octet right after {e.strays_seen.after_reply} of its {asked(e)[2].requests} replies",
    ),
    (
        "driver-held-late",
        "demo?fault=driver-held-late&at=2",
        lambda e: f"{asked(e)[3].answered} of {asked(e)[3].requests} requests",
    ),
    (
        "device-resetting",
        "demo?fault=device-resetting&at=3",
        lambda e: f"{asked(e)[3].silent} of {asked(e)[3].requests} requests unanswered",
    ),
]


@pytest.mark.parametrize(("page", "address", "says"), COUNTED, ids=lambda part: part if isinstance(part, str) else "")
def test_counts_on_a_page_are_what_the_simulated_bus_gives(
    page: str, address: str, says: Callable[[Evidence], str]
) -> None:
    assert says(heard(address)) in " ".join((PAGES / f"{page}.md").read_text(encoding="utf-8").split())


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
