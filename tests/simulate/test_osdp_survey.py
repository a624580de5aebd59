"""The survey: who answers, who does so twice, what is asked and what is not."""

from __future__ import annotations

import numpy as np
import pytest

from benchtool.capture.chunk import Chunk
from benchtool.frames.osdp.build import build_frame
from benchtool.frames.osdp.codes import Command, Reply
from benchtool.reports.survey_text import Row, Survey, remarks, survey_object, survey_text
from benchtool.simulate.osdp_device_session import DeviceSession
from benchtool.simulate.osdp_survey import Answers, Surveyor
from benchtool.simulate.peripheral import Peripheral
from tests.simulate.lockstep import MS, SETTINGS, heard, octets

# sheet 5.5: OUI A4D9A4, model 3, version FF, serial 1879113779, firmware 3.0.2, and the capabilities of that reader
IDENTITY = octets("A4 D9 A4 03 FF 33 00 01 70 03 00 02")
CAPABILITIES = octets(
    "03 01 01 04 04 01 05 02 01 06 00 00 07 00 00 08 01 00 09 01 01 0A C2 01 0E 00 00 0F 00 00 10 01 00"
)
SERIAL = 1879113779


def device(address: int, *, identity: bytes = IDENTITY, secure: bool = False, reply_ms: float = 3) -> Peripheral:
    session = None
    if secure:
        session = DeviceSession(identity, random=np.random.default_rng(2).bytes, required=True)
    return Peripheral(
        f"device {address}",
        address,
        SETTINGS,
        identity=identity,
        capabilities=CAPABILITIES,
        reply_ns=round(reply_ms * MS),
        rng=np.random.default_rng(1),
        session=session,
    )


def survey(surveyor: Surveyor, devices: list[Peripheral], *, mix: bool = False) -> list[bytes]:
    """Run it; what was asked. With `mix` the answers of several devices at once come out as one damaged lump."""
    asked: list[bytes] = []
    now_ns = 0
    while not surveyor.done:
        wake_ns = surveyor.wake_ns()
        assert wake_ns is not None
        now_ns = max(now_ns, wake_ns)
        said = surveyor.act(now_ns)
        if said is None:
            continue
        asked.append(said)
        answers: list[tuple[int, bytes]] = []
        for one in devices:
            one.hear(heard(said, now_ns))
            due_ns = one.wake_ns()
            told = None if due_ns is None else one.act(due_ns)
            if told is not None and due_ns is not None:
                answers.append((due_ns, told))
        if mix and len(answers) > 1:
            (at_ns, first), (_, second) = sorted(answers)
            lump = bytes(one & other for one, other in zip(first, second, strict=False))
            surveyor.hear(heard(lump, at_ns))
            continue
        end_ns = 0
        for at_ns, told in sorted(answers):
            chunk = heard(told, max(at_ns, end_ns))
            surveyor.hear(chunk)
            end_ns = chunk.end_ns + MS
    return asked


def of(surveyor: Surveyor, address: int) -> Answers:
    return next(answers for answers in surveyor.answers if answers.address == address)


def test_one_device_says_all_of_itself_and_no_poll_is_sent() -> None:
    done: list[int] = []
    surveyor = Surveyor(
        [4, 5, 6], SETTINGS, random=np.random.default_rng(1).bytes, on_done=lambda one: done.append(one.address)
    )
    asked = survey(surveyor, [device(5)])
    assert done == [4, 5, 6]
    found = of(surveyor, 5)
    assert found.there
    assert not found.clash
    assert not found.doubtful
    assert (found.identities, found.capabilities) == ([IDENTITY], CAPABILITIES)
    assert (found.tamper, found.power_failed, found.nak) == (False, False, None)
    # a device without secure channel refuses the challenge
    assert found.default_key is False
    assert (found.asked, found.sound, found.garbled, found.doubled, found.silent) == (8, 8, 0, 0, 0)
    assert all(3 * MS <= latency <= 3.4 * MS for latency in found.latencies_ns)
    for address in (4, 6):
        assert not of(surveyor, address).there
        assert (of(surveyor, address).asked, of(surveyor, address).silent) == (2, 2)
    codes = [data[6 + 2] if data[4] & 8 else data[5] for data in asked if data[1] == 5]
    assert codes == [Command.ID, Command.CAP, Command.LSTAT, *[Command.ID] * 4, Command.CHLNG]
    # checksum form: every device understands it (sheet 5.1)
    assert not any(data[4] & 4 for data in asked)
    assert asked[0] == build_frame(4, Command.ID, b"\0", sequence=0, crc=False)


def test_the_waits_add_up() -> None:
    surveyor = Surveyor([1], SETTINGS, wait_ns=100 * MS, tries=3)
    asked = survey(surveyor, [])
    assert len(asked) == 3
    assert surveyor.wake_ns() is None
    assert surveyor.act(10**12) is None
    assert surveyor.is_done()


def test_whether_the_default_key_is_taken() -> None:
    surveyor = Surveyor([5], SETTINGS, random=np.random.default_rng(1).bytes)
    survey(surveyor, [device(5, secure=True)])
    found = of(surveyor, 5)
    assert found.default_key
    assert any("default key" in text for text in remarks(Row(9600, found)))
    without = Surveyor([5], SETTINGS)
    survey(without, [device(5, secure=True)])
    assert of(without, 5).default_key is None
    # LSTAT is refused in clear by a device that wants a session
    assert found.tamper is None


@pytest.mark.parametrize(
    ("code", "data", "known"),
    [
        (Reply.BUSY, b"", None),
        (Reply.NAK, b"\x04", None),  # sheet 5.4: wrong sequence number
        (Reply.NAK, b"\x03", False),  # unknown command
        (Reply.NAK, b"\x06", False),  # security required
        (Reply.CCRYPT, bytes(32), False),
    ],
)
def test_only_an_answer_about_the_key_tells_of_it(code: int, data: bytes, known: bool | None) -> None:
    surveyor = Surveyor([5], SETTINGS, random=lambda count: bytes(count))
    now_ns = 0
    while not surveyor.done:
        now_ns = max(now_ns, surveyor.wake_ns() or 0)
        said = surveyor.act(now_ns)
        if said is not None:
            asked = said[4] & 8
            reply = (code, data) if asked else (Reply.PDID, IDENTITY)
            told = build_frame(5, *reply, sequence=said[4] & 3, crc=False, reply=True)
            surveyor.hear(heard(told, now_ns + 20 * MS))
    assert of(surveyor, 5).default_key is known


def test_a_forged_proof_is_none() -> None:
    # CCRYPT whose cryptogram is not of the default key
    surveyor = Surveyor([5], SETTINGS, random=lambda count: bytes(count))
    own = DeviceSession(IDENTITY, random=lambda count: bytes(count))
    one = device(5)
    one.session = own
    surveyor._rnd_a = bytes(8)
    assert not surveyor._proves(bytes(32))
    assert not surveyor._proves(bytes(31))
    survey(surveyor, [one])
    assert of(surveyor, 5).default_key


def test_two_devices_one_after_the_other_are_seen_as_two() -> None:
    twin = IDENTITY[:5] + octets("34 00 01 70") + IDENTITY[9:]
    surveyor = Surveyor([5], SETTINGS)
    survey(surveyor, [device(5), device(5, identity=twin, reply_ms=12)])
    found = of(surveyor, 5)
    assert found.clash
    assert found.doubled == found.asked
    assert sorted(found.identities) == sorted([IDENTITY, twin])
    text = remarks(Row(9600, found))[0]
    assert text.startswith("TWO DEVICES")
    assert str(SERIAL) in text
    assert str(SERIAL + 1) in text


def test_two_devices_at_once_are_doubtful() -> None:
    twin = IDENTITY[:5] + octets("34 00 01 70") + IDENTITY[9:]
    surveyor = Surveyor([5], SETTINGS)
    survey(surveyor, [device(5), device(5, identity=twin)], mix=True)
    found = of(surveyor, 5)
    assert found.there
    assert found.doubtful
    assert not found.clash
    assert found.garbled == found.asked
    assert "two devices" in remarks(Row(9600, found))[0]


def test_a_device_that_misses_a_question_is_asked_from_nought_again() -> None:
    class Deaf(Peripheral):
        count = 0

        def hear(self, chunk: Chunk) -> None:
            Deaf.count += 1
            if Deaf.count not in (2, 3):
                super().hear(chunk)

    one = Deaf(
        "deaf",
        5,
        SETTINGS,
        identity=IDENTITY,
        capabilities=CAPABILITIES,
        reply_ns=3 * MS,
        rng=np.random.default_rng(1),
    )
    surveyor = Surveyor([5], SETTINGS)
    asked = survey(surveyor, [one])
    found = of(surveyor, 5)
    assert found.silent == 2
    assert found.capabilities is None
    assert found.tamper is False
    assert [data[4] & 3 for data in asked] == [0, 1, 1, 0, 1, 2, 3, 1]
    assert any("2 of 8 questions were not answered" in text for text in remarks(Row(9600, found)))


def test_a_device_that_refuses_says_why() -> None:
    surveyor = Surveyor([5], SETTINGS)
    now_ns = 0
    while not surveyor.done:
        now_ns = max(now_ns, surveyor.wake_ns() or 0)
        said = surveyor.act(now_ns)
        if said is not None:
            nak = build_frame(5, Reply.NAK, b"\x06", sequence=said[4] & 3, crc=False, reply=True)
            surveyor.hear(heard(nak, now_ns + 20 * MS))
    found = of(surveyor, 5)
    assert found.nak == 6
    assert any("encryption required" in text for text in remarks(Row(9600, found)))


def test_the_text_and_the_object_say_the_same() -> None:
    surveyor = Surveyor([5], SETTINGS)
    survey(surveyor, [device(5)])
    result = Survey([Row(9600, of(surveyor, 5), "door", True)], [], 1)
    assert not result.wrong
    text = "\n".join(survey_text(result))
    assert "1 of 1 addresses answer" in text
    assert f"maker A4D9A4, model 3, version 255, serial {SERIAL}, firmware 3.0.2" in text
    # sheet 5.5: receive buffer 0x01C2 = 450
    assert "receive buffer 450 octets" in text
    made = survey_object(result)
    assert made["devices"][0]["identities"][0]["serial"] == SERIAL
    assert made["devices"][0]["capabilities"][0] == {"function": 3, "compliance": 1, "number": 1}
    assert made["wrong"] is False
    result.missing.append("address 6 lock")
    assert result.wrong
    assert "! missing: address 6 lock" in survey_text(result)
    assert "nobody answers" in survey_text(Survey(asked=3))[-1]


def test_octets_that_are_no_reply_are_no_answer() -> None:
    rows = [Row(9600, Answers(1, asked=3, garbled=3)), Row(9600, Answers(2, asked=8, sound=8))]
    text = survey_text(Survey(rows, asked=5, wanted=9, complete=False))
    assert text[:3] == [
        "1 of 5 addresses answer (stopped early)",
        "at 1 more octets came, and no sound reply among them",
        "not asked, or not to the end: 4 of 9 addresses",
    ]
    assert any("address 1 at 9600 bit/s: 0 of 3 questions got a sound reply" in line for line in text)


@pytest.mark.parametrize(
    ("row", "text"),
    [
        (Row(9600, Answers(1, asked=8, sound=7, garbled=1)), "1 of 8 answers were damaged: run benchtool diagnose"),
        (Row(9600, Answers(1, sound=8, tamper=True)), "its case is open (tamper)"),
        (Row(9600, Answers(1, sound=8, power_failed=True)), "its supply fails"),
        (Row(9600, Answers(1, sound=8), expected=False), "is not in the list"),
        (Row(9600, Answers(1, sound=8), differences=("serial 1 expected, 2 found",)), "serial 1 expected, 2 found"),
        (Row(9600, Answers(1, asked=8, doubled=8, sound=8)), "8 questions got two replies"),
    ],
)
def test_remarks(row: Row, text: str) -> None:
    assert any(text in remark for remark in remarks(row))
