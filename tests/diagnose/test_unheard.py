"""A controller that asks the same again although its reply was heard here.

Sheet 5.1: an unanswered command is repeated with the same sequence number; after 1, 2, 3 comes 1; 0 begins anew.
"""

from __future__ import annotations

import pytest

from benchtool.capture.chunk import Chunk
from benchtool.capture.settings import LineSettings
from benchtool.commands.session import Session
from benchtool.diagnose.conclude import conclude
from benchtool.diagnose.engine import observe
from benchtool.diagnose.evidence import Evidence
from benchtool.diagnose.finding import Cause, Diagnosis
from benchtool.diagnose.leaning import leans_heard
from benchtool.diagnose.observed import Observed
from benchtool.diagnose.unheard import Unheard
from benchtool.frames.osdp.build import build_frame
from benchtool.taps.address import open_tap
from tests.diagnose.test_symptoms import chunk, heard

MS = 1_000_000


def poll(number: int, address: int = 4) -> bytes:
    return build_frame(address, 0x60, sequence=number)


def ack(number: int, address: int = 4) -> bytes:
    return build_frame(address, 0x40, sequence=number, reply=True)


def talk(*said: bytes) -> Evidence:
    items: list[Chunk] = [chunk(octets, 50 * MS * place) for place, octets in enumerate(said)]
    return heard(items, prove=False)[0]


def test_repeats_after_a_sound_reply_are_counted_and_no_others() -> None:
    again = talk(poll(1), ack(1), poll(1), ack(1), poll(2), ack(2), poll(3), ack(3), poll(3), ack(3), poll(1), ack(1))
    assert again.unheard == {4: Unheard(6, 2)}
    sound = talk(*(octets for number in (0, 1, 2, 3, 1, 2) for octets in (poll(number), ack(number))))
    assert sound.unheard == {4: Unheard(5, 0)}
    # No reply, a reply with another number, number 0, and damage between: nothing follows from these.
    assert talk(poll(1), poll(1), ack(1)).unheard[4].again == 0
    assert talk(poll(1), ack(3), poll(1), ack(1), poll(2)).unheard[4].again == 0
    assert 4 not in talk(poll(0), ack(0), poll(0), ack(0)).unheard
    assert talk(poll(1), ack(1), poll(2)[:-1] + b"\x00", poll(1), ack(1)).unheard[4].again == 0


def listened(address: str) -> tuple[Observed, Diagnosis]:
    session = Session(open_tap(address, None))
    session.run()
    observed = observe(session.gatherer.evidence(), session.tap.info.settings)
    return observed, conclude(observed)


def test_then_the_wires_are_not_called_sound() -> None:
    observed, found = listened("sim:longline?fault=line-too-long-for-rate")
    said = {one.because for one in observed.leans}
    assert len(said) == 1
    assert "as if it had not heard the reply that came sound here" in said.pop()
    texts = [found.findings[0].summary, *(one.summary for one in found.findings)]
    assert not any("Wires are sound" in text for text in texts)
    numbers = next(one for one in found.findings if one.cause is Cause.SEQUENCE_FAULTS)
    assert "leave them alone" not in " ".join(numbers.todo)
    assert numbers.probability < 0.15
    assert found.findings[0].cause not in (Cause.SEQUENCE_FAULTS, Cause.HEALTHY)
    assert found.next[0].do.startswith("Clip on at the controller's end")


@pytest.mark.parametrize("which", ["stale", "forgets", "zero", "skips", "repeats", "only-zero"])
def test_numbers_that_do_go_wrong_are_still_called_so(which: str) -> None:
    observed, found = listened(f"sim:demo?fault=sequence-faults&which={which}")
    assert observed.leans == ()
    assert found.findings[0].cause is Cause.SEQUENCE_FAULTS
    assert found.findings[0].summary.startswith("Wires are sound")


@pytest.mark.parametrize("fault", ["noise-impulsive", "two-controllers", "device-slow", "device-resetting", "healthy"])
def test_no_other_fault_lets_a_controller_ask_again_so_often(fault: str) -> None:
    session = Session(open_tap(f"sim:demo?fault={fault}", None))
    session.run()
    leans = leans_heard(session.gatherer.evidence(), LineSettings(), None)
    assert not any(one.cause is Cause.SEQUENCE_FAULTS for one in leans)
