"""From octets to findings: simulated faults, pasted logs, and what must not be claimed."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchtool.capture.settings import CharFormat, LineSettings
from benchtool.commands.session import Session
from benchtool.diagnose.engine import diagnose, observe
from benchtool.diagnose.finding import Cause, Diagnosis
from benchtool.diagnose.observed import from_json, to_json
from benchtool.frames.osdp.build import build_frame
from benchtool.taps.address import open_tap
from benchtool.wire.uart import UartReceiver, encode
from tests.reversed_pair import sampler


def diagnosed(address: str, *, baud: int | None = None, length_m: float | None = None) -> Diagnosis:
    settings = None if baud is None else LineSettings(baud)
    session = Session(open_tap(address, settings))
    session.run()
    return diagnose(session.gatherer.evidence(), session.tap.info.settings, length_m=length_m)


def leading(found: Diagnosis) -> tuple[Cause, str]:
    return found.findings[0].cause, found.findings[0].place


SIMULATED = [
    ("demo", "healthy", Cause.HEALTHY, "bus"),
    ("demo", "pair-reversed-at-tap", Cause.REVERSED_AT_TAP, "tap"),
    ("demo", "device-silent&at=2", Cause.DEVICE_SILENT, "address 2"),
    ("demo", "device-slow&at=3", Cause.DEVICE_SLOW, "address 3"),
    ("demo", "noise-broadband&level=0.5", Cause.NOISE_BROADBAND, "bus"),
    ("demo", "baud-wrong", Cause.BAUD_WRONG, "tap"),
    ("demo", "format-wrong", Cause.FORMAT_WRONG, "tap"),
    ("modbus", "healthy", Cause.HEALTHY, "bus"),
    ("modbus", "pair-reversed-at-tap", Cause.REVERSED_AT_TAP, "tap"),
    ("modbus", "device-silent&at=18", Cause.DEVICE_SILENT, "address 18"),
    ("modbus", "noise-broadband", Cause.NOISE_BROADBAND, "bus"),
]


@pytest.mark.parametrize("tap", ["", "&adapter=blind"])
@pytest.mark.parametrize(("scenario", "fault", "cause", "place"), SIMULATED)
def test_the_leading_finding_is_the_fault(scenario: str, fault: str, cause: Cause, place: str, tap: str) -> None:
    found = diagnosed(f"sim:{scenario}?fault={fault}&seed=4242&for=8{tap}")
    assert leading(found) == (cause, place)
    assert found.next


def test_findings_come_most_probable_first() -> None:
    found = diagnosed("sim:demo?fault=noise-broadband&for=4")
    assert [finding.probability for finding in found.findings] == sorted(
        (finding.probability for finding in found.findings), reverse=True
    )


def test_a_reversed_device_is_as_silent_as_any_and_the_diagnosis_says_so() -> None:
    # A reversed device never understands a command, so it never answers: octets cannot tell why (docs/faults.md).
    found = diagnosed("sim:demo?fault=pair-reversed-at-device&at=3&for=6")
    causes = {finding.cause: finding for finding in found.findings}
    assert {causes[Cause.DEVICE_SILENT].place, causes[Cause.REVERSED_AT_DEVICE].place} == {"address 3"}
    assert max(finding.probability for finding in found.findings) < 0.9
    assert any(step.name.endswith("@3") for step in found.next)


def write_log(path: Path, frames: list[tuple[float, bytes, bool]], sent: LineSettings, heard: LineSettings) -> str:
    """An octet log of what a receiver makes of frames (time, octets, pair reversed); with framing marks."""
    lines = []
    for at_s, octets, inverted in frames:
        signal = encode(octets, sent)
        sample = sampler(signal, inverted=inverted)
        got = UartReceiver(heard).receive(sample, -0.001, signal.duration_s + 0.01, line_high_before=not inverted)
        words = " ".join(f"{octet.value:02X}{'/F' if octet.marks & 5 else ''}" for octet in got)
        lines.append(f"{at_s:.4f} {words}")
    path.write_text("\n".join(lines))
    return str(path)


def polling(rounds: int, *, inverted_replies_of: int | None = None) -> list[tuple[float, bytes, bool]]:
    frames = []
    at_s = 0.0
    for turn in range(rounds):
        for address in (1, 2, 3):
            sequence = turn % 3 + 1
            frames.append((at_s, build_frame(address, 0x60, sequence=sequence), False))
            reply = build_frame(address, 0x40, sequence=sequence, reply=True)
            frames.append((at_s + 0.012, reply, address == inverted_replies_of))
            at_s += 0.06
    return frames


def test_inverted_replies_prove_a_reversed_device(tmp_path: Path) -> None:
    log = write_log(tmp_path / "a.log", polling(8, inverted_replies_of=2), LineSettings(), LineSettings())
    found = diagnosed(log)
    assert leading(found) == (Cause.REVERSED_AT_DEVICE, "address 2")
    assert found.findings[0].probability > 0.8


@pytest.mark.parametrize("rate", [4800, 14400, 19200, 28800, 38400, 57600, 115200])
def test_a_wrong_rate_is_proved_from_a_log(tmp_path: Path, rate: int) -> None:
    log = write_log(tmp_path / "a.log", polling(6), LineSettings(9600), LineSettings(rate))
    found = diagnosed(log, baud=rate)
    assert leading(found) == (Cause.BAUD_WRONG, "tap")
    assert "9600" in found.findings[0].summary


def test_the_sheets_inverted_frames_in_a_pasted_log(tmp_path: Path) -> None:
    # Sheet section 11, A/B reversed (COMPUTED).
    log = tmp_path / "pasted.txt"
    log.write_text("0.000 56 F1 FF FB 3F 77 00/F\n0.100 77 7E 29 FF F9 13 F1/F\n")
    found = diagnosed(str(log))
    assert leading(found) == (Cause.REVERSED_AT_TAP, "tap")
    assert any("wires swapped on paper" in proof.text for proof in found.findings[0].evidence)


def test_a_missing_terminator_that_cannot_show_is_called_invisible() -> None:
    found = diagnosed("sim:demo?fault=terminator-missing-both&for=6")
    assert leading(found) == (Cause.HEALTHY, "bus")
    assert found.group is not None
    assert Cause.TERMINATOR_MISSING_BOTH in found.group.causes
    assert found.findings[0].probability <= 0.6 * found.group.probability + 1e-3
    assert any("cannot be seen this way" in limit and "ohm" in limit for limit in found.limits)
    known = diagnosed("sim:demo?fault=healthy&for=6", length_m=140)
    assert any("140 m" in limit for limit in known.limits)


def test_a_long_fast_pair_does_not_claim_that_it_would_be_invisible() -> None:
    found = diagnosed("sim:longline?fault=healthy&for=3", length_m=1200)
    assert leading(found)[0] is Cause.HEALTHY
    assert not any("terminator" in limit for limit in found.limits)


def test_a_blind_adapters_zero_errors_are_not_health() -> None:
    found = diagnosed("sim:demo?fault=healthy&for=4&adapter=blind&lump_ms=16")
    assert any("cannot see framing" in limit for limit in found.limits)
    assert any("16 ms" in limit for limit in found.limits)
    counted = diagnosed("sim:demo?fault=healthy&for=4&adapter=counted")
    assert any("counts line errors" in limit for limit in counted.limits)


def test_silence_is_no_health_and_names_no_single_cause() -> None:
    empty = Session(open_tap("sim:demo?for=0"))
    empty.run()
    nothing = diagnose(empty.gatherer.evidence(), empty.tap.info.settings)
    # Nobody talks, a wire is open, the pair is shorted: silence is the same.
    silent = {finding.cause: finding for finding in nothing.findings}
    assert {Cause.NONE_OF_THESE, Cause.CONDUCTOR_OPEN, Cause.PAIR_SHORTED} <= set(silent)
    assert "no octet" in silent[Cause.NONE_OF_THESE].summary
    assert nothing.findings[0].probability <= 0.6
    assert Cause.HEALTHY not in silent


def test_other_formats_are_named_by_the_settings() -> None:
    found = diagnose(
        _evidence("sim:modbus?fault=pair-reversed-at-tap&for=4"), LineSettings(19200, CharFormat.parse("8E1"))
    )
    assert leading(found)[0] is Cause.REVERSED_AT_TAP


def _evidence(address: str):  # type: ignore[no-untyped-def]
    session = Session(open_tap(address))
    session.run()
    return session.gatherer.evidence()


def test_a_regular_unknown_protocol_is_not_called_a_fault(tmp_path: Path) -> None:
    frames = [bytes((0xA5, address, turn, 0, address ^ 0xA5, 0x0D)) for turn in (1, 3) * 12 for address in (1, 2, 3)]
    log = tmp_path / "own.log"
    log.write_text("".join(f"{index * 0.05:.3f} {frame.hex(' ')}\n" for index, frame in enumerate(frames)))
    found = diagnosed(str(log))
    assert leading(found)[0] is Cause.NONE_OF_THESE


def test_a_reversed_device_is_proved_or_not_said(tmp_path: Path) -> None:
    # The reply begins in the clear and its last octet is wrong: whatever it is, no swapped pair.
    log = tmp_path / "a.log"
    lines = [f"{t / 10:.2f} 5305080005608dba\n{t / 10 + 0.03:.2f} 5385080005403fbd\n" for t in range(6)]
    log.write_text("".join(lines))
    found = diagnosed(str(log))
    assert all(f.probability < 0.1 for f in found.findings if f.cause is Cause.REVERSED_AT_DEVICE)


def test_single_breaks_name_no_rate(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    log.write_text("".join(f"{t / 10:.1f} 00/F\n" for t in range(50)))
    found = diagnosed(str(log))
    assert all(f.probability < 0.6 for f in found.findings if f.cause is Cause.BAUD_WRONG)


def test_framing_errors_in_sound_frames_are_not_health(tmp_path: Path) -> None:
    # Sheet section 11: 8E1 read as 8N1 gives framing errors on octets of even weight, and right values.
    log = tmp_path / "a.log"
    log.write_text("".join(f"{t / 10:.1f} 11/F 03/F 00/F 6B 00/F 03/F 76 87/F\n" for t in range(40)))
    found = diagnosed(str(log))
    assert leading(found)[0] is not Cause.HEALTHY
    assert any("--format 8E1" in limit for limit in found.limits)


def late_now_and_then(rounds: int, *, doubled: bool = False) -> list[tuple[float, bytes, bool]]:
    """Every fifth reply comes 290 ms late, so that it was asked again after 200; `doubled`: none is, but each twice."""
    frames: list[tuple[float, bytes, bool]] = []
    at_s, sequence = 0.0, 0
    owed: bytes | None = None
    for turn in range(rounds):
        asks = build_frame(7, 0x60, sequence=sequence)
        says = build_frame(7, 0x40, sequence=sequence, reply=True)
        frames.append((at_s, asks, False))
        late = turn % 5 == 4 and not doubled
        if late:
            at_s += 0.21
            frames.append((at_s, asks, False))
        frames.append((at_s + 0.012, says, False))
        if doubled:
            frames.append((at_s + 0.032, says, False))
        if owed is not None:
            frames.append((at_s + 0.035, owed, False))
        owed = says if late else None
        at_s += 0.06
        sequence = sequence % 3 + 1
    return frames


def test_a_reader_that_is_late_now_and_then_is_no_second_device(tmp_path: Path) -> None:
    line = LineSettings()
    found = diagnosed(write_log(tmp_path / "late.log", late_now_and_then(200), line, line))
    assert leading(found) == (Cause.DEVICE_SLOW, "address 7")
    assert any("late replies, and no second device" in one.text for one in found.findings[0].evidence)
    session = Session(open_tap(str(tmp_path / "late.log"), line))
    session.run()
    observed = observe(session.gatherer.evidence(), line)
    assert [one.heard for one in observed.leans] == [True]
    assert from_json(to_json(observed)).leans == observed.leans
    two = diagnosed(write_log(tmp_path / "two.log", late_now_and_then(200, doubled=True), line, line))
    assert leading(two)[0] is Cause.ADDRESS_DUPLICATE
    assert not any("late replies" in one.text for finding in two.findings for one in finding.evidence)


@pytest.mark.parametrize(
    "fault",
    [
        "device-silent",
        "sequence-faults",
        "two-controllers",
        "noise-impulsive",
        "device-resetting",
        "pair-reversed-at-tap",
    ],
)
def test_more_of_the_same_never_makes_a_right_answer_less_certain(fault: str) -> None:
    """Bayes' rule: what only goes on does not speak against what it spoke for. 10 s and 115 s of the same bus."""
    cause = Cause(fault)
    short, long = (diagnosed(f"sim:demo?fault={fault}&for={seconds}") for seconds in (10, 115))
    assert leading(short)[0] is leading(long)[0] is cause
    assert long.findings[0].probability >= short.findings[0].probability - 0.05  # a share near a bin's edge moves


def ascii_lines(lrc_off: int = 0) -> list[bytes]:
    """Requests as MODBUS over serial line V1.02, 2.5.2, has them: colon, pairs of digits, LRC, CR LF (sheet 3.3)."""
    request = bytes.fromhex("1103006B0003")
    return [b":" + (request + bytes([(-sum(request) + lrc_off) & 255])).hex().upper().encode() + b"\r\n"] * 12


def heard_lines(lines: list[bytes], tmp_path: Path) -> Diagnosis:
    text = "".join(f"{second}.000 {line.hex(' ')}\n" for second, line in enumerate(lines))
    log = tmp_path / "pasted.log"
    log.write_text(text, encoding="utf-8")
    return diagnosed(str(log), baud=9600)


def test_modbus_in_ascii_mode_is_recognised_and_what_to_try_is_said(tmp_path: Path) -> None:
    found = heard_lines(ascii_lines(), tmp_path)
    assert found.next[0].do == "Listen again: the traffic looks like Modbus ASCII: try --protocol modbus-ascii."
    none_of_these = next(one for one in found.findings if one.cause is Cause.NONE_OF_THESE)
    assert "looks like Modbus ASCII: try --protocol modbus-ascii" in none_of_these.summary
    # A wrong LRC (damage, or a maker's own) leaves the look of it.
    assert "modbus-ascii" in heard_lines(ascii_lines(lrc_off=1), tmp_path).next[0].do


def test_what_only_looks_a_little_like_ascii_mode_is_not_called_so(tmp_path: Path) -> None:
    for other in (b":11 03 00\r\n", b":110300\r\r", b"110300B0\r\n", b":1103\r\n"):
        assert "modbus-ascii" not in " ".join(step.do for step in heard_lines([other] * 12, tmp_path).next)
    assert "modbus-ascii" not in " ".join(step.do for step in diagnosed("sim:modbus?for=4").next)


@pytest.mark.parametrize(("shorted", "open_wire"), [("metres=60", "metres=60"), ("at=2", "at=2")])
def test_a_short_and_a_break_that_only_silence_devices_are_told_as_alike(shorted: str, open_wire: str) -> None:
    """From the line model: at 60 m of `sim:demo` both leave the same octets, so that octets cannot tell them apart."""
    for address in (
        f"sim:demo?fault=pair-shorted&{shorted}&for=20",
        f"sim:demo?fault=conductor-open&{open_wire}&for=20",
    ):
        found = diagnosed(address)
        assert found.group is not None
        assert {Cause.CONDUCTOR_OPEN, Cause.PAIR_SHORTED} <= set(found.group.causes)
        assert all(finding.probability <= 0.6 for finding in found.findings)
        assert any(step.name.startswith(("ab-", "a-", "b-")) for step in found.next)


def test_the_octets_of_a_short_and_of_a_break_at_one_place_are_the_same() -> None:
    """Why no symptom could tell them: the devices beyond either are silent, those before it are heard as ever."""
    heard_of = {}
    for fault in ("pair-shorted", "conductor-open"):
        session = Session(open_tap(f"sim:demo?fault={fault}&metres=60&for=20", None))
        session.run()
        heard_of[fault] = observe(session.gatherer.evidence(), session.tap.info.settings).symptoms
    assert heard_of["pair-shorted"] == heard_of["conductor-open"]


def test_few_requests_among_many_sound_frames_are_told_as_that() -> None:
    """`Only 0 requests were heard` beside 84 sound frames helps nobody."""
    found = diagnosed("sim:longline?fault=terminator-missing-one&which=far")
    limit = next(one for one in found.limits if "clean result" in one)
    assert found.figures is not None
    assert limit.startswith(f"Of {found.figures.sound} sound frames none is a request")
    assert "damaged" in limit
    few = diagnosed("sim:demo?for=1")
    assert any(one.startswith("Only ") and "requests and their answers" in one for one in few.limits)
