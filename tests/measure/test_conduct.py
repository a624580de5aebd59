"""How talkers behave: sequence numbers, outages, order, lateness, second answers. Facts: sheet 5.1 and 5.2."""

from __future__ import annotations

import pytest

from benchtool.capture.chunk import TapInfo
from benchtool.capture.settings import LineSettings
from benchtool.diagnose.evidence import Gatherer
from benchtool.frames.crc import with_crc_modbus
from benchtool.frames.frame import Frame, Protocol, Reason, Role
from benchtool.frames.osdp.build import build_frame
from benchtool.measure.conduct import AddressConduct, Conduct, Durations
from benchtool.measure.tally import Tally

MS = 1_000_000
POLL, ACK, NAK, BUSY = 0x60, 0x40, 0x41, 0x79
CODES = {"ack": ACK, "nak": NAK, "busy": BUSY}


class Talk:
    """Says frames to a gatherer at times of its own."""

    def __init__(self) -> None:
        self.gatherer = Gatherer(Tally(TapInfo("made by hand", LineSettings(9600))))
        self.now = 0

    def say(self, octets: bytes, role: Role, after_ms: float, reason: Reason = Reason.OK) -> None:
        begin = self.now + round(after_ms * MS)
        self.now = begin + len(octets) * 1_041_667
        self.gatherer.frame(Frame(Protocol.OSDP, begin, self.now, octets, reason, role, begin))

    def ask(self, address: int, sequence: int, after_ms: float = 50) -> None:
        self.say(build_frame(address, POLL, b"", sequence=sequence, crc=True, reply=False), Role.REQUEST, after_ms)

    def answer(self, address: int, sequence: int, after_ms: float = 3, code: str = "ack", data: bytes = b"") -> None:
        octets = build_frame(address, CODES[code], data, sequence=sequence, crc=True, reply=True)
        self.say(octets, Role.REPLY, after_ms)

    def polled(self, address: int, sequences: list[int]) -> None:
        for sequence in sequences:
            self.ask(address, sequence)
            self.answer(address, sequence)

    def conduct(self) -> Conduct:
        self.gatherer.close(self.now)
        return self.gatherer.evidence().conduct

    def at(self, address: int) -> AddressConduct:
        return next(row for row in self.conduct().addresses if row.address == address)


def test_sound_sequence_numbers_are_no_fault() -> None:
    talk = Talk()
    talk.polled(1, [0, 1, 2, 3, 1, 2, 3])  # sheet 5.1: 0, then 1, 2, 3, 1 …
    found = talk.at(1)
    assert found.sequence_faults == found.restarts == 0
    assert (found.requests, found.answered) == (7, 7)


@pytest.mark.parametrize(
    ("sequences", "jumps", "repeats", "restarts"),
    [([1, 3, 1, 3], 2, 0, 0), ([1, 1, 2, 2], 0, 2, 0), ([1, 2, 0, 0, 1], 0, 0, 2)],
)
def test_odd_sequence_numbers_are_counted(sequences: list[int], jumps: int, repeats: int, restarts: int) -> None:
    talk = Talk()
    talk.polled(1, sequences)
    found = talk.at(1)
    assert (found.jumps, found.repeats, found.restarts) == (jumps, repeats, restarts)


def test_asking_again_after_silence_is_right() -> None:
    talk = Talk()
    talk.polled(1, [1, 2])
    talk.ask(1, 3)
    talk.polled(1, [3, 1])
    assert talk.at(1).sequence_faults == 0


def test_nothing_is_concluded_across_damage() -> None:
    talk = Talk()
    talk.polled(1, [1])
    talk.say(b"\x53\x01\x08\x00\x06\x61\x00\x00", Role.UNKNOWN, 50, Reason.CHECK_FAILED)
    talk.answer(1, 2)
    talk.polled(1, [3])
    conduct = talk.conduct()
    assert conduct.addresses[0].sequence_faults == 0
    assert conduct.unasked == conduct.addresses[0].seconds == conduct.addresses[0].late == 0


def test_replies_with_another_number_refusals_and_busy() -> None:
    talk = Talk()
    talk.ask(1, 1)
    talk.answer(1, 2)
    talk.ask(1, 2)
    talk.answer(1, 2, code="nak", data=b"\x04")  # sheet 5.4: NAK 04, sequence number
    talk.ask(1, 3)
    talk.answer(1, 3, code="nak", data=b"\x03")
    talk.ask(1, 1)
    talk.answer(1, 0, code="busy")  # sheet 5.1: BUSY bears 0
    found = talk.at(1)
    assert (found.mismatches, found.refusals, found.refused_numbers, found.busy) == (1, 2, 1, 1)


def test_modbus_exceptions_are_refusals() -> None:
    gatherer = Gatherer(Tally(TapInfo("made by hand", LineSettings(9600))))
    for index, octets in enumerate((bytes((17, 3, 0, 0, 0, 1)), bytes((17, 0x83, 2)))):
        role = Role.REPLY if index else Role.REQUEST
        begin = index * 20 * MS
        frame = with_crc_modbus(octets)
        gatherer.frame(Frame(Protocol.MODBUS_RTU, begin, begin + 9 * MS, frame, Reason.OK, role, None))
    assert gatherer.evidence().conduct.addresses[0].refusals == 1


def test_an_outage_is_silence_between_answers() -> None:
    talk = Talk()
    for _ in range(2):
        talk.polled(4, [1, 2, 3])
        for _ in range(5):
            talk.ask(4, 1)
    talk.polled(4, [1])
    found = talk.at(4)
    assert (found.outages, found.out_requests) == (2, 10)
    talk = Talk()
    for _ in range(20):
        talk.ask(4, 1)
    assert talk.at(4).outages == 0


def test_second_answers_and_late_ones() -> None:
    talk = Talk()
    for sequence in (1, 2, 3):
        talk.ask(2, sequence)
        talk.answer(2, sequence)
        talk.answer(2, sequence, after_ms=1)
    talk.ask(3, 1)
    talk.ask(2, 1, after_ms=210)
    talk.answer(3, 1, after_ms=5)  # sheet 5.2: 200 ms allowed
    conduct = talk.conduct()
    second, third = (next(row for row in conduct.addresses if row.address == a) for a in (2, 3))
    assert second.seconds == 3
    assert (third.late, third.answered) == (1, 0)
    assert conduct.unasked == 4


def asked_again(wait_ms: float, *, damage: bool = False, answers: int = 2, number: int = 2) -> AddressConduct:
    """Number 2 is asked, and asked again; answered, then number 3, then (`answers` 2) a reply bearing `number`."""
    talk = Talk()
    talk.polled(1, [1])
    talk.ask(1, 2)
    if damage:
        talk.say(b"\x53\x81\x08", Role.REPLY, 3, Reason.TRUNCATED)
    talk.ask(1, 2, wait_ms)
    talk.answer(1, 2)
    talk.polled(1, [3])
    if answers == 2:
        talk.answer(1, number, 20)
    talk.polled(1, [1, 2])
    return talk.at(1)


def test_two_replies_to_two_askings_are_late_by_their_number() -> None:
    # sheet 5.2: 200 ms to answer; 5.1: asked again with the same number, answered with it
    found = asked_again(205)
    assert (found.proven_late, found.seconds) == (1, 1)
    assert asked_again(205, answers=1).proven_late == 0
    assert asked_again(205, number=3).proven_late == 0
    assert asked_again(60).proven_late == 0  # the controller did not wait
    assert asked_again(205, damage=True).proven_late == 0  # what was damaged may have been the reply


def test_a_second_device_is_not_late() -> None:
    talk = Talk()
    for sequence in [1, 2, 3] * 4:
        talk.polled(1, [sequence])
        talk.answer(1, sequence, 5)
    found = talk.at(1)
    assert (found.seconds, found.proven_late) == (12, 0)


def test_polls_out_of_order_and_cutting_in() -> None:
    talk = Talk()
    for turn in range(12):
        for address in (1, 2, 3):
            talk.polled(address, [1 + turn % 3])
    assert talk.conduct().odd_steps == 0
    for address in (3, 1, 2):
        talk.polled(address, [1])
    talk.ask(1, 2)
    talk.ask(2, 2, after_ms=1)
    talk.ask(3, 2, after_ms=220)
    found = talk.conduct()
    # 3 after 3 is no step; 1 after 3 and 2 after 1 are as ever, 1 after 2 is not.
    assert (found.odd_steps, found.cut_in) == (1, 1)


def test_two_pollers_shorten_the_time_between_polls() -> None:
    talk = Talk()
    for turn in range(15):
        talk.polled(1, [1 + turn % 3])
    steady = talk.at(1).interval_low
    assert steady is not None
    assert steady > 0.9
    talk = Talk()
    for turn in range(15):
        talk.polled(1, [1 + turn % 3])
        talk.ask(1, 1 + turn % 3, after_ms=200)
        talk.answer(1, 1 + turn % 3)
    crowded = talk.at(1).interval_low
    assert crowded is not None
    assert crowded < 0.5


def test_latency_quantiles_and_drift() -> None:
    talk = Talk()
    for turn in range(100):
        talk.ask(1, 1 + turn % 3)
        talk.answer(1, 1 + turn % 3, after_ms=3 + turn / 10)
    found = talk.at(1)
    assert found.latency_quantiles == tuple(sorted(found.latency_quantiles))
    assert found.latency_quantiles[2] == pytest.approx(8e6, rel=0.1)
    assert found.drift is not None
    assert 1.8 < found.drift < 3.5


def test_durations() -> None:
    empty = Durations()
    assert empty.quantile(0.5) is None
    assert empty.below(1e9) == 0
    held = Durations()
    for milliseconds in range(1, 101):
        held.add(milliseconds * MS)
    assert held.quantile(0.5) == pytest.approx(50e6, rel=0.1)
    assert held.below(25e6) == pytest.approx(0.25, abs=0.04)
    held.add(-5)
    assert held.quantile(0) == pytest.approx(1000, rel=0.1)
