"""Devices that answer, and then no more: nothing restarts, and nothing is sound."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pytest

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.engine import observe
from benchtool.diagnose.fell_silent import fell_silent
from benchtool.diagnose.finding import Cause, Diagnosis
from tests.diagnose.test_symptoms import chunk, heard
from tests.diagnose.test_unheard import ack, poll

MS = 1_000_000
ROUNDS = 100
EVER = range(ROUNDS)


def items(answers: Mapping[int, range]) -> Iterator[Chunk]:
    """Addresses polled in turn every 50 ms; each answers 5 ms later in its rounds. Unanswered numbers come again."""
    number = dict.fromkeys(answers, 0)
    for place in range(ROUNDS):
        for nth, (address, rounds) in enumerate(answers.items()):
            at_ns = 50 * MS * (place * len(answers) + nth)
            yield chunk(poll(number[address], address), at_ns)
            if place in rounds:
                yield chunk(ack(number[address], address), at_ns + 15 * MS)
                number[address] = number[address] % 3 + 1


def found(answers: Mapping[int, range]) -> tuple[dict[Cause, float], Diagnosis]:
    evidence = heard(list(items(answers)), prove=False)[0]
    leans = {one.cause: one.log for one in fell_silent(evidence)}
    return leans, conclude(observe(evidence, LineSettings()))


def test_one_that_falls_silent_and_stays_so_is_silent_and_not_restarting() -> None:
    leans, diagnosis = found({1: EVER, 2: range(60), 3: EVER})
    assert leans[Cause.DEVICE_SILENT] > 0 > leans[Cause.DEVICE_RESETTING]
    first = diagnosis.findings[0]
    assert (first.cause, first.place) == (Cause.DEVICE_SILENT, "address 2")
    assert "address 2 answered 60 requests, and then none of the last 40" in " ".join(
        line.text for line in first.evidence
    )


@pytest.mark.parametrize("count", [2, 5])
def test_when_all_fall_silent_it_is_what_they_share(count: int) -> None:
    leans, diagnosis = found(dict.fromkeys(range(1, count + 1), range(60)))
    assert leans[Cause.CONDUCTOR_OPEN] > 0
    assert leans[Cause.PAIR_SHORTED] > 0
    shares = {one.cause: one.probability for one in diagnosis.findings}
    assert shares.get(Cause.DEVICE_RESETTING, 0) < 0.1
    assert shares.get(Cause.HEALTHY, 0) < 0.01


def test_who_comes_again_or_never_spoke_is_another_matter() -> None:
    assert found({1: EVER, 2: EVER})[0] == {}
    assert found({1: EVER, 2: range(0)})[0] == {}  # silent from the beginning: the tables know that
    assert found({1: EVER, 2: range(95)})[0] == {}  # five are too few
    assert found({1: EVER, 2: range(40, 60)})[0][Cause.DEVICE_SILENT] > 0  # silent before, too


def test_two_of_three_are_looked_for_in_what_they_share() -> None:
    leans, _ = found({1: EVER, 2: range(60), 3: range(60)})
    assert leans[Cause.CONDUCTOR_OPEN] > 0
    assert leans[Cause.DEVICE_RESETTING] < 0


def test_of_the_only_device_nobody_knows_whether_it_went_or_the_pair() -> None:
    leans, _ = found({1: range(60)})
    assert leans[Cause.DEVICE_SILENT] == leans[Cause.CONDUCTOR_OPEN] == leans[Cause.PAIR_SHORTED] > 0
